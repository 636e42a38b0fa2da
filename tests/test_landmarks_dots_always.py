"""Dots that are plainly there are used, or said: blur, compression, dark pigments, misfits."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from bench.bench_dots import judged
from bench.dot_accidents import ACCIDENTS
from conftest import Scene, scenes
from PIL import Image
from test_landmarks_dots import COLOURS, Drawing, find, misses, photo_of
from test_landmarks_fusion import Says, masked, right, segment, upright
from test_landmarks_fusion import photo_of as compressed

from knee_angle.angle.words import POINT_WORDS
from knee_angle.landmarks.choose import choose_landmarks
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.dots.picture import Picture
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NO_DOTS, WHICH_IS_WHICH
from knee_angle.landmarks.dots.said import refusal_said
from knee_angle.landmarks.dots.unused import colour_word, use_dots
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Landmark, Landmarks, NotMeasured
from knee_angle.training.painted import WHITE, Drawn, photographed, pigment, smeared

DOTS, NETWORK = DotDetector(), NetworkDetector()
NAMES = LEG_POINTS + MACHINE_POINTS


def sample(name: str) -> Scene:
    return scenes(image=f"{name}.jpg")[0]


def true_places(scene: Scene) -> dict[str, np.ndarray]:
    marks = {n: np.array(scene.truth["landmarks"][n]["marker_px"]) for n in LEG_POINTS}
    machine = scene.truth["machine"]["points"]
    return marks | {n: np.array(machine[n]["px"]) for n in MACHINE_POINTS}


def repainted(scene: Scene, rgb: tuple[int, int, int]) -> np.ndarray:
    """The photo with its dots in another colour, as light and shade fall on them."""
    picture = np.asarray(upright(scene)).copy()
    lab = cv2.cvtColor(picture, cv2.COLOR_RGB2LAB).astype(float)
    reach = int(segment(scene) / 22)
    for x, y in true_places(scene).values():
        cx, cy = int(x), int(y)
        own = np.median(lab[cy - 1 : cy + 2, cx - 1 : cx + 2].reshape(-1, 3), axis=0)
        y0, x0 = max(cy - reach, 0), max(cx - reach, 0)
        part = lab[y0 : cy + reach, x0 : cx + reach]
        cover = np.exp(-((np.linalg.norm(part[..., 1:] - own[1:], axis=2) / 22.0) ** 4))[..., None]
        shade = part[..., :1] / max(own[0], 1.0)
        paint = np.clip(np.array(rgb) * shade, 0, 255)
        old = picture[y0 : cy + reach, x0 : cx + reach]
        picture[y0 : cy + reach, x0 : cx + reach] = old * (1 - cover) + paint * cover
    return picture


def seen(photo: Photo) -> Landmarks | NotMeasured:
    return DOTS.find_with(photo, witness=NETWORK, masked=masked(photo))


@pytest.mark.parametrize("rgb", [(81, 27, 60), (108, 27, 60), (25, 60, 180)], ids=str)
@pytest.mark.parametrize("name", ["bed_01", "bed_03", "series_a_3"])
def test_dark_and_blue_dots_are_all_used(name, rgb):
    scene = sample(name)
    found = seen(compressed(upright_of(repainted(scene, rgb))))
    assert right(found, scene)
    assert set(found.points) == set(NAMES)


def upright_of(picture: np.ndarray) -> Image.Image:
    return Image.fromarray(np.clip(np.rint(picture), 0, 255).astype(np.uint8))


@pytest.mark.parametrize(
    ("name", "length_px", "quality"),
    [
        ("bed_01", 5, 50),
        ("bed_05", 5, 50),
        ("bed_09", 3, 92),
        ("bed_09", 5, 50),
        ("series_a_3", 5, 50),
        ("series_b_2", 5, 50),
        ("series_b_6", 3, 92),
        ("series_b_6", 5, 50),
    ],
)
def test_dots_blurred_by_motion_and_compressed_are_all_used(name, length_px, quality):
    scene = sample(name)
    picture = smeared(np.asarray(upright(scene)), length_px, 30.0)
    found = seen(compressed(upright_of(picture), quality))
    assert right(found, scene)
    assert set(found.points) == set(NAMES)


def witnessed(drawing: Drawing, folder) -> Landmarks | NotMeasured:
    """The answer where a witness sees the drawn leg, 4 % of a segment off."""
    places = drawing.points()
    leg = {n: Landmark.round(*(places[n] + 8.0), u_px=10.0, source="network") for n in LEG_POINTS}
    photo = photo_of(drawing.picture(), folder)
    return DOTS.find_with(photo, witness=Says(Landmarks(leg)))


# A machine that sits wrongly ---------------------------------------------------------


class Misfit(Drawing):
    """A drawing whose machine is moved by (distal, down), px, its bars with it."""

    def __init__(self, off, **values):
        super().__init__(**values)
        object.__setattr__(self, "off", np.array(off, dtype=float))

    def points(self) -> dict[str, np.ndarray]:
        named = super().points()
        return {n: p + (self.off if n in MACHINE_POINTS else 0.0) for n, p in named.items()}


@pytest.mark.parametrize("off", [(0, 20), (45, 25), (0, 50), (-40, 55), (30, 65)], ids=str)
def test_bars_with_their_hinge_far_from_the_knee_are_the_machines(off, tmp_path):
    # The mean segment is 285 px: 57 px are 80 mm of a thigh of 400 mm.
    drawing = Misfit(off, flexion_deg=60.0, seed=4)
    found = witnessed(drawing, tmp_path)
    assert isinstance(found, Landmarks)
    assert set(found.points) == set(NAMES)
    assert max(misses(found, drawing.points()).values()) < 0.6


class Turned(Misfit):
    """A misfit whose two bars are turned about the hinge as well, degrees."""

    def __init__(self, off, turns_deg, **values):
        super().__init__(off, **values)
        object.__setattr__(self, "turns_deg", turns_deg)

    def points(self) -> dict[str, np.ndarray]:
        named = super().points()
        for name, turn in zip(("thigh_bar", "shank_bar"), np.radians(self.turns_deg), strict=True):
            c, s = np.cos(turn), np.sin(turn)
            bar = named[name] - named["hinge"]
            named[name] = named["hinge"] + np.array([[c, -s], [s, c]]) @ bar
        return named


@pytest.mark.parametrize(
    "turns_deg", [(12, 12), (-15, 25), (20, 20), (25, 25), (-9, 30), (28, 10)], ids=str
)
def test_the_only_three_dots_beside_a_leg_are_the_machines_though_its_bars_are_turned(
    turns_deg, tmp_path
):
    drawing = Turned((30, 65), turns_deg, flexion_deg=60.0, seed=4)
    found = witnessed(drawing, tmp_path)
    assert isinstance(found, Landmarks)
    assert set(found.points) == set(NAMES)
    assert max(misses(found, drawing.points()).values()) < 0.6


@pytest.mark.parametrize("off", [(-50, 25), (70, 10)], ids=str)
def test_bars_whose_dots_could_be_hip_or_ankle_are_said_with_all_six(off, tmp_path):
    found = find(Misfit(off, flexion_deg=60.0, seed=4).picture(), tmp_path)
    assert isinstance(found, NotMeasured)
    assert "6 dots were seen and not used (green" in found.reason


class SeesWhereItIsShown(Says):
    """A witness that finds no leg by itself, and sees it in a window about as large."""

    def find(self, photo, *, masked=()):  # noqa: ARG002  the protocol's own arguments
        return NotMeasured("too unsure", "take it again")

    def near(self, photo, landmarks):  # noqa: ARG002
        at = np.array([[p.x_px, p.y_px] for p in landmarks.points.values()])
        leg = np.array([[p.x_px, p.y_px] for p in self.answer.points.values()])
        grows = np.ptp(at, axis=0).max() / np.ptp(leg, axis=0).max()
        return self.answer if 0.8 < grows < 1.3 else None


@pytest.mark.parametrize("off", [(-50, 25), (70, 10)], ids=str)
def test_a_witness_that_finds_no_leg_is_shown_where_the_dots_lie(off, tmp_path):
    drawing = Misfit(off, flexion_deg=60.0, seed=4)
    truth = drawing.points()
    leg = {n: Landmark.round(*(truth[n] + 8.0), u_px=10.0, source="network") for n in NAMES}
    photo = photo_of(drawing.picture(), tmp_path)
    found = DOTS.find_with(photo, witness=SeesWhereItIsShown(Landmarks(leg)))
    assert isinstance(found, Landmarks)
    assert set(found.points) == set(NAMES)
    assert max(misses(found, truth).values()) < 0.6


class HardlySees(SeesWhereItIsShown):
    """A witness that would not answer by what it sees: the hip lies at the picture's edge, say."""

    def near(self, photo, landmarks):  # noqa: ARG002
        return None

    def glimpse(self, photo, landmarks):  # noqa: ARG002
        return self.answer


