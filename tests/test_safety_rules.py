"""The rules that keep people safe, each at its edge: limits, verdicts, findings, refusals.

`mutation.py` breaks each of these rules in small ways and asks whether a test here notices.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, date
from types import SimpleNamespace
from typing import get_args

import numpy as np
import pyarrow
import pytest
from stores import NOON, SHA, found_in, made_frame, made_measurement

from knee_angle.angle import bounds, verdict
from knee_angle.angle.words import _compared, plus_minus, probability
from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.files.tables import _as_numbers
from knee_angle.machine import cause, check, unjudged
from knee_angle.machine.judge import HingeCoordinate
from knee_angle.machine.prescribed import which_knee
from knee_angle.page import keeping as page_keeping
from knee_angle.records import (
    Angle,
    Comparison,
    Displayed,
    Frame,
    Landmark,
    Landmarks,
    NotMeasured,
    Unreadable,
    Unseparable,
    UnusedDot,
)
from knee_angle.records.displayed import checked, display_range
from knee_angle.settings import Settings, meaning_of, problems_of
from knee_angle.store import SetUp, people, reading, rows
from knee_angle.store.records import Prescription
from knee_angle.visit import course

# ------------------------------------------------------------------ displayed numbers


@pytest.mark.parametrize("deg", [-30.0, 0.0, 180.0])
def test_a_number_that_a_knee_can_have_is_taken_to_the_very_edge(deg):
    assert checked(deg) == Displayed(deg)


@pytest.mark.parametrize(
    ("counting", "shown"),
    [("flexion", (-30.0, 180.0)), ("straight-is-180", (0.0, 210.0)), ("negative", (-180.0, 30.0))],
    ids=["flexion", "180 is straight", "flexion is negative"],
)
def test_the_numbers_a_display_can_show_are_those_that_a_knee_can_have(counting, shown):
    assert display_range(counting) == shown


@pytest.mark.parametrize(
    ("text", "comma_is_free", "number"),
    [
        pytest.param("93", False, 93.0, id="a whole number"),
        pytest.param("-4.5", False, -4.5, id="below zero"),
        pytest.param("93,5", False, 93.5, id="a decimal comma in quotes"),
        pytest.param("1,234", True, 1.234, id="a comma that separates no columns is decimal"),
        pytest.param("1,234", False, None, id="one that could separate thousands is refused"),
        pytest.param("93 deg", False, None, id="a unit is refused"),
        pytest.param("inf", False, None, id="infinity is refused"),
        pytest.param("+93", False, None, id="a plus is refused"),
        pytest.param(True, False, None, id="yes is no number"),
        pytest.param(93, False, 93.0, id="a number of a Parquet column"),
    ],
)
def test_a_cell_is_a_number_or_refused(text, comma_is_free, number):
    numbers, refused = _as_numbers(pyarrow.array([text]), comma_is_free=comma_is_free)
    if number is None:
        assert refused.tolist() == [0]
        assert np.isnan(numbers[0])
    else:
        assert (numbers.tolist(), refused.tolist()) == ([number], [])


# ------------------------------------------------------------------ verdicts


@pytest.mark.parametrize(
    ("value", "p"),
    [(0.9, 0.0), (1.0, 1.0), (2.0, 1.0), (3.0, 1.0), (3.1, 0.0)],
    ids=["below", "on the lower limit", "between", "on the upper limit", "above"],
)
def test_what_is_certain_lies_between_two_limits_or_does_not(value, p):
    assert verdict.conformance_probability(value, u=0, lower=1.0, upper=3.0) == p


def test_an_uncertainty_of_one_is_no_certainty():
    assert verdict.conformance_probability(0.0, u=1, lower=0.0) == 0.5


def test_a_negative_difference_is_not_within_for_being_below_the_tolerance():
    assert verdict.verdict_of(-9.9, u=2.0, tolerance=10.0) == "undecided"


@pytest.mark.parametrize(
    ("p_within", "result"),
    [
        pytest.param(0.95, "within", id="95 % itself clears"),
        pytest.param(0.9499, "undecided", id="less does not"),
        pytest.param(1.0 - 0.95, "outside", id="5 % itself warns"),
        pytest.param(0.0501, "undecided", id="more does not"),
    ],
)
def test_a_verdict_is_proven_at_95_per_cent(p_within, result):
    assert verdict._verdict(p_within) == result


@pytest.mark.parametrize(
    ("p_short", "standing"),
    [
        pytest.param(0.05, "past", id="past with 95 % itself"),
        pytest.param(0.0501, "at", id="past with less is not proven"),
        pytest.param(0.95, "inside", id="inside with 95 % itself"),
        pytest.param(0.9499, "at", id="inside with less is not proven"),
    ],
)
def test_a_limit_stands_by_95_per_cent(monkeypatch, p_short, standing):
    monkeypatch.setattr(bounds, "conformance_probability", lambda *_, **__: p_short)
    (flexion, _) = bounds.limit_standings(LIMITED, knee_deg=50.0, u_deg=2.0)
    assert (flexion.standing, flexion.p_past) == (standing, 1.0 - p_short)


def limit_words(given: dict[str, float]) -> list[str]:
    """The standing of flexion (90) and extension (5), the knee at 50 and proven inside."""
    found = bounds.limit_standings(LIMITED, knee_deg=50.0, u_deg=2.0, **given)
    return [one.standing for one in found]


@pytest.mark.parametrize(
    ("given", "standings"),
    [
        pytest.param({"set_flexion_deg": 90.0}, ["inside", "inside"], id="set to the limit"),
        pytest.param({"set_flexion_deg": 90.5}, ["past", "inside"], id="set half a degree past"),
        pytest.param({"set_flexion_deg": 60.0}, ["inside", "inside"], id="set well inside"),
        pytest.param({"set_extension_deg": 5.0}, ["inside", "inside"], id="extension on it"),
        pytest.param({"set_extension_deg": 4.5}, ["inside", "past"], id="extension past it"),
        pytest.param({"set_extension_deg": 20.0}, ["inside", "inside"], id="extension inside"),
        pytest.param({"displayed_deg": 90.5}, ["past", "inside"], id="shown half a degree past"),
        pytest.param({"displayed_deg": 4.5}, ["inside", "past"], id="shown past extension"),
        pytest.param({"displayed_deg": 5.0}, ["inside", "inside"], id="shown on extension"),
    ],
)
def test_what_a_machine_shows_and_is_set_to_is_past_a_limit_beyond_it_only(given, standings):
    assert limit_words(given) == standings


def test_a_knee_that_was_not_measured_is_as_likely_past_as_not_and_proves_nothing():
    found = bounds.limit_standings(LIMITED, knee_deg=None)
    assert [(one.standing, one.p_past) for one in found] == [("at", 0.5), ("at", 0.5)]


@pytest.mark.parametrize(
    ("u", "at_most"),
    [
        pytest.param(0.0, 0.0, id="certainly the same"),
        pytest.param(0.1, 0.196, id="the same within 1.96 u"),
    ],
)
def test_a_display_that_shows_the_knee_is_bounded_by_the_uncertainty_alone(u, at_most):
    assert bounds.apart(0.0, u_deg=u).at_most_deg == pytest.approx(at_most, abs=1e-4)


@pytest.mark.parametrize(
    ("p", "told"), [(0.95, True), (0.9499, False)], ids=["95 % itself", "less"]
)
def test_lacking_extension_is_proven_at_95_per_cent(monkeypatch, p, told):
    monkeypatch.setattr(bounds, "conformance_probability", lambda *_, **__: p)
    found = bounds.extension_lacking(Settings(), knee_deg=12.0, u_deg=2.0)
    assert (found is not None) == told


def test_extension_that_is_just_proven_lacking_lacks_next_to_nothing_for_sure():
    found = bounds.extension_lacking(Settings(), knee_deg=3.4, u_deg=2.0)
    assert found.at_least_deg == pytest.approx(3.4 - 1.645 * 2.0)


@pytest.mark.parametrize("counting", ["flexion", "straight-is-180"])
def test_a_number_that_no_knee_can_have_is_told_as_the_display_counts(counting):
    how = "" if counting == "flexion" else " on a display that counts straight-is-180"
    low, high = ("-30", "180") if counting == "flexion" else ("0", "210")
    with pytest.raises(InvalidInput) as told:
        checked(412.0, counting)
    assert str(told.value) == (
        f"displayed_deg must be between {low} and {high}, but got 412{how}: "
        "was a decimal point lost?"
    )


@pytest.mark.parametrize("difference", [0.0, 40.0])
def test_without_a_seen_camera_direction_nothing_is_proven(difference):
    assert verdict.judged(difference, u=1.0, tolerance=10.0).verdict != "undecided"
    assert verdict.judged(difference, u=1.0, tolerance=10.0, provable=False).verdict == (
        "undecided"
    )


@pytest.mark.parametrize(
    ("step", "movement", "u"),
    [
        pytest.param(5.0, 0.0, 5 / math.sqrt(12), id="a step of 5: rectangular"),
        pytest.param(1e-9, 3.0, math.sqrt(3.0), id="a movement of 3 either way: rectangular"),
        pytest.param(2.0, 3.0, math.sqrt(4 / 12 + 3.0), id="both together"),
    ],
)
def test_reading_a_display_has_its_own_uncertainty(step, movement, u):
    settings = Settings(display_resolution_deg=step, movement_deg=movement)
    assert verdict.u_display_deg(settings) == pytest.approx(u)


@pytest.mark.parametrize(
    ("p", "said"),
    [
        (0.995, "> 99 %"), (0.9949, "99 %"), (0.5, "50 %"), (0.005, "0 %"), (0.0049, "< 1 %"),
    ],
)  # fmt: skip
def test_certainty_is_never_claimed(p, said):
    assert probability(p) == said


def test_a_half_width_is_that_of_95_per_cent():
    assert plus_minus(2.0) == pytest.approx(3.92)


@pytest.mark.parametrize(
    ("difference", "result", "said"),
    [
        pytest.param(7.0, "within", "the display says 95.0°, 7.0° more: within the tolerance of "
                     "10°.", id="more, within"),
        pytest.param(-17.0, "outside", "the display says 95.0°, 17.0° less: outside the tolerance "
                     "of 10°.", id="less, outside"),
        pytest.param(0.5, "undecided", "the display says 95.0°, 0.5° more: with this ± it cannot "
                     "be told whether that is within 10°.", id="cannot be told"),
        pytest.param(0.0, "within", "the display says 95.0°, the same: within the tolerance of "
                     "10°.", id="no difference"),
        pytest.param(0.04, "within", "the display says 95.0°, the same: within the tolerance of "
                     "10°.", id="none that shows"),
    ],
)  # fmt: skip
def test_a_verdict_in_words_names_the_direction_and_the_tolerance(difference, result, said):
    assert _compared("95.0°", Comparison(difference, 1.0, 10.0, 0.5, result)) == said


# ------------------------------------------------------------------ prescribed limits


def angle(deg: float) -> Angle:
    return Angle(deg, 2.0, (deg - 3.92, deg + 3.92), {}, (deg - 3.92, deg + 3.92))


LIMITED = Settings(limit_flexion_deg=90.0, limit_extension_deg=5.0)
FLEXION_PAST = "PAST THE PRESCRIBED FLEXION: the knee bends"
EXTENSION_PAST = "PAST THE PRESCRIBED EXTENSION: the knee straightens"
PROVEN_DEG = 1.6449 * 2.0
"""So far beyond a limit a knee with u = 2 is past it with 95 %."""


@pytest.mark.parametrize(
    ("deg", "said"),
    [
        pytest.param(90.0, [], id="on the flexion limit it is not proven past"),
        pytest.param(90.0 + PROVEN_DEG - 0.01, [], id="just short of proven"),
        pytest.param(90.0 + PROVEN_DEG + 0.01, [FLEXION_PAST], id="just proven past flexion"),
        pytest.param(5.0 - PROVEN_DEG + 0.01, [], id="just short of proven past extension"),
        pytest.param(5.0 - PROVEN_DEG - 0.01, [EXTENSION_PAST], id="just proven past extension"),
    ],
)
def test_a_knee_proven_past_a_limit_alarms(deg, said):
    alarms = cause.alarms_of(angle(deg), LIMITED)
    assert [a.partition(" to ")[0] for a in alarms] == said


@pytest.mark.parametrize(
    ("shown", "name"),
    [
        pytest.param(90.0, None, id="on the flexion limit"),
        pytest.param(5.0, None, id="on the extension limit"),
        pytest.param(91.0, "FLEXION: it says 91°, the prescribed limit is 90°", id="above"),
        pytest.param(
            4.0,
            "EXTENSION: it says 4° short of straight, the prescribed limit is 5° short of straight",
            id="below",
        ),
        pytest.param(None, None, id="no number"),
    ],
)
def test_a_display_past_a_limit_alarms_whether_a_knee_was_measured_or_not(shown, name):
    stop = "Stop the machine and follow the prescription."
    wanted = () if name is None else (f"THE DISPLAY IS PAST THE PRESCRIBED {name}. {stop}",)
    assert cause.display_alarms(shown, LIMITED) == wanted
    assert cause.display_alarms(shown, Settings()) == ()
    refused = cause.with_display_alarms(NotMeasured("no leg", "step back"), shown, LIMITED)
    assert refused == NotMeasured("no leg", "step back", alarms=wanted)
    unread = cause.with_display_alarms(Unreadable("it is empty"), shown, LIMITED)
    assert unread == Unreadable("it is empty", alarms=wanted)
    measured = made_measurement()
    assert cause.with_display_alarms(measured, shown, LIMITED) is measured


def test_without_a_number_the_alarms_of_a_photo_stay():
    refused = NotMeasured("no leg", "step back", alarms=("PAST",))
    assert cause.with_display_alarms(refused, None, LIMITED) == refused


@pytest.mark.parametrize(
    ("side", "only", "asked"),
    [
        pytest.param("left", None, False, id="prescribed for both or none"),
        pytest.param("left", "left", False, id="the knee that it is for"),
        pytest.param("left", "right", True, id="the other knee"),
        pytest.param("right", "left", True, id="the other way round"),
    ],
)
def test_which_knee_is_asked_where_the_prescription_is_for_the_other(side, only, asked):
    said = which_knee(side, only)
    assert [one[:47] for one in said] == (
        [f"WHICH KNEE? The photo shows a {side} knee, the pres"[:47]] if asked else []
    )
    assert all(f"the limits of the {only} knee are taken" in one for one in said)


@pytest.mark.parametrize(
    ("limits", "said"),
    [
        pytest.param({"flexion_deg": 180.0, "extension_deg": -30.0}, None, id="the widest"),
        pytest.param({"flexion_deg": 180.5}, "flexion must be between", id="more than a knee"),
        pytest.param({"extension_deg": -30.5}, "extension must be between", id="less than a knee"),
        pytest.param({}, "nothing was prescribed", id="nothing"),
        pytest.param({"lifted": ("flexion",)}, None, id="one lifted"),
        pytest.param({"extension_deg": 0.0}, None, id="extension alone"),
        pytest.param({"flexion_deg": 90.0}, None, id="flexion alone"),
        pytest.param({"flexion_deg": 90.0, "lifted": ("flexion",)}, "both given and lifted",
                     id="given and lifted"),
        pytest.param({"extension_deg": 0.0, "lifted": ("flexion",)}, None,
                     id="one given, the other lifted"),
        pytest.param({"lifted": ("knee",)}, "must be flexion or extension", id="no such limit"),
    ],
)  # fmt: skip
def test_a_prescription_can_be_or_is_refused(limits, said):
    given = {"flexion_deg": None, "extension_deg": None, "lifted": (), **limits}
    if said is None:
        people._check_limits(**given)
    else:
        with pytest.raises(InvalidInput, match=said):
            people._check_limits(**given)


def prescribed(*, flexion: float | None, extension: float | None, day: int = 1) -> Prescription:
    return Prescription("P-1", date(2026, 3, day), flexion, extension, NOON, "ward")


@pytest.mark.parametrize(
    ("flexion", "extension", "refused"),
    [
        pytest.param(90.0, 0.0, False, id="flexion above extension"),
        pytest.param(40.0, 40.0, True, id="no room between them"),
        pytest.param(10.0, 60.0, True, id="exchanged"),
        pytest.param(None, 60.0, False, id="no flexion limit"),
        pytest.param(10.0, None, False, id="no extension limit"),
    ],
)
def test_limits_that_no_knee_can_keep_at_once_are_refused(flexion, extension, refused):
    row = prescribed(flexion=flexion, extension=extension)
    if refused:
        with pytest.raises(InvalidInput, match="were they exchanged"):
            people._check_order(row)
    else:
        people._check_order(row)


def test_a_prescription_stands_from_its_day_until_the_next():
    rows = [prescribed(flexion=f, extension=0.0, day=d) for f, d in ((60.0, 3), (90.0, 5))]
    in_force = [reading.prescription_on(rows, date(2026, 3, day)) for day in (2, 3, 4, 5, 6)]
    assert [p and p.flexion_deg for p in in_force] == [None, 60.0, 60.0, 90.0, 90.0]


@pytest.mark.parametrize(
    ("digest", "taken"),
    [
        pytest.param("0123456789abcdef" * 4, True, id="every digit"),
        pytest.param(SHA, True, id="64 digits"),
        pytest.param(SHA[:-1], False, id="one too few"),
        pytest.param(SHA + "0", False, id="one too many"),
        pytest.param(SHA[:-1] + "g", False, id="no digit"),
        pytest.param("", False, id="empty"),
    ],
)
def test_a_photos_hash_has_64_hexadecimal_digits(digest, taken):
    if taken:
        rows.check_sha256(digest)
    else:
        with pytest.raises(InvalidInput, match="64 hexadecimal digits"):
            rows.check_sha256(digest)


# ------------------------------------------------------------------ what a site may set


@pytest.mark.parametrize(
    ("name", "value", "taken"),
    [
        pytest.param("tolerance_deg", 0.0, False, id="no tolerance at all"),
        pytest.param("tolerance_deg", 0.1, True, id="a small one"),
        pytest.param("tolerance_deg", 45.0, True, id="the widest"),
        pytest.param("tolerance_deg", 45.1, False, id="wider"),
        pytest.param("tolerance_deg", math.nan, False, id="no number"),
        pytest.param("limit_flexion_deg", -30.0, True, id="the lowest limit"),
        pytest.param("limit_flexion_deg", -30.1, False, id="lower"),
        pytest.param("limit_flexion_deg", math.inf, False, id="infinity"),
        pytest.param("limit_flexion_deg", None, True, id="no limit"),
        pytest.param("placement_mm", (10.0, -1.0, 5.0), False, id="one of three is wrong"),
        pytest.param("tolerance_deg", True, False, id="yes is no length"),
        pytest.param("tag_mm", "50", False, id="text is no length"),
        pytest.param("counts", "negative", True, id="one of the ways in which displays count"),
        pytest.param("counts", "backwards", False, id="no such way"),
        pytest.param("counts", 5.0, False, id="a number is no way to count"),
    ],
)
def test_a_setting_is_taken_to_its_edge_and_no_further(name, value, taken):
    problems = problems_of({name: value})
    assert len(problems) == (0 if taken else 1)
    if not taken:
        with pytest.raises(InvalidInput, match=f"^{name} must be "):
            Settings(**{name: value})


def test_a_refused_setting_names_its_rule_and_unit():
    assert meaning_of("tolerance_deg").problem("--tolerance", 50.0) == (
        "--tolerance must be above 0 and at most 45 degrees, but got 50: a wider one would let "
        "almost any display agree"
    )
    assert meaning_of("tag_mm").problem("tag_mm", 5.0) == (
        "tag_mm must be between 10 and 500 mm, but got 5: was it meant in other units?"
    )
    assert problems_of({"counts": "backwards"})[0].startswith(
        "counts must be one of flexion, straight-is-180, negative, but got 'backwards': "
    )
    assert problems_of({"read_display": "yes", "display_prior": 0}) == [
        "read_display must be on or off, but got 'yes'"
    ]
    assert meaning_of("trials").problem("trials", 5) == (
        "trials must be between 100 and 1e+06, but got 5: fewer say little, more take long"
    )


@pytest.mark.parametrize(
    ("extension", "flexion", "said"),
    [
        pytest.param(5.0, 90.0, 0, id="in order"),
        pytest.param(90.0, 90.0, 0, id="the same"),
        pytest.param(90.0, 5.0, 1, id="exchanged"),
        pytest.param(None, 5.0, 0, id="flexion alone"),
        pytest.param(90.0, None, 0, id="extension alone"),
        pytest.param(190.0, 5.0, 1, id="one that cannot be is told alone"),
    ],
)
def test_limits_that_contradict_each_other_are_refused(extension, flexion, said):
    given = {"limit_extension_deg": extension, "limit_flexion_deg": flexion}
    assert len(problems_of(given)) == said


# ------------------------------------------------------------------ the finding of a photo


def finding(seen: Frame | None, shown: float = 90.0):
    if seen is None:
        return cause.finding_of(None, Displayed(shown), Settings(), machine=None)
    return found_in(seen, shown)


def test_the_displays_own_uncertainty_counts_in_the_calibration_part():
    seen = finding(made_frame(90.0, u=0.5)).calibration
    assert seen.u_deg == pytest.approx(math.hypot(0.5, 1 / math.sqrt(12)))


@pytest.mark.parametrize(
    ("seen", "hinge", "kind"),
    [
        pytest.param({"distal": 60.0}, "outside", "fit", id="angles agree, the hinge off along"),
        pytest.param({"anterior": -60.0}, "outside", "fit", id="angles agree, it is off across"),
        pytest.param({"distal": 30.0}, "undecided", "undecided", id="not proven to be off"),
        pytest.param({}, "within", "none", id="not off"),
    ],
)
def test_a_hinge_that_lies_off_is_a_fault_although_the_angles_agree(seen, hinge, kind):
    found = finding(made_frame(**seen))
    assert (found.hinge, found.kind) == (hinge, kind)
    assert ("The hinge lies" in found.advice) == (hinge == "outside")


def test_a_photo_that_is_no_visit_and_one_without_a_camera_prove_nothing():
    """Points of no leg in a machine, or a camera's direction that was only assumed."""
    no_visit = cause.finding_of(made_frame(), Displayed(99.0), Settings(), machine=None)
    flat = found_in(made_frame(distal=60.0), 99.0, provable=False)
    for found in (no_visit, flat):
        assert (found.calibration.verdict, found.fit.verdict) == ("undecided", "undecided")
        assert found.hinge == "undecided"
    assert (no_visit.kind, no_visit.advice) == ("undecided", cause.ADVICE["undecided"])


