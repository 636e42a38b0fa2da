"""A few broken safety rules, each noticed by the tests; `mutation.py` asks for all of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("mutation.py")

PICKED = [
    pytest.param("knee_angle.assumptions:END_FROM_DEG | 45.0 | 46.0", id="the end of a photo"),
    pytest.param(
        "knee_angle.angle.verdict:verdict_of | abs(difference) + guard < tolerance"
        " | abs(difference) + guard <= tolerance",
        id="an all-clear on the very edge",
    ),
    pytest.param(
        "knee_angle.angle.verdict:verdict_of | abs(difference) - guard | abs(difference) + guard",
        id="a warning without proof",
    ),
    pytest.param(
        "knee_angle.settings:flexion_of_display | 180 - number | 180 + number",
        id="a display that counts from 180",
    ),
    pytest.param(
        "knee_angle.machine.cause:alarms_of | high > limit | high >= limit",
        id="an alarm on the limit itself",
    ),
    pytest.param(
        "knee_angle.machine.cause:display_alarms | past.append(('FLEXION', high)) | -",
        id="no alarm of the display",
    ),
    pytest.param(
        "knee_angle.machine.cause:cards_wrong | abs(frame.fit_deg) | frame.fit_deg",
        id="cards exchanged the other way",
    ),
    pytest.param(
        "knee_angle.visit.course:standing | reading.deg + guard < deg | reading.deg + guard <= deg",
        id="a prescribed angle not reached",
    ),
    pytest.param(
        "knee_angle.visit.course:Due.now | self.days_left <= 0 | self.days_left < 0",
        id="due today",
    ),
    pytest.param(
        "knee_angle.store.people:_check_order | high <= low | high < low",
        id="limits without room between them",
    ),
    pytest.param(
        "knee_angle.page.keeping:_kept | shown != wanted.answer | shown == wanted.answer",
        id="kept unseen",
    ),
]


@pytest.fixture(scope="module")
def told() -> subprocess.CompletedProcess[str]:
    names = [param.values[0] for param in PICKED]
    asked = [part for name in names for part in ("--mutant", name)]
    return subprocess.run(
        [sys.executable, str(SCRIPT), "--list", *asked],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip


@pytest.mark.parametrize("name", PICKED)
def test_a_broken_rule_is_noticed(told, name):
    (line,) = [line for line in told.stdout.splitlines() if line.endswith(name)] or [told.stderr]
    assert line.startswith("killed")


def test_nothing_survived(told):
    assert (told.returncode, "0 survived" in told.stdout) == (0, True)
