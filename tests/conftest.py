"""What several test modules share: the sample photos and their truth."""

from __future__ import annotations

import functools
import gc
import json
import os
import sys

# As the command itself does, before numpy loads: in small matrices a second thread only costs.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Hundreds of processes are begun here: each would compile the package anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

from collections import Counter
from collections.abc import Generator, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
import typer.main
import typer.testing
from _pytest.doctest import DoctestModule
from stores import Cluster, cluster, tables_once

from knee_angle.landmarks.pose import bundles

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--no-skip", action="store_true", help="a skipped test fails the run")
    parser.addoption(
        "--hold-s", type=float, default=3.0, help="how long the page is watched for calls home, s"
    )


LONGEST_FIRST = (
    "test_page_browser.py", "test_fuzz.py", "test_nothing_leaves.py", "test_page_visit_browser.py",
    "test_project.py", "test_ward_browser.py", "test_mutants.py", "test_batch_run.py",
    "test_store_robust.py", "test_page_following_browser.py", "test_visit_coverage.py",
    "test_machine_judge.py", "test_page.py", "test_visit_estimate.py",
    "test_batch_elsewhere.py", "test_store_commands.py", "test_check_joint.py", "test_ward.py",
    "test_bars.py", "test_papers.py", "test_rating.py", "test_clip.py",
    "test_landmarks_dots_always.py", "test_ward_hospital.py", "test_landmarks_pose.py",
    "test_cli.py", "test_agreement_coverage.py", "test_landmarks_dots.py", "test_page_film.py",
    "test_store.py", "test_calibration.py", "test_store_malformed.py", "test_faults.py",
    "test_check_empty.py", "test_page_kills.py", "test_finding.py", "test_tables.py",
    "test_front_door.py", "test_facing.py", "test_access.py", "test_sealing.py", "test_check.py",
    "README.md",
)  # fmt: skip
"""Files that take longest. Processes that wait for a browser or a server stand among those that
compute, so that neither core is idle; the rest follows by its number of tests."""


@pytest.hookimpl(wrapper=True)
def pytest_collect_file() -> Generator[None, list[pytest.Collector], list[pytest.Collector]]:
    """No docstring below this folder holds an example, so no process reads benches for one."""
    return [one for one in (yield) if not isinstance(one, DoctestModule)]


