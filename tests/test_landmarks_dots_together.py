"""Six dots weighed together: which is which where a witness sees the leg."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from PIL import Image

from knee_angle.landmarks.dots import namings, sets
from knee_angle.landmarks.dots.along import along_bars
from knee_angle.landmarks.dots.assignment import Assignment
from knee_angle.landmarks.dots.bars import folded_over
from knee_angle.landmarks.dots.candidates import Candidates, examine, square_on
from knee_angle.landmarks.dots.colour import Paint, lab_of
from knee_angle.landmarks.dots.detector import (
    _ahead,
    _ahead_as_seen,
    _answer,
    _as_seen,
    _glimpsed,
    _same_dots,
    _tells_ends,
    yields,
)
from knee_angle.landmarks.dots.expected import Expected, with_bars_anywhere
from knee_angle.landmarks.dots.glare import without_glare
from knee_angle.landmarks.dots.legs import Legs
from knee_angle.landmarks.dots.namings import _left_out, _reach, named_together
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.quality import CLEAN, pigment_prior, quality, vivid_colour
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NOT_ALL
from knee_angle.landmarks.dots.said import _at_most_points, used_said
from knee_angle.landmarks.dots.sets import unlike
from knee_angle.landmarks.dots.together import (
    _enough,
    best_named,
    far_ahead,
    readings_together,
    settled_together,
    together_with,
)
from knee_angle.photo.reading import read_photo
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Landmark, Landmarks

NAMES = LEG_POINTS + MACHINE_POINTS
SEGMENT = 200.0
TRUE = {
    "hip": (100.0, 300.0), "knee": (290.0, 240.0), "ankle": (480.0, 300.0),
    "thigh_bar": (165.0, 310.0), "hinge": (290.0, 265.0), "shank_bar": (440.0, 312.0),
}  # fmt: skip
GREEN, SHADED, SKIN, STEEL = (
    (55.0, -45.0, 35.0),
    (36.0, -29.0, 23.0),
    (62.0, 14.0, 18.0),
    (70, 0, 0),
)
BLACK = (12.0, 0.0, 0.0)
RAYS = 20


def patches(places: dict[str, tuple[float, float]], **change: dict[str, object]) -> Candidates:
    """Clean dots at these places; ``change`` of fields by the dot's name."""
    n = len(places)
    leg = np.array([name in LEG_POINTS for name in places])
    around = np.where(leg[:, None, None], np.array(SKIN), np.array(STEEL))
    fields = {
        "xy": np.array(list(places.values())), "radius": np.full(n, 6.0),
        "stretch": np.zeros((n, 2)), "misfit": np.full(n, 0.02), "arc": np.ones(n),
        "contrast": np.full(n, 60.0), "roughness": np.full(n, 5.0),
        "lab": np.tile(GREEN, (n, 1)), "ring": np.zeros(n),
        "around": np.broadcast_to(around, (n, RAYS, 3)).copy(), "company": np.zeros(n),
    }  # fmt: skip
    for name, values in change.items():
        for which, value in values.items():
            fields[which][list(places).index(name)] = value
    return Candidates(**fields)


def witness(**moved: tuple[float, float]) -> Expected:
    """What a network sees: every point with ± 0.06 segments, some of them off."""
    xy = np.array([np.add(TRUE[name], moved.get(name, (0.0, 0.0))) for name in NAMES])
    return Expected(NAMES, xy, np.tile(np.eye(2) * (0.06 * SEGMENT) ** 2, (len(NAMES), 1, 1)))


def settled(found: Candidates, expected: Expected) -> dict[str, str] | None:
    """Name of each dot and whose place it has, or None."""
    best = settled_together([Reading(n, found) for n in named_together(found, expected)])
    if best is None:
        return None
    places = {tuple(at): name for name, at in TRUE.items()}
    return {n: places.get(tuple(found.xy[k]), "another") for n, k in best.named.index.items()}


def without(*names: str) -> dict[str, tuple[float, float]]:
    return {name: at for name, at in TRUE.items() if name not in names}


WHOLE = {name: name for name in NAMES}


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        pytest.param(patches(TRUE), witness(), id="six clean dots where the witness sees them"),
        pytest.param(
            patches(TRUE),
            witness(thigh_bar=(-5, -60), hinge=(0, -60), shank_bar=(5, -60)),
            id="a machine 120 mm off the witness's",
        ),
        pytest.param(
            patches(TRUE), witness(hip=(25, 0), thigh_bar=(25, 0)),
            id="a witness that takes hip and thigh bar along the leg",
        ),
        pytest.param(
            patches(TRUE, ankle={"lab": SHADED}), witness(), id="one dot lies in a shadow"
        ),
        pytest.param(
            patches(TRUE, shank_bar={"radius": 12.0}, ankle={"radius": 10.0}, hip={"radius": 4.0}),
            witness(), id="the near dots three times as large as the far one",
        ),
        pytest.param(
            patches(TRUE, hinge={"lab": (80.0, -20.0, 15.0), "misfit": 0.15}), witness(),
            id="the flash glares from one",
        ),
    ],
)  # fmt: skip
def test_all_six_are_used(found, expected):
    assert settled(found, expected) == WHOLE


def test_a_bent_leg_seen_along_its_thigh_bends_further_in_the_picture_and_is_named_all_the_same():
    seen = {
        "hip": (234.0, 680.0), "knee": (428.0, 165.0), "ankle": (473.0, 447.0),
        "thigh_bar": (350.0, 558.0), "hinge": (477.0, 210.0), "shank_bar": (522.0, 407.0),
    }  # fmt: skip
    thigh, shank = (np.subtract(seen[b], seen[a]) for a, b in (("hip", "knee"), ("knee", "ankle")))
    bend = math.degrees(math.acos(thigh @ shank / math.hypot(*thigh) / math.hypot(*shank)))
    assert bend == pytest.approx(150.3, abs=0.1)
    cov = np.tile(np.eye(2) * 20.0**2, (len(NAMES), 1, 1))
    expected = Expected(NAMES, np.array([seen[name] for name in NAMES]), cov)
    best, *_ = named_together(patches(seen), expected)
    assert [list(seen)[best.index[name]] for name in NAMES] == list(NAMES)


@pytest.mark.parametrize("name", ["thigh_bar", "shank_bar"])
def test_a_bar_dot_that_is_not_there_is_left_out(name):
    assert settled(patches(without(name)), witness()) == {n: n for n in NAMES if n != name}


@pytest.mark.parametrize("name", [*LEG_POINTS, "hinge"])  # of knee and hinge, who knows which
def test_no_machine_dot_stands_for_a_hidden_one_of_the_leg(name):
    assert settled(patches(without(name)), witness()) is None


def test_two_outlines_of_one_glaring_dot_are_no_two_dots():
    x, y = TRUE["shank_bar"]
    named = settled(patches(TRUE | {"twin": (x + 6.0, y)}), witness(shank_bar=(3.0, 0.0)))
    assert set(named) == set(NAMES)


def exchanged(one: str, other: str) -> Reading:
    """Six dots of which two carry each other's name."""
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    index[one], index[other] = index[other], index[one]
    return Reading(Assignment(index, 16.0, 30.0, 6, 0, True, False), patches(TRUE))


