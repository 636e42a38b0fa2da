"""A picture that is not as a camera took it is refused, or its ± allows for it, in words."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from bench.bench_gate import CARD, card
from conftest import SAMPLES
from manipulated import (
    EXIF_IFD,
    MANIPULATIONS,
    Taken,
    as_taken,
    cropped,
    dot_moved,
    jpeg,
    mirrored,
    of_a_screen,
    stretched,
    strip_turned,
)
from PIL import Image

from knee_angle import assumptions
from knee_angle.angle import geometry
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.doubts import misplaced
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo import as_taken as judged_by_file
from knee_angle.photo.camera import lens_of
from knee_angle.photo.lens_seen import lens_seen, seen_through
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.tags import Tag
from knee_angle.pipeline import SeenPhoto, answer_of_photo, look, measure
from knee_angle.records import LEG_POINTS, Landmarks, Lens, Measurement, NotMeasured, Source
from knee_angle.report.visit_words import first_lines
from knee_angle.settings import Settings

USER_COMMENT = 0x9286
DETECTORS = (DotDetector(), NetworkDetector(threads=1))


def taken(name: str) -> Taken:
    return Taken.of(SAMPLES / f"{name}.jpg")


def seen(file: bytes, **more: Any):
    return measure(file, detectors=DETECTORS, name="photo.jpg", **more)


# ---------------------------------------------------------------- by the file and its shape


def noise(wide: int, high: int) -> np.ndarray:
    return np.random.default_rng(1).integers(0, 255, (high, wide, 3), dtype=np.uint8)


def framed(wide: int, high: int, *, rows: int, value: int = 0) -> np.ndarray:
    picture = noise(wide, high)
    picture[:rows], picture[-rows:] = value, value
    return picture


CUSTOM_RENDERED = 0xA401
GPANO = b'<rdf:Description xmlns:GPano="http://ns.google.com/photos/1.0/panorama/"/>'


def panoramic(*, rendered: int | None = None, xmp: bytes = b"") -> bytes:
    """A file of a camera's shape that may call itself a panorama."""
    exif = Image.Exif()
    if rendered is not None:
        exif.get_ifd(EXIF_IFD)[CUSTOM_RENDERED] = rendered
    out = io.BytesIO()
    Image.fromarray(noise(400, 300)).save(out, "JPEG", exif=exif, xmp=xmp)
    return out.getvalue()


def commented(words: str) -> bytes:
    exif = Image.Exif()
    exif.get_ifd(EXIF_IFD)[USER_COMMENT] = b"ASCII\0\0\0" + words.encode()
    out = io.BytesIO()
    Image.fromarray(noise(400, 300)).save(out, "JPEG", exif=exif)
    return out.getvalue()


@pytest.mark.parametrize(
    ("file", "words"),
    [
        pytest.param(
            jpeg(noise(300, 300), f35_mm=26, exif_size=(400, 300)),
            "300 x 300 pixels but its camera stored 400 x 300",
            id="pulled or cut to another shape than its EXIF says",
        ),
        pytest.param(
            jpeg(noise(300, 360), f35_mm=26, exif_size=(400, 300)),
            "its camera stored 300 x 400",
            id="the same upright, told as it would be upright",
        ),
        pytest.param(
            jpeg(noise(1000, 300), f35_mm=26), "3.3 times as long", id="a panorama"
        ),
        pytest.param(
            panoramic(rendered=6), "calls it a panorama", id="a panorama by its EXIF's word"
        ),
        pytest.param(
            panoramic(xmp=GPANO), "calls it a panorama", id="a panorama by its XMP's word"
        ),
        pytest.param(commented("Screenshot"), "screenshot", id="a screenshot by its own word"),
        pytest.param(
            jpeg(framed(300, 400, rows=20), f35_mm=None), "frame of one colour",
            id="a picture between black bars",
        ),
        pytest.param(
            jpeg(framed(400, 300, rows=20, value=255), f35_mm=None), "frame of one colour",
            id="a picture between white bars",
        ),
    ],
)  # fmt: skip
def test_what_no_camera_made_is_refused_with_reason_and_advice(file, words):
    refused = judged_by_file.not_as_taken(read_photo(file))
    assert refused is not None
    assert words in refused.reason
    assert "as the camera saved it" in refused.advice


