"""A few broken safety rules, each noticed by the tests; `mutation.py` asks for all of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("mutation.py")

PICKED = [
    pytest.param(
        "knee_angle.assumptions:END_FROM_DEG | 45.0 | 60.0",
        id="the end of a photo by its angle",
    ),
    pytest.param(
        "knee_angle.assumptions:U_TAPE_MM | 5.0 | 15.0",
        id="the tape's uncertainty",
    ),
    pytest.param(
        "knee_angle.angle.verdict:_verdict | p_within >= PROVEN | p_within > PROVEN",
        id="a verdict at 95 % itself",
    ),
    pytest.param(
        "knee_angle.angle.verdict:_verdict | "
        "'outside' if p_within <= 1.0 - PROVEN else 'undecided'"
        " | 'outside' if True else 'undecided'",
        id="a warning without proof",
    ),
    pytest.param(
        "knee_angle.angle.verdict:tolerance_at | min(knee_deg, displayed_deg) | knee_deg",
        id="a tolerance near straight",
    ),
    pytest.param(
        "knee_angle.settings:flexion_of_display | 180 - number | 180 + number",
        id="a display that counts from 180",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | p_past >= PROVEN | p_past > PROVEN",
        id="past a limit at 95 % itself",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | "
        "knee is not None and camera_seen and (p_past <= 1.0 - PROVEN)"
        " | knee is not None and p_past <= 1.0 - PROVEN",
        id="inside a limit without a camera's direction",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | because.append('display') | -",
        id="a display past the limit",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | because.append('setting') | -",
        id="a machine set past the limit",
    ),
    pytest.param(
        "knee_angle.machine.cause:display_alarms | displayed_deg > high | displayed_deg >= high",
        id="the alarm of a displayed number",
    ),
    pytest.param(
        "knee_angle.visit.photos:without_guessed_bars | "
        "name not in MACHINE_POINTS or point.source not in ('network', 'pose')"
        " | name not in MACHINE_POINTS",
        id="guessed bars that prove something",
    ),
    pytest.param(
        "knee_angle.machine.prescribed:which_knee | if only is None or side == only | if True",
        id="the wrong leg not asked about",
    ),
    pytest.param(
        "knee_angle.visit.photos:refused | if all(sides.values()) | if False",
        id="two legs taken for one",
    ),
    pytest.param(
        "knee_angle.pipeline:measure_photo | *cautions.odd_lengths(segments, settings) | -",
        id="the caution of the height not called",
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