def test_what_the_hinge_explains_names_the_support_only_where_the_model_holds():
    assert finding(made_frame(90.0)).support_mm == (320.0, 90.0)
    beyond = finding(made_frame(90.0, distal=900.0))
    assert (beyond.explained_deg, beyond.support_mm) == (None, None)


@pytest.mark.parametrize(
    ("deg", "fit", "wrong"),
    [
        pytest.param(-15.0, 0.0, False, id="bars as straight as bars get"),
        pytest.param(-15.1, 0.0, True, id="straighter than any"),
        pytest.param(90.0, 60.0, False, id="a leg as far off as legs lie"),
        pytest.param(90.0, 60.1, True, id="further"),
        pytest.param(90.0, -60.1, True, id="further the other way"),
    ],
)
def test_tags_that_no_machine_could_show_are_told_and_nothing_is_found(deg, fit, wrong):
    seen = made_frame(deg, fit=fit, source="tag")
    said = unjudged.cards_wrong(seen)
    assert (said is not None) == wrong
    if wrong:
        assert f"the knee at {deg - fit:.1f}°".replace("-", "\u2212") in said
        assert finding(seen) == replace(finding(None), advice=said, why="cards")


def test_without_bars_no_card_is_wrong_and_nothing_is_guessed():
    assert unjudged.cards_wrong(None) is None
    assert unjudged.guessed(None) is False