@pytest.mark.parametrize(
    ("names", "used"),
    [
        pytest.param(NAMES, True, id="six dots"),
        pytest.param(LEG_POINTS, False, id="the leg's alone"),
        pytest.param(MACHINE_POINTS, False, id="an empty machine's"),
    ],
)
def test_dots_where_a_witness_hardly_sees_a_leg_are_used_where_all_six_are_there(
    names, used, tmp_path
):
    drawing = Misfit((70, 10), names=names, flexion_deg=60.0, seed=4)
    truth = drawing.points()
    whole = Misfit((70, 10), flexion_deg=60.0, seed=4).points()
    leg = {n: Landmark.round(*(whole[n] + 8.0), u_px=10.0, source="network") for n in NAMES}
    photo = photo_of(drawing.picture(), tmp_path)
    found = DOTS.find_with(photo, witness=HardlySees(Landmarks(leg)))
    if not used:
        assert found == DOTS.find_with(photo, witness=SeesNothing(Landmarks(leg)))
        return
    assert set(found.points) == set(NAMES)
    assert max(misses(found, truth).values()) < 0.6


class SeesNothing(SeesWhereItIsShown):
    """A witness that sees no leg anywhere."""

    def near(self, photo, landmarks):  # noqa: ARG002
        return None


# Said where not used -----------------------------------------------------------------