@pytest.mark.parametrize(
    "file",
    [
        pytest.param(jpeg(noise(400, 300), f35_mm=26, exif_size=(400, 300)), id="4:3"),
        pytest.param(jpeg(noise(300, 400), f35_mm=26, exif_size=(400, 300)), id="turned already"),
        pytest.param(jpeg(noise(404, 304), f35_mm=26, exif_size=(404, 304)), id="nearly 4:3"),
        pytest.param(
            jpeg(noise(403, 302), f35_mm=None), id="odd sides, no EXIF: shrunk on its way"
        ),
        pytest.param(jpeg(noise(480, 320), f35_mm=26, exif_size=(480, 320)), id="3:2"),
        pytest.param(jpeg(noise(400, 300), f35_mm=26), id="EXIF without a size"),
        pytest.param(jpeg(noise(400, 300), f35_mm=None), id="no EXIF"),
        pytest.param(panoramic(rendered=3, xmp=b"<x/>"), id="rendered of several exposures"),
        pytest.param(jpeg(framed(400, 300, rows=1), f35_mm=26), id="one dark row at each end"),
    ],
)
def test_a_picture_as_taken_is_trusted_without_a_word(file):
    photo = read_photo(file)
    told = judged_by_file.as_taken(photo)
    assert judged_by_file.not_as_taken(photo) is None
    assert (told.focal, told.u_focal, told.u_aspect, told.trusted) == (1.0, 0.0, 0.0, True)
    assert told.u_centre == 0.0
    assert told.cautions == ()
    assert lens_of(photo).trusted


@pytest.mark.parametrize(
    ("file", "focal_ends", "words"),
    [
        pytest.param(
            jpeg(noise(240, 180), f35_mm=26, exif_size=(400, 300)), (1.0, 400 / 240),
            "made smaller or larger, or cropped", id="smaller than its EXIF says",
        ),
        pytest.param(
            jpeg(noise(200, 150), f35_mm=26, exif_size=(4000, 3000)), (1.0, 2.0),
            "made smaller or larger", id="far smaller: hardly a crop",
        ),
        pytest.param(
            jpeg(noise(403, 302), f35_mm=26, exif_size=(403, 302)), (1.0, 2.0),
            "made smaller or cropped", id="an odd side, which no camera stores",
        ),
        pytest.param(
            jpeg(noise(618, 824), f35_mm=26, exif_size=(618, 824)), (1.0, 2.0),
            "made smaller or cropped", id="a side that is no multiple of 4",
        ),
        pytest.param(
            jpeg(noise(400, 300), f35_mm=14, exif_size=(400, 300)), (14 / 26,),
            "ultra-wide", id="an ultra-wide lens",
        ),
        pytest.param(
            jpeg(noise(400, 300), f35_mm=26, exif_size=(400, 300), zoom=1.6), (1.0, 1.6),
            "digital zoom (1.6 times)", id="digital zoom, counted or not",
        ),
    ],
)  # fmt: skip
def test_both_focal_lengths_that_can_be_lie_within_one_u(file, focal_ends, words):
    photo = read_photo(file)
    told, lens = judged_by_file.as_taken(photo), lens_of(photo)
    plain = 26 / 43.2666 * math.hypot(photo.width, photo.height)
    for factor in focal_ends:
        assert abs(math.log(lens.focal_px / (plain * factor))) <= lens.u_relative
    assert told.trusted
    assert any(words in caution for caution in told.cautions)