# ------------------------------------------------------------------ days of a person


def read(deg: float, *, u: float = 2.0, end=None, displayed: float | None = None):
    half = 1.96 * u
    return course.KeptAngle("x", NOON, deg, u, (deg - half, deg + half), displayed, end)


@pytest.mark.parametrize(
    ("deg", "noted", "end"),
    [
        pytest.param(44.9, None, "extension", id="below 45 a photo counts for extension"),
        pytest.param(45.0, None, "flexion", id="from 45 on for flexion"),
        pytest.param(50.0, None, "flexion", id="and above"),
        pytest.param(20.0, "flexion", "flexion", id="but the end that was noted counts"),
        pytest.param(80.0, "extension", "extension", id="either end"),
    ],
)
def test_a_photo_counts_for_the_end_that_was_noted_or_else_by_45_degrees(deg, noted, end):
    assert read(deg, end=noted).counted_end == end


@pytest.mark.parametrize(
    ("deg", "u", "told"),
    [
        pytest.param(93.3, 2.0, "reached", id="1.65 u above: proven"),
        pytest.param(93.2, 2.0, "cannot_tell", id="less above: not proven"),
        pytest.param(86.8, 2.0, "cannot_tell", id="less below: not proven"),
        pytest.param(86.6, 2.0, "not_reached", id="1.65 u below: proven"),
        pytest.param(90.0, 0.0, "reached", id="exactly there, and certain"),
        pytest.param(86.0, 0.0, "not_reached", id="below, and certain"),
    ],
)
def test_a_prescribed_angle_was_reached_only_where_that_is_proven(deg, u, told):
    assert course.standing(read(deg, u=u), 90.0) == told