def twin_of_the_ankle() -> tuple[float, float]:
    ankle = Drawing(names=LEG_POINTS).points()["ankle"]
    return (float(ankle[0]) - 10.0, float(ankle[1]) - 40.0)


def test_dots_that_can_be_read_in_two_ways_are_said_with_number_colour_and_places(tmp_path):
    picture = Drawing(names=LEG_POINTS, extra=(twin_of_the_ankle(),)).picture()
    found = find(picture, tmp_path)
    assert isinstance(found, NotMeasured)
    assert "4 dots were seen and not used (green" in found.reason
    assert "place by hand" in found.reason
    assert len(found.unused_dots) == 4


def test_an_odd_dot_beside_a_leg_is_said_and_kept(tmp_path):
    drawing = Drawing(names=LEG_POINTS, extra=((300.0, 640.0),), colour=COLOURS["blue"])
    found = witnessed(drawing, tmp_path)
    assert isinstance(found, Landmarks)
    (odd,) = found.unused_dots
    assert (odd.point.x_px, odd.point.y_px) == pytest.approx((300.0, 640.0), abs=1.0)
    assert odd.colour == "blue"
    assert odd.point.source == "dot"
    (caution,) = (c for c in found.cautions if "not used" in c)
    assert caution.startswith("1 dot was seen and not used (blue, at (300, 640) px)")


def test_who_stuck_dots_on_is_not_told_to_by_whatever_words(tmp_path):
    """It was known by the sentence that says so."""
    picture = Picture.of(photo_of(Drawing().picture(), tmp_path), ())
    in_other_words = replace(NO_DOTS, advice="Stick dots on.")
    told = refusal_said(picture, in_other_words, [], None, None)
    assert told.unused_dots
    assert (told.advice, told.kind) == (WHICH_IS_WHICH, None)
    other = refusal_said(picture, replace(AMBIGUOUS, advice=NO_DOTS.advice), [], None, None)
    assert other.unused_dots
    assert other.advice == NO_DOTS.advice


def test_a_button_beside_six_used_dots_is_no_dot_of_the_set(tmp_path):
    found = find(Drawing(extra=((300.0, 640.0),)).picture(), tmp_path)
    assert set(found.points) == set(NAMES)
    assert found.unused_dots == ()


