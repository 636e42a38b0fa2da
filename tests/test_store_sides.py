"""Left and right: a prescription binds its own knee, a photo of the other is asked about."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from stores import NOON, SETTINGS, SHA, at_angle, made_measurement

from knee_angle.errors import InvalidInput
from knee_angle.machine.prescribed import LegSettings
from knee_angle.records import NotMeasured
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.settings import Settings
from knee_angle.store import open_store

DAY = date(2026, 3, 2)
LEFT = made_measurement()
RIGHT = replace(LEFT, leg=replace(LEFT.leg, side="right"))


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path / "a.db", clock=lambda: NOON) as opened:
        opened.add_person("P-017")
        yield opened


def prescribe(store, *, side=None, flexion=None, extension=None, lifted=(), day=DAY):
    store.prescribe(
        "P-017", from_day=day, flexion_deg=flexion, extension_deg=extension, lifted=lifted,
        side=side,
    )  # fmt: skip


def in_force(store, side, day=DAY):
    found = store.prescription_on("P-017", day, side=side)
    return None if found is None else (found.flexion_deg, found.extension_deg)


L, R, BOTH = "left", "right", None


@pytest.mark.parametrize(
    ("entered", "left", "right", "unknown"),
    [
        pytest.param([(L, 90, 0)], (90, 0), None, (90, 0), id="one knee's binds no other"),
        pytest.param([(BOTH, 90, 0)], (90, 0), (90, 0), (90, 0), id="without a side: each knee"),
        pytest.param([(L, 90, 0), (R, 60, 10)], (90, 0), (60, 10), (60, 10), id="each its own"),
        pytest.param([(L, 90, 0), (BOTH, 70, None)], (70, 0), (70, None), (70, 0),
                     id="a later one for each knee names what it changes"),
        pytest.param([(BOTH, 70, 5), (R, 100, None)], (70, 5), (100, 5), (70, 5),
                     id="one knee's own over what holds for each"),
    ],
)  # fmt: skip
def test_what_is_prescribed_for_each_knee(store, entered, left, right, unknown):
    for side, flexion, extension in entered:
        prescribe(store, side=side, flexion=flexion, extension=extension)
    assert (in_force(store, L), in_force(store, R)) == (left, right)
    assert in_force(store, None) == unknown  # the knee not known: the tighter of the two


def test_a_limit_is_lifted_for_its_own_knee(store):
    prescribe(store, flexion=90, extension=0)
    prescribe(store, side=R, lifted=["flexion"])
    assert (in_force(store, L), in_force(store, R)) == ((90, 0), (None, 0))


def test_limits_that_one_knee_cannot_keep_at_once_are_refused_for_that_knee_alone(store):
    prescribe(store, side=L, flexion=60)
    prescribe(store, side=R, extension=70)  # no contradiction: another knee
    with pytest.raises(InvalidInput, match="were they exchanged"):
        prescribe(store, extension=65)
    assert in_force(store, L) == (60, None)


def test_a_side_that_is_none_is_refused(store):
    with pytest.raises(InvalidInput, match=r"side must be left or right, but got 'both'"):
        prescribe(store, side="both", flexion=90)


def test_an_entry_tells_its_side(store):
    prescribe(store, side=R, flexion=60)
    prescribe(store, flexion=90)
    assert [row.side for row in store.prescriptions("P-017", side="right")] == ["right", None]
    assert [row.side for row in store.prescriptions("P-017", side="left")] == [None]


def limited(flexion: float) -> Settings:
    return replace(SETTINGS, limit_flexion_deg=flexion)


@pytest.mark.parametrize(
    ("measured", "limit", "past"),
    [
        pytest.param(LEFT, 60.0, True, id="a left knee by the left knee's limit"),
        pytest.param(RIGHT, 110.0, False, id="a right knee by the right knee's"),
    ],
)
def test_a_photo_is_judged_by_the_limits_of_the_knee_it_shows(measured, limit, past):
    legs = LegSettings(left=limited(60.0), right=limited(110.0))
    told = legs.judged(at_angle(measured, 84.0), 84.0)
    assert told.settings.limit_flexion_deg == limit
    knee, display = ("PAST THE PRESCRIBED FLEXION: the knee" in "".join(told.alarms),
                     "THE DISPLAY IS PAST" in "".join(told.alarms))  # fmt: skip
    assert (knee, display) == (past, past)


@pytest.mark.parametrize(
    ("typed", "past"),
    [
        pytest.param(None, True, id="the number read off the display counts"),
        pytest.param(84.0, False, id="a typed number counts before it"),
    ],
)
def test_a_display_past_a_limit_is_loud_though_no_knee_was_measured(typed, past):
    number = NumberSeen(124.0, "angle", "124°", 0.999, ((0.0, 0.0),) * 4, 20.0)
    refused = NotMeasured("no leg", "step back", display=DisplaySeen("read", "", angle=number))
    legs = LegSettings(left=limited(110.0), right=limited(110.0))
    assert bool(legs.judged(refused, typed).alarms) is past


def test_a_caution_of_being_at_the_limit_is_of_the_limit_that_binds():
    """The measuring knows no knee yet: what it said of another limit is taken back."""
    legs = LegSettings(left=limited(84.0), right=limited(110.0))
    before = at_angle(LEFT, 84.0)
    once = legs.judged(before, 84.0)
    assert sum("At the prescribed flexion limit of 84°" in c for c in once.cautions) == 1
    turned = replace(once, leg=replace(once.leg, side="right"))
    assert not any("At the prescribed" in c for c in legs.judged(turned, 84.0).cautions)
    assert legs.judged(once, 84.0) == once


def test_a_knee_that_the_prescription_is_not_for_is_asked_about_first_and_loudly():
    legs = LegSettings(left=limited(60.0), right=limited(60.0), only="right")
    told = legs.judged(at_angle(LEFT, 84.0), 84.0)
    assert told.alarms[0] == (
        "WHICH KNEE? The photo shows a left knee, the prescription is for the right: which is it? "
        "Until that is known the limits of the right knee are taken."
    )
    assert "PAST THE PRESCRIBED FLEXION" in told.alarms[1]
    assert not any("WHICH KNEE" in a for a in legs.judged(at_angle(RIGHT, 84.0), 84.0).alarms)


def test_a_photo_without_a_knee_is_judged_by_the_limits_of_either():
    """Nobody knows which knee: a display past one of them is said, with the knee it is of."""
    legs = LegSettings(left=limited(60.0), right=limited(110.0))
    (alarm,) = legs.judged(NotMeasured("no leg", "step back"), 84.0).alarms
    assert alarm.startswith("THE DISPLAY IS PAST THE PRESCRIBED FLEXION")
    assert alarm.endswith("(prescribed for the left knee; which one it is was not seen)")
    same = LegSettings(left=limited(60.0), right=limited(60.0))
    (alarm,) = same.judged(NotMeasured("no leg", "step back"), 84.0).alarms
    assert "which one" not in alarm


def test_the_measured_side_is_kept(store):
    given = {"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017"}
    assert store.save_measurement(RIGHT, **given).side == "right"