def test_proven_below_is_strict_and_proven_above_is_not():
    exactly = read(90.0 - 1.65 * 2.0)
    assert exactly.deg + 1.65 * exactly.u_deg == 90.0
    assert course.standing(exactly, 90.0) == "cannot_tell"


def a_day(*readings, flexion: float | None = 90.0, extension: float | None = 5.0):
    limits = [course.PrescribedLimits(date(2026, 3, 1), flexion, extension)]
    (day,) = course.follow_days(readings, limits, zone=UTC)
    return day


@pytest.mark.parametrize(
    ("deg", "past"),
    [
        pytest.param(93.2, (False, False), id="1.6 u beyond flexion is not proven"),
        pytest.param(93.4, (True, False), id="1.7 u beyond flexion is"),
        pytest.param(1.8, (False, False), id="1.6 u beyond extension is not proven"),
        pytest.param(1.6, (False, True), id="1.7 u beyond extension is"),
    ],
)
def test_a_day_is_past_a_limit_only_where_that_is_proven(deg, past):
    seen, calm = read(deg), read(50.0)
    day = a_day(seen, calm)
    assert (day.past_flexion, day.past_extension) == past
    open_day = a_day(seen, flexion=None, extension=None)
    assert (open_day.past_flexion, open_day.past_extension) == (False, False)


