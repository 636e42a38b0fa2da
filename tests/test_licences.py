"""What is installed with us: under licences that a hospital may use, and bounded as far as known.

From installed metadata alone. No advisory database is asked: that needs the network.
"""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

PROJECT = tomllib.loads((Path(__file__).resolve().parents[1] / "pyproject.toml").read_text())[
    "project"
]
EXTRAS = PROJECT["optional-dependencies"]
SHIPPED = [name for name in EXTRAS if name not in ("test", "train")]

ALLOWED = {
    "0BSD", "Apache-2.0", "BSD", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "HPND", "ISC", "MIT",
    "MIT-0", "MIT-CMU", "PSF-2.0", "Zlib",
}  # fmt: skip
"""Use, change and hand on, with the notice kept (SPDX's names; "BSD" where no clause is told)."""

SAID: dict[str, str] = {
    "3-Clause BSD License": "BSD-3-Clause",
    "Apache 2.0": "Apache-2.0",
    "Apache License 2.0": "Apache-2.0",
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Python Software Foundation License": "PSF-2.0",
}
"""What metadata say in other words."""

EXCEPTIONS: dict[str, tuple[str, str]] = {
    "certifi": ("MPL-2.0", "a list of certificates, used as it is; the licence ends at its files"),
    "pi-heif": ("LGPLv3", "our use is of its BSD code; its wheel links libheif, replaceable"),
    "psycopg": ("LGPL-3.0", "extra [postgres] alone; imported as it is, replaceable"),
    "psycopg-binary": ("LGPL-3.0", "as psycopg, whose compiled part it is"),
}
"""Licences beyond the list: package, what it says, why it may stay."""


def named(distribution: str) -> str:
    return re.sub(r"[-_.]+", "-", distribution).lower()


@cache
def installed() -> dict[str, metadata.Distribution]:
    """Everything that our package and its extras need here, by name."""
    asked = [*PROJECT["dependencies"], *(line for name in SHIPPED for line in EXTRAS[name])]
    waiting, found = [Requirement(line) for line in asked], {}
    while waiting:
        one = waiting.pop()
        name = named(one.name)
        if name == "knee-angle" or (name, *sorted(one.extras)) in found:
            continue
        distribution = metadata.distribution(name)
        found[(name, *sorted(one.extras))] = distribution
        for line in distribution.requires or []:
            need = Requirement(line)
            asked_for = [{"extra": extra} for extra in ("", *one.extras)]
            if need.marker is None or any(need.marker.evaluate(given) for given in asked_for):
                waiting.append(need)
    return {key[0]: distribution for key, distribution in found.items()}


def licences(distribution: metadata.Distribution) -> set[str]:
    """What it says it is under: its expression, else its classifiers, else its own words."""
    told = distribution.metadata
    if expression := told.get("License-Expression"):
        # Of "A OR B" one may choose; of "A AND B" both hold.
        first = re.split(r"\bOR\b", expression)[0]
        return {part.strip(" ()") for part in re.split(r"\bAND\b", first)}
    classifiers = [
        line.rpartition(" :: ")[2]
        for line in told.get_all("Classifier") or []
        if line.startswith("License ::")
    ]
    words = classifiers or [(told.get("License") or "none").splitlines()[0]]
    return {SAID.get(word, word) for word in words}


def test_every_package_that_comes_with_us_is_under_a_licence_of_the_list_or_named_with_its_reason():
    beyond = {
        name: sorted(licences(one) - ALLOWED)
        for name, one in installed().items()
        if not licences(one) <= ALLOWED
    }
    assert set(beyond) == set(EXCEPTIONS)
    for name, (said, reason) in EXCEPTIONS.items():
        assert said.replace("-", "") in "".join(beyond[name]).replace("-", "").replace(" ", "")
        assert len(reason.split()) > 3


def test_no_copyleft_that_would_reach_our_own_code_is_installed_with_us():
    for name, one in installed().items():
        assert not re.search(r"(?<![L])GPL|AGPL|SSPL|Commons", " ".join(licences(one))), name


@pytest.mark.parametrize("extra", ["", *SHIPPED])
def test_every_dependency_is_bounded_from_below_and_the_installed_one_is_within(extra):
    for line in EXTRAS[extra] if extra else PROJECT["dependencies"]:
        one = Requirement(line)
        if named(one.name) == "knee-angle":
            assert one.extras <= set(EXTRAS)
            continue
        assert any(part.operator == ">=" for part in one.specifier), line
        assert not any(part.operator in ("==", "~=") for part in one.specifier), line
        assert one.specifier.contains(metadata.version(one.name), prereleases=True), line


def test_one_version_of_everything_satisfies_all_that_ask_for_it():
    """As `pip check` would say, for what comes with us."""
    for name, one in installed().items():
        for line in one.requires or []:
            need = Requirement(line)
            there = installed().get(named(need.name))
            if there is not None and (need.marker is None or need.marker.evaluate({"extra": ""})):
                assert need.specifier.contains(there.version, prereleases=True), (name, line)
