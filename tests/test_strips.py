"""Which printed tags count: strips by number and place, and the one on this machine."""

from __future__ import annotations

import functools
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import SAMPLES, Scene, scenes
from drawn_strips import Strip, on_page, on_photo

from knee_angle.angle import geometry
from knee_angle.landmarks.dots import DotDetector
from knee_angle.pipeline import measure
from knee_angle.records import Measurement, NotMeasured
from knee_angle.settings import Settings

DOTS = DotDetector()
SQUARE_ON = ((1.0, 0.0, 0.0), (0.0, 0.0, 1.0))
KNEE_DEG = 60.0


def measured(photo: bytes, settings: Settings | None = None, **more) -> Measurement:
    result = measure(photo, name="photo.jpg", detectors=(DOTS,), settings=settings, **more)
    assert isinstance(result, Measurement), result
    return result


def words(result: Measurement) -> str:
    return " ".join(result.cautions)


# ------------------------------------------------ a leg seen by an exact camera, points by hand


def leg_and_strip(
    yaw_deg: float, *, numbers=(0, 1, 2, 3), beside=(), behind_mm: float = 80.0, **strip
) -> tuple[bytes, dict, Settings]:
    """A left leg flexed `KNEE_DEG` with our strip before it, the camera `yaw_deg` off."""
    normal = geometry.normal_from_view(yaw_deg=yaw_deg, pitch_deg=10.0)
    right, down = geometry.plane_axes(normal)
    knee = np.array([0.0, -60.0, 1400.0])
    thigh = geometry.turned((-1.0, 0.0), by_deg=35.0)
    shank = geometry.turned(thigh, by_deg=-KNEE_DEG)
    ends = {
        "hip": knee - 420.0 * (thigh @ [right, down]) + 20.0 * normal,
        "knee": knee,
        "ankle": knee + 410.0 * (shank @ [right, down]) - 36.0 * normal,
    }
    middle = knee + 250.0 * down + behind_mm * normal
    strips = [Strip(numbers, tuple(middle), tuple(right), tuple(-normal), **strip), *beside]
    photo, focal_px = on_page(*strips)
    points = {}
    for name, at in ends.items():
        x, y = at[:2] / at[2] * focal_px + [800.0, 600.0]
        points[name] = {"x": float(x), "y": float(y), "u_px": 0.5}
    return photo, points, Settings()


@pytest.mark.parametrize("yaw", [-52.0, -44.0, -36.0, 0.0, 36.0, 44.0, 52.0])
@pytest.mark.parametrize(
    ("numbers", "places"),
    [
        pytest.param((0, 1, 2, 3), (0, 1, 2, 3), id="our strip"),
        pytest.param((8, 9, 11), (0, 1, 3), id="our strip with one tag hidden"),
        pytest.param((4, 7), (0, 3), id="our strip by its two ends"),
        pytest.param((20, 45, 58, 51), (0, 1, 2, 3), id="numbers that do not follow"),
    ],
)
def test_a_strip_seen_obliquely_gives_the_angle(yaw, numbers, places):
    """The truth lies inside the interval, which is that of a strip and not of a flat photo."""
    photo, points, settings = leg_and_strip(yaw, numbers=numbers, places=places)
    result = measured(photo, settings, manual=points)
    assert result.plane == "tag"
    low, high = result.knee.found_interval_deg
    assert low <= KNEE_DEG <= high
    assert abs(result.knee.deg - KNEE_DEG) < 2.5
    assert "tag" not in words(result)


@pytest.mark.parametrize("yaw", [0.0, 30.0, 45.0])
@pytest.mark.parametrize(
    ("which", "moved"),
    [
        pytest.param(0, (-10.0, 0.0), id="the first, outwards"),
        pytest.param(0, (0.0, 10.0), id="the first, down"),
        pytest.param(1, (0.0, -10.0), id="the second, up"),
        pytest.param(2, (0.0, 10.0), id="the third, down"),
        pytest.param(3, (10.0, 0.0), id="the last, outwards"),
    ],
)
def test_a_tag_that_was_moved_10_mm_does_not_count_and_is_named(which, moved, yaw):
    photo, points, settings = leg_and_strip(yaw, moved_mm=(which, *moved))
    result = measured(photo, settings, manual=points)
    low, high = result.knee.found_interval_deg
    assert low <= KNEE_DEG <= high
    assert result.plane == "tag"
    assert f"tag {which} " in words(result)