@pytest.mark.parametrize(
    ("one", "other", "best"),
    [
        pytest.param("hip", "hip", True, id="as the witness sees them"),
        pytest.param("knee", "hinge", False, id="knee and hinge exchanged"),
        pytest.param("hip", "ankle", False, id="the leg the other way round"),
    ],
)
def test_a_sure_reading_is_held_against_what_the_witness_sees_of_each_dot(one, other, best):
    assert best_named(exchanged(one, other), witness()) is best


def test_the_witnessed_naming_of_the_same_dots_is_believed_where_it_is_far_more_probable():
    found = patches(TRUE)
    readings = [Reading(n, found, True) for n in named_together(found, witness())]
    assert far_ahead(readings, exchanged("knee", "hinge"))
    assert not far_ahead(readings[1:2] + readings[1:], readings[1])


def test_no_bar_reaches_past_the_hip():
    legs = np.array([[0, 1, 2, 3, 4, 5], [3, 1, 2, 0, 4, 5]])
    gain = _reach(np.array(list(TRUE.values())), legs)
    assert gain[0] > gain[1] + 1.5
    # Without a hinge it begins at the knee; one that is not named has no length.
    assert _reach(np.array(list(TRUE.values())), np.array([[0, 1, 2, 3, -1, 5]])) > 0.0
    assert _reach(np.array(list(TRUE.values())), np.array([[0, 1, 2, -1, 4, -1]])) == 0.0


def read_alone(index: dict[str, int], score: float) -> list[Reading]:
    """What the dots by themselves are read as, best first."""
    return [Reading(Assignment(index, score, 30.0, 6, 0, True, False), patches(TRUE))]


@pytest.mark.parametrize(
    ("ahead", "own", "same", "believed"),
    [
        pytest.param(7.0, 17.0, True, True, id="far ahead, and alone read nearly as well so"),
        pytest.param(7.0, None, True, False, id="far ahead, and the dots alone deny it"),
        pytest.param(13.0, None, True, True, id="further ahead, of the same six dots"),
        pytest.param(13.0, None, False, False, id="however far ahead, of other dots"),
        pytest.param(13.0, 12.0, False, True, id="further ahead, alone it would be beyond doubt"),
        pytest.param(7.0, 12.0, True, False, id="far ahead, and the dots alone read worse so"),
        pytest.param(13.0, 9.0, False, False, id="further ahead, and alone it would be in doubt"),
        pytest.param(4.0, 17.0, True, False, id="not far ahead"),
    ],
)
def test_a_leg_of_which_the_dots_are_sure_yields_to_the_witnessed_one(ahead, own, same, believed):
    assert yields_of(18.0, ahead=ahead, own=own, same=same) is believed


@pytest.mark.parametrize("ahead", [10.0, 12.5, 20.0])
def test_a_very_sure_leg_of_the_same_dots_yields_to_none(ahead):
    assert not yields_of(20.0, ahead=ahead, own=None, same=True)


def yields_of(score: float, *, ahead: float, own: float | None, same: bool) -> bool:
    """Whether a leg of so sure a score yields to one so far ahead, read alone with ``own``."""
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    seen = read_alone(index, 30.0)
    sure = exchanged("knee", "ankle")
    whole = [*seen, replace(sure, named=replace(sure.named, score=30.0 - ahead))]
    elsewhere = patches(TRUE if same else TRUE | {"hip": (60.0, 120.0)})
    sure = replace(sure, named=replace(sure.named, score=score), found=elsewhere)
    alone = [sure, *(read_alone(index, own) if own is not None else [])]
    return yields(sure, seen[0], whole, alone)


@pytest.mark.parametrize(
    ("one", "other", "less", "ahead"),
    [
        pytest.param("knee", "hinge", 1.0, False, id="another knee nearly as well"),
        pytest.param("knee", "hinge", 4.0, True, id="another knee less well"),
        pytest.param("hip", "ankle", 1.0, True, id="the same leg the other way round"),
        pytest.param("thigh_bar", "shank_bar", 1.0, True, id="other bars of the same leg"),
    ],
)
def test_dots_alone_are_sure_where_they_read_as_no_other_leg_as_well(one, other, less, ahead):
    best, rival = exchanged("hip", "hip"), exchanged(one, other)
    rival = replace(rival, named=replace(rival.named, score=16.0 - less))
    assert _ahead([best, rival]) is ahead
    surer = [replace(r, named=replace(r.named, score=r.named.score + 6.0)) for r in (best, rival)]
    assert _ahead(surer)


@pytest.mark.parametrize(
    ("one", "other", "hip_px", "ahead"),
    [
        pytest.param("hip", "shank_bar", 0.0, True, id="its hip is elsewhere"),
        pytest.param("knee", "hinge", 0.0, False, id="its knee could be there"),
        pytest.param("hip", "shank_bar", 150.0, False, id="the leg itself is seen elsewhere"),
        pytest.param("hip", "shank_bar", None, False, id="nothing is seen"),
    ],
)
def test_a_leg_is_ahead_of_one_read_as_well_where_a_witness_sees_it_and_not_the_other(
    one, other, hip_px, ahead
):
    best, rival = exchanged("hip", "hip"), exchanged(one, other)
    points = {n: Landmark(x, y, (36.0, 0.0, 36.0), "network") for n, (x, y) in TRUE.items()}
    if hip_px is not None:
        points["hip"] = replace(points["hip"], x_px=points["hip"].x_px + hip_px)
    seen = SimpleNamespace(near=lambda *_: None if hip_px is None else Landmarks(points))
    photo = SimpleNamespace(scale_x=1.0, scale_y=1.0)
    assert not _ahead([best, replace(rival, named=replace(rival.named, score=15.5))])
    assert _ahead_as_seen(photo, seen, best, [best, rival]) is ahead


def line_on(picture: np.ndarray) -> float:
    """Log odds that the line from the shank bar's dot to the hinge's is a bar."""
    which = [np.array([list(TRUE).index(name)]) for name in ("shank_bar", "hinge")]
    return float(along_bars(picture, patches(TRUE), *which)[0])


@pytest.mark.parametrize(
    ("half_px", "bar"),
    [
        pytest.param((9, 9), True, id="a bar"),
        pytest.param((4, 14), True, id="a bar whose dot does not sit in its middle"),
        pytest.param((40, 40), False, id="a broad cloth of one colour"),
        pytest.param((0, 0), False, id="skin of one colour"),
    ],
)
def test_a_bar_is_told_by_its_paint_and_its_edges(half_px, bar):
    picture = np.full((400, 560, 3), (205, 160, 135), np.uint8)
    if sum(half_px):
        ends = np.array([TRUE["hinge"], np.add(TRUE["shank_bar"], (45.0, 14.0))])
        corners = np.concatenate([ends - (0, half_px[0]), ends[::-1] + (0, half_px[1])])
        cv2.fillPoly(picture, [np.round(corners).astype(np.int32)], (90, 95, 110))
    noisy = picture + np.random.default_rng(0).normal(0.0, 3.0, picture.shape)
    odds = line_on(np.clip(noisy, 0, 255).astype(np.uint8))
    assert (odds > 1.0) if bar else (odds < -1.0)


# The set of a pigment ----------------------------------------------------------------