def test_one_tap_uses_the_dots_that_were_not(tmp_path):
    drawing = Drawing(names=LEG_POINTS, extra=((300.0, 640.0),))
    found = witnessed(drawing, tmp_path)
    used = use_dots(found, {"hinge": 0})
    assert used.points["hinge"] == found.unused_dots[0].point
    assert used.unused_dots == ()
    (caution,) = (caution for caution in used.cautions if "not used" in caution)
    assert caution.startswith(
        "The machine's thigh bar and lower-leg bar dots were not seen clearly"
    )
    assert used.points["knee"] == found.points["knee"]


def test_using_the_dots_of_a_refusal_makes_a_leg_and_leaves_the_rest(tmp_path):
    drawing = Drawing(names=LEG_POINTS, extra=(twin_of_the_ankle(),))
    refused = find(drawing.picture(), tmp_path)
    dots = refused.unused_dots
    truth = drawing.points()
    names = {
        n: int(np.argmin([np.hypot(*(truth[n] - (d.point.x_px, d.point.y_px))) for d in dots]))
        for n in LEG_POINTS
    }
    used = use_dots(refused, names)
    assert isinstance(used, Landmarks)
    assert used.has(*LEG_POINTS)
    assert len(used.unused_dots) == 1
    assert max(misses(used, truth).values()) < 0.6
    assert used.diameter_px == pytest.approx(14.0, rel=0.1)
    assert use_dots(refused, {"knee": 0}) == refused


@pytest.mark.parametrize(
    "places",
    [
        pytest.param(((150, 90), (300, 90), (450, 90), (600, 90), (750, 90)), id="all in one row"),
        pytest.param(((90, 650), (860, 80), (880, 640), (100, 90), (480, 690)), id="far apart"),
        pytest.param(((200, 400), (240, 400), (220, 440), (200, 440), (240, 480)), id="in a heap"),
    ],
)
def test_a_set_of_dots_that_makes_no_leg_at_all_is_said_too(places, tmp_path):
    refused = find(Drawing(names=(), extra=places).picture(), tmp_path)
    assert isinstance(refused, NotMeasured)
    assert "5 dots were seen and not used (green" in refused.reason
    assert "one dot each" not in refused.advice
    assert len(refused.unused_dots) == 5
    seen_at = np.array([[d.point.x_px, d.point.y_px] for d in refused.unused_dots])
    for place in places:
        assert np.linalg.norm(seen_at - place, axis=1).min() < 1.0


@pytest.mark.parametrize("missing", LEG_POINTS)
def test_the_other_five_dots_are_said_where_one_of_the_leg_is_missing(missing, tmp_path):
    names = tuple(name for name in NAMES if name != missing)
    found = find(Drawing(names=names, seed=3).picture(), tmp_path)
    assert "dots were seen and not used (green" in " ".join(
        [found.reason] if isinstance(found, NotMeasured) else found.cautions
    )


def test_a_picture_without_dots_has_none_to_say(tmp_path):
    refused = find(Drawing(names=()).picture(), tmp_path)
    assert isinstance(refused, NotMeasured)
    assert refused.unused_dots == ()


class Sees:
    """The leg network's stand-in: sees a leg, is no witness."""

    source = "network"

    def find(self, photo, *, masked=()):  # noqa: ARG002  the protocol's own arguments
        mark = Landmark.round(10.0, 10.0, u_px=5.0, source="network")
        return Landmarks(dict.fromkeys(LEG_POINTS, mark), cautions=("check",))


def test_dots_that_refuse_are_said_where_another_detector_answers(tmp_path):
    picture = Drawing(names=LEG_POINTS, extra=(twin_of_the_ankle(),)).picture()
    found = choose_landmarks(photo_of(picture, tmp_path), detectors=(DOTS, Sees()))
    assert found.points["knee"].source == "network"
    assert len(found.unused_dots) == 4
    assert any("4 dots were seen and not used" in caution for caution in found.cautions)


