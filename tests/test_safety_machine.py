"""The rules by which several photos judge a machine, each at its edge.

`mutation.py` breaks each of these rules in small ways and asks whether a test here notices.
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from stores import at_angle, made_frame, made_measurement

from knee_angle.machine import check
from knee_angle.machine.check import ARROWS_WRONG, check_machine
from knee_angle.records import (
    Displayed,
    Machine,
    NotMeasured,
)
from knee_angle.settings import Settings

KNEES = (10.0, 30.0, 50.0, 70.0, 90.0)


def outcomes(
    *, fits: tuple[float, ...] = (0.0,) * 5, u_fits: tuple[float, ...] = (1.0,) * 5,
    offset: float = 0.0, distal: float = 0.0, u_knee: float = 1.5, **seen: object,
):  # fmt: skip
    """Photos of one machine: frame = knee + fit, displayed = frame + offset."""
    base = made_measurement()
    photos = {}
    for n, (knee, fit, u_fit) in enumerate(zip(KNEES, fits, u_fits, strict=True)):
        bars = made_frame(
            knee + fit, fit=fit, u_fit=u_fit, distal=distal, cov=(30.0, 0.0, 30.0), **seen
        )
        photos[f"{n}.jpg"] = replace(
            at_angle(base, knee, u_deg=u_knee),
            machine=Machine(base.landmarks.points, bars),
            displayed=Displayed(knee + fit + offset),
            segments=None,
        )
    return photos


@pytest.mark.parametrize(
    ("made", "kind"),
    [
        pytest.param({}, "none", id="reading, fit and hinge proven within"),
        pytest.param({"offset": 12.0}, "calibration", id="the reading proven outside"),
        pytest.param({"fits": (20.0,) * 5}, "fit", id="every fit part proven outside"),
        pytest.param({"fits": (20.0,) * 5, "offset": 12.0}, "both", id="reading and fit outside"),
        pytest.param({"distal": 60.0}, "fit", id="the hinge alone proven off"),
        pytest.param({"distal": 60.0, "offset": 12.0}, "both", id="hinge and reading"),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, 15.0), "u_fits": (1.0, 1.0, 1.0, 9.0, 1.0)}, "fit",
            id="the widest photo counts, although another is far less sure",
        ),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, -15.0), "u_fits": (1.0, 1.0, 1.0, 9.0, 1.0)}, "fit",
            id="and so it does where the frame lies behind the knee",
        ),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, 15.0), "u_fits": (1.0, 1.0, 1.0, 20.0, 1.0)}, "fit",
            id="however unsure the other is",
        ),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 9.0, 15.0), "u_fits": (1.0, 1.0, 1.0, 0.1, 2.5)}, "fit",
            id="or however sure and not off",
        ),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, 15.0), "u_fits": (1.8, 1.8, 1.8, 1.8, 0.1)}, "fit",
            id="or where the widest is very sure itself",
        ),
        pytest.param(
            {"u_fits": (1.0, 1.0, 9.0, 1.0, 1.0)}, "undecided",
            id="one fit part that proves nothing keeps the all-clear open",
        ),
        pytest.param({"distal": 22.0}, "undecided", id="so does a hinge that proves nothing"),
        pytest.param({"offset": 4.8}, "undecided", id="and a reading at its tolerance"),
    ],
)  # fmt: skip
def test_the_finding_of_a_machine(made, kind):
    result = check_machine(outcomes(**made), Settings())
    assert result.kind == kind


@pytest.mark.parametrize(
    ("distal", "said"),
    [
        pytest.param(60.0, "over all photos the hinge lies 60 ± 1", id="proven off: what to do"),
        pytest.param(3.0, "over all photos the hinge lies 3 ± 1", id="not proven, distal"),
        pytest.param(-3.0, "over all photos the hinge lies 3 ± 1", id="not proven, proximal"),
    ],
)
def test_a_fit_fault_says_where_the_hinge_lies_over_all_photos(distal, said):
    result = check_machine(outcomes(distal=distal, fits=(20.0,) * 5), Settings())
    assert said in result.advice
    off = abs(distal) > 25
    assert ("shorten the thigh section" in result.advice) == off
    assert f"mm {'distal' if distal > 0 else 'proximal'} of the knee" in result.advice


def test_what_was_left_out_of_a_check_is_named_with_its_reason():
    photos = outcomes()
    photos["3.jpg"] = replace(photos["3.jpg"], displayed=None)
    photos["4.jpg"] = NotMeasured("no leg was found", "step back")
    assert check_machine(photos, Settings()).left_out == (
        ("3.jpg", "no displayed number was given"), ("4.jpg", "no leg was found"),
    )  # fmt: skip


@pytest.mark.parametrize(("count", "checked"), [(2, False), (3, True)])
def test_three_photos_are_the_fewest(count, checked):
    photos = dict(list(outcomes().items())[::-1][:count])
    result = check_machine(photos, Settings())
    if checked:
        assert result.photos == ("4.jpg", "3.jpg", "2.jpg")
    else:
        assert result.reason == (
            "a machine check needs at least 3 photos with a measured knee and a displayed number, "
            "but got 2 (none was left out)"
        )


def test_cards_that_are_stuck_wrong_are_told_by_photo_and_no_bars_are_used():
    photos = outcomes()
    machine = photos["2.jpg"].machine
    wrong = replace(machine, frame=replace(machine.frame, deg=-40.0, fit_deg=-90.0, source="tag"))
    photos["2.jpg"] = replace(photos["2.jpg"], machine=wrong)
    result = check_machine(photos, Settings())
    assert result.kind == "not_separable"
    assert result.frames == ()
    (told,) = result.cautions
    assert told.startswith("2.jpg: The tags on the bars show a frame at \u221240.0°")
    assert told != ARROWS_WRONG


def test_one_photo_without_bars_makes_the_cause_not_separable():
    photos = outcomes()
    photos["2.jpg"] = replace(photos["2.jpg"], machine=None)
    assert check_machine(photos, Settings()).kind == "not_separable"


def test_legs_of_both_sides_are_told():
    photos = outcomes()
    assert check_machine(photos, Settings()).cautions == ()
    one = photos["2.jpg"]
    photos["2.jpg"] = replace(one, leg=replace(one.leg, side="right"))
    (told,) = check_machine(photos, Settings()).cautions
    assert "a left leg (0.jpg, 1.jpg, 3.jpg, 4.jpg) and a right leg (2.jpg)" in told


@pytest.mark.parametrize("wrong", [True, False])
def test_cards_whose_arrows_point_the_wrong_way_are_told_by_all_photos(monkeypatch, wrong):
    """The tags' own hinge is put in: `test_bars.py` shows it found in photos."""
    handed = []

    def hinge(_results, _settings, rng):
        handed.append(rng)
        return SimpleNamespace(hinge=None)

    monkeypatch.setattr(check, "_bar_hinge", hinge)
    monkeypatch.setattr(check.bars, "arrows_wrong", lambda _: wrong)
    mine = np.random.default_rng(1)
    result = check_machine(outcomes(), Settings(), rng=mine)
    assert result.cautions == ((ARROWS_WRONG,) if wrong else ())
    assert (result.kind == "not_separable") == wrong
    check_machine(outcomes(), Settings())
    check_machine(outcomes(), Settings())
    assert handed[0] is mine
    assert handed[1].random() == handed[2].random() == np.random.default_rng(5).random()


def test_a_check_of_too_few_photos_names_why_each_other_was_left_out():
    photos = dict(list(outcomes().items())[:2])
    refused = check_machine(
        {**photos, "blank.jpg": NotMeasured("No leg.", "step back")}, Settings()
    )
    assert "but got 2 (blank.jpg: no leg)" in refused.reason


def test_the_hinge_over_all_photos_is_told_across_the_thigh_too():
    advice = check_machine(outcomes(distal=60.0, anterior=60.0), Settings()).advice
    assert re.search(r"it lies 60 ± 1\d mm in front of the knee too", advice)


def test_half_a_millimetre_towards_the_foot_is_distal():
    advice = check_machine(outcomes(distal=0.6, fits=(20.0,) * 5), Settings()).advice
    assert "mm distal of the knee" in advice