@pytest.mark.parametrize(
    ("size", "stored", "times"),
    [((240, 180), (400, 300), 400 / 240), ((403, 302), (403, 302), 2.0), ((300, 300), None, 4 / 3)],
)
def test_the_middle_of_a_picture_that_may_be_a_part_lies_as_far_off_as_such_parts(
    size, stored, times
):
    """Every second one is whole; the others are a part of 1 / times, anywhere in it."""
    told = judged_by_file.as_taken(read_photo(jpeg(noise(*size), f35_mm=26, exif_size=stored)))
    rng = np.random.default_rng(4)
    part = np.array([4.0, 3.0]) / 5.0  # of its diagonal
    off = (times - 1.0) * part * (rng.random((100_000, 2)) - 0.5)
    off *= rng.integers(0, 2, 100_000)[:, None]
    assert told.u_centre == pytest.approx(float(np.sqrt(np.mean(off**2))), rel=0.02)
    assert (
        told.u_centre
        == lens_of(read_photo(jpeg(noise(*size), f35_mm=26, exif_size=stored))).u_centre
    )


@pytest.mark.parametrize("size", [(300, 300), (320, 180), (360, 300)])
def test_a_shape_that_cameras_do_not_make_proves_nothing_and_says_so(size):
    lens = lens_of(photo := read_photo(jpeg(noise(*size), f35_mm=26, exif_size=size)))
    assert not lens.trusted
    assert lens.u_aspect == assumptions.U_ODD_SHAPE
    assert "cropped or stretched" in judged_by_file.as_taken(photo).cautions[0]


@pytest.mark.parametrize("times", [1.9, 2.2])
def test_what_is_longer_than_a_frame_of_film_may_be_a_panorama(times):
    """Its 35 mm length then counts over the longer side of the camera, which turned upright."""
    photo = read_photo(jpeg(noise(4 * round(75 * times), 300), f35_mm=26))
    lens = lens_of(photo)
    single = 26 / 43.2666 * math.hypot(photo.width, photo.height)
    turned = 26 / 43.2666 * 1.25 * 300
    for focal_px in (single, turned):
        assert abs(math.log(lens.focal_px / focal_px)) <= lens.u_relative
    assert not lens.trusted
    assert "a short panorama, or cropped" in judged_by_file.as_taken(photo).cautions[0]


# ---------------------------------------------------------------- by the tags

LENS = Lens(1600, 1200, 1200.0, 0.02, "exif")


def strip_px(
    rng: np.random.Generator, *, focal_px: float = 1200.0, across: float = 1.0,
    shift_px: tuple[float, float] = (0.0, 0.0), onto: np.ndarray | None = None,
) -> tuple[Tag, ...]:  # fmt: skip
    """A strip of four about 1.1 m away, corners with 0.15 px of noise; pulled ``across``."""
    yaw, pitch, roll = rng.normal([0.0, 9.0, 0.0], [15.0, 8.0, 3.0])
    normal = geometry.normal_from_view(yaw_deg=yaw, pitch_deg=pitch)
    right, down = geometry.plane_axes(normal)
    square = np.array([[0, 0], [50, 0], [50, 50], [0, 50]]) - 25.0
    flat = np.array([square + [58.0 * k - 87.0, 0.0] for k in range(4)])
    flat = geometry.turned(flat, by_deg=roll) + rng.normal([0.0, 150.0], 60.0)
    places = flat[..., :1] * right + flat[..., 1:] * down - rng.uniform(900, 1300) * normal
    px = places[..., :2] / places[..., 2:] * focal_px + [800.0, 600.0] + np.array(shift_px)
    px = (px - [800.0, 600.0]) * [across, 1.0] + [800.0, 600.0]
    if onto is not None:
        both = np.concatenate([px, np.ones((4, 4, 1))], axis=-1) @ onto.T
        px = both[..., :2] / both[..., 2:]
    px = px + rng.normal(0.0, assumptions.U_CORNER_PX, px.shape)
    return tuple(Tag(n, tuple(map(tuple, corners))) for n, corners in enumerate(px))


def from_the_side(yaw_deg: float) -> np.ndarray:
    """A screen seen from the side, as a homography of its pixels."""
    turn = math.radians(yaw_deg)
    to_middle = np.array([[1, 0, -800.0], [0, 1, -600.0], [0, 0, 1]])
    turned = np.array([[math.cos(turn), 0, 0], [0, 1, 0], [-math.sin(turn) / 1300, 0, 1.0]])
    return np.linalg.inv(to_middle) @ turned @ to_middle


