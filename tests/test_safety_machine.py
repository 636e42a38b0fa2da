"""The rules by which several photos judge a machine, each at its edge.

`mutation.py` breaks each of these rules in small ways and asks whether a test here notices.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_visits import Body, Shot, drawn
from stores import as_measured

from knee_angle.machine import check, judge, tagged
from knee_angle.machine.check import check_machine
from knee_angle.machine.tagged import ARROWS_WRONG
from knee_angle.records import LEG_POINTS, Displayed, NotMeasured
from knee_angle.settings import Settings

KNEES = (10.0, 30.0, 50.0, 70.0, 90.0)


def outcomes(
    *, fits: tuple[float, ...] = (0.0,) * 5, offset: float = 0.0,
    hinge_mm: tuple[float, float] = (0.0, 0.0),
):  # fmt: skip
    """Photos of one machine: bars = knee + fit, displayed = bars + offset."""
    return dict(_outcomes(fits, offset, hinge_mm))


@cache
def _outcomes(fits, offset, hinge_mm):
    return {
        f"{n}.jpg": as_measured(
            drawn(
                Body(),
                Shot(
                    f"{n}.jpg", str(n), knee, frame_deg=knee + fit, hinge_mm=hinge_mm,
                    yaw_deg=4.0 * n - 8.0, displayed_deg=knee + fit + offset,
                ),
            )
        )
        for n, (knee, fit) in enumerate(zip(KNEES, fits, strict=True))
    }  # fmt: skip


def without_bars(measured):
    """The photo of a machine whose bars nobody sees."""
    points = {name: measured.leg.points[name] for name in LEG_POINTS}
    return replace(measured, machine=None, leg=replace(measured.leg, points=points))


@pytest.mark.parametrize(
    ("made", "kind"),
    [
        pytest.param({}, "none", id="reading, fit and hinge proven within"),
        pytest.param({"offset": 12.0}, "calibration", id="the reading proven outside"),
        pytest.param({"fits": (20.0,) * 5}, "fit", id="every fit part proven outside"),
        pytest.param({"fits": (20.0,) * 5, "offset": 12.0}, "both", id="reading and fit outside"),
        pytest.param({"hinge_mm": (60.0, 0.0)}, "fit", id="the hinge alone proven off"),
        pytest.param({"hinge_mm": (0.0, -60.0)}, "fit", id="across the thigh too"),
        pytest.param({"hinge_mm": (60.0, 0.0), "offset": 12.0}, "both", id="hinge and reading"),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, 18.0)}, "fit", id="one setting counts, not the luckiest"
        ),
        pytest.param(
            {"fits": (0.0, 0.0, 0.0, 0.0, -18.0)}, "fit",
            id="and so it does where the bars lie behind the knee",
        ),
        pytest.param({"hinge_mm": (22.0, 0.0)}, "undecided", id="a hinge that proves nothing"),
        pytest.param({"offset": 4.8}, "undecided", id="and a reading at its tolerance"),
    ],
)  # fmt: skip
def test_the_finding_of_a_machine(made, kind):
    result = check_machine(outcomes(**made), Settings())
    assert result.kind == kind


OUT, IN, OPEN = (SimpleNamespace(verdict=one) for one in ("outside", "within", "undecided"))


@pytest.mark.parametrize(
    ("display", "fit", "along", "across", "kind"),
    [
        pytest.param(IN, IN, IN, IN, "none", id="all proven within"),
        pytest.param(None, IN, IN, IN, "undecided", id="no number: not cleared"),
        pytest.param(OPEN, IN, IN, IN, "undecided", id="the display open"),
        pytest.param(IN, OPEN, IN, IN, "undecided", id="the fit open"),
        pytest.param(IN, IN, OPEN, IN, "undecided", id="the hinge open along"),
        pytest.param(IN, IN, IN, None, "undecided", id="its height not seen"),
        pytest.param(IN, IN, None, None, "undecided", id="the hinge not seen"),
        pytest.param(OUT, IN, IN, IN, "calibration", id="the display alone off"),
        pytest.param(OUT, OUT, IN, IN, "both", id="display and fit off"),
        pytest.param(OUT, IN, IN, OUT, "both", id="display and hinge off"),
        pytest.param(IN, OUT, IN, IN, "fit", id="the fit alone off"),
        pytest.param(IN, IN, OUT, IN, "fit", id="the hinge alone off"),
        pytest.param(None, OUT, None, None, "fit", id="the fit off without a number"),
    ],
)
def test_a_cause_is_named_by_what_is_proven(display, fit, along, across, kind):
    assert judge._kind(display, fit, along, across) == kind


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
            "a machine check needs at least 3 photos with a measured knee, or of an empty "
            "machine's bars, and a displayed number, but got 2 (none was left out)"
        )


def test_three_settings_are_the_fewest_however_many_photos():
    photos = outcomes()
    photos["2.jpg"] = replace(photos["1.jpg"], photo="2.jpg")
    photos["3.jpg"] = replace(photos["4.jpg"], photo="3.jpg")
    del photos["0.jpg"]
    refused = check_machine(photos, Settings())
    assert "too little of the machine's range" in refused.reason
    assert "3 or more settings" in refused.advice


def test_cards_that_are_stuck_wrong_are_told_by_photo_and_no_bars_are_used():
    photos = outcomes()
    machine = photos["2.jpg"].machine
    wrong = replace(machine, frame=replace(machine.frame, deg=-40.0, fit_deg=-90.0, source="tag"))
    photos["2.jpg"] = replace(photos["2.jpg"], machine=wrong)
    result = check_machine(photos, Settings())
    assert result.kind == "not_separable"
    assert result.frames == ()
    (told,) = result.cautions
    assert told.startswith("2.jpg: The tags on the bars show the bars at \u221240.0°")
    assert told != ARROWS_WRONG


@pytest.mark.parametrize(("unseen", "kind"), [(2, "none"), (3, "not_separable")])
def test_bars_have_to_be_seen_at_three_settings_to_separate_the_causes(unseen, kind):
    photos = outcomes()
    for name in list(photos)[:unseen]:
        photos[name] = without_bars(photos[name])
    result = check_machine(photos, Settings())
    assert result.kind == kind
    assert result.frames == ()
    assert (result.reading is None) == (kind == "not_separable")


def test_legs_of_both_sides_are_refused():
    photos = outcomes()
    photos["2.jpg"] = replace(photos["2.jpg"], leg=replace(photos["2.jpg"].leg, side="right"))
    told = check_machine(photos, Settings())
    assert told.reason.startswith(
        "a machine check is of one leg, but the left leg is in 0.jpg, 1.jpg, 3.jpg, 4.jpg and the "
        "right one in 2.jpg"
    )


@pytest.mark.parametrize(
    ("legs", "bars_alone", "answered"),
    [
        pytest.param(False, True, True, id="bars without a leg are a check of the display"),
        pytest.param(False, False, False, id="nothing to be seen is refused"),
        pytest.param(True, True, False, id="a leg in any photo: judged with the leg or refused"),
    ],
)
def test_a_machine_is_checked_as_empty_only_where_no_photo_shows_a_leg(
    monkeypatch, legs, bars_alone, answered
):
    empty = object() if bars_alone else None
    monkeypatch.setattr(check, "_empty", lambda *_: empty)
    photos = dict(list(outcomes().items())[:2]) if legs else {}
    found = check._judged({**photos, "x": NotMeasured("no leg", "step back")}, Settings(), None)
    assert (found is empty) == answered
    assert isinstance(found, NotMeasured) != answered


def test_a_visit_that_cannot_be_estimated_is_refused_as_it_was_told(monkeypatch):
    told = NotMeasured("the photos contradict each other", "photograph again")
    monkeypatch.setattr(check, "estimate_visit", lambda *_, **__: told)
    assert check._judged(outcomes(), Settings(), None) is told


@pytest.mark.parametrize("wrong", [True, False])
def test_cards_whose_arrows_point_the_wrong_way_are_told_by_all_photos(monkeypatch, wrong):
    """The tags' own hinge is put in: `test_bars.py` shows it found in photos."""
    handed = []

    def hinge(_results, _settings, rng):
        handed.append(rng)
        return SimpleNamespace(hinge=None)

    monkeypatch.setattr(tagged, "_hinge", hinge)
    monkeypatch.setattr(tagged.bars, "arrows_wrong", lambda _: wrong)
    mine, again = np.random.default_rng(1), np.random.default_rng(5)
    result = check_machine(outcomes(), Settings(), rng=mine)
    assert result.cautions == ((ARROWS_WRONG,) if wrong else ())
    assert (result.kind == "not_separable") == wrong
    first, second = (check_machine(outcomes(), Settings()) for _ in range(2))
    assert handed[0] is mine
    assert first == second
    check_machine(outcomes(), Settings(), rng=again)
    assert handed[1].random() == handed[2].random() == again.random()


def test_a_check_of_too_few_photos_names_why_each_other_was_left_out():
    photos = dict(list(outcomes().items())[:2])
    refused = check_machine(
        {**photos, "blank.jpg": NotMeasured("No leg.", "step back")}, Settings()
    )
    assert "but got 2 (blank.jpg: no leg)" in refused.reason


def test_a_display_off_every_line_is_not_cleared():
    photos = outcomes()
    photos["2.jpg"] = replace(photos["2.jpg"], displayed=Displayed(KNEES[2] + 4.0))
    result = check_machine(photos, Settings())
    assert result.reading_verdict.verdict != "within"
    assert result.kind != "none"
