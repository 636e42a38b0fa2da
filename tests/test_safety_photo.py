"""The rules that keep people safe in the steps of one photo, each at its edge.

`mutation.py` breaks each of these rules in small ways and asks whether a test here notices.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import pytest
from conftest import SAMPLES
from stores import made_frame

from knee_angle import pipeline
from knee_angle.angle import scale
from knee_angle.assumptions import COVERAGE_99
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.choose import without_direction
from knee_angle.landmarks.dots import DotDetector
from knee_angle.machine import cautions, unjudged
from knee_angle.photo.reading import read_photo
from knee_angle.records import (
    Displayed,
    Frame,
    Landmark,
    Landmarks,
    Lens,
    NotMeasured,
    Segments,
    View,
)
from knee_angle.settings import Settings

USUAL = Segments(0.245 * 1700, 10.0, 0.246 * 1700, 10.0)


@pytest.mark.parametrize(
    ("segments", "told"),
    [
        pytest.param(USUAL, [], id="usual lengths"),
        pytest.param(replace(USUAL, thigh_mm=416.5 + 92.0), [], id="a long thigh"),
        pytest.param(replace(USUAL, thigh_mm=416.5 + 93.0), ["thigh 510 mm, about 416 mm"],
                     id="a thigh three standard deviations too long"),
        pytest.param(replace(USUAL, shank_mm=418.2 - 93.5), ["lower leg 325 mm, about 418 mm"],
                     id="a lower leg too short"),
    ],
)  # fmt: skip
def test_lengths_are_unusual_from_three_standard_deviations_on(segments, told):
    """Of 416.5 mm: 3 x hypot(10, 0.07 x 416.5) = 92.5 mm; of 418.2 mm: 92.8 mm."""
    said = scale.implausible(segments, stature_mm=1700.0)
    assert (said or "").count(" would be usual") == len(told)
    assert all(part in said for part in told)


def test_a_length_of_three_standard_deviations_itself_is_usual(monkeypatch):
    monkeypatch.setattr(scale, "SEGMENT_SPREAD", 0.0)
    odd = replace(USUAL, thigh_mm=scale.THIGH_SHARE * 1700 + 30.0)
    assert scale.implausible(odd, stature_mm=1700.0) is None
    assert scale.implausible(USUAL, stature_mm=1700.0) is None


@functools.cache
def bed(name: str):
    """A photo and what is seen in it: looked at once."""
    photo = read_photo(SAMPLES / name)
    return photo, pipeline.look(photo, detectors=(DotDetector(),))


def measured(seen=None, **given):
    photo, found = bed("bed_01.jpg")
    shown = given.pop("displayed_deg", None)
    return pipeline.measure_photo(
        photo, detectors=(), settings=Settings(trials=200, **given), displayed_deg=shown,
        seen=found if seen is None else seen,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("stature", "thigh", "told"),
    [
        pytest.param(1700.0, 420.0, False, id="a usual height"),
        pytest.param(1700.0, 600.0, True, id="a tape that does not fit the height"),
        pytest.param(None, 600.0, False, id="no height given"),
    ],
)
def test_a_photo_says_that_the_lengths_do_not_fit_the_height(stature, thigh, told):
    flat = replace(bed("bed_01.jpg")[1], tags=())
    said = " ".join(measured(flat, stature_mm=stature, thigh_mm=thigh).cautions)
    assert ("At this height the lengths are unusual (thigh 600 mm, " in said) == told
    bare = " ".join(measured(flat, stature_mm=stature).cautions)
    assert "At this height" not in bare  # no scale, no lengths


def test_a_photo_carries_every_caution_of_its_steps():
    _, seen = bed("bed_01.jpg")
    doubtful = replace(seen, landmarks=replace(seen.landmarks, cautions=("look again",)))
    assert measured(doubtful).cautions[0] == "look again"
    flat = replace(seen, tags=())
    assert cautions.CAUTION_IMAGE in measured(flat).cautions
    assert cautions.CAUTION_IMAGE not in measured().cautions


def test_a_photo_whose_camera_direction_is_not_known_proves_nothing_about_the_display():
    flat = replace(bed("bed_01.jpg")[1], tags=())
    assert measured(displayed_deg=150.0).comparison.verdict == "outside"
    assert measured(flat, displayed_deg=150.0).comparison.verdict == "undecided"


def test_lengths_are_told_only_where_the_photo_has_a_scale_of_its_own(monkeypatch):
    assert measured().segments is not None
    monkeypatch.setattr(pipeline, "scale_of", lambda *_: None)
    assert measured().segments is None


def test_a_photo_that_nobody_looked_at_is_looked_at():
    photo, _ = bed("bed_01.jpg")
    settings = Settings(trials=200)
    whole = pipeline.measure_photo(photo, detectors=(DotDetector(),), settings=settings)
    assert (whole.knee, whole.tags) == (measured().knee, measured().tags)


def test_a_photo_says_of_a_knee_that_it_is_at_its_limit():
    limit = float(round(measured().knee.deg))
    (said, *_) = measured(limit_flexion_deg=limit).cautions
    assert said.startswith(f"At the prescribed flexion limit of {limit:.0f}°")


def test_a_photo_is_cautioned_by_its_bars_and_by_the_straightest_its_knee_can_be(monkeypatch):
    lowest = []
    monkeypatch.setattr(cautions, "of_view", lambda deg, *_: lowest.append(deg) or ())
    monkeypatch.setattr(cautions, "odd_bars", lambda frame: (f"bars {frame.source}",))
    result = measured()
    assert lowest == [result.knee.interval_deg[0]]
    assert f"bars {result.machine.frame.source}" in result.cautions


def test_a_photo_carries_the_alarms_of_knee_and_display_knee_first():
    result = measured(displayed_deg=100.0, limit_flexion_deg=60.0)
    knee, display = result.alarms
    assert knee.startswith("PAST THE PRESCRIBED FLEXION")
    assert display.startswith("THE DISPLAY IS PAST THE PRESCRIBED FLEXION: it says 100°")
    assert measured(displayed_deg=100.0).alarms == ()


def on_top(seen):
    points = dict(seen.landmarks.points)
    points["hip"] = replace(points["hip"], x_px=points["knee"].x_px, y_px=points["knee"].y_px)
    return replace(seen, landmarks=replace(seen.landmarks, points=points))


def no_leg(seen):
    return replace(seen, landmarks=NotMeasured("no leg was found", "step back"))


@pytest.mark.parametrize("change", [no_leg, on_top], ids=["no leg", "no direction"])
def test_a_photo_that_gives_no_knee_still_alarms_by_its_display(change):
    seen = change(bed("bed_01.jpg")[1])
    refused = measured(seen, displayed_deg=100.0, limit_flexion_deg=60.0)
    assert isinstance(refused, NotMeasured)
    assert [a[:34] for a in refused.alarms] == ["THE DISPLAY IS PAST THE PRESCRIBED"]
    assert measured(seen).alarms == ()


@pytest.mark.parametrize(
    ("module", "step"),
    [
        pytest.param(pipeline, "lens_through", id="tags not seen through the stated lens"),
        pytest.param(pipeline.boards, "too_oblique", id="a strip too oblique"),
    ],
)
def test_a_photo_that_may_not_be_measured_is_not_and_still_alarms(module, step, monkeypatch):
    monkeypatch.setattr(module, step, lambda *_, **__: NotMeasured("no", "again"))
    result = measured(displayed_deg=97.0, limit_flexion_deg=96.0)
    assert isinstance(result, NotMeasured)
    assert (result.reason, len(result.alarms)) == ("no", 1)


def test_who_placed_the_points_stands_beside_the_angle():
    photo, found = bed("bed_01.jpg")
    knee = measured().landmarks.points["knee"]
    by_hand = pipeline.measure_photo(
        photo, detectors=(), settings=Settings(trials=200), seen=found,
        manual={"rater": "R-1", "knee": {"x": knee.x_px, "y": knee.y_px}},
    )  # fmt: skip
    assert (measured().rater, by_hand.rater) == (None, "R-1")


def test_a_displayed_number_that_no_knee_has_is_refused_before_anything_is_measured():
    with pytest.raises(InvalidInput, match="was a decimal point lost"):
        measured(displayed_deg=412.0)


def test_with_a_number_a_photo_has_a_comparison_and_a_finding_and_without_none():
    shown, bare = measured(displayed_deg=93.0), measured()
    assert shown.displayed == Displayed(93.0)
    assert shown.comparison.discrepancy_deg == 93.0 - shown.knee.deg
    found, without = (pipeline.judged_alone(one)[0].finding for one in (shown, bare))
    assert found.calibration.discrepancy_deg == 93.0 - shown.machine.frame.deg
    assert (bare.displayed, bare.comparison, without) == (None, None, None)


def test_the_leg_of_a_photo_is_what_was_set_and_its_answer_comes_from_its_hash():
    placed = measured(placement_mm=(12.0, 6.0, 7.0))
    assert placed.leg.placement_mm == (12.0, 6.0, 7.0)
    photo, seen = bed("bed_01.jpg")
    assert placed.photo_sha256 == photo.sha256
    assert 0 < placed.seconds < 60
    rng_of_hash = measured()
    assert rng_of_hash.knee == measured().knee
    flat = replace(seen, tags=())
    assert measured(flat, thigh_mm=420.0).leg.thigh_mm == 420.0
    assert measured(thigh_mm=420.0).leg.thigh_mm is None  # tags give the scale


def bars(difference: float | None, u: float = 1.0, source: str = "dot") -> Frame:
    both = None if difference is None else (difference, u)
    return replace(made_frame(90.0, source=source), tags_minus_points_deg=both)


@pytest.mark.parametrize(
    ("seen", "told"),
    [
        pytest.param(None, 0, id="no bars"),
        pytest.param(bars(None), 0, id="bars by one kind of mark"),
        pytest.param(bars(2.5), 0, id="tags and points agree"),
        pytest.param(bars(2.6), 1, id="they differ beyond 99 %"),
        pytest.param(bars(-2.6), 1, id="the other way"),
        pytest.param(bars(COVERAGE_99), 0, id="99 % itself excuses"),
        pytest.param(bars(2.7, u=2.0), 0, id="a wide ± excuses more"),
    ],
)
def test_bars_that_tags_and_points_show_differently_are_told(seen, told):
    assert len(cautions.odd_bars(seen)) == told


def test_tags_that_cannot_be_right_are_told_instead_of_a_difference():
    wrong = replace(bars(9.0, source="tag"), deg=-40.0, fit_deg=-90.0)
    (told,) = cautions.odd_bars(wrong)
    assert told == unjudged.cards_wrong(wrong)


@pytest.mark.parametrize(
    ("plane", "focal", "lowest", "told"),
    [
        pytest.param("tag", "exif", 15.0, [], id="all is known"),
        pytest.param("image", "exif", 40.0, [cautions.CAUTION_IMAGE], id="flat"),
        pytest.param("tag", "prior", 40.0, [cautions.CAUTION_FOCAL], id="no focal length"),
        pytest.param("tag", "exif", 14.9, [cautions.CAUTION_STRAIGHT], id="near straight"),
    ],
)
def test_what_makes_a_photo_less_sure_is_told(plane, focal, lowest, told):
    view = View(plane, (0.0, 0.0, -1.0), (1.0, 0.0, 1.0), 1000.0, 40.0)
    assert list(cautions.of_view(lowest, view, Lens(1600, 1200, 1200.0, 0.02, focal))) == told


def at(hip: tuple[float, float], ankle: tuple[float, float], var: float = 18.0) -> Landmarks:
    points = {"hip": hip, "knee": (500.0, 500.0), "ankle": ankle}
    cov = (var, 0.0, var)
    return Landmarks({n: Landmark(x, y, cov, "manual") for n, (x, y) in points.items()})


@pytest.mark.parametrize(
    ("hip", "ankle", "said"),
    [
        pytest.param((500.0, 494.0), (900.0, 500.0), None, id="as long as the ± of its ends"),
        pytest.param((500.0, 494.5), (900.0, 500.0), "hip and knee lie 6 px apart", id="shorter"),
        pytest.param((100.0, 500.0), (497.0, 500.0), "knee and ankle lie 3 px apart", id="shank"),
    ],
)
def test_a_bone_shorter_than_the_uncertainty_of_its_ends_has_no_direction(hip, ankle, said):
    refused = without_direction(at(hip, ankle))
    assert (refused and refused.reason.partition(",")[0]) == said


def test_a_bone_exactly_as_long_as_the_uncertainty_of_its_ends_has_a_direction():
    """Without any ± even points on top of each other are not shorter than it."""
    assert without_direction(at((500.0, 500.0), (500.0, 500.0), var=0.0)) is None
