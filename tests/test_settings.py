"""What a site may set: checked when it is made, the same at every door, readable when kept."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import typer

from knee_angle.cli import app
from knee_angle.cli.settings import DISPLAY, given_settings
from knee_angle.errors import InvalidInput
from knee_angle.report.sheets import bar_sheet, dot_sheet, tag_sheet
from knee_angle.settings import (
    SETTING_NAMES,
    Settings,
    changed,
    kept_settings,
    meaning_of,
)
from knee_angle.store.codec import from_json, to_json

DEFAULTS = Settings()


def commands():
    return typer.main.get_command(app).commands


@pytest.mark.parametrize(
    ("values", "message"),
    [
        pytest.param({"tag_mm": -50}, "tag_mm must be between 10 and 500 mm, but got -50: was it",
                     id="no tag has a negative edge"),
        pytest.param({"tolerance_deg": math.nan}, "tolerance_deg must be above 0 and at most 45 "
                     "degrees, but got nan", id="nan is no tolerance"),
        pytest.param({"tolerance_deg": 0.0}, "tolerance_deg must be above 0", id="nothing agrees"),
        pytest.param({"trials": 0}, "trials must be between 100 and 1e+06", id="no trial"),
        pytest.param({"trials": True}, "trials must be a number, but got True", id="a yes"),
        pytest.param({"thigh_mm": "450"}, "thigh_mm must be a number, but got '450'", id="text"),
        pytest.param({"placement_mm": (10, 5, 200)}, "placement_mm must be between 0 and 100 mm",
                     id="a mark beside the leg"),
        pytest.param({"limit_extension_deg": 60, "limit_flexion_deg": 30}, "limit_extension_deg "
                     "must not be above limit_flexion_deg, but got 60 and 30", id="no knee keeps"),
        pytest.param({"tag_mm": 1, "dot_mm": 1}, "tag_mm must .*; dot_mm must", id="both at once"),
        pytest.param({"tag": 50}, "tag is no setting: name one of tolerance_deg, ", id="mistyped"),
    ],
)  # fmt: skip
def test_settings_that_cannot_be_are_refused_when_they_are_made(values, message):
    with pytest.raises(InvalidInput, match=message.replace("+", r"\+")):
        changed(None, values)


@pytest.mark.parametrize("name", SETTING_NAMES)
def test_each_setting_says_what_it_is_and_its_default_can_be(name):
    meaning, default = meaning_of(name), getattr(DEFAULTS, name)
    assert meaning.what.endswith(".")
    assert meaning.source
    assert meaning.option.startswith("--")
    assert meaning.choices or meaning.low < meaning.high
    ends: list = [meaning.high] if meaning.above else [meaning.low, meaning.high]
    if meaning.choices:
        ends = list(meaning.choices)
    for end in ends:
        value = (end,) * 3 if isinstance(default, tuple) else end
        assert getattr(changed(None, {name: value}), name) == value
    beyond = meaning.high * 1.01 + 1
    with pytest.raises(InvalidInput, match=f"^{name} must be "):
        changed(None, {name: (beyond,) * 3 if isinstance(default, tuple) else beyond})


@pytest.mark.parametrize(
    ("command", "names"),
    [
        ("measure", SETTING_NAMES),
        ("check", SETTING_NAMES),
        ("batch", SETTING_NAMES),
        ("agreement", DISPLAY),
        ("sensitivity", ("support_mm",)),
    ],
)
def test_each_command_takes_every_setting_that_it_can_use(command, names):
    shown = {one.name: one for one in commands()[command].params}
    assert set(names) == set(SETTING_NAMES) & set(shown)
    for name in names:
        assert shown[name].opts == [meaning_of(name).option]
        assert shown[name].help == meaning_of(name).what


def test_options_give_the_settings_that_they_name():
    given = given_settings({"placement_mm": "8/4/3", "display_resolution_deg": 5.0})
    assert given == Settings(placement_mm=(8.0, 4.0, 3.0), display_resolution_deg=5.0)


def test_every_problem_is_told_at_once_by_the_options_names():
    with pytest.raises(InvalidInput, match=r"--tag-mm must .* got 1: .*; --dot-mm must .* got 1:"):
        given_settings({"tag_mm": 1.0, "dot_mm": 1.0})


@pytest.mark.parametrize(
    ("sheet", "argument", "setting"),
    [(tag_sheet, "tag_mm", "tag_mm"), (bar_sheet, "tag_mm", "bar_tag_mm"),
     (dot_sheet, "dot_mm", "dot_mm")],
    ids=["strip", "bars", "dots"],
)  # fmt: skip
def test_a_sheet_prints_what_its_setting_says_and_what_can_be_measured(sheet, argument, setting):
    meaning = meaning_of(setting)
    low, high = meaning.printable
    assert meaning.low <= low < high <= meaning.high
    assert sheet(**{argument: low}).startswith(b"%PDF")
    for size in (low - 0.1, high + 0.1):
        with pytest.raises(InvalidInput, match=f"{argument} must be between {low:g} and {high:g} "):
            sheet(**{argument: size})


KEPT = {**to_json(DEFAULTS), "trials": 50, "tag_mm": 4.0, "placement_mm": [1, 2, 3], "gone": 1}


def test_kept_settings_beyond_todays_ranges_are_read_as_they_were():
    back = from_json(KEPT, Settings)
    assert (back.trials, back.tag_mm, back.placement_mm) == (50, 4.0, (1.0, 2.0, 3.0))
    assert to_json(back) == {name: KEPT[name] for name in SETTING_NAMES}


def test_kept_settings_that_lack_one_of_today_have_its_default():
    lacking = {name: value for name, value in KEPT.items() if name != "display_resolution_deg"}
    assert from_json(lacking, Settings).display_resolution_deg == 1.0
    assert kept_settings({}) == DEFAULTS


def test_settings_kept_before_there_was_one_near_straight_judge_as_they_did_then():
    kept = {n: v for n, v in KEPT.items() if n != "straight_tolerance_deg"}
    assert from_json({**kept, "tolerance_deg": 8.0}, Settings).straight_tolerance_deg == 8.0


def test_new_settings_made_from_kept_ones_are_checked():
    with pytest.raises(InvalidInput, match=r"tag_mm must .*; trials must"):
        replace(from_json(KEPT, Settings), dot_mm=16.0)