@pytest.mark.parametrize(
    ("rgb", "word"),
    [
        ((30, 170, 60), "green"),
        ((205, 25, 130), "magenta"),
        ((95, 27, 60), "dark magenta"),
        ((25, 70, 200), "blue"),
        ((210, 25, 30), "red"),
        ((240, 120, 20), "orange"),
        ((245, 215, 40), "yellow"),
        ((110, 40, 160), "purple"),
        ((18, 18, 20), "black"),
        ((250, 250, 250), "white"),
    ],
)
def test_a_colour_is_called_what_one_calls_it(rgb, word):
    lab = cv2.cvtColor(np.float32([[rgb]]) / 255.0, cv2.COLOR_RGB2LAB)[0, 0]
    assert colour_word(np.asarray(lab, dtype=float)) == word


# Edge, glare, half hidden ------------------------------------------------------------


def cut_by_the_edge(picture, at):
    return picture[:, : int(at[0]) + 2]


def under_glare(picture, at):
    x, y = at
    glare = picture.copy()
    cv2.ellipse(glare, (int(x) + 2, int(y) - 2), (4, 3), 0, 0, 360, (255, 255, 255), -1)
    return cv2.GaussianBlur(glare, (0, 0), 0.7)


def half_hidden(picture, at):
    x, y = int(at[0]), int(at[1])
    hidden = picture.copy()
    hidden[y - 40 : y + 40, x + 1 : x + 30] = (150, 154, 160)
    return hidden


@pytest.mark.parametrize("spoil", [cut_by_the_edge, under_glare, half_hidden])
def test_a_spoilt_dot_is_measured_within_its_u_or_what_is_seen_is_named(spoil, tmp_path):
    drawing = Drawing(names=NAMES, seed=8)
    truth = drawing.points()
    found = find(spoil(drawing.picture(), truth["ankle"]), tmp_path)
    if isinstance(found, NotMeasured):
        assert "seen and not used" in found.reason
        return
    ankle = found.points["ankle"]
    off = np.array([ankle.x_px, ankle.y_px]) - truth["ankle"]
    xx, xy, yy = ankle.cov_px2
    assert off @ np.linalg.solve([[xx, xy], [xy, yy]], off) < 9.21


# The bench's small version -----------------------------------------------------------


@cache
def drawn_scene(seed: int) -> Drawn:
    """A drawing as the bench paints it: bare, and with white dots."""
    white = (round(255 * WHITE),) * 3
    whole = Drawing(seed=seed, colour=white)
    around = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    rim = whole.radius_px * np.stack([np.cos(around), np.sin(around)], axis=1)
    xy = whole.points()
    return Drawn(
        bare=Drawing(seed=seed, names=()).picture(),
        white=whole.picture(),
        rims={name: rim + at for name, at in xy.items()},
        xy=xy,
        f35_mm=26.0,
        offset_mm=0.0,
    )


def test_six_visible_dots_are_used_in_any_pigment_and_none_without_them():
    answers = []
    for seed in range(8):
        drawn, rng = drawn_scene(seed), np.random.default_rng(seed)
        picture = drawn.painted(pigment(rng))
        assert drawn.visible(picture)
        jpeg = photographed(picture, rng, f35_mm=26.0, blur_px=seed % 4, quality=60 + 5 * seed)
        found = DOTS.find(read_photo(jpeg, name="drawn.jpg"))
        answers.append(judged(found, drawn.xy, drawn.segment_px))
        bare = photographed(drawn.bare, rng, f35_mm=26.0)
        assert judged(DOTS.find(read_photo(bare, name="bare.jpg")), {}, 1.0) == "refused"
    assert answers == ["all six"] * 8


# Never silent ------------------------------------------------------------------------


def one_is_dull(picture, at):
    """The dot's paint is worn: hardly more than the cloth beneath it."""
    worn = picture.copy()
    x, y = int(at[0]), int(at[1])
    part = worn[y - 12 : y + 12, x - 12 : x + 12].astype(float)
    around = np.median(worn[y - 22 : y - 14, x - 12 : x + 12].reshape(-1, 3), axis=0)
    worn[y - 12 : y + 12, x - 12 : x + 12] = 0.15 * part + 0.85 * around
    return worn