def test_a_day_without_a_prescription_is_past_nothing():
    (day,) = course.follow_days([read(170.0)], [], zone=UTC)
    assert (day.past_flexion, day.past_extension, day.limits) == (False, False, None)


@pytest.mark.parametrize(
    ("flexion", "extension", "arc", "exchanged"),
    [
        pytest.param(80.0, 10.0, 70.0, False, id="an arc"),
        pytest.param(40.0, 40.0, 0.0, False, id="none, but no exchange"),
        pytest.param(10.0, 80.0, None, True, id="exchanged"),
        pytest.param(80.0, None, None, False, id="flexion alone"),
        pytest.param(None, 10.0, None, False, id="extension alone"),
    ],
)
def test_the_arc_of_a_day_needs_both_ends_in_order(flexion, extension, arc, exchanged):
    given = [
        read(deg, end=end, displayed=deg + 1)
        for deg, end in ((flexion, "flexion"), (extension, "extension"))
        if deg is not None
    ]
    day = a_day(*given)
    assert (day.arc and day.arc.deg, day.displayed_arc_deg) == (arc, arc)
    assert day.exchanged == exchanged
    assert (day.neutral_zero is None) == (arc is None)


@pytest.mark.parametrize("without", ["flexion", "extension"])
def test_the_displays_arc_needs_both_numbers(without):
    numbers = {"flexion": 80.0, "extension": 10.0}
    day = a_day(
        *(read(d, end=e, displayed=None if e == without else d) for e, d in numbers.items())
    )
    assert (day.arc.deg, day.displayed_arc_deg) == (70.0, None)