def drawn(paint: tuple[int, int, int], *, radius_px: float = 6.0) -> np.ndarray:
    """Six dots on one cloth, the hip's on narrow stripes."""
    big = np.full((400 * 4, 560 * 4, 3), (205, 160, 135), np.uint8)
    x, y = (round(4 * v) for v in TRUE["hip"])
    for left in range(x - 120, x + 120, 24):
        cv2.rectangle(big, (left, y - 120), (left + 11, y + 120), (235, 235, 235), -1)
        cv2.rectangle(big, (left + 12, y - 120), (left + 23, y + 120), (45, 45, 48), -1)
    for at in TRUE.values():
        cv2.circle(big, tuple(round(4 * v) for v in at), round(4 * radius_px), paint, -1)
    soft = cv2.resize(cv2.GaussianBlur(big, (0, 0), 4.0), (560, 400), interpolation=cv2.INTER_AREA)
    noise = np.random.default_rng(0).normal(0.0, 3.0, soft.shape)
    return np.clip(soft + noise, 0, 255).astype(np.uint8)


def set_in(picture: np.ndarray, expected: Expected) -> Candidates:
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    return next(sets.sets_of(seen, expected))


def at_point(found: Candidates, name: str) -> int:
    (which,) = np.nonzero(np.linalg.norm(found.xy - TRUE[name], axis=1) < 2.0)[0]
    return int(which)


@pytest.mark.parametrize("radius_px", [3.5, 6.0])
@pytest.mark.parametrize("paint", [(20, 30, 120), (120, 25, 10)], ids=["blue", "dark red"])
def test_a_dots_own_paint_shows_its_outline_where_what_lies_around_it_differs(paint, radius_px):
    found = set_in(drawn(paint, radius_px=radius_px), witness())
    hip = at_point(found, "hip")
    assert quality(found)[hip] > CLEAN
    assert found.radius[hip] == pytest.approx(radius_px, rel=0.12)


def test_glare_that_made_whole_shows_no_outline_covers_no_dot(monkeypatch):
    x, y = TRUE["knee"]
    disc = np.array([[x + 12.0, y, 14.0]])
    monkeypatch.setattr(sets, "without_glare", lambda small, *_, **__: (small, disc))
    file = io.BytesIO()
    Image.fromarray(drawn((200, 30, 140))).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    kept = sets._without_glare(seen, seen.found, (0, 0, 560, 400))
    assert quality(kept)[at_point(kept, "knee")] > CLEAN


@pytest.mark.parametrize("radius_px", [3.5, 6.0])
@pytest.mark.parametrize("left_radii", [1.1, 0.4, 0.0, -0.3])
def test_a_dot_at_the_pictures_edge_is_outlined_by_what_is_seen_of_it(left_radii, radius_px):
    x, y = TRUE["shank_bar"]
    picture = drawn((200, 30, 140), radius_px=radius_px)[:, : round(x + left_radii * radius_px)]
    seen = examine(
        picture,
        np.array([[x - 0.4 * radius_px, y]]),
        np.array([0.8 * radius_px]),
        trusted=True,
        pigment=lab_of(np.array([[200.0, 30.0, 140.0]])),
    )
    assert quality(seen)[0] > CLEAN
    assert seen.xy[0] == pytest.approx((x, y), abs=0.25 * radius_px)
    assert seen.radius[0] == pytest.approx(radius_px, rel=0.12)