@pytest.mark.parametrize("name", MACHINE_POINTS)
@pytest.mark.parametrize("colour", ["blue", "black"])
def test_a_dot_of_the_machine_that_is_not_used_is_named(name, colour, tmp_path):
    drawing = Drawing(seed=5, colour=COLOURS[colour])
    picture = one_is_dull(drawing.picture(), drawing.points()[name])
    found = witnessed_in(picture, drawing, tmp_path)
    if isinstance(found, NotMeasured):
        assert "seen and not used" in found.reason
        return
    assert name not in found.points
    assert any(POINT_WORDS[name] in caution for caution in found.cautions)


@pytest.mark.parametrize("words", ACCIDENTS)
def test_no_accident_leaves_dots_unsaid(words):
    """Whatever befalls a dot: all six are used, or which were seen and not used is said."""
    for seed in (0, 1):
        drawn, rng = drawn_scene(seed), np.random.default_rng([seed, len(words)])
        taken = ACCIDENTS[words](drawn.painted(pigment(rng)), drawn, rng)
        after = drawn.befallen(taken.picture, drawn.bare, taken.shift)
        jpeg = photographed(
            taken.picture, rng, f35_mm=26.0, blur_px=taken.blur_px, quality=taken.quality
        )
        photo = read_photo(jpeg, name="drawn.jpg")
        sees = {n: Landmark.round(*(after.xy[n] + 8.0), u_px=10.0, source="network") for n in NAMES}
        for witness in (Says(Landmarks(sees)), Says(NotMeasured("no leg", "take it again"))):
            result = judged(DOTS.find_with(photo, witness=witness), after.xy, drawn.segment_px)
            assert result == "all six" or result.endswith(", said")


def witnessed_in(picture, drawing: Drawing, folder) -> Landmarks | NotMeasured:
    places = drawing.points()
    leg = {n: Landmark.round(*(places[n] + 8.0), u_px=10.0, source="network") for n in LEG_POINTS}
    return DOTS.find_with(photo_of(picture, folder), witness=Says(Landmarks(leg)))


@pytest.mark.parametrize(
    ("names", "colour"),
    [
        (("hip", "knee"), "green"),
        (("hip", "ankle"), "magenta"),
        (("knee", "ankle", "hinge"), "green"),
        (("hip", "knee", "hinge"), "black"),
    ],
)
def test_the_few_dots_of_a_leg_are_said_where_too_few_are_there_to_measure(names, colour, tmp_path):
    drawing = Drawing(names=names, seed=2, colour=COLOURS[colour])
    found = witnessed_in(drawing.picture(), drawing, tmp_path)
    assert isinstance(found, NotMeasured)
    assert "seen and not used" in found.reason
    said = np.array([[d.point.x_px, d.point.y_px] for d in found.unused_dots])
    for name in names:
        assert np.linalg.norm(said - drawing.points()[name], axis=1).min() < 1.0


def test_dots_among_a_pattern_of_their_colour_are_said_by_name(tmp_path):
    pattern = tuple((x, y) for x in range(40, 300, 37) for y in (60, 97, 134))
    drawing = Drawing(seed=6, extra=pattern)
    found = witnessed_in(drawing.picture(), drawing, tmp_path)
    if isinstance(found, NotMeasured):
        assert {dot.name for dot in found.unused_dots} >= set(LEG_POINTS)
        assert isinstance(use_dots(found), Landmarks)
    else:
        assert max(misses(found, drawing.points()).values()) < 0.6


def test_one_tap_uses_a_set_that_the_witness_alone_can_name(tmp_path):
    # Two legs' length apart: no leg by themselves, and no machine.
    drawing = Drawing(names=LEG_POINTS, seed=1, extra=((480.0, 262.0), (300.0, 640.0)))
    found = witnessed_in(drawing.picture(), drawing, tmp_path)
    used = use_dots(found)
    assert isinstance(used, Landmarks)
    assert used.has(*LEG_POINTS)


WALL = tuple((60.0 + 36.0 * k, 40.0) for k in range(5))


@pytest.mark.parametrize("extra", [(), WALL], ids=["bare", "a row of discs on the wall behind"])
def test_a_bare_leg_beside_a_witness_has_no_dots_to_say(extra, tmp_path):
    drawing = Drawing(names=(), seed=4, extra=extra)
    found = witnessed_in(drawing.picture(), drawing, tmp_path)
    assert isinstance(found, NotMeasured)
    assert found.unused_dots == ()