@pytest.mark.parametrize(
    ("flexion", "extension", "notation"),
    [
        pytest.param(20.0, 20.0, "0-20-20", id="flexion as low as extension is no exchange"),
        pytest.param(20.0, 1.0, "0-1-20", id="a deficit of 1"),
        pytest.param(20.0, -1.0, "1-0-20", id="hyperextension of 1"),
        pytest.param(1.0, -5.0, "5-0-1", id="bent to 1"),
        pytest.param(0.0, -5.0, "5-0-0", id="bent to straight"),
        pytest.param(-1.0, -5.0, "5-1-0", id="not bent to straight"),
    ],
)
def test_neutral_zero_at_its_edges(flexion, extension, notation):
    assert course.neutral_zero(flexion_deg=flexion, extension_deg=extension) == notation


def test_limits_begin_on_their_day():
    rows = [course.PrescribedLimits(date(2026, 3, 3), 90.0, 0.0)]
    assert course.limits_on(rows, date(2026, 3, 2)) is None
    assert course.limits_on(rows, date(2026, 3, 3)) == rows[0]


@pytest.mark.parametrize(
    ("today", "left", "now"),
    [(date(2026, 5, 30), 1, False), (date(2026, 5, 31), 0, True), (date(2026, 6, 1), -1, True)],
    ids=["tomorrow", "today", "yesterday"],
)
def test_a_check_is_due_on_its_day(today, left, now):
    told = course.due(NOON, every_days=90, today=today)
    assert (told.days_left, told.now) == (left, now)
    assert course.due(None, every_days=90, today=today).now