def test_dots_that_the_witness_does_not_see_stay_in_a_set_beside_texture_at_a_point():
    picture = drawn((20, 30, 120))
    x, y = (round(v) for v in TRUE["ankle"])
    for k in range(12):
        at = (x - 45 + 30 * (k % 4), y - 45 + 30 * (k // 4))
        if np.hypot(at[0] - x, at[1] - y) > 20:
            cv2.rectangle(picture, at, (at[0] + 7, at[1] + 3), (20, 30, 120), -1)
    seen = witness()
    leg = Expected(NAMES[:3], seen.xy[:3], seen.cov[:3])
    found = set_in(picture, leg)
    assert len(found) == sets.MOST_DOTS
    for name in NAMES:
        at_point(found, name)


def test_dots_far_outside_a_small_and_very_unsure_leg_are_no_set_of_it():
    picture = drawn((20, 30, 120))
    middle = np.mean([TRUE[name] for name in NAMES], axis=0) + [0.0, 700.0]
    tiny = np.array([middle, middle + [4.0, 0.0], middle + [8.0, 0.0]])
    leg = Expected(NAMES[:3], tiny, np.tile(np.eye(2) * 400.0**2, (3, 1, 1)))
    with pytest.raises(StopIteration):
        set_in(picture, leg)


def test_a_dot_on_a_bar_of_about_its_colour_is_found():
    picture = drawn((20, 30, 120))
    bar = np.add(TRUE["shank_bar"], ((-60, -9), (60, -9), (60, 9), (-60, 9)))
    cv2.fillPoly(picture, [np.round(bar).astype(np.int32)], (40, 62, 140))
    x, y = TRUE["shank_bar"]
    cv2.circle(picture, (round(x), round(y)), 6, (20, 30, 120), -1, cv2.LINE_AA)
    found = set_in(cv2.GaussianBlur(picture, (0, 0), 0.8), witness())
    assert at_point(found, "shank_bar") >= 0


@pytest.mark.parametrize("beside", [0, 6], ids=["through its middle", "along its rim"])
def test_a_dot_that_touches_something_of_its_own_colour_is_found(beside):
    picture = drawn((20, 30, 120))
    x, y = (round(v) for v in TRUE["shank_bar"])
    for left, right in ((x - 40, x - 4), (x + 4, x + 40)):
        cv2.rectangle(picture, (left, y + beside - 3), (right, y + beside + 3), (22, 32, 122), -1)
    cv2.circle(picture, (x, y), 6, (20, 30, 120), -1, cv2.LINE_AA)
    file = io.BytesIO()
    Image.fromarray(cv2.GaussianBlur(picture, (0, 0), 0.8)).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    best = readings_together(seen, witness())[0]
    at = best.found.xy[best.named.index["shank_bar"]]
    assert at == pytest.approx((x, y), abs=1.5)
    assert set(best.named.index) == set(NAMES)


def test_a_pattern_that_is_enough_does_not_hide_six_dots_of_another_pigment(monkeypatch):
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    whole = Assignment(index, 40.0, 30.0, 6, 0, True, False)
    three = {name: index[name] for name in LEG_POINTS}
    left = {name: index[name] for name in MACHINE_POINTS}
    some = replace(whole, index=three, left=left, score=20.0)
    pattern, dots = patches(TRUE), patches(TRUE | {"hip": (90.0, 310.0)})
    said = {id(pattern): [some], id(dots): [whole]}
    module = "knee_angle.landmarks.dots.together."
    monkeypatch.setattr(module + "sets_of", lambda *_, **__: iter([pattern, dots]))
    monkeypatch.setattr(module + "named_together", lambda found, *_, **__: said[id(found)])
    picture = SimpleNamespace(photo=SimpleNamespace(small=None))
    best, other = readings_together(picture, witness())
    assert (best.named, other.named) == (whole, some)
    assert settled_together([best, other]) == best


def test_six_dots_stand_before_a_pattern_of_many_poor_patches():
    pattern = {f"patch {k}": (20.0 * k, 30.0) for k in range(24)}
    found = patches(TRUE | pattern, **{name: {"misfit": 0.11} for name in pattern})
    six, many = np.arange(6), np.arange(6, 30)
    assert (quality(found)[many] > sets.WORST_SEED).all()
    first, second = sets._different_groups(found, [many, six])
    assert (first.tolist(), second.tolist()) == (six.tolist(), many.tolist())


def test_black_dots_stay_in_a_set_among_many_small_black_specks():
    picture, rng = drawn((12, 12, 12)), np.random.default_rng(1)
    for x, y in rng.uniform((60, 200), (520, 380), (90, 2)):
        if min(np.hypot(x - a, y - b) for a, b in TRUE.values()) > 16:
            cv2.circle(picture, (round(x), round(y)), 2, (30, 30, 34), -1, cv2.LINE_AA)
    seen = witness()
    found = set_in(picture, Expected(NAMES[:3], seen.xy[:3], seen.cov[:3]))
    for name in NAMES:
        at_point(found, name)


BARS_AND_ANKLE = ("thigh_bar", "hinge", "shank_bar", "ankle")


@pytest.mark.parametrize(
    ("paint", "names", "half", "looked"),
    [
        ((12, 12, 12), BARS_AND_ANKLE, (), False),
        ((12, 12, 12), (*BARS_AND_ANKLE, "knee"), (), True),
        ((12, 12, 12), (*BARS_AND_ANKLE, "hip"), ("hip",), True),
        ((20, 30, 120), BARS_AND_ANKLE, (), True),
    ],
    ids=["a machine's knobs and a boot", "a knee too", "half of a hip too", "vivid"],
)
def test_black_patches_at_machine_and_ankle_alone_are_not_followed_up(
    monkeypatch, paint, names, half, looked
):
    asked = []
    none = np.zeros(0, int)
    monkeypatch.setattr(
        sets, "_without_glare", lambda _, alike, __: asked.append(alike) or alike.take(none)
    )
    picture = np.full((400, 560, 3), (205, 160, 135), np.uint8)
    for name in names:
        x, y = (round(v) for v in TRUE[name])
        cv2.circle(picture, (x, y), 6, paint, -1, cv2.LINE_AA)
        if name in half:
            picture[y - 8 : y + 8, x - 1 : x + 8] = (205, 160, 135)
    file = io.BytesIO()
    Image.fromarray(cv2.GaussianBlur(picture, (0, 0), 0.8)).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    assert list(sets.sets_of(seen, witness())) == []
    assert bool(asked) == looked


@pytest.mark.parametrize(
    ("ankle", "read"),
    [
        pytest.param((190.0, 400.0), True, id="bent by 120 degrees"),
        pytest.param((118.0, 318.0), False, id="bent by 170: heel on the hip"),
    ],
)
def test_no_leg_is_read_that_bends_farther_than_a_leg_can(ankle, read):
    """Of a panorama six dots were read as a knee at 170 degrees, ± 4."""
    places = TRUE | {"ankle": ankle, "shank_bar": (ankle[0] + 30.0, ankle[1] + 20.0)}
    seen = witness(**{n: np.subtract(places[n], TRUE[n]) for n in ("ankle", "shank_bar")})
    assert (settled(patches(places), seen) is not None) is read


@pytest.mark.parametrize(
    "hip",
    [
        pytest.param("hip", id="each on what its place says"),
        pytest.param("thigh_bar", id="the one where a hip is on a bar, the other on skin"),
    ],
)
def test_what_dots_lie_on_decides_which_of_two_near_each_other_is_the_hip(hip, monkeypatch):
    """The witness sees both half-way between them, and the colours around are alike."""
    places = TRUE | {"hip": (120.0, 300.0), "thigh_bar": (150.0, 306.0)}
    alike = {"around": np.tile(SKIN, (RAYS, 1))}
    found = patches(places, thigh_bar=alike)
    says = np.where(np.eye(len(NAMES)) > 0, 1.0, -4.0)
    if hip == "thigh_bar":
        says[[0, 3]] = says[[3, 0]]
    monkeypatch.setattr(namings, "lying_of", lambda *_, **__: says)
    seen = witness(hip=(35.0, 3.0), thigh_bar=(-30.0, -7.0))
    named = named_together(found, seen, np.full((400, 600, 3), 90, np.uint8))[0]
    assert list(places)[named.index["hip"]] == hip


@pytest.mark.parametrize("off", [-1e-6, 1e-6])
def test_namings_of_which_none_is_above_a_score_are_not_told(off):
    picture = drawn((20, 30, 120))
    found = set_in(picture, witness())
    every = named_together(found, witness(), picture)
    least = every[0].score + off
    assert named_together(found, witness(), picture, least=least) == (every if off < 0 else [])


def test_a_set_of_which_glare_leaves_nothing_is_none(monkeypatch):
    monkeypatch.setattr(sets, "_without_glare", lambda _, alike, __: alike.take(np.zeros(0, int)))
    file = io.BytesIO()
    Image.fromarray(drawn((20, 30, 120))).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    assert list(sets.sets_of(seen, witness())) == []


def test_two_outlines_of_one_long_dot_are_one():
    long = {"stretch": (0.45, 0.0)}
    x, y = TRUE["hip"]
    found = patches(TRUE | {"twin": (x + 6.5, y)}, hip=long, twin=long)
    assert sets._apart(found).sum() == len(found) - 1


# Glare -------------------------------------------------------------------------------

PAINT, MEMBERS = (30, 120, 60), lab_of(np.array([[30.0, 120.0, 60.0]]))


def glaring(radius_px: float, *, off: float, sheet: bool = False, halo: bool = False) -> np.ndarray:
    """A dot at (60, 60) on skin with a white spot on it, or beside a sheet as white.

    The spot may fade into the dot.
    """
    picture = np.full((480, 480, 3), (205, 160, 135), np.uint8)
    middle, whole = 60 * 4, radius_px * 4
    cv2.circle(picture, (middle, middle), round(whole), PAINT, -1)
    spot = (round(middle + off * whole), middle)
    if sheet:
        picture[:, spot[0] :] = 250
    else:
        cv2.circle(picture, spot, round(0.5 * whole), (255, 255, 255), -1)
    if halo:
        y, x = np.mgrid[:480, :480]
        far = np.hypot(x - spot[0], y - spot[1]) / whole
        light = 420.0 * np.exp(-0.5 * (far / 0.35) ** 2)[..., None]
        picture = np.clip(picture + light, 0, 255).astype(np.uint8)
    return cv2.resize(
        cv2.GaussianBlur(picture, (0, 0), 2.0), (120, 120), interpolation=cv2.INTER_AREA
    )


def healed_of(picture: np.ndarray, radius_px: float) -> tuple[np.ndarray, np.ndarray]:
    return without_glare(picture, Paint.of(picture), MEMBERS, radius_px, (0, 0, 120, 120))


@pytest.mark.parametrize("halo", [False, True], ids=["spot", "halo"])
@pytest.mark.parametrize("off", [0.0, 0.3, 0.5])
@pytest.mark.parametrize("radius_px", [5.0, 9.0])
def test_a_glaring_dot_is_made_whole(radius_px, off, halo):
    healed, discs = healed_of(glaring(radius_px, off=off, halo=halo), radius_px)
    ((x, y, radius),) = discs
    assert (x, y) == pytest.approx((60.0, 60.0), abs=0.25 * radius_px)
    assert radius == pytest.approx(radius_px, rel=0.25)
    assert np.abs(healed[60, round(60 + off * radius_px)].astype(float) - PAINT).max() < 6


def test_a_glaring_dot_seen_obliquely_is_made_whole():
    wide = cv2.resize(glaring(9.0, off=0.3), (120, 54), interpolation=cv2.INTER_AREA)
    picture = cv2.copyMakeBorder(wide, 33, 33, 0, 0, cv2.BORDER_REPLICATE)
    _, discs = healed_of(picture, 9.0)
    ((x, y, _),) = discs
    assert (x, y) == pytest.approx((60.0, 60.0), abs=1.5)


@pytest.mark.parametrize("close", [True, False])
def test_a_glaring_dot_on_cloth_of_about_its_colour_is_made_whole_where_looked_for_closely(close):
    picture = glaring(9.0, off=0.3)
    cloth = np.abs(picture.astype(int) - (205, 160, 135)).sum(axis=2) < 30
    picture[cloth] = (55, 135, 85)
    where = (0, 0, 120, 120)
    _, discs = without_glare(picture, Paint.of(picture), MEMBERS, 9.0, where, close=close)
    assert len(discs) == (1 if close else 0)


@pytest.mark.parametrize("off", [0.0, 0.5])
def test_a_white_sheet_over_a_dot_is_no_glare(off):
    picture = glaring(9.0, off=off, sheet=True)
    healed, discs = healed_of(picture, 9.0)
    assert len(discs) == 0
    assert healed is picture


@pytest.mark.parametrize(
    ("misfit", "used"),
    [
        pytest.param(0.12, True, id="half hidden: some outline is left"),
        pytest.param(0.5, False, id="a smudge without an outline, where the dot may be hidden"),
    ],
)
def test_a_patch_of_the_leg_is_a_dot_where_it_shows_an_outline(misfit, used):
    poor = {"misfit": misfit, "arc": 0.3 if not used else 0.9, "lab": SHADED}
    found = patches(TRUE, hip=poor)
    assert (settled(found, witness(hip=(20.0, 0.0))) == WHOLE) is used


def test_a_boss_of_the_dots_colour_is_no_dot():
    boss = patches(TRUE, hinge={"radius": 17.0})
    assert "hinge" not in (settled(boss, witness()) or {})


def test_two_patches_that_could_be_one_machine_dot_leave_it_out():
    twice = TRUE | {"other": (455.0, 318.0)}
    assert settled(patches(twice), witness(shank_bar=(7.5, 3.0))) == {
        n: n for n in NAMES if n != "shank_bar"
    }


@pytest.mark.parametrize(
    ("found", "why"),
    [(patches(TRUE), AMBIGUOUS), (patches(without("hip")), NOT_ALL)],
    ids=["the set makes another leg", "the set lacks a dot of the leg"],
)
def test_a_leg_found_otherwise_is_denied_where(found, why):
    sets = [Reading(n, found) for n in named_together(found, witness())]
    names = {"knee": "hinge"} if why is AMBIGUOUS else {}
    at = {n: np.array(TRUE[names.get(n, n)]) for n in LEG_POINTS}
    if why is NOT_ALL:
        at = {n: sets[0].found.xy[sets[0].named.index[n]] for n in LEG_POINTS}
    other = patches({n: tuple(xy) for n, xy in at.items()})
    named = sets[0].named.__class__(
        dict(zip(LEG_POINTS, range(3), strict=True)), 12.0, 30.0, 3, 0, True, False
    )
    assert together_with(sets, Reading(named, other)) == why


@pytest.mark.parametrize("lab", [(85.0, -30.0, 30.0), (55.0, -30.0, 15.0)], ids=["paler", "bluish"])
def test_a_faint_patch_of_another_green_is_not_used_for_a_bars_dot_that_was_not_found(lab):
    x, y = TRUE["shank_bar"]
    other = {"lab": lab, "contrast": 18.0, "misfit": 0.12}
    found = patches(TRUE | {"shank_bar": (x - 20.0, y + 16.0)}, shank_bar=other)
    assert "shank_bar" not in settled(found, witness())


def test_a_machines_dot_without_outline_and_of_about_the_colour_is_left_for_a_person():
    found = patches(TRUE, shank_bar={"lab": (75.0, -25.0, 20.0), "misfit": 0.2, "arc": 0.6})
    best = named_together(found, witness())[0]
    assert set(best.index) == {*NAMES} - {"shank_bar"}
    assert list(best.left) == ["shank_bar"]


def test_of_a_dot_that_was_not_found_no_patch_is_left():
    faint = {"lab": (75.0, -25.0, 20.0), "misfit": 0.2, "arc": 0.6}
    found = patches(without("shank_bar") | {"stain": (500.0, 120.0)}, stain=faint)
    best = named_together(found, witness())[0]
    assert "shank_bar" not in best.index
    assert not best.left


def test_no_other_reading_brings_back_a_dot_without_outline():
    faint = {"lab": (75.0, -25.0, 20.0), "misfit": 0.2, "arc": 0.6}
    found = patches(TRUE, shank_bar=faint)
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    sets = [Reading(n, found, True) for n in named_together(found, witness())]
    whole = Reading(Assignment(index, 16.0, 30.0, 5, 0, True, False), found)
    assert together_with(sets, whole) == sets[0]
    clear = replace(whole, found=patches(TRUE))
    assert together_with(sets, clear) == clear


POOR = {"misfit": 0.05, "lab": (58.0, -36.0, 33.0)}


@pytest.mark.parametrize(
    ("paint", "beside", "used"),
    [
        pytest.param({}, None, True, id="nothing else has their pigment"),
        pytest.param({}, {}, False, id="another patch is as good a dot"),
        pytest.param({}, POOR, True, id="another patch is a plainly worse one"),
        pytest.param({"lab": BLACK}, None, True, id="nothing else is black"),
        pytest.param({"lab": BLACK}, {}, False, id="a knob is black too"),
    ],
)
def test_the_sixth_of_six_dots_that_are_alone_is_used_far_from_where_the_witness_sees_it(
    paint, beside, used
):
    x, y = TRUE["hinge"]
    places = TRUE | {"hinge": (x, y - 153.0)}
    change = dict.fromkeys(NAMES, paint)
    if beside is not None:
        places = places | {"button": (500.0, 130.0)}
        change["button"] = paint | beside
    found = patches(places, **change)
    best = settled_together([Reading(n, found) for n in named_together(found, witness())])
    far = None if best is None else best.named.index.get("hinge")
    assert far == (NAMES.index("hinge") if used else None)


def test_what_has_another_colour_frees_no_dot_of_its_name():
    clutter = {f"clutter {k}": (60.0 + 40.0 * k, 420.0) for k in range(6)}
    button, paler = TRUE | {"button": (500.0, 130.0)}, {"lab": (80.0, -30.0, 20.0)}
    both = np.array([[0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, -1]])
    alone, among = (
        _left_out(found, both)
        for found in (
            patches(button),
            patches(button | clutter, **dict.fromkeys(clutter, paler)),
        )
    )
    assert among[1] - among[0] == pytest.approx(alone[1] - alone[0], rel=0.05)
    assert among[0] > alone[0]  # but the set is less sure


def test_two_dots_of_a_colour_that_blur_made_another_are_no_hidden_ones():
    blurred = {"lab": (45.0, -15.0, 2.0)}
    found = patches(TRUE, hip=blurred, ankle={"lab": (48.0, -25.0, 12.0)})
    assert (unlike(found)[[0, 2]] > 0.8).all()
    assert settled(found, witness(hip=(20.0, 0.0))) == WHOLE


def test_a_patch_far_from_the_witness_s_hip_is_doubted_though_six_are_named():
    found = patches(without("hip") | {"button": (60.0, 130.0)})
    assert settled(found, witness()) is None


@pytest.mark.parametrize(("spare", "stands"), [(0, True), (1, False)])
def test_six_lead_by_less_only_where_nothing_else_shows_a_dots_outline(spare, stands):
    best, rival = level_with(2.5)
    best = replace(best, named=replace(best.named, spare=spare))
    assert (settled_together([best, rival]) is not None) is stands


@pytest.mark.parametrize("off", [0.0, 60.0], ids=["the same dot", "another one"])
def test_a_dot_that_the_set_leaves_for_a_person_is_no_other_one_by_another_reading(off):
    x, y = TRUE["shank_bar"]
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    found = patches(TRUE)
    left = {n: k for n, k in index.items() if n != "shank_bar"}
    first = Assignment(left, 30.0, 30.0, 5, 0, True, False, {"shank_bar": index["shank_bar"]})
    sets = Reading(first, found, True)
    elsewhere = patches(TRUE | {"shank_bar": (x - off, y)})
    other = Reading(Assignment(index, 16.0, 30.0, 6, 0, True, False), elsewhere)
    assert together_with([sets], other) == (sets if off else other)
    assert _same_dots(other, sets) is (not off)


BENT = {"hip": (100.0, 330.0), "knee": (290.0, 200.0), "ankle": (440.0, 330.0)}


@pytest.mark.parametrize("exchanged", [False, True], ids=["with the leg", "against it"])
def test_no_hinge_bends_against_the_leg(exchanged):
    bars = {"thigh_bar": (275.0, 400.0), "hinge": (295.0, 225.0), "shank_bar": (330.0, 395.0)}
    if exchanged:
        bars |= {"thigh_bar": bars["shank_bar"], "shank_bar": bars["thigh_bar"]}
    found = patches(BENT | bars)
    legs, machine = Legs(*np.array([[0], [1], [2]]), np.zeros(1)), np.array([[3, 4, 5]])
    assert folded_over(found.xy, legs, machine) == exchanged


def test_of_two_outlines_of_a_dot_that_a_bar_cuts_either_is_the_legs():
    x, y = TRUE["ankle"]
    halves = without("ankle") | {"ankle": (x - 3.5, y), "other half": (x + 3.5, y)}
    small = {"radius": 2.5, "misfit": 0.1}
    found = patches(halves, **{"ankle": small, "other half": small})
    assert set(settled(found, witness())) == set(NAMES)


def test_a_speck_of_the_dots_colour_is_no_dot_of_the_leg():
    x, y = TRUE["knee"]
    found = patches(without("knee") | {"speck": (x + 24.0, y - 18.0)}, speck={"radius": 1.4})
    assert settled(found, witness()) is None


def test_a_speck_is_no_dot_of_the_machine_however_clear_it_is():
    x, y = TRUE["hinge"]
    speck = patches(without("hinge") | {"speck": (x + 4.0, y + 6.0)}, speck={"radius": 1.2})
    assert "hinge" not in named_together(speck, witness())[0].index
    small = patches(without("hinge") | {"small": (x + 4.0, y + 6.0)}, small={"radius": 3.4})
    assert "hinge" in named_together(small, witness())[0].index


@pytest.mark.parametrize(
    ("left", "enough"), [(("thigh_bar", "shank_bar"), True), (("thigh_bar", "hinge"), False)]
)
def test_black_dots_are_six_though_nobody_tells_two_bars_that_fold_apart(left, enough):
    index = {n: k for k, n in enumerate(NAMES) if n not in left}
    unsure = {name: NAMES.index(name) for name in left}
    named = Assignment(index, 30.0, 30.0, 4, 0, False, False, unsure)
    assert _enough(Reading(named, patches(TRUE), True)) is enough


def test_five_dots_must_lead_a_naming_of_all_six_by_more():
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    found = patches(TRUE)
    six = Reading(Assignment(index, 30.0, 30.0, 6, 0, True, False), found, True)
    fewer = {n: k for n, k in index.items() if n not in ("hip", "thigh_bar")} | {"hip": 3}
    for lead, stands in ((4.0, False), (5.0, True)):
        five = Assignment(fewer, 30.0 + lead, 30.0, 5, 0, True, False)
        best = settled_together([Reading(five, found, True), six])
        assert (best is not None) is stands


@pytest.mark.parametrize(
    ("apart_px", "exchanged", "over"),
    [
        pytest.param(25.0, False, False, id="9 degrees apart, beside"),
        pytest.param(25.0, True, False, id="9 degrees apart, crossed"),
        pytest.param(35.0, False, False, id="12 degrees apart, beside"),
        pytest.param(35.0, True, True, id="12 degrees apart, crossed"),
    ],
)
def test_bars_that_lie_about_on_each_other_bend_to_no_side_and_others_against_the_leg(
    apart_px, exchanged, over
):
    ends = (295.0 - apart_px / 2, 385.0), (295.0 + apart_px / 2, 385.0)
    bars = {"thigh_bar": ends[0], "hinge": (295.0, 225.0), "shank_bar": ends[1]}
    if exchanged:
        bars |= {"thigh_bar": bars["shank_bar"], "shank_bar": bars["thigh_bar"]}
    found = patches(BENT | bars)
    legs, machine = Legs(*np.array([[0], [1], [2]]), np.zeros(1)), np.array([[3, 4, 5]])
    assert folded_over(found.xy, legs, machine)[0] == over


@pytest.mark.parametrize(("between", "told"), [(0.5, False), (0.1, True)])
def test_bars_that_fold_are_told_from_one_another_only_where_that_is_far_more_probable(
    between, told
):
    thigh, shank = (345.0, 400.0), (320.0, 402.0)
    half = 0.5 - between  # how far the witness sees them apart, of how far they are
    seen = {
        "thigh_bar": np.average([thigh, shank], axis=0, weights=[0.5 + half, 0.5 - half]),
        "shank_bar": np.average([thigh, shank], axis=0, weights=[0.5 - half, 0.5 + half]),
    }
    found = patches(TRUE | {"thigh_bar": thigh, "shank_bar": shank})
    expected = witness(**{name: np.subtract(at, TRUE[name]) for name, at in seen.items()})
    expected = replace(expected, cov=expected.cov / 9.0)
    best = named_together(found, expected)[0]
    assert (set(best.index) == set(NAMES)) is told
    assert (set(best.left) == {"thigh_bar", "shank_bar"}) is not told


FOLDED = TRUE | {"thigh_bar": (380.0, 330.0), "shank_bar": (363.0, 331.0)}


def test_bars_that_fold_on_to_each_other_are_told_from_one_another_by_nobody():
    off = {"thigh_bar": (200.0, 26.0), "shank_bar": (-75.0, 22.0)}
    found = patches(FOLDED)
    readings = [Reading(n, found, True) for n in named_together(found, witness(**off))]
    best = settled_together(readings)
    assert set(best.named.index) == {*LEG_POINTS, "hinge"}
    assert set(best.named.left) == {"thigh_bar", "shank_bar"}
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    whole = Reading(Assignment(index, 16.0, 30.0, 6, 0, True, False), found)
    assert together_with(readings, whole) == best
    assert with_bars_anywhere(found, best.named) == best.named


@pytest.mark.parametrize(
    ("left", "names"),
    [
        pytest.param(("thigh_bar", "shank_bar"), [None, None], id="bars that fold: a person says"),
        pytest.param(("hinge",), ["hinge"], id="one dot: what it most probably is"),
    ],
)
def test_a_dot_left_out_is_kept_with_the_name_that_one_tap_gives_it(left, names):
    index = {n: k for k, n in enumerate(NAMES) if n not in left}
    named = Assignment(index, 30.0, 30.0, 6, 0, True, False, {n: NAMES.index(n) for n in left})
    file = io.BytesIO()
    Image.fromarray(drawn((20, 30, 120))).save(file, "TIFF")
    photo = read_photo(file.getvalue(), name="drawn.tif")
    told = used_said(photo, Landmarks({}), Reading(named, patches(TRUE)))
    assert [dot.name for dot in told.unused_dots] == names


SMEAR = {
    "misfit": 0.5, "arc": 0.4, "lab": (80.0, -20.0, 15.0),
    "around": np.tile((30.0, 40.0, 20.0), (RAYS, 1)),
}  # fmt: skip


def test_a_smear_on_a_cloth_where_a_machines_dot_may_be_is_not_used_for_it():
    x, y = TRUE["shank_bar"]
    found = patches(TRUE | {"shank_bar": (x + 22.0, y + 24.0)}, shank_bar=SMEAR)
    assert "shank_bar" not in settled(found, witness())


def level_with(score: float) -> list[Reading]:
    """A set's best naming and one of another leg so much less probable, with another patch."""
    x, y = TRUE["ankle"]
    found = patches(TRUE | {"other": (x + 30.0, y + 30.0)})
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    best = Assignment(index, 30.0, 30.0, 6, 0, True, False)
    other = replace(best, index=index | {"ankle": 6}, score=30.0 - score)
    return [Reading(named, found, True) for named in (best, other)]


@pytest.mark.parametrize(
    ("less", "clean", "used"),
    [
        pytest.param(1.5, 6, False, id="another leg nearly as probable"),
        pytest.param(2.5, 6, True, id="six whole outlines, another leg less probable"),
        pytest.param(2.5, 4, False, id="two of six hardly seen"),
        pytest.param(3.5, 4, True, id="another leg far less probable"),
    ],
)
def test_a_set_is_beyond_doubt_by_how_much_less_probable_another_leg_is(less, clean, used):
    best, other = level_with(less)
    best = replace(best, named=replace(best.named, clean=clean))
    assert settled_together([best, other]) == (best if used else None)


@pytest.mark.parametrize(
    ("one", "other", "less", "clean", "used"),
    [
        pytest.param("ankle", "shank_bar", 4.2, 6, True, id="an end and its bar's dot"),
        pytest.param("hip", "thigh_bar", 4.2, 4, True, id="of fewer whole outlines too"),
        pytest.param("hip", "thigh_bar", 3.8, 6, False, id="nearly as probable"),
        pytest.param("knee", "hinge", 3.8, 6, False, id="knee and hinge"),
        pytest.param("knee", "hinge", 4.2, 6, True, id="knee and hinge far less probable"),
    ],
)
def test_the_same_six_dots_otherwise_named_count_by_how_well_a_witness_tells_them(
    one, other, less, clean, used
):
    best = read_alone(dict(zip(NAMES, range(len(NAMES)), strict=True)), 30.0)[0]
    best = replace(best, named=replace(best.named, clean=clean))
    rival = exchanged(one, other)
    rival = replace(rival, named=replace(rival.named, score=30.0 - less))
    assert settled_together([best, rival]) == (best if used else None)
    assert settled_together([best]) == best


def test_one_dot_that_is_outlined_too_small_leads_to_the_others():
    picture = np.full((400, 600, 3), (205, 165, 140), np.uint8)
    for x, y in TRUE.values():
        cv2.circle(picture, (int(x), int(y)), 5, (20, 150, 60), -1, cv2.LINE_AA)
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    found = seen.square_on()
    ankle = np.linalg.norm(found.xy - TRUE["ankle"], axis=1).argmin()
    alone = replace(found.take(np.array([ankle])), radius=np.array([3.6]))
    whole = sets._whole_set(seen, alone, witness(), np.zeros(1, dtype=np.intp))
    gap = np.linalg.norm(whole.xy[:, None] - list(TRUE.values()), axis=2)
    assert gap.min(axis=0) == pytest.approx(0.0, abs=1.0)


def test_six_large_dots_among_a_hundred_specks_of_their_black_are_a_set():
    rng, places = np.random.default_rng(3), 2.0 * np.array(list(TRUE.values()))
    picture = np.full((800, 1200, 3), (205, 165, 140), np.uint8)
    for at in rng.uniform((60, 420), (1150, 760), (220, 2)):
        if np.linalg.norm(places - at, axis=1).min() > 50.0:
            cv2.circle(picture, at.astype(int).tolist(), 4, (10, 10, 10), -1, cv2.LINE_AA)
    for at in places:
        cv2.circle(picture, at.astype(int).tolist(), 22, (10, 10, 10), -1, cv2.LINE_AA)
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "TIFF")
    seen = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    found = seen.square_on()
    assert (found.radius < 6.0).sum() > 100
    expected = Expected(NAMES, places, np.tile(np.eye(2) * 24.0**2, (len(NAMES), 1, 1)))
    whole = sets._whole_set(seen, found, expected, np.arange(len(found)))
    gap = np.linalg.norm(whole.xy[:, None] - places, axis=2)
    assert gap.min(axis=0) == pytest.approx(0.0, abs=1.0)


@pytest.mark.parametrize(("misfit", "used"), [(0.02, True), (0.12, False)], ids=["clear", "not"])
def test_a_leg_must_lead_one_with_another_patch_for_a_dot_of_no_clear_outline_by_more(misfit, used):
    x, y = TRUE["hip"]
    found = patches(TRUE | {"other": (x + 40.0, y + 10.0)}, hip={"misfit": misfit})
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    best = Reading(Assignment(index, 30.0, 30.0, 5, 0, True, False), found, True)
    other = Assignment(index | {"hip": 6}, 26.5, 30.0, 6, 0, True, True)
    readings = [best, Reading(other, found, True)]
    assert settled_together(readings) == (best if used else None)
    assert together_with(readings, best) == (best if used else AMBIGUOUS)


@pytest.mark.parametrize(("less", "used"), [(0.3, False), (1.5, False), (2.5, True)])
def test_a_leg_found_otherwise_is_in_doubt_where_the_set_makes_another_as_well(less, used):
    readings = level_with(less)
    assert together_with(readings, readings[0]) == (readings[0] if used else AMBIGUOUS)


@pytest.mark.parametrize(
    ("score", "clean", "rare", "used"),
    [
        pytest.param(16.0, 6, False, False, id="black patches whose set is far from enough"),
        pytest.param(26.0, 2, False, True, id="black dots of few clear outlines"),
        pytest.param(13.0, 6, True, True, id="dots of a marker's colour"),
    ],
)
def test_black_patches_make_a_leg_only_where_a_set_of_them_nearly_does(score, clean, rare, used):
    best, other = level_with(4.0)
    sets = [replace(best, named=replace(best.named, score=score, rare=rare, clean=clean))]
    moved = dict(zip(NAMES, (0, 1, 6, 3, 4, 5), strict=True))
    leg = replace(other.named, index=moved, score=10.6, rare=rare, doubtful=False)
    one = Reading(leg, other.found)
    assert together_with(sets, one) == (one if used else AMBIGUOUS)
    assert together_with([], one) == (one if rare else AMBIGUOUS)


def test_a_leg_whose_dot_the_set_takes_for_the_machines_is_not_believed():
    doubted = read_alone(dict(zip(NAMES[:5], range(5), strict=True)), 12.0)[0]
    doubted = replace(doubted, named=replace(doubted.named, doubtful=True, rare=False))
    assert together_with([doubted], replace(doubted, together=False)) == NOT_ALL


@pytest.mark.parametrize(
    ("moved", "seen"),
    [
        pytest.param({}, True, id="where the witness sees it"),
        pytest.param({"hip": (60.0, 30.0)}, False, id="a hip that is another disc"),
    ],
)
def test_a_sure_leg_is_held_against_where_the_witness_sees_it(moved, seen):
    assert _as_seen(exchanged("hip", "hip"), witness(**moved)) is seen


def test_grey_patches_are_no_set_of_dots():
    grey = patches(TRUE, **{name: {"lab": (50.0, 2.0, 1.0), "misfit": 0.1} for name in NAMES})
    assert settled(grey, witness()) is None


FAINT = {"misfit": 0.12}


@pytest.mark.parametrize(
    ("change", "count", "looked_for"),
    [
        pytest.param({}, 1, True, id="one clear outline of a vivid colour"),
        pytest.param(FAINT, 1, False, id="one unclear outline"),
        pytest.param(FAINT, 2, True, id="two unclear ones of a vivid colour"),
        pytest.param({"lab": (15.0, 0.0, -2.0)}, 2, False, id="two clear black ones"),
        pytest.param({"lab": (15.0, 0.0, -2.0)}, 3, True, id="three clear black ones"),
        pytest.param({"lab": (15.0, 0.0, -2.0), **FAINT}, 6, False, id="unclear black ones"),
    ],
)
def test_the_rest_of_a_set_is_looked_for_where_its_outlines_may_be_dots(change, count, looked_for):
    """Looking through the picture takes longer than all before: not for every shadow."""
    found = patches(TRUE, **dict.fromkeys(TRUE, change))
    assert sets._hopeful(found, np.arange(count)) is looked_for


@pytest.mark.parametrize(
    ("lab", "vivid"),
    [
        pytest.param((49.0, -24.0, -11.0), True, id="cyan in a dim room"),
        pytest.param((42.0, -16.0, -17.0), True, id="a blue cyan, blurred"),
        pytest.param((49.0, 15.0, 20.0), False, id="skin"),
        pytest.param((49.0, -8.0, -8.0), False, id="a grey bar in daylight"),
    ],
)
def test_a_cyan_is_vivid_at_the_chroma_that_a_screen_can_show_of_it(lab, vivid):
    assert vivid_colour(np.array([lab]))[0] == vivid
    assert (pigment_prior(np.array([lab]))[0] == 0.0) == vivid


@pytest.mark.parametrize(("wider", "tells"), [(1.0, True), (2.0, True), (4.0, False)])
def test_a_witness_that_hardly_sees_a_leg_does_not_tell_its_ends(wider, tells):
    seen = witness()
    assert _tells_ends(replace(seen, cov=seen.cov * wider**2)) is tells


BLACK = {"lab": (4.0, 0.0, 0.0), "misfit": 0.11, "roughness": 10.0, "contrast": 30.0}


@pytest.mark.parametrize(("missing", "said"), [((), 6), (("hip",), 5), (("hip", "hinge"), 0)])
def test_black_dots_of_no_clear_outline_are_said_where_they_lie_at_nearly_all_points(missing, said):
    places = without(*missing) | {"screw": (385.0, 180.0)}
    found = patches(places, **dict.fromkeys(places, BLACK))
    which = _at_most_points(found, witness())
    assert len(which) == said
    assert 6 - len(missing) not in which  # what lies at no point is none


BLURRED = {"lab": (12.0, 33.0, -40.0), "misfit": 0.12, "roughness": 15.0, "contrast": 30.0}


@pytest.mark.parametrize(("missing", "said"), [(("hip", "thigh_bar"), 4), (LEG_POINTS, 0)])
def test_blurred_dots_of_a_marker_are_said_where_they_lie_at_most_points(missing, said):
    places = without(*missing)
    found = patches(places, **dict.fromkeys(places, BLURRED))
    assert len(_at_most_points(found, witness())) == said


class Hint:
    """A witness that remembers whether it was asked for a glimpse."""

    def __init__(self):
        self.asked = False

    def glimpse(self, photo, landmarks):  # noqa: ARG002  the protocol's own arguments
        self.asked = True

    find = near = None


@pytest.mark.parametrize(("score", "asked"), [(13.0, True), (19.0, False)])
def test_dots_that_are_not_sure_alone_are_held_against_what_a_witness_hardly_sees(score, asked):
    index = dict(zip(NAMES, range(len(NAMES)), strict=True))
    file = io.BytesIO()
    Image.fromarray(drawn((20, 30, 120))).save(file, "TIFF")
    picture = Picture.of(read_photo(file.getvalue(), name="drawn.tif"), ())
    hint = Hint()
    assert _glimpsed(picture, hint, read_alone(index, score)[0]) is None
    assert hint.asked is asked


def lying(half_px: tuple[float, float], turn_deg: float, *, bar: bool = False) -> np.ndarray:
    """A black patch on skin: a disc seen obliquely, or a piece of a bar as long and wide."""
    scale, size = 8, 80
    picture = np.full((size * scale, size * scale, 3), (150, 100, 70), np.uint8)
    middle = (size * scale // 2, size * scale // 2)
    if bar:
        box = (middle, (2.0 * half_px[0] * scale, 2.0 * half_px[1] * scale), turn_deg)
        cv2.fillPoly(picture, [cv2.boxPoints(box).astype(int)], (12, 12, 12))
    else:
        axes = (int(half_px[0] * scale), int(half_px[1] * scale))
        cv2.ellipse(picture, middle, axes, turn_deg, 0, 360, (12, 12, 12), -1)
    return cv2.resize(picture, (size, size), interpolation=cv2.INTER_AREA)


@pytest.mark.parametrize(
    ("half_px", "turn_deg"), [((9.0, 4.0), 20.0), ((10.0, 3.5), -60.0)], ids=str
)
def test_a_disc_seen_obliquely_shows_a_clear_outline_square_on(half_px, turn_deg):
    picture = lying(half_px, turn_deg)
    first = examine(picture, np.array([[41.0, 39.0]]), np.array([6.0]), trusted=True)
    seen = square_on(picture, first, np.array([0]))
    assert quality(seen)[0] > 1.0
    assert quality(seen)[0] >= quality(first)[0]
    assert np.hypot(*(seen.xy[0] - 40.0)) < 0.3
    thin = (half_px[0] - half_px[1]) / (half_px[0] + half_px[1])
    assert np.hypot(*seen.stretch[0]) == pytest.approx(thin, abs=0.06)


def test_a_long_piece_of_a_bar_is_no_disc_seen_obliquely():
    picture = lying((14.0, 3.0), 20.0, bar=True)
    first = examine(picture, np.array([[40.0, 40.0]]), np.array([6.0]), trusted=True)
    assert quality(square_on(picture, first, np.array([0])))[0] < CLEAN


def test_dots_of_a_leg_that_is_denied_are_said():
    """The one reading that a leg was found by is told where nothing else is plainly of dots."""
    file = io.BytesIO()
    Image.new("RGB", (600, 450), (150, 150, 150)).save(file, "TIFF")
    picture = Picture.of(read_photo(file.getvalue(), name="plain.tif"), ())
    denied = read_alone(dict(zip(NAMES, range(len(NAMES)), strict=True)), 7.0)[0]
    assert not _answer(picture, AMBIGUOUS, [], witness()).unused_dots
    assert len(_answer(picture, AMBIGUOUS, [], witness(), denied).unused_dots) == 6