def share_refused(rng: np.random.Generator, times: int, **manipulated: Any) -> float:
    refused = 0
    for _ in range(times):
        tags = strip_px(rng, **manipulated)
        refused += lens_seen(tags, range(4), LENS, tag_mm=50.0).chi2 > assumptions.LENS_MOST_CHI2
    return refused / times


def test_strips_seen_through_the_stated_lens_are_hardly_ever_refused():
    rng = np.random.default_rng(5)
    chi2 = [lens_seen(strip_px(rng), range(4), LENS, tag_mm=50.0).chi2 for _ in range(60)]
    assert max(chi2) < assumptions.LENS_MOST_CHI2
    # Chi-squared of at most 4 degrees of freedom, which has a mean of 4.
    assert np.mean(chi2) < 4.0


@pytest.mark.parametrize(
    ("manipulated", "least"),
    [
        pytest.param({"across": 0.75}, 0.95, id="pulled to 3/4 of its width"),
        pytest.param({"across": 0.9}, 0.6, id="pulled to 9/10 of its width"),
        pytest.param({"onto": from_the_side(30)}, 0.8, id="on a screen seen from the side"),
    ],
)
def test_strips_seen_otherwise_are_refused(manipulated, least):
    assert share_refused(np.random.default_rng(6), 20, **manipulated) >= least


def test_a_strip_does_not_speak_for_a_picture_that_an_ultra_wide_lens_bends():
    bent = Lens(1600, 1200, 1200.0, 0.05, "exif", u_aspect=assumptions.U_ULTRA_WIDE)
    lens = seen_through(strip_px(np.random.default_rng(9)), bent, tag_mm=50.0)
    assert isinstance(lens, Lens)
    assert lens.u_aspect == assumptions.U_ULTRA_WIDE


def test_a_strip_does_not_speak_for_a_picture_that_may_be_a_panorama():
    """Columns by angle: the lens that a strip shows is that of its own place."""
    u = assumptions.U_ODD_SHAPE
    long = Lens(2000, 1000, 1200.0, 0.17, "exif", u_aspect=u, trusted=False)
    lens = seen_through(strip_px(np.random.default_rng(8)), long, tag_mm=50.0)
    assert isinstance(lens, Lens)
    assert (lens.focal_px, lens.u_relative, lens.u_aspect) == (1200.0, 0.17, u)
    assert not lens.trusted


def test_a_strip_tells_where_the_middle_of_a_part_lies():
    """Cropped to one side: a lens 0.1 of the diagonal beside the picture's middle."""
    part = replace(LENS, u_centre=assumptions.U_OFF_CENTRE)
    away = []
    for seed in range(20):
        tags = strip_px(np.random.default_rng(seed), shift_px=(200.0, 0.0))
        lens = seen_through(tags, part, tag_mm=50.0)
        assert isinstance(lens, Lens)
        assert 0.0 < lens.u_centre < part.u_centre
        x, y = lens.off_centre_px
        away.append(math.hypot(x - 200.0, y) / (lens.u_centre * lens.diagonal_px))
    # Two coordinates in their ±: a mean square of 2.
    assert np.mean(np.square(away)) < 4.0


@pytest.mark.parametrize("seed", [0, 2])
def test_tags_that_are_hardly_seen_through_the_stated_lens_leave_it_in_doubt(seed):
    """Better explained by another lens than 99 % of strips, worse than 99.9 %: perhaps a part."""
    tags = strip_px(np.random.default_rng(seed), shift_px=(200.0, 0.0))
    chi2 = lens_seen(tags, range(4), LENS, tag_mm=50.0).chi2
    assert assumptions.LENS_DOUBT_CHI2 < chi2 < assumptions.LENS_MOST_CHI2
    lens = seen_through(tags, LENS, tag_mm=50.0)
    assert isinstance(lens, Lens)
    assert lens.u_centre > 0.0
    x, y = lens.off_centre_px
    assert math.hypot(x - 200.0, y) < 3.0 * lens.u_centre * lens.diagonal_px