@pytest.mark.parametrize(("days", "taken"), [(1, True), (0, False)])
def test_a_check_is_due_at_most_daily(days, taken):
    if taken:
        assert course.due(NOON, every_days=days, today=date(2026, 3, 2)).days_left == 1
    else:
        with pytest.raises(InvalidInput, match="at least 1"):
            course.due(NOON, every_days=days, today=date(2026, 3, 2))


# ------------------------------------------------------------------ kept or not


WANTED = page_keeping.Wanted("P-1", "", SetUp(), ends={}, repeats={})


@pytest.fixture
def tapped(monkeypatch):
    """A visit of one photo whose answer is kept by a tap, in a store that may refuse it."""
    done, tried, written = [], [], []
    visit = SimpleNamespace(pending=None, write_down=lambda: written.append(visit.pending))

    def tap(wanted, shown="seen", *, fails=None, before=None):
        def saved(_store, of, *_):
            tried.append(of.pending["id"])
            if fails:
                raise fails
            return "saved"

        store = SimpleNamespace(kept_under=lambda *_: before)
        monkeypatch.setattr(page_keeping, "the_store", lambda *, create: {True: store}[create])
        monkeypatch.setattr(page_keeping, "_saved", saved)
        monkeypatch.setattr(page_keeping, "_done", lambda *told: done.append(told[-1]))
        judged = SimpleNamespace(fingerprint="seen", measured={"a" * 64: made_measurement()})
        return page_keeping._kept(visit, judged, wanted, shown=shown)

    return SimpleNamespace(tap=tap, done=done, tried=tried, visit=visit, written=written)


@pytest.mark.parametrize(
    ("whose", "shown", "fails", "said"),
    [
        pytest.param(("P-1", ""), "seen", None, None, id="a person's is kept"),
        pytest.param(("", "M-1"), "seen", None, None, id="a machine's is kept"),
        pytest.param(("P-1", "M-1"), "seen", None, None, id="of both is kept"),
        pytest.param(("", ""), "seen", None, "Not kept: give the code", id="of nobody is not"),
        pytest.param(("P-1", ""), "older", None, "Not kept: the answer has changed",
                     id="an answer that was not seen is not"),
        pytest.param(("P-1", ""), "seen", "the disk is full.",
                     "Not kept: the disk is full. Nothing here is lost", id="what failed is not"),
    ],
)  # fmt: skip
def test_a_tap_keeps_the_answer_or_says_that_it_was_not_kept(tapped, whose, shown, fails, said):
    person, machine = whose
    wanted = replace(WANTED, person=person, machine=machine)
    told = tapped.tap(wanted, shown, fails=fails and KneeAngleError(fails))
    if said is None:
        assert (told, tapped.done) == (None, ["saved"])
        assert tapped.visit.pending["hashes"] == ["a" * 64]
        assert tapped.written == [tapped.visit.pending]  # on the disk before it is begun
    else:
        assert told.startswith(said)
        assert tapped.done == []


def test_a_second_try_keeps_the_same_row_and_another_answer_gets_its_own(tapped):
    for wanted in (WANTED, WANTED, replace(WANTED, with_photo=True)):
        tapped.tap(wanted, fails=KneeAngleError("locked"))
    tried = tapped.tried
    assert tried[0] == tried[1] != tried[2]


def test_what_was_kept_although_the_answer_never_came_is_found_and_not_kept_twice(tapped):
    assert tapped.tap(WANTED, before="there") is None
    assert (tapped.done, tapped.tried) == (["there"], [])


def test_what_was_refused_before_anything_was_begun_begins_anew(tapped):
    assert tapped.tap(WANTED, fails=InvalidInput("no code")).startswith("Not kept: no code. ")
    assert tapped.visit.pending is None
    tapped.tap(WANTED, fails=KneeAngleError("locked"))
    assert tapped.visit.pending is not None


def test_a_picture_that_is_not_as_taken_names_no_cause():
    one = made_measurement()
    odd = replace(one, leg=replace(one.leg, lens=replace(one.leg.lens, trusted=False)))
    found = cause.finding_of(
        made_frame(distal=60.0), Displayed(99.0), Settings(),
        machine=None, unjudged=unjudged.unjudged_of(odd),
    )  # fmt: skip
    assert (found.kind, found.why) == ("not_separable", "picture")
    assert found.advice == unjudged.UNTRUSTED
    assert (found.calibration, found.fit) == (None, None)


