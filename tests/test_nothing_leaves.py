"""Nothing leaves the machine: each way in, run where every way out is watched."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import nowhere
import pytest
from browsers import MISSING, chromium
from conftest import SAMPLES
from nowhere import HOME, WORK, Seen

OURS = [HOME / ".cache" / "knee-angle", HOME / ".local" / "share" / "knee-angle", WORK]
"""Where our files may be: the two folders of the program, and where it was told to write."""

BARE = str(SAMPLES / "bed_06.jpg")
"""A sample photo without dots: the leg network is loaded for it."""

PLANTED = """
import pathlib, socket
for family, address in ((socket.AF_INET, "198.51.100.7"), (socket.AF_INET6, "2001:db8::7")):
    with socket.socket(family, socket.SOCK_DGRAM) as out:
        try:
            out.sendto(b"out", (address, 9))
        except OSError:
            pass  # no IPv6 on this machine
try:
    socket.create_connection(("planted.example", 443), timeout=5).close()
except OSError:
    pass
pathlib.Path.home().joinpath(".planted").write_text("out")
"""

COMMANDS = """
import json, sys
from knee_angle.__main__ import main
for words in json.loads(sys.argv.pop(1)):
    sys.argv[1:] = words
    try:
        main()
    except SystemExit as ended:
        if ended.code:
            raise
"""
"""One after the other in one process: what libraries do at first use and at the end is seen."""

POSE = """
import sys
from pathlib import Path
from knee_angle.landmarks.pose.detector import PoseDetector
from knee_angle.photo.reading import read_photo
with PoseDetector(Path(sys.argv[1])) as detector:
    print(type(detector.find(read_photo(sys.argv[2]))).__name__)
"""


def ways_in(hold_s: float, bundle: Path) -> dict[str, list[str]]:
    """Each with the leg network (or, named so, the pose model) loaded."""
    series = [str(SAMPLES / f"series_a_{number}.jpg") for number in (1, 3, 6)]
    table = str(SAMPLES / "displayed.csv")
    visit = str(Path(__file__).with_name("nowhere_visit.py"))
    ward = str(Path(__file__).with_name("nowhere_ward.py"))
    commands = (
        ["demo", "."],
        ["store", "person", "P-1", "--limit-flexion", "95"],
        ["measure", BARE, "--displayed", "93", "--overlay", "pictures", "--keep",
         "--person", "P-1"],
        ["report", "visit", "visit.pdf", "--person", "P-1"],
        ["batch", BARE, "--out", "study.csv"],
        ["check", *series, "--table", table],
    )  # fmt: skip
    return {
        "planted": [sys.executable, "-c", PLANTED],
        "demo, store, measure and keep, paper, batch, check": [
            sys.executable, "-c", COMMANDS, json.dumps(commands),
        ],
        "the pose model": [sys.executable, "-c", POSE, str(bundle), str(SAMPLES / "bed_04.jpg")],
        "the page": [sys.executable, visit, BARE, str(hold_s)],
        "the ward's page": [sys.executable, ward, BARE, str(hold_s / 2)],
    }  # fmt: skip


@pytest.fixture(scope="module")
def seen(request: pytest.FixtureRequest, bundle: Path) -> dict[str, Seen]:
    """What was seen of each way in."""
    missing = nowhere.why_not()
    if not missing and chromium() is None:
        missing = MISSING
    if missing:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(missing)
    hold_s = request.config.getoption("--hold-s")
    brought = [Path(BARE), Path(BARE).with_suffix(".json")]
    return nowhere.started(ways_in(hold_s, bundle), brought=brought)


NAMES = [name for name in ways_in(0.0, Path()) if name != "planted"]


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_looked_up_sent_or_written_elsewhere_by(name, seen):
    found = seen[name]
    assert (found.names, found.addresses) == ([], [])
    assert [path for path in found.files if not any(map(Path(path).is_relative_to, OURS))] == []


@pytest.mark.parametrize("name", NAMES)
def test_what_was_watched_did_its_work(name, seen):
    """A command that broke off early would prove nothing."""
    assert (seen[name].status, seen[name].said) == (0, seen[name].said)
    assert "Traceback" not in seen[name].said


def test_what_is_planted_is_seen(seen):
    """Else the tests above could not fail."""
    planted = seen["planted"]
    assert planted.names == ["planted.example"]
    assert {"192.0.2.1", "198.51.100.7"} <= set(planted.addresses)
    assert planted.files == [str(HOME / ".planted")]