def test_a_blurred_strip_is_no_other_lens():
    rng, refused = np.random.default_rng(7), 0
    for _ in range(20):
        noisy = tuple(
            Tag(
                t.number,
                tuple((x + rng.normal(0, 0.6), y + rng.normal(0, 0.6)) for x, y in t.corners_px),
            )
            for t in strip_px(rng)
        )
        refused += isinstance(seen_through(noisy, LENS, tag_mm=50.0), NotMeasured)
    assert refused == 0


def test_tags_speak_for_a_cropped_picture_of_an_odd_shape():
    """Cut about its middle: the focal length is right, and the tags know the pixels' shape."""
    odd = Lens(1600, 1200, 1200.0, 0.17, "exif", u_aspect=assumptions.U_ODD_SHAPE, trusted=False)
    lens = seen_through(strip_px(np.random.default_rng(8)), odd, tag_mm=50.0)
    assert isinstance(lens, Lens)
    assert lens.u_aspect < 0.6 * assumptions.U_ODD_SHAPE


# ---------------------------------------------------------------- whole photos


@pytest.mark.parametrize(
    ("made", "words"),
    [
        pytest.param(
            lambda: stretched(taken("bed_05"), across=0.75, exif="kept"),
            "cropped, stretched or edited",
            id="pulled to 3/4 of its width with its EXIF kept",
        ),
        pytest.param(
            lambda: stretched(taken("series_b_5"), across=0.75, exif="none"),
            "printed tags are not seen",
            id="the same without EXIF, with tags",
        ),
        pytest.param(
            lambda: cropped(taken("bed_05"), share=0.7, exif="new"), "printed tags are not seen",
            id="cropped in its own shape, EXIF rewritten, with tags",
        ),
        pytest.param(
            lambda: of_a_screen(taken("bed_13"), yaw_deg=-35, pitch_deg=8),
            "straight line before an even",
            id="photographed from a screen, from the side, bare",
        ),
        pytest.param(lambda: mirrored(taken("bed_05")), "mirrored", id="mirrored, with tags"),
        pytest.param(
            lambda: MANIPULATIONS["screenshot, PNG"][0](taken("bed_07")),
            "screenshot", id="a screenshot"
        ),
        pytest.param(
            lambda: MANIPULATIONS["panorama"][0](taken("bed_07")), "panorama", id="a panorama"
        ),
    ],
)  # fmt: skip
def test_a_manipulated_photo_is_refused_by_name(made, words):
    outcome = seen(made(), displayed_deg=90.0)
    assert isinstance(outcome, NotMeasured)
    assert words in outcome.reason