@pytest.mark.parametrize("yaw", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize("radius_mm", [300.0, 500.0])
def test_a_bent_strip_is_refused_in_words(radius_mm, yaw):
    """Bent by 21 or 12 mm over its length: it has no plane."""
    photo, points, settings = leg_and_strip(yaw, radius_mm=radius_mm)
    result = measured(photo, settings, manual=points)
    assert result.plane != "tag"
    said = words(result)
    assert sum(f"{number}" in said for number in range(4)) >= len(result.tags) >= 3
    assert "flat in one row" in said


@pytest.mark.parametrize("yaw", [-45.0, -20.0, 0.0, 20.0, 45.0])
@pytest.mark.parametrize("radius_mm", [1000.0, 2000.0, 4000.0])
def test_a_strip_that_is_hardly_bent_is_used_within_its_interval_or_refused(radius_mm, yaw):
    photo, points, settings = leg_and_strip(yaw, radius_mm=radius_mm)
    result = measure(photo, name="photo.jpg", detectors=(), settings=settings, manual=points)
    if isinstance(result, NotMeasured):
        assert yaw in (-45.0, 45.0)
        assert "tags 0, 1, 2, 3" in result.reason
        return
    low, high = result.knee.found_interval_deg
    if result.plane == "tag":
        assert low <= KNEE_DEG <= high
    else:
        assert "0, 1, 2, 3 do not count" in words(result)


@pytest.mark.parametrize(
    ("radius_mm", "yaw"),
    [
        pytest.param(250.0, -18.0, id="strongly, nearly square on"),
        pytest.param(300.0, 30.0, id="strongly, 30 degrees off"),
        pytest.param(400.0, 36.0, id="clearly, 36 degrees off"),
        pytest.param(500.0, -48.0, id="less, 48 degrees off"),
        pytest.param(600.0, 60.0, id="little, 60 degrees off"),
    ],
)
def test_two_flat_looking_tags_of_a_bent_strip_do_not_count(radius_mm, yaw):
    """They once gave 62 to 67 degrees for 60, with an interval that did not hold it."""
    photo, points, settings = leg_and_strip(yaw, radius_mm=radius_mm)
    result = measure(photo, name="photo.jpg", detectors=(), settings=settings, manual=points)
    if isinstance(result, Measurement):
        assert result.plane == "image"
        assert "flat in one row" in words(result)
    else:
        assert "no strip of printed tags counts" in result.reason


@pytest.mark.parametrize("yaw", [-60.0, -52.0, 52.0, 60.0])
@pytest.mark.parametrize("radius_mm", [300.0, 500.0])
def test_a_bent_strip_that_shows_a_camera_far_off_square_refuses_the_photo(radius_mm, yaw):
    """The flat angle is off by 19 to 41 degrees there, more than its interval says."""
    photo, points, settings = leg_and_strip(yaw, radius_mm=radius_mm)
    result = measure(
        photo,
        name="photo.jpg",
        detectors=(),
        settings=replace(settings, limit_flexion_deg=50.0),
        manual=points,
        displayed_deg=95.0,
    )
    assert isinstance(result, NotMeasured)
    off_deg = float(re.search(r"about (\d+)° off square", result.reason)[1])
    assert off_deg == pytest.approx(abs(yaw), abs=12.0)
    assert "0, 1" in result.reason or "2, 3" in result.reason
    assert "square to the leg" in result.advice
    assert len(result.alarms) == 1


@pytest.mark.parametrize("yaw", [-60.0, -52.0, 52.0, 60.0])
@pytest.mark.parametrize("radius_mm", [None, 300.0], ids=["flat", "bent"])
def test_a_single_tag_far_off_square_proves_nothing_and_refuses_the_photo(radius_mm, yaw):
    """One that may be the last seen of a bent strip gave 75.5 [66, 86] for 60, 70 degrees off."""
    photo, points, settings = leg_and_strip(yaw, numbers=(7,), places=(3,), radius_mm=radius_mm)
    result = measure(photo, name="photo.jpg", detectors=(), settings=settings, manual=points)
    assert isinstance(result, NotMeasured)
    assert "those seen at the leg (tags 7)" in result.reason


@pytest.mark.parametrize("yaw", [-30.0, 0.0, 30.0])
def test_a_single_tag_seen_about_square_gives_the_direction(yaw):
    photo, points, settings = leg_and_strip(yaw, numbers=(7,), places=(3,))
    result = measured(photo, settings, manual=points)
    assert result.plane == "tag"
    low, high = result.knee.found_interval_deg
    assert low <= KNEE_DEG <= high


def test_another_machines_strip_far_off_square_is_said_and_refuses_nothing():
    """By its size no leg of a person lies before it: its direction is not this leg's."""
    turn = np.radians(-55.0)
    along = (np.cos(turn), 0.0, np.sin(turn))
    far = Strip((8, 9, 10, 11), (300.0, 100.0, 2200.0), along, (-np.sin(turn), 0.0, np.cos(turn)))
    photo, _ = on_page(far, width_px=3200, height_px=2400)
    _, points, settings = leg_and_strip(0.0)
    points = {name: {"x": 2 * at["x"], "y": 2 * at["y"]} for name, at in points.items()}
    result = measured(photo, settings, manual=points)
    assert result.plane == "image"
    said = re.search(r"camera would stand (\d+)° off square", words(result))
    assert float(said[1]) == pytest.approx(55.0 - np.degrees(np.arctan2(300.0, 2200.0)), abs=3.0)


# ------------------------------------------------ a second strip in the sample photos

NEIGHBOUR = {
    "turned, on a machine behind": (-900.0, 150.0, 40.0),
    "turned, beside the knee": (-150.0, 250.0, 55.0),
    "parallel, on a machine behind": (-900.0, 150.0, 0.0),
}


def neighbour(scene: Scene, numbers: tuple[int, ...], where: str) -> Strip:
    """A strip near the knee in the world of a sample photo (z up, the camera beside y)."""
    towards, up, turn = NEIGHBOUR[where]
    sign = float(np.sign(scene.truth["sagittal_normal"][1]))
    knee = np.array(scene.truth["landmarks"]["knee"]["marker_mm"])
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    away = np.array([s, -sign * c, 0.0])
    along = np.cross([0.0, 0.0, -1.0], away)
    middle = knee + [80.0, sign * towards, up]
    return Strip(numbers, tuple(middle), tuple(along), tuple(away))


def own_numbers(scene: Scene) -> tuple[int, ...]:
    return tuple(tag["id"] for tag in scene.truth["tag_board"]["tags"])


TAGGED = scenes(tags=True)


@functools.cache
def alone_in(stem: str):
    """The answer without another strip."""
    return measure(SAMPLES / f"{stem}.jpg", detectors=(DOTS,))


OTHERS = (100, 101, 102, 103)


@functools.cache
def with_another(stem: str, numbers: tuple[int, ...], where: str) -> Measurement:
    """The answer with a second strip of these numbers."""
    (scene,) = scenes(image=f"{stem}.jpg")
    return measured(on_photo(scene, neighbour(scene, numbers, where)))


SECOND = [
    pytest.param(scene, same, id=f"{scene.photo.stem}, {'the same' if same else 'other'} numbers")
    for scene, same in zip(TAGGED, [False, True] * 4, strict=False)
]


@pytest.mark.parametrize("where", NEIGHBOUR)
@pytest.mark.parametrize(("scene", "same"), SECOND)
def test_a_second_strip_never_moves_the_answer_in_silence(scene, where, same):
    """The own strip's answer as without the other, or the strips do not count; both in words."""
    other = own_numbers(scene) if same else OTHERS
    result = with_another(scene.photo.stem, other, where)
    alone = alone_in(scene.photo.stem)
    low, high = result.knee.found_interval_deg
    if result.plane == "tag":
        assert result.knee.deg == pytest.approx(alone.knee.deg, abs=0.3)
    else:
        assert low <= scene.flexion_deg <= high
    assert len(result.tags) >= 4
    if len(result.tags) > 4:
        assert any(f"{n}" in words(result) for n in other)


def test_a_machine_behind_is_told_by_its_size():
    """Most of the strips on machines behind are told apart, so the own strip goes on counting."""
    kept = [with_another(s.photo.stem, OTHERS, "turned, on a machine behind") for s in TAGGED[:5]]
    assert sum(result.plane == "tag" for result in kept) >= 4


def test_a_strip_of_a_machine_behind_alone_is_not_used():
    """No strip on this machine: the other one's would be believed in silence."""
    scene = scenes(dots=True, tags=False)[0]
    strip = neighbour(scene, (0, 1, 2, 3), "turned, on a machine behind")
    result = measured(on_photo(scene, strip), manual=scene.manual())
    assert len(result.tags) == 4
    assert result.plane == "image"
    assert "0, 1, 2, 3" in words(result)


@pytest.mark.parametrize("number", [7, 21], ids=["other number", "number next to one of ours"])
def test_a_single_tag_lying_about_spoils_nothing_and_is_named(number):
    scene = TAGGED[0]
    loose = neighbour(scene, (number,), "turned, beside the knee")
    result = measured(on_photo(scene, loose))
    assert result.plane == "tag"
    assert result.knee.deg == pytest.approx(alone_in(scene.photo.stem).knee.deg, abs=0.3)
    assert f"tag {number} " in words(result)


def test_two_strips_of_the_same_numbers_are_told_apart():
    """A neighbour's strip from the same sheet: the own one counts, and the numbers are said."""
    scene = TAGGED[0]
    result = with_another(scene.photo.stem, own_numbers(scene), "turned, on a machine behind")
    assert result.plane == "tag"
    assert len(result.tags) == 8
    assert result.knee.deg == pytest.approx(alone_in(scene.photo.stem).knee.deg, abs=0.3)
    assert "seen more than once: 20, 45, 51, 58" in words(result)


@pytest.mark.parametrize("scene", TAGGED, ids=lambda s: s.photo.stem)
def test_one_good_strip_needs_no_word(scene):
    assert "tag" not in words(alone_in(scene.photo.stem)).replace("tags, taken as parallel", "")
