"""Adhesive dots: drawn at known places, on the sample photos, and where there are none."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache, lru_cache

import cv2
import numpy as np
import pytest
from conftest import scenes
from PIL import Image

from knee_angle.angle.geometry import flexion_deg
from knee_angle.landmarks.dots import DotDetector, colour
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Landmarks, NotMeasured

COLOURS = {
    "green": (30, 170, 60),
    "magenta": (205, 25, 130),
    "blue": (25, 70, 200),
    "red": (210, 25, 30),
    "orange": (240, 120, 20),
    "yellow": (245, 215, 40),
    "cyan": (20, 195, 215),
    "purple": (110, 40, 160),
    "black": (18, 18, 20),
    "white": (250, 250, 250),
}
FINE = 4  # a drawn pixel is the mean of 4 x 4: edges as soft as a lens makes them


@dataclass(frozen=True)
class Drawing:
    """A leg in a machine, drawn with known centres."""

    flexion_deg: float = 60.0
    side: str = "right"
    colour: tuple[int, int, int] = COLOURS["green"]
    names: tuple[str, ...] = LEG_POINTS + MACHINE_POINTS
    seed: int = 0
    radius_px: float = 7.0
    size: tuple[int, int] = (960, 720)
    extra: tuple[tuple[float, float], ...] = field(default=())

    def points(self) -> dict[str, np.ndarray]:
        """Centres (x, y), px, off the pixel grid by the seed."""
        jitter = np.random.default_rng(self.seed).uniform(-3.0, 3.0, (6, 2))
        half = np.radians(self.flexion_deg / 2.0)
        thigh, shank = (np.array([sign * np.cos(half), np.sin(half)]) for sign in (-1.0, 1.0))
        knee = np.array([480.0, 250.0])
        hinge = knee + [8.0, 34.0]
        spots = [
            knee + 290.0 * thigh,
            knee,
            knee + 275.0 * shank - [0.0, 18.0],
            hinge + 205.0 * thigh,
            hinge,
            hinge + 200.0 * shank,
        ]
        named = dict(zip(LEG_POINTS + MACHINE_POINTS, np.array(spots) + jitter, strict=True))
        if self.side == "left":
            named = {k: np.array([self.size[0] - v[0], v[1]]) for k, v in named.items()}
        return named

    def picture(self) -> np.ndarray:
        """RGB, uint8."""
        big = sheet(self.size, (196, 204, 208))
        spots = self.points()
        hip, knee, ankle, thigh_bar, hinge, shank_bar = (
            spots[n] for n in LEG_POINTS + MACHINE_POINTS
        )
        line(big, knee, ankle + 0.2 * (ankle - knee), 95, (214, 168, 140))
        line(big, knee, hip, 120, (214, 168, 140))
        line(big, knee + 0.55 * (hip - knee), hip + 0.2 * (hip - knee), 150, (110, 60, 75))
        for end in (thigh_bar, shank_bar):
            line(big, hinge, hinge + 1.15 * (end - hinge), 34, (150, 154, 160))
        disc(big, hinge, 26.0, (70, 110, 150))
        disc(big, hinge, 1.5 * self.radius_px, (45, 46, 50))
        for name in self.names:
            disc(big, spots[name], self.radius_px, self.colour)
        for place in self.extra:
            disc(big, np.array(place), self.radius_px, self.colour)
        soft = cv2.resize(big, self.size, interpolation=cv2.INTER_AREA).astype(float)
        return textured(soft, self.seed)


def sheet(size: tuple[int, int], rgb: tuple[int, int, int]) -> np.ndarray:
    """A fine picture of one colour to draw on; row by row, as colour by colour is slow."""
    row = np.full((1, size[0] * FINE, 3), rgb, np.uint8)
    return row.repeat(size[1] * FINE, axis=0)


def line(big: np.ndarray, one: np.ndarray, other: np.ndarray, width: float, rgb: tuple) -> None:
    ends = [tuple(round(v * FINE) for v in p) for p in (one, other)]
    cv2.line(big, *ends, rgb, int(width * FINE), cv2.LINE_8)


def disc(big: np.ndarray, centre: np.ndarray, radius: float, rgb: tuple) -> None:
    # OpenCV's pixel centres are whole numbers; 4 more bits for the place.
    x, y = (round((v * FINE - 0.5) * 16) for v in centre)
    cv2.circle(big, (x, y), round(radius * FINE * 16), rgb, -1, cv2.LINE_8, 4)


def textured(picture: np.ndarray, seed: int) -> np.ndarray:
    """With slow shading and fine noise, as a dim room gives."""
    slow, fine = unevenness(picture.shape, seed)
    return np.clip(picture + slow + fine, 0, 255).astype(np.uint8)


@lru_cache(maxsize=2)
def unevenness(shape: tuple[int, int, int], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """The shading (h, w, 1) and the noise (h, w, 3) of a seed, which many drawings share."""
    chance = np.random.default_rng(1000 + seed)
    slow = cv2.resize(chance.normal(0.0, 5.0, (6, 8)), shape[1::-1], interpolation=cv2.INTER_CUBIC)
    return slow[..., None], chance.normal(0.0, 2.5, shape)


def photo_of(picture: np.ndarray, folder) -> Photo:
    path = folder / "drawn.tif"  # pixel by pixel as they are: a PNG takes long to pack
    Image.fromarray(np.ascontiguousarray(picture)).save(path)
    return read_photo(path)


def find(picture: np.ndarray, folder) -> Landmarks | NotMeasured:
    return DotDetector().find(photo_of(picture, folder))


def place(found: Landmarks, name: str) -> np.ndarray:
    return np.array([found.points[name].x_px, found.points[name].y_px])


def misses(found: Landmarks, truth: dict[str, np.ndarray]) -> dict[str, float]:
    return {n: float(np.linalg.norm(place(found, n) - truth[n])) for n in found.points}


def normalised2(found: Landmarks, truth: dict[str, np.ndarray]) -> list[float]:
    """Squared error in units of the stated covariance, one for each point."""
    values = []
    for name, mark in found.points.items():
        xx, xy, yy = mark.cov_px2
        off = place(found, name) - truth[name]
        values.append(float(off @ np.linalg.solve([[xx, xy], [xy, yy]], off)))
    return values


def angle(points: dict[str, np.ndarray]) -> float:
    return float(flexion_deg(points["hip"], points["knee"], points["ankle"]))


# Drawn legs -------------------------------------------------------------------------


@pytest.mark.parametrize("colour", COLOURS)
def test_dots_of_any_colour_are_found_to_a_fraction_of_a_pixel(colour, tmp_path):
    drawing = Drawing(colour=COLOURS[colour])
    found = find(drawing.picture(), tmp_path)
    assert isinstance(found, Landmarks)
    # A black dot on the hinge's black ring is the ring: the same centre, another size.
    assert set(found.points) == set(LEG_POINTS + MACHINE_POINTS)
    assert max(misses(found, drawing.points()).values()) < 0.5
    assert found.diameter_px == pytest.approx(14.0, rel=0.08)


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("bend", [0.0, 8.0, 30.0, 60.0, 90.0, 120.0])
def test_every_bend_of_either_leg_keeps_its_names(bend, side, tmp_path):
    drawing = Drawing(flexion_deg=bend, side=side, seed=3)
    found = find(drawing.picture(), tmp_path)
    assert isinstance(found, Landmarks)
    assert max(misses(found, drawing.points()).values()) < 0.5
    truth = angle(drawing.points())
    assert angle({n: place(found, n) for n in LEG_POINTS}) == pytest.approx(truth, abs=0.15)
    assert found.side == side


def test_a_mirrored_photo_gives_the_other_leg_at_mirrored_places(tmp_path):
    picture = Drawing(seed=5).picture()
    straight, mirrored = find(picture, tmp_path), find(picture[:, ::-1], tmp_path)
    assert (straight.side, mirrored.side) == ("right", "left")
    for name in straight.points:
        x, y = place(straight, name)
        assert place(mirrored, name) == pytest.approx([picture.shape[1] - x, y], abs=0.1)


@pytest.mark.parametrize("scale", [0.7, 2.0, 3.0])
def test_a_scaled_photo_scales_points_and_size(scale, tmp_path):
    picture = Drawing(seed=6).picture()
    scaled = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    plain, other = find(picture, tmp_path), find(scaled, tmp_path)
    for name in plain.points:
        assert place(other, name) == pytest.approx(place(plain, name) * scale, abs=0.3 * scale)
    assert other.diameter_px == pytest.approx(plain.diameter_px * scale, rel=0.05)


def test_the_same_photo_always_gives_the_same_answer(tmp_path):
    photo = photo_of(Drawing(seed=7).picture(), tmp_path)
    assert DotDetector().find(photo) == DotDetector().find(photo)


def test_errors_of_drawn_dots_stay_within_the_stated_covariance(tmp_path):
    values: list[float] = []
    for seed in range(12):
        drawing = Drawing(seed=seed, flexion_deg=20.0 + 7.0 * seed)
        values += normalised2(find(drawing.picture(), tmp_path), drawing.points())
    # Flat discs leave out what makes real dots worse (the covariance has a floor for it), so
    # the mean lies far below the 2 of the sample photos.
    assert len(values) == 12 * 6
    assert np.mean(values) < 2.0
    assert np.quantile(values, 0.95) < 6.0


def test_a_dot_half_behind_a_bar_keeps_its_centre_within_its_covariance(tmp_path):
    drawing = Drawing(seed=8)
    picture, truth = drawing.picture(), drawing.points()
    x, y = truth["ankle"]
    picture[int(y) - 40 : int(y) + 40, int(x) + 2 : int(x) + 30] = (150, 154, 160)
    found = find(picture, tmp_path)
    assert isinstance(found, Landmarks)
    hidden, whole = found.points["ankle"], found.points["hip"]
    assert hidden.cov_px2[0] > 1.5 * whole.cov_px2[0]
    off = place(found, "ankle") - truth["ankle"]
    assert abs(off[0]) < 3.0 * np.sqrt(hidden.cov_px2[0])
    assert abs(off[0]) < 3.0


def test_three_dots_on_the_leg_alone_are_enough(tmp_path):
    drawing = Drawing(names=LEG_POINTS, colour=COLOURS["magenta"])
    found = find(drawing.picture(), tmp_path)
    assert isinstance(found, Landmarks)
    assert set(found.points) == set(LEG_POINTS)
    assert max(misses(found, drawing.points()).values()) < 0.5


def test_a_missing_machine_dot_is_left_out_and_the_rest_kept(tmp_path):
    for missing in MACHINE_POINTS:
        names = tuple(n for n in LEG_POINTS + MACHINE_POINTS if n != missing)
        found = find(Drawing(names=names, seed=2).picture(), tmp_path)
        assert isinstance(found, Landmarks)
        assert set(found.points) == set(names)


# No leg -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "names",
    [
        (),
        ("hip", "knee"),
        ("knee", "ankle", "hinge"),
        ("thigh_bar", "hinge", "shank_bar"),
        ("hip", "knee", "thigh_bar", "hinge", "shank_bar"),
        ("knee", "ankle", "thigh_bar", "hinge", "shank_bar"),
        ("hip", "ankle", "thigh_bar", "hinge", "shank_bar"),
    ],
    ids=lambda names: "only " + (", ".join(names) or "nothing"),
)
def test_dots_that_do_not_make_a_leg_are_refused(names, tmp_path):
    found = find(Drawing(names=names, seed=1).picture(), tmp_path)
    assert isinstance(found, NotMeasured)
    assert found.advice


def test_a_second_dot_that_makes_another_leg_is_ambiguous(tmp_path):
    ankle = Drawing(names=LEG_POINTS).points()["ankle"]
    twin = (float(ankle[0]) - 10.0, float(ankle[1]) - 40.0)
    found = find(Drawing(names=LEG_POINTS, extra=(twin,)).picture(), tmp_path)
    assert isinstance(found, NotMeasured)


def test_dots_inside_a_masked_region_are_not_seen(tmp_path):
    drawing = Drawing(names=LEG_POINTS)
    x, y = drawing.points()["ankle"]
    quad = ((x - 20, y - 20), (x + 20, y - 20), (x + 20, y + 20), (x - 20, y + 20))
    photo = photo_of(drawing.picture(), tmp_path)
    assert isinstance(DotDetector().find(photo), Landmarks)
    assert isinstance(DotDetector().find(photo, masked=(quad,)), NotMeasured)


def nothing(kind: str) -> np.ndarray:
    """Pictures without a leg."""
    chance = np.random.default_rng(4)
    if kind == "noise":
        return chance.integers(0, 256, (600, 800, 3)).astype(np.uint8)
    if kind == "flat":
        return np.full((600, 800, 3), 128, np.uint8)
    big = sheet((800, 600), (235, 235, 235))
    if kind == "a keypad":
        for n in range(12):
            rgb = tuple(int(v) for v in chance.integers(20, 230, 3))
            disc(big, np.array([300.0 + 40 * (n % 3), 200.0 + 40 * (n // 3)]), 9.0, rgb)
    if kind == "a page full of circles":
        for x, y in chance.uniform((20, 20), (780, 580), (150, 2)):
            rgb = list(COLOURS.values())[int(chance.integers(10))]
            disc(big, np.array([x, y]), float(chance.uniform(5, 12)), rgb)
    if kind == "dotted cloth":
        for y in range(20, 600, 24):
            for x in range(20 + (y // 24 % 2) * 12, 800, 24):
                disc(big, np.array([float(x), float(y)]), 5.0, COLOURS["blue"])
    return textured(cv2.resize(big, (800, 600), interpolation=cv2.INTER_AREA).astype(float), 9)


@pytest.mark.parametrize(
    "kind", ["flat", "noise", "a keypad", "a page full of circles", "dotted cloth"]
)
def test_a_picture_without_a_leg_gives_none(kind, tmp_path):
    assert isinstance(find(nothing(kind), tmp_path), NotMeasured)


def test_a_tiny_picture_gives_no_leg(tmp_path):
    assert isinstance(find(np.full((3, 5, 3), 90, np.uint8), tmp_path), NotMeasured)


# Sample photos ----------------------------------------------------------------------


def true_places(truth: dict) -> dict[str, np.ndarray]:
    places = {n: truth["landmarks"][n]["marker_px"] for n in LEG_POINTS}
    places |= {n: truth["machine"]["points"][n]["px"] for n in MACHINE_POINTS}
    return {name: np.array(xy) for name, xy in places.items()}


@pytest.fixture(scope="module")
def dotted():
    """Answer and truth of every sample photo with dots."""
    return [
        (scene, DotDetector().find(read_photo(scene.photo)), true_places(scene.truth))
        for scene in scenes(dots=True)
    ]


def test_every_sample_photo_with_dots_gives_the_right_leg(dotted):
    for scene, found, truth in dotted:
        assert isinstance(found, Landmarks), scene.photo.name
        assert found.side == scene.truth["side"], scene.photo.name
        radius = scene.truth["dot_diameter_mm"] / scene.truth["camera"]["mm_per_px_at_knee"] / 2
        off = misses(found, truth)
        assert max(off[name] for name in LEG_POINTS) < radius, scene.photo.name


def test_the_flat_angle_of_sample_photos_is_good_to_half_a_degree(dotted):
    off = [
        abs(angle({n: place(found, n) for n in LEG_POINTS}) - angle(truth))
        for _, found, truth in dotted
    ]
    assert np.median(off) < 0.5
    assert np.quantile(off, 0.95) < 1.5


def test_leg_points_of_sample_photos_keep_their_stated_uncertainty(dotted):
    values = [
        value
        for _, found, truth in dotted
        for name, value in zip(found.points, normalised2(found, truth), strict=True)
        if name in LEG_POINTS
    ]
    assert 0.3 < np.mean(values) < 3.0


BARE = {
    "as it is": lambda a: a,
    "mirrored": lambda a: a[:, ::-1],
    "on its side": np.rot90,
    "cropped": lambda a: a[a.shape[0] // 4 :, a.shape[1] // 4 :],
    "red and blue exchanged": lambda a: a[..., ::-1],
    "negative": lambda a: 255 - a,
    "half as large": lambda a: cv2.resize(a, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA),
}


@cache
def bare_photos() -> dict[str, np.ndarray]:
    """The pixels of every second sample photo without dots."""
    photos = [scene.photo for scene in scenes(mode="bare")[::2]]
    return {photo.name: np.asarray(Image.open(photo).convert("RGB")) for photo in photos}


@pytest.mark.parametrize("change", BARE)
def test_photos_without_dots_never_give_a_leg(change, tmp_path):
    for name, pixels in bare_photos().items():
        assert isinstance(find(BARE[change](pixels), tmp_path), NotMeasured), name


@pytest.mark.parametrize("reach_px", [10, 12, 14], ids="{} px of the dot's colour beside it".format)
def test_an_outline_that_is_not_the_dots_own_widens_its_ellipse(reach_px, tmp_path):
    """As where the bar or a boss beside it has its colour, or glare shows in it."""
    drawing = Drawing()
    clean = find(drawing.picture(), tmp_path).points["shank_bar"]
    x, y = drawing.points()["shank_bar"]
    picture = drawing.picture()
    picture[round(y) - 4 : round(y) + 3, round(x) : round(x) + reach_px] = drawing.colour
    point = find(picture, tmp_path).points["shank_bar"]
    xx, xy, yy = point.cov_px2
    off = np.array([point.x_px - x, point.y_px - y])
    assert off @ np.linalg.solve([[xx, xy], [xy, yy]], off) < 9.21  # 99 % of two dimensions
    assert xx > 2.0 * clean.cov_px2[0]


def test_a_pigment_is_as_wide_as_its_spreads_say_at_any_chroma():
    """Colours are only compared where they can be near: none is lost by that."""
    axis = np.arange(0, 256, 2) - 127.5
    a, b = np.meshgrid(axis, axis)
    every = np.stack([np.full(a.shape, 50.0), a, b], axis=2)
    for one in np.random.default_rng(3).uniform(-120.0, 120.0, (40, 2)):
        pigment = np.array([50.0, *one])
        near = colour.colour_distance2(every, pigment) < colour.NEAR_PIGMENT2
        found = colour._chroma_table(pigment[None]).reshape(256, 256)[::2, ::2]
        np.testing.assert_array_equal(found, near)


def test_six_dots_are_among_the_patches_of_a_checked_wall_of_their_black():
    picture = np.full((500, 900, 3), 200, np.uint8)
    for x, y in np.ndindex(12, 6):
        corner = np.array([30 + 70 * x, 30 + 50 * y])
        cv2.rectangle(picture, corner.tolist(), (corner + 25).tolist(), (8, 8, 8), -1)
    dots = [(100.0 + 130.0 * k, 440.0) for k in range(6)]
    for x, y in dots:
        cv2.circle(picture, (int(x), int(y)), 8, (8, 8, 8), -1)
    pigment = colour.lab_of(np.array([[8.0, 8.0, 8.0]]))
    box = (0, 0, 900, 500)
    xy, _ = colour.patches_of_colour(colour.Paint.of(picture), pigment, 16.0, box)
    assert np.linalg.norm(xy[:, None] - dots, axis=2).min(axis=0) == pytest.approx(0.7, abs=0.1)


def test_patches_of_a_pigment_are_found_with_their_place_and_size_however_common_it_is():
    """Discs and a lump as large as the picture's half: the same discs are told."""
    for lump in (0, 300):
        picture = np.full((400, 640, 3), 230, np.uint8)
        picture[:, 640 - lump :] = (30, 60, 160)
        for x, y, radius in [(50, 60, 9), (200, 300, 12), (280, 90, 5)]:
            cv2.circle(picture, (x, y), radius, (30, 60, 160), -1)
        box = (10, 20, 630, 390)
        pigment = colour.lab_of(np.array([[30.0, 60.0, 160.0]]))
        found = colour.patches_of_colour(colour.Paint.of(picture), pigment, 10.0, box)
        np.testing.assert_allclose(found[0], [[200.5, 300.5], [50.5, 60.5], [280.5, 90.5]])
        np.testing.assert_allclose(found[1], [12.2, 9.2, 5.1], atol=0.4)