def with_dark_things(one: Taken, *, share: float) -> Taken:
    """The photo with so much of its height dark at both ends, in parts."""
    pixels, parts = one.pixels.copy(), 5
    high, wide = pixels.shape[:2]
    for part in range(parts):
        top = round((part + 0.5 - share / 2.0) / parts * high)
        for side in (slice(0, wide // 4 + 20 * part), slice(wide - wide // 4 - 20 * part, wide)):
            pixels[top : top + round(share / parts * high), side] = 30
    return replace(one, pixels=pixels)


@pytest.mark.parametrize("case", ["screen from the side, 25°", "screen from the side, -35°"])
def test_a_screen_is_seen_although_dark_things_hide_most_of_its_edge(case):
    """Both ends of that edge are in the picture, and it is dark beyond them."""
    one = with_dark_things(taken("bed_13"), share=0.5)
    refused = judged_by_file.not_as_taken(read_photo(MANIPULATIONS[case][0](one)))
    assert refused is not None
    assert "a photo of a screen or of a print" in refused.reason


@pytest.mark.parametrize("share", [0.0, 0.5, 0.9])
def test_dark_things_at_the_sides_of_a_photo_are_no_screen(share):
    one = with_dark_things(taken("bed_13"), share=share)
    assert judged_by_file.not_as_taken(read_photo(as_taken(one))) is None


def test_a_dark_doorpost_that_the_floor_ends_is_no_screen():
    """Straight and even as a border is; below it there is light."""
    one = with_dark_things(taken("bed_13"), share=0.7)
    pixels = one.pixels.copy()
    high, wide = pixels.shape[:2]
    pixels[: round(0.93 * high), : wide // 8] = 30
    assert judged_by_file.not_as_taken(read_photo(as_taken(replace(one, pixels=pixels)))) is None


@pytest.mark.parametrize("rows", [slice(None), slice(None, None, -1)], ids=["ceiling", "floor"])
def test_a_dark_ceiling_or_floor_is_measured_named_and_proves_nothing(rows):
    """Of fresh renders as taken 2 % end so; a screen that is seen from above does too."""
    one = taken("bed_13")
    pixels = one.pixels.copy()
    high, wide = pixels.shape[:2]
    edge = (0.12 - 0.05 * np.arange(wide) / wide) * high  # a wall's edge, hardly level
    pixels[rows][np.arange(high)[:, None] < edge] = 24
    pixels = np.clip(pixels + one.rng.normal(0, 2, pixels.shape), 0, 255).astype(np.uint8)
    file = jpeg(pixels, f35_mm=one.f35_mm, exif_size=one.size)
    true = one.truth["true_knee_flexion_deg"]
    outcome = seen(file, displayed_deg=true + 14.0)
    assert isinstance(outcome, Measurement)
    low_deg, high_deg = outcome.knee.found_interval_deg
    assert low_deg <= true <= high_deg
    assert outcome.comparison.verdict == "undecided"
    assert any("dark ceiling or floor" in caution for caution in outcome.cautions)


@pytest.mark.parametrize("name", ["bed_07", "bed_13"])
def test_a_stretched_photo_without_tags_holds_its_angle_and_proves_nothing(name):
    """4:3 upright pulled to 9:16, which a phone can take too, with its EXIF rewritten."""
    one = taken(name)
    true = one.truth["true_knee_flexion_deg"]
    wide, high = one.size
    pulled = {"across": 0.75} if wide > high else {"down": 0.75}
    photo = read_photo(stretched(one, **pulled, exif="new"), name="photo.jpg")
    once = look(photo, detectors=DETECTORS)
    for wrong in (-14.0, 0.0, 14.0):
        outcome = measure(photo, detectors=DETECTORS, displayed_deg=true + wrong, seen=once)
        assert isinstance(outcome, Measurement)
        low, high_deg = outcome.knee.found_interval_deg
        assert low <= true <= high_deg
        assert outcome.comparison.verdict == "undecided"
        assert outcome.finding.kind == "not_separable"
        answer = answer_of_photo(outcome)
        assert answer.settings[0].comparison.verdict == "undecided"
        assert answer.machine is None
        assert any("cropped or stretched" in caution for caution in outcome.cautions)
        (sure,) = (line for line in first_lines(answer) if line.startswith("SURE"))
        assert "the picture's shape" in sure
        assert "as the main camera saved it" in sure


@pytest.mark.parametrize("name", ["bed_08", "series_a_6"])
def test_a_part_to_one_side_with_its_exif_rewritten_holds_its_angle_with_tags_and_without(name):
    one = taken(name)
    outcome = seen(MANIPULATIONS["crop to one side, EXIF new"][0](one))
    assert isinstance(outcome, Measurement)
    low, high = outcome.knee.found_interval_deg
    assert low <= one.truth["true_knee_flexion_deg"] <= high
    assert any("made smaller or cropped" in caution for caution in outcome.cautions)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        pytest.param("series_b_4", "better through another lens", id="by the strip itself"),
        pytest.param("bed_02", "cannot both be right", id="by strip and picture"),
    ],
)
def test_a_part_of_a_camera_s_own_size_is_told_by_its_tags(name, words):
    """Its sides are multiples of 4, so that nothing but the strip tells."""
    one = taken(name)
    true = one.truth["true_knee_flexion_deg"]
    outcome = seen(MANIPULATIONS["crop to one side, EXIF new"][0](one), displayed_deg=true - 14)
    assert isinstance(outcome, Measurement)
    low, high = outcome.knee.found_interval_deg
    assert low <= true <= high
    assert any(words in caution for caution in outcome.cautions)
    assert outcome.comparison.verdict != "within"


@pytest.mark.parametrize("name", ["bed_02", "bed_13"])
def test_a_short_panorama_holds_its_angle_with_tags_and_without(name):
    one = taken(name)
    outcome = seen(MANIPULATIONS["panorama"][0](one))
    assert isinstance(outcome, Measurement)
    low, high = outcome.knee.found_interval_deg
    assert low <= one.truth["true_knee_flexion_deg"] <= high


@pytest.mark.parametrize(
    ("name", "lens", "warned"),
    [
        pytest.param("bed_07", "phone front camera 2.7mm f/2.2", True, id="the front camera"),
        pytest.param("bed_07", "phone back camera 5.7mm f/1.8", False, id="the back camera"),
        pytest.param("bed_07", None, False, id="no lens is named"),
        pytest.param("bed_01", "Front Camera 2.7mm", False, id="tags show that it is not mirrored"),
    ],
)
def test_a_photo_of_the_front_camera_asks_which_leg_it_is(name, lens, warned):
    """Without tags nothing in the picture tells, and some phones mirror what that camera sees."""
    one = taken(name)
    outcome = seen(jpeg(one.pixels, f35_mm=one.f35_mm, exif_size=one.size, lens=lens))
    assert isinstance(outcome, Measurement)
    assert any("front camera" in caution for caution in outcome.cautions) == warned


def test_a_photo_as_taken_has_no_new_word():
    for name in ("bed_01", "bed_07"):
        before = seen((SAMPLES / f"{name}.jpg").read_bytes())
        assert isinstance(before, Measurement)
        assert before.leg.lens.trusted
        words = ("cropped", "strip's plane", "feel for the bony point", "mirrored")
        assert not [c for c in before.cautions for w in words if w in c]


# ---------------------------------------------------------------- dots and strips in doubt


@cache
def looked_at(name: str) -> tuple[Photo, SeenPhoto]:
    """A sample photo and what the detectors see in it."""
    photo = read_photo(SAMPLES / f"{name}.jpg")
    return photo, look(photo, detectors=DETECTORS)


@cache
def hinge_moved(by_mm: float, *, leg_by: Source = "dot") -> Measurement:
    """A sample photo whose hinge dot was taken for another patch so far along the thigh bar.

    Its leg is that of the dots, as seen by ``leg_by``.
    """
    photo, seen = looked_at("bed_01")
    assert isinstance(seen.landmarks, Landmarks)
    points = dict(seen.landmarks.points)
    hinge, bar = points["hinge"], points["thigh_bar"]
    way = np.array([bar.x_px - hinge.x_px, bar.y_px - hinge.y_px])
    truth = taken("bed_01").truth
    x, y = way / np.linalg.norm(way) * by_mm / truth["camera"]["mm_per_px_at_knee"]
    points["hinge"] = replace(hinge, x_px=hinge.x_px + x, y_px=hinge.y_px + y)
    points |= {name: replace(points[name], source=leg_by) for name in LEG_POINTS}
    shown = round(truth["machine"]["frame_angle_deg"])
    found = measure(
        photo, displayed_deg=shown, settings=Settings(), detectors=DETECTORS,
        seen=replace(seen, landmarks=replace(seen.landmarks, points=points)),
    )  # fmt: skip
    assert isinstance(found, Measurement)
    return found


def test_a_patch_in_the_place_of_a_hidden_dot_accuses_no_display():
    """A knob on the thigh bar was taken for the hinge: bars 22° off, ± 2, and "both"."""
    found = hinge_moved(190.0)
    assert found.finding.kind == "not_separable"
    assert any("the machine's hinge dot lies 1" in caution for caution in found.cautions)
    assert any("place the hinge by hand" in line for line in first_lines(answer_of_photo(found)))
    assert found.leg.doubted == ("hinge",)
    assert found.knee.deg == pytest.approx(hinge_moved(0.0).knee.deg, abs=0.5)


LEG_BY = pytest.mark.parametrize("leg_by", ["dot", "manual", "network"])


@LEG_BY
def test_such_a_patch_is_named_whoever_found_the_leg(leg_by):
    """A hand moved all of the leg, or a person put the machine's dots to use beside the network."""
    found = hinge_moved(190.0, leg_by=leg_by)
    assert found.leg.doubted == ("hinge",)
    assert found.finding.kind == "not_separable"
    assert found.machine is None or found.machine.frame is None


@LEG_BY
def test_a_machine_that_sits_wrongly_is_judged_all_the_same(leg_by):
    found = hinge_moved(100.0, leg_by=leg_by)
    assert found.machine.frame.source == "dot"
    assert not any("the machine's hinge dot" in caution for caution in found.cautions)
    assert found.leg.doubted == ()


def test_what_is_not_off_is_hardly_in_doubt():
    odds = misplaced(np.zeros(2), 100.0 * np.eye(2), prior=0.05, u=40.0)
    assert odds.p < 0.005
    assert np.trace(odds.added) < 2.0


def test_what_is_far_off_is_in_doubt_by_as_much():
    odds = misplaced(np.array([60.0, 0.0]), 100.0 * np.eye(2), prior=0.05, u=40.0)
    assert odds.p > 0.99
    np.testing.assert_allclose(odds.mean, [60.0 * 1600 / 1700, 0.0])


def test_odds_are_those_of_simulated_dots():
    """Of many dots, 5 % moved by 40 mm: those seen about as far off were moved so often."""
    rng = np.random.default_rng(3)
    moved = rng.random(200_000) < 0.05
    away = rng.normal(0.0, 12.0, (200_000, 2)) + moved[:, None] * rng.normal(0, 40, (200_000, 2))
    near = np.abs(np.linalg.norm(away, axis=1) - 35.0) < 2.0
    odds = misplaced(np.array([35.0, 0.0]), 144.0 * np.eye(2), prior=0.05, u=40.0)
    assert odds.p == pytest.approx(float(moved[near].mean()), abs=0.06)


@pytest.mark.parametrize("name", ["bed_01", "series_b_2"])
def test_a_knee_dot_on_the_wrong_place_is_named_and_its_angle_held(name):
    one = taken(name)
    outcome = seen(dot_moved(one, name="knee", mm=60.0))
    assert isinstance(outcome, Measurement)
    low, high = outcome.knee.interval_deg
    assert low <= one.truth["true_knee_flexion_deg"] <= high
    assert any("The knee dot lies" in caution for caution in outcome.cautions)


def test_a_strip_out_of_parallel_widens_the_direction():
    one = taken("bed_01")
    right, wrong = seen(as_taken(one)), seen(strip_turned(one, deg=18))
    assert isinstance(right, Measurement)
    assert isinstance(wrong, Measurement)
    u = [sum(r.leg.view.tilt_cov_deg2[::2]) for r in (right, wrong)]
    assert u[1] > u[0] + 4.0


# The page that tells what becomes of every manipulation --------------------------------


def test_the_page_counts_what_was_held_missed_named_and_refused():
    case = next(iter(MANIPULATIONS))
    done = {"case": case, "measured": True, "warned": False, "held": True, "agrees": 0}
    done |= {"told": True, "right": True, "doubt": [False, False]}
    rows = [
        done,
        done | {"held": False, "warned": True, "agrees": 2, "doubt": [True, False]},
        {"case": case, "measured": False, "why": "a panorama"},
    ]
    page = card({"Two photos": rows, "One": rows[:1]})
    assert f"| {case} | 3 | 1 | 1 / 0 | 1 | 1 | 2 | 2 | 1 / 0 |" in page
    assert "## One\n\n| manipulation |" in page
    assert f"| {case} | 1 | 1 | 0 / 0 | 0 | 0 | 0 | 1 | 0 / 0 |" in page


def test_the_page_has_every_manipulation_over_the_sample_photos():
    told = CARD.read_text(encoding="utf-8")
    assert [words for words in MANIPULATIONS if f"| {words} |" not in told] == []