def pytest_configure(config: pytest.Config) -> None:
    # What is imported while tests are collected, millions of objects, stays to the end: looking
    # through it again and again for what could be freed took a third of the collection's time.
    gc.disable()  # here, not at import: a bench that borrows from the tests needs it
    # Several processes take the files as they stand below, not those with most tests first.
    if hasattr(config.option, "loadscopereorder"):
        config.option.loadscopereorder = False


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest files first: begun last, one would go on while the other processes are done."""
    files = [item.nodeid.partition("::")[0] for item in items]
    tests = Counter(files)
    first = {name: place for place, name in enumerate(LONGEST_FIRST)}
    place = {file: (first.get(Path(file).name, len(first)), -tests[file]) for file in tests}
    order = sorted(range(len(items)), key=lambda at: place[files[at]])
    items[:] = [items[at] for at in order]


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    gc.freeze()
    gc.enable()
    commands_once()
    tables_once()
    if "streamlit.testing.v1" in sys.modules:
        components_once()


def commands_once() -> None:
    """Each call of the command line in this process reads what all commands take: 0.05 s."""
    once = functools.cache(typer.main.get_command)
    typer.main.get_command = once
    typer.testing._get_command = once


def components_once() -> None:
    """Each page of Streamlit's test driver looks through every installed package: 0.2 s."""
    from streamlit.components.v2 import manifest_scanner

    once = functools.cache(manifest_scanner.scan_component_manifests)
    manifest_scanner.scan_component_manifests = once


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    call: pytest.CallInfo[None],
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Of a test that failed in a browser it is told what stood on its pages then."""
    report = yield
    if report.failed and call.excinfo is not None:
        for page in pages_of(call.excinfo):
            report.sections.append(("page in the browser", stood_on(page)))
    return report


def pages_of(failed: pytest.ExceptionInfo[BaseException]) -> list[Any]:
    """The browser's pages that the test's own functions held when it failed."""
    held: dict[int, Any] = {}
    for entry in failed.traceback:
        if Path(str(entry.path)).parent == SAMPLES.parent / "tests":
            for one in entry.frame.f_locals.values():
                page = getattr(one, "page", one)
                if type(page).__module__.startswith("playwright.") and hasattr(page, "goto"):
                    held[id(page)] = page
    return list(held.values())


def stood_on(page: Any) -> str:
    """A page's address and state, what its inputs hold, and its words."""
    try:
        page.set_default_timeout(2000)
        told = page.evaluate(
            "() => ({"
            " app: [...(document.querySelector('[data-testid=stApp]')?.attributes ?? [])]"
            ".map(a => `${a.name}=${a.value}`).filter(a => a.startsWith('data-test-')),"
            " inputs: [...document.querySelectorAll('input[aria-label]')]"
            ".filter(i => ['text', 'number'].includes(i.type))"
            ".map(i => `${i.ariaLabel}: ${i.value}`),"
            " words: document.body.innerText.slice(0, 3000) })"
        )
    except Exception as error:  # noqa: BLE001 - the page may be gone; the test's own failure counts
        return f"nothing could be read: {error}"
    return "\n".join([page.url, *told["app"], *told["inputs"], told["words"]])


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """With --no-skip, what was left out counts as failed (.ci/run asks for it)."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if session.config.option.no_skip and reporter is not None and reporter.stats.get("skipped"):
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@dataclass(frozen=True)
class Scene:
    """One sample photo with its truth."""

    photo: Path
    truth: dict[str, Any]

    @property
    def flexion_deg(self) -> float:
        return float(self.truth["true_knee_flexion_deg"])

    def manual(self, *, u_px: float = 0.3) -> dict[str, Any]:
        """The true marks as hand-placed points."""
        marks = self.truth["landmarks"]
        return {
            name: {"x": marks[name]["marker_px"][0], "y": marks[name]["marker_px"][1], "u_px": u_px}
            for name in ("hip", "knee", "ankle")
        }


def scenes(**wanted: Any) -> list[Scene]:
    """Sample photos whose truth has the wanted values, by name.

    Those of the rigid machine only where `hinge_cover` is asked for: half of them cover the
    knee's dot, which no general bound is for; `test_sample_visits` judges them all.
    """
    found = []
    for path in sorted(SAMPLES.glob("*.json")):
        truth = json.loads(path.read_text())
        if "hinge_cover" in truth and "hinge_cover" not in wanted:
            continue
        if all(truth.get(key) == value for key, value in wanted.items()):
            found.append(Scene(path.with_suffix(".jpg"), truth))
    assert found, f"no sample photo has {wanted}"
    return found


@pytest.fixture(scope="session")
def with_tags() -> list[Scene]:
    """Sample photos with dots and tags."""
    return scenes(tags=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Cluster]:
    """A PostgreSQL server of this test run's own."""
    with cluster() as server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request, tmp_path) -> str:
    """A place for a store, in each of the two databases; on PostgreSQL its tables are there."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'folder' / 'store.db'}"
    return str(request.getfixturevalue("postgres").fresh_store())


@pytest.fixture(params=["sqlite", "postgresql"])
def new_store_url(request, tmp_path) -> str:
    """A place where no store is yet, in each of the two databases."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'folder' / 'store.db'}"
    return str(request.getfixturevalue("postgres").fresh())


@pytest.fixture
def store_file(request, tmp_path, monkeypatch) -> Iterator[Path]:
    """A store of its own for each test of the page; what the server saw in photos stays known."""
    from remembered import remember

    from knee_angle.page import keeping

    if "new_server" not in request.fixturenames:
        remember(monkeypatch)
    path = tmp_path / "kept.db"
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(path))
    keeping._opened.clear()
    yield path
    keeping._opened.clear()


@pytest.fixture
def new_server() -> Iterator[None]:
    """A server that knows no photo, and is forgotten: where other things are seen or answered."""
    import streamlit as st

    st.cache_resource.clear()
    yield
    st.cache_resource.clear()


@pytest.fixture(scope="session")
def bundle() -> Path:
    """The pose model's bundle, the package's own unless another one is named."""
    return bundles.find_pose_bundle()