SEEN = ("hip", "knee", "ankle", "thigh_bar", "hinge", "shank_bar")


@pytest.mark.parametrize(
    ("frame", "points", "unused", "doubted", "why", "said"),
    [
        pytest.param(made_frame(), SEEN, 0, (), None, None, id="bars by dots count"),
        pytest.param(made_frame(), SEEN, 0, ("hinge",), None, None,
                     id="by tags, whatever is taken for the hinge's dot"),
        pytest.param(None, SEEN[:3], 0, (), "not_seen", "put dots or the bar tags on the bars",
                     id="no dot of the machine"),
        pytest.param(None, SEEN[:4], 0, (), "not_all",
                     "place the hinge and the lower-leg bar by hand", id="one of three"),
        pytest.param(None, SEEN[:5], 0, (), "not_all", "place the lower-leg bar by hand",
                     id="two of three"),
        pytest.param(None, SEEN, 0, ("hinge",), "doubted",
                     "What was taken for the machine's hinge dot lies far from where the machine "
                     "is seen, so it cannot be told whether the display is off or the leg lies "
                     "badly: look at it and place the hinge by hand, or cover what is no dot and "
                     "photograph again.", id="a knob for the hinge"),
        pytest.param(None, SEEN, 0, ("thigh_bar", "hinge"), "doubted",
                     "What was taken for the machine's thigh bar and hinge dots lies far from "
                     "where the machine is seen, so it cannot be told whether the display is off "
                     "or the leg lies badly: look at them and place the thigh bar and the hinge by "
                     "hand, or cover what is no dot and photograph again.", id="two of them"),
        pytest.param(made_frame(source="network"), SEEN, 2, (), "guessed", "put dots or",
                     id="a guess beside two discs"),
        pytest.param(made_frame(source="pose"), SEEN, 3, (), "unused", "which dot is which",
                     id="beside three dots alike"),
        pytest.param(made_frame(deg=-60.0, source="tag"), SEEN, 3, (), "cards", "exchanged",
                     id="cards the wrong way round"),
    ],
)  # fmt: skip
def test_why_a_machine_is_not_judged_is_told_with_what_to_do(
    frame, points, unused, doubted, why, said
):
    spot = Landmark(100.0, 100.0, (1.0, 0.0, 1.0), "dot")
    dots = (UnusedDot(spot, 12.0, "green", None),) * unused
    found = Landmarks(dict.fromkeys(points, spot), side="left", unused_dots=dots)
    seen = unjudged.unjudged_bars(frame, found, doubted=doubted)
    assert (None if seen is None else seen.why) == why
    assert said is None or said in seen.advice


def test_of_several_photos_the_reason_that_is_mended_soonest_is_told():
    of = {why: unjudged.Unjudged(why, f"mend {why}") for why in get_args(Unseparable)}
    assert unjudged.weightiest([of["guessed"], of["doubted"], of["not_seen"]]) is of["doubted"]
    assert unjudged.weightiest([of["not_seen"], of["guessed"], of["unused"]]) is of["unused"]
    assert all(unjudged.weightiest([one]) is one for one in of.values())
    assert unjudged.weightiest([]).why == "not_seen"


def test_a_part_is_judged_over_the_range_where_there_is_both():
    part = finding(made_frame(90.0)).calibration
    over = SimpleNamespace(p_within=0.25, verdict="outside")
    assert cause._as_judged(part, over) == replace(part, p_within=0.25, verdict="outside")
    assert cause._as_judged(part, None) is part
    assert cause._as_judged(None, over) is None


@pytest.mark.parametrize(
    ("mm", "verdict_of_it"),
    [
        pytest.param(24.5, "within", id="the tolerance is 25 mm: nearer"),
        pytest.param(25.5, "outside", id="further"),
        pytest.param(-25.5, "outside", id="further, the other way"),
    ],
)
def test_the_hinge_has_25_mm(mm, verdict_of_it):
    seen = HingeCoordinate(mm=mm, u_mm=0.1, verdict="undecided")
    assert check._length(seen).verdict == verdict_of_it


@pytest.mark.parametrize(
    ("shared", "u"),
    [
        pytest.param(0.0, 5.0, id="nothing shared: 3 and 4 make 5"),
        pytest.param(8.0, 3.0, id="what both ends share cancels"),
        pytest.param(12.6, 0.0, id="never less than nothing"),
    ],
)
def test_an_arcs_u_leaves_out_what_both_ends_share(shared, u):
    bent = course.KeptAngle(
        "bent", NOON, 90.0, 3.0, (84.0, 96.0), end="flexion", shares=(("straight", shared),)
    )
    straight = course.KeptAngle("straight", NOON, 5.0, 4.0, (-3.0, 13.0), end="extension")
    arc = course._day(NOON.date(), [bent, straight], None).arc
    assert (arc.deg, arc.u_deg) == (85.0, pytest.approx(u))
