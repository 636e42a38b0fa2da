"""A few broken safety rules, each noticed by the tests; `mutation.py` asks for all of them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from mutation_table import GUARDS

SCRIPT = Path(__file__).with_name("mutation.py")

PICKED = [  # each with the test that has to notice it
    pytest.param(
        "knee_angle.assumptions:END_FROM_DEG | 45.0 | 60.0",
        "test_safety_rules.py::test_a_photo_counts_for_the_end_that_was_noted_or_else_by_45_degrees",
        id="the end of a photo by its angle",
    ),
    pytest.param(
        "knee_angle.assumptions:U_TAPE_MM | 5.0 | 15.0",
        "test_uncertainty.py::test_the_tapes_error_is_carried_into_the_shank",
        id="the tape's uncertainty",
    ),
    pytest.param(
        "knee_angle.angle.verdict:_verdict | p_within >= PROVEN | p_within > PROVEN",
        "test_safety_rules.py::test_a_verdict_is_proven_at_95_per_cent",
        id="a verdict at 95 % itself",
    ),
    pytest.param(
        "knee_angle.angle.verdict:_verdict | "
        "'outside' if p_within <= 1.0 - PROVEN else 'undecided'"
        " | 'outside' if True else 'undecided'",
        "test_bounds.py::test_what_is_proven_is_told_step_by_step",
        id="a warning without proof",
    ),
    pytest.param(
        "knee_angle.angle.verdict:tolerance_at | min(knee_deg, displayed_deg) | knee_deg",
        "test_bounds.py::test_the_tolerance_is_tighter_near_straight",
        id="a tolerance near straight",
    ),
    pytest.param(
        "knee_angle.settings:flexion_of_display | 180 - number | 180 + number",
        "test_comparison.py::test_a_display_may_count_another_way",
        id="a display that counts from 180",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | p_past >= PROVEN | p_past > PROVEN",
        "test_safety_rules.py::test_a_limit_stands_by_95_per_cent",
        id="past a limit at 95 % itself",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | "
        "knee is not None and camera_seen and (p_past <= 1.0 - PROVEN)"
        " | knee is not None and p_past <= 1.0 - PROVEN",
        "test_bounds.py::test_a_flexion_limit_stands_in_one_of_three_words",
        id="inside a limit without a camera's direction",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | because.append('display') | -",
        "test_bounds.py::test_past_says_what_is_past",
        id="a display past the limit",
    ),
    pytest.param(
        "knee_angle.angle.bounds:_standing | because.append('setting') | -",
        "test_bounds.py::test_past_says_what_is_past",
        id="a machine set past the limit",
    ),
    pytest.param(
        "knee_angle.machine.cause:display_alarms | displayed_deg > high | displayed_deg >= high",
        "test_safety_rules.py::test_a_display_past_a_limit_alarms_whether_a_knee_was_measured_or_not",
        id="the alarm of a displayed number",
    ),
    pytest.param(
        "knee_angle.visit.photos:without_guessed_bars | "
        "name not in MACHINE_POINTS or point.source not in ('network', 'pose')"
        " | name not in MACHINE_POINTS",
        "test_safety_visit.py::test_bars_of_a_picture_that_may_be_stretched_do_not_count",
        id="guessed bars that prove something",
    ),
    pytest.param(
        "knee_angle.machine.prescribed:which_knee | if only is None or side == only | if True",
        "test_safety_rules.py::test_which_knee_is_asked_where_the_prescription_is_for_the_other",
        id="the wrong leg not asked about",
    ),
    pytest.param(
        "knee_angle.visit.photos:refused | if all(sides.values()) | if False",
        "test_safety_visit.py::test_two_legs_are_refused_by_the_whole_visit",
        id="two legs taken for one",
    ),
    pytest.param(
        "knee_angle.pipeline:measure_photo | *cautions.odd_lengths(segments, settings) | -",
        "test_safety_photo.py::test_a_photo_says_that_the_lengths_do_not_fit_the_height",
        id="the caution of the height not called",
    ),
]


@pytest.fixture(scope="module")
def told() -> subprocess.CompletedProcess[str]:
    names, tests = zip(*(param.values for param in PICKED), strict=True)
    asked = [part for name in names for part in ("--mutant", name)]
    asked += [part for test in dict.fromkeys(tests) for part in ("--by", test)]
    return subprocess.run(
        [sys.executable, str(SCRIPT), "--list", *asked],
        capture_output=True, text=True, timeout=240, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(("name", "test"), PICKED)
def test_a_broken_rule_is_noticed(told, name, test):
    assert test.partition("::")[0] in [file.partition("::")[0] for file in guards_of(name)]
    (line,) = [line for line in told.stdout.splitlines() if line.endswith(name)] or [told.stderr]
    assert line.startswith("killed")


def guards_of(name: str) -> tuple[str, ...]:
    return GUARDS[name.partition(" | ")[0]]


def test_nothing_survived(told):
    assert (told.returncode, "0 survived" in told.stdout) == (0, True)
