"""Tags on the machine's bars: frame angle from one photo, hinge from several."""

from __future__ import annotations

import functools
import io
from dataclasses import replace

import numpy as np
import pytest
from conftest import scenes
from drawn_bars import TAG_MM, Kit, with_bar_tags
from PIL import Image, ImageOps

from knee_angle import assumptions
from knee_angle.angle import bars, geometry, inputs
from knee_angle.angle import uncertainty as un
from knee_angle.assumptions import MARK_DEPTH_MM
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.dots import DotDetector
from knee_angle.machine.check import check_machine
from knee_angle.photo import camera
from knee_angle.photo.plane_fit import U_BARS_LEVEL_MM
from knee_angle.photo.reading import read_photo
from knee_angle.photo.tags import Tag, bars_of, find_tags
from knee_angle.pipeline import measure
from knee_angle.records import (
    LEG_POINTS,
    BarTags,
    Frame,
    Landmark,
    LegInView,
    Lens,
    Measurement,
    NotMeasured,
)
from knee_angle.report.check_words import check_text
from knee_angle.report.contract import check_as_json
from knee_angle.settings import Settings

LENS = Lens(1600, 1200, 1200.0, 0.02, "exif")
DOTS = DotDetector()
BEHIND_MM = MARK_DEPTH_MM["thigh_bar"][0]
OFFSET_MM = (20.0, -35.0)
"""The hinge in drawn scenes: distal, anterior of the knee."""


def drawn(
    frame_deg: float,
    *,
    side: str = "left",
    view: tuple[float, float] = (0.0, 0.0),
    lean_deg: float = -35.0,
    kit: Kit | None = None,
    u_px: float = 0.15,
    strip: bool = False,
    rng: np.random.Generator | None = None,
) -> LegInView:
    """A leg (knee 60 degrees) and tagged bars 1.1 m from the lens, by an exact camera.

    With `rng` the corners are noisy and the tags differ in depth, as the u say.
    """
    kit = kit or Kit()
    normal = geometry.normal_from_view(yaw_deg=view[0], pitch_deg=view[1])
    axes = np.array(geometry.plane_axes(normal))
    sign = -1.0 if side == "left" else 1.0
    thigh = geometry.turned((sign, 0.0), by_deg=-sign * lean_deg)
    shank = geometry.turned(thigh, by_deg=sign * frame_deg)
    hinge = np.array([0.0, 0.0, 1100.0])
    corners = kit.corners_mm(hinge - 300 * thigh @ axes, hinge, hinge + 300 * shank @ axes, -normal)
    front = geometry.turned(thigh, by_deg=-90.0 * sign)
    knee = -OFFSET_MM[0] * thigh - OFFSET_MM[1] * front
    flat = {
        "hip": knee - 420 * thigh,
        "knee": knee,
        "ankle": knee + 410 * geometry.turned(thigh, by_deg=sign * 60.0),
    }
    marks = {
        name: hinge + place @ axes + (MARK_DEPTH_MM[name][0] - BEHIND_MM) * normal
        for name, place in flat.items()
    }
    tags = []
    for number, four in corners.items():
        level = 0.0 if rng is None else U_BARS_LEVEL_MM * rng.standard_normal()
        px = _px(four + level * normal)
        px = px if rng is None else px + u_px * rng.standard_normal(px.shape)
        tags.append(Tag(number, tuple((float(x), float(y)) for x, y in px)))
    tags = tuple(tags)
    board = camera.bars_board(tags, LENS, tag_mm=TAG_MM)
    seen = camera.view_from_bars(board, strip=None, long_axis_px=(sign, 0.2))
    if strip:
        seen = replace(seen, tilt_cov_deg2=(0.2, 0.0, 0.2), other_normal=None, p_other=0.0)
    return LegInView(
        points={
            name: Landmark.round(*(float(v) for v in _px(point)), u_px=1.0, source="dot")
            for name, point in marks.items()
        },
        side=side,
        lens=LENS,
        view=seen,
        placement_mm=(10.0, 5.0, 5.0),
        bar_tags=BarTags(tags[0].corners_px, tags[1].corners_px, u_px),
    )


def _px(points_mm: np.ndarray) -> np.ndarray:
    return points_mm[..., :2] / points_mm[..., 2:] * LENS.focal_px + np.array(LENS.centre_px)


def frame_of(leg: LegInView, trials: int = 2000) -> Frame:
    frame = un.frame_with_uncertainty(leg, trials=trials, rng=np.random.default_rng(4))
    assert frame is not None
    return frame


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("view", [(0, 0), (20, 8), (-25, 15)])
@pytest.mark.parametrize("frame_deg", [-5.0, 0.0, 30.0, 75.0, 120.0])
def test_exact_corners_give_the_exact_frame_and_hinge(frame_deg, view, side):
    """No strip: the bar tags' own plane is the camera's direction, their size the distance."""
    frame = frame_of(drawn(frame_deg, side=side, view=view))
    assert frame.source == "tag"
    assert frame.deg == pytest.approx(frame_deg, abs=0.02)
    assert frame.fit_deg == pytest.approx(frame_deg - 60.0, abs=0.05)
    assert (frame.distal_mm, frame.anterior_mm) == pytest.approx(OFFSET_MM, abs=0.3)


@pytest.mark.parametrize(
    "found",
    [
        pytest.param("tags", id="by tags on the bars"),
        pytest.param("points", id="by points on the bars"),
        pytest.param("neither", id="no machine"),
    ],
)
def test_knee_and_bars_by_the_same_trials_are_those_of_each_alone(found):
    leg = drawn(75.0, view=(12, 6))
    if found != "tags":
        leg = replace(leg, bar_tags=None)
    if found == "points":
        on_bars = {
            "thigh_bar": Landmark.round(820.0, 900.0, u_px=1.5, source="dot"),
            "hinge": Landmark.round(1010.0, 730.0, u_px=1.5, source="dot"),
            "shank_bar": Landmark.round(1220.0, 850.0, u_px=1.5, source="dot"),
        }
        leg = replace(leg, points={**leg.points, **on_bars})
    knee, frame, _ = un.photo_with_uncertainty(leg, trials=20_000, rng=np.random.default_rng(4))
    alone = un.flexion_with_uncertainty(leg, trials=20_000, rng=np.random.default_rng(4))
    assert knee == alone
    bars = un.frame_with_uncertainty(leg, trials=20_000, rng=np.random.default_rng(5))
    if bars is None or frame is None:
        assert found == "neither"
        assert bars is frame is None
        return
    assert (frame.deg, frame.fit_deg) == (bars.deg, bars.fit_deg)
    ours, theirs = (
        (f.u_deg, f.u_fit_deg, *np.sqrt(np.array(f.hinge_cov_mm2)[[0, 2]])) for f in (frame, bars)
    )
    assert ours == pytest.approx(theirs, rel=0.03)
    assert frame.cov_fit_hinge == pytest.approx(bars.cov_fit_hinge, abs=0.1 * ours[1] * ours[2])


@pytest.mark.parametrize("source", ["network", "pose"])
def test_bars_that_a_network_guessed_say_nothing_against_the_tags(source):
    """It read bars 18 to 27 degrees too high: that is no reason to look at the cards."""
    leg = drawn(75.0, view=(12, 6))
    at = {"thigh_bar": (1220.0, 850.0), "hinge": (1010.0, 730.0), "shank_bar": (910.0, 955.0)}
    guessed = {name: Landmark.round(*xy, u_px=1.5, source=source) for name, xy in at.items()}
    seen = frame_of(replace(leg, points={**leg.points, **guessed}))
    alone = frame_of(leg)
    assert seen.deg == pytest.approx(alone.deg, abs=0.01)
    assert seen.tags_minus_points_deg is None


@pytest.mark.parametrize("lean", [-80.0, 0.0, 100.0, 180.0])
def test_a_turned_photo_shows_the_same_frame(lean):
    assert frame_of(drawn(50.0, lean_deg=lean, view=(10, 5))).deg == pytest.approx(50.0, abs=0.02)


@pytest.mark.parametrize("frame_deg", [5.0, 60.0, 110.0])
def test_linear_and_monte_carlo_agree(frame_deg, monkeypatch):
    """With a bars' common depth so well known that its factor is a line."""
    monkeypatch.setattr(inputs, "BARS_TOGETHER_LOG", 0.1)
    leg = drawn(frame_deg, view=(12, 6), strip=True)
    trials = un.simulate(leg, lines=un.ALL_LINES, trials=40_000, rng=np.random.default_rng(1))
    for quantity in (
        lambda d: d.tag_frame_deg,
        lambda d: d.tag_frame_deg - d.knee_deg,
        lambda d: d.tag_hinge_mm,
        lambda d: d.motion,
    ):
        assert np.std(quantity(trials), axis=0) == pytest.approx(
            un.linear_u(leg, quantity), rel=0.04
        )


def test_the_bars_lie_outside_the_leg_and_as_far_as_was_seen():
    """Between 16 and 116 mm before the knee by 95 %, as machines were drawn."""
    leg = drawn(60.0)
    bar = Landmark.round(700.0, 500.0, u_px=1.0, source="dot")
    leg = replace(leg, bar_tags=None, points={**leg.points, "thigh_bar": bar})
    at = inputs.names_of(leg).index("thigh_bar")
    drawn_mm = inputs.draw(
        leg, lines=("landmark_depth",), trials=20_000, rng=np.random.default_rng(1)
    ).depth_mm[:, at]
    low, middle, high = np.quantile(drawn_mm, [0.025, 0.5, 0.975])
    assert low < 16 < middle < 116 < high
    assert np.mean(drawn_mm < 0) < 0.002  # 4 mm of its own


def test_knee_and_frame_share_the_camera_in_every_trial():
    """One wrong direction moves both: their errors are correlated, and the fit part keeps it."""
    leg = drawn(60.0, view=(25, 10))
    leg = replace(leg, view=replace(leg.view, leg_turn_cov_deg2=(0.0, 0.0, 0.0), p_other=0.0))
    trials = un.simulate(
        leg, lines=("camera_direction",), trials=4000, rng=np.random.default_rng(2)
    )
    assert abs(np.corrcoef(trials.tag_frame_deg, trials.knee_deg)[0, 1]) > 0.5


def test_how_the_tags_are_stuck_moves_an_offset_and_is_inside_the_u():
    """1.5 and -1 degrees off the bars: 2.5 degrees at every setting, a 1.4 degree u holds it."""
    kit = Kit(turned_deg=(1.5, -1.0))
    off = [frame_of(drawn(d, kit=kit, view=(10, 5))).deg - d for d in (5.0, 40.0, 80.0, 115.0)]
    assert off == pytest.approx([off[0]] * 4, abs=0.03)
    assert abs(off[0]) == pytest.approx(2.5, abs=0.03)
    frame = frame_of(drawn(40.0, kit=kit))
    assert frame.u_shared_deg == pytest.approx(np.sqrt(2) * assumptions.U_STUCK_DEG)
    assert frame.interval_deg[0] < 40.0 < frame.interval_deg[1]


def test_the_hinge_of_one_photo_is_unsure_along_straight_bars():
    straight, bent = (frame_of(drawn(d)) for d in (2.0, 80.0))
    assert np.sqrt(straight.hinge_cov_mm2[0]) > 25.0
    assert bent.u_hinge_mm < 12.0


def test_tags_elsewhere_on_the_bars_are_inside_the_hinges_interval():
    kit = Kit(from_hinge_mm=(190.0, 110.0), across_mm=(2.0, -2.0))
    for frame_deg in (10.0, 45.0, 90.0):
        frame = frame_of(drawn(frame_deg, kit=kit))
        u = np.sqrt([frame.hinge_cov_mm2[0], frame.hinge_cov_mm2[2]])
        off = np.abs(np.array([frame.distal_mm, frame.anterior_mm]) - OFFSET_MM)
        assert np.all(off < 2.2 * u)


def test_frame_intervals_hold_the_truth_as_often_as_they_say():
    """200 kits stuck, photographed and found as the u say: 95 % (binomial ± 3.1 %)."""
    rng = np.random.default_rng(12)
    held, repeats = 0, 200
    for _ in range(repeats):
        true = rng.uniform(-5, 120)
        kit = Kit(
            from_hinge_mm=tuple(np.clip(150 + 60 * rng.standard_normal(2), 60, 280)),
            turned_deg=tuple(assumptions.U_STUCK_DEG * rng.standard_normal(2)),
            across_mm=tuple(assumptions.U_STUCK_ACROSS_MM * rng.standard_normal(2)),
        )
        view = (12 * rng.standard_normal(), 8 + 6 * rng.standard_normal())
        low, high = frame_of(drawn(true, kit=kit, view=view, rng=rng), trials=400).interval_deg
        held += low <= true <= high
    assert 0.92 <= held / repeats <= 0.98


# ---------------------------------------------------------------- several photos: the pole


KIT = Kit(from_hinge_mm=(170.0, 120.0), turned_deg=(1.2, -0.8), across_mm=(1.5, -1.0))


def fitted(angles, *, kit: Kit = KIT, side: str = "left") -> bars.HingeFit:
    motions = [
        un.tag_motion(
            drawn(d, kit=kit, side=side, view=(8 * np.cos(d), 6)),
            trials=1500, rng=np.random.default_rng(3),
        )
        for d in angles
    ]  # fmt: skip
    return bars.fit_hinge(motions)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_pole_of_the_tags_turn_is_the_hinge(side):
    """Closed loop: where the kit was stuck comes back in each tag's own axes."""
    found = fitted((5.0, 40.0, 80.0, 115.0), side=side).hinge
    thigh, shank = (
        geometry.turned((sign * KIT.from_hinge_mm[k], -KIT.across_mm[k]), by_deg=-KIT.turned_deg[k])
        for k, sign in ((0, 1.0), (1, -1.0))
    )
    assert found.thigh_mm == pytest.approx(thigh, abs=0.2)
    assert found.shank_mm == pytest.approx(shank, abs=0.2)


def test_the_poles_errors_are_as_large_as_its_covariance_says():
    """Over 300 noisy series the squared error in units of its covariance averages 4 (chi²)."""
    rng = np.random.default_rng(8)
    p, q = np.array([160.0, 4.0]), np.array([-140.0, -3.0])
    cov = np.diag([0.3, 1.0, 1.0]) ** 2
    scores, chi2 = [], []
    for _ in range(300):
        motions = []
        for turn in (-10.0, -45.0, -80.0, -110.0):
            middle = p - geometry.turned(q, by_deg=turn)
            off = rng.multivariate_normal(np.zeros(3), cov)
            motions.append(
                bars.TagMotion(turn + off[0], tuple(middle + off[1:]), tuple(map(tuple, cov)))
            )
        fit = bars.fit_hinge(motions)
        away = np.array([*fit.hinge.thigh_mm, *fit.hinge.shank_mm]) - [*p, *q]
        scores.append(away @ np.linalg.solve(np.array(fit.hinge.cov_mm2), away))
        chi2.append(fit.chi2)
    assert np.mean(scores) == pytest.approx(4.0, abs=0.6)
    assert np.mean(chi2) == pytest.approx(fit.dof, abs=0.6)


@pytest.mark.parametrize("turns", [(), (30.0,), (30.0, 38.0)], ids=["none", "one", "too close"])
def test_the_pole_needs_two_settings(turns):
    cov = tuple(map(tuple, np.eye(3)))
    with pytest.raises(InvalidInput, match="two or more settings"):
        bars.fit_hinge([bars.TagMotion(turn, (0.0, 0.0), cov) for turn in turns])


def test_the_known_hinge_shows_how_the_tags_are_stuck():
    """The frame's error by turned tags shrinks, and so does its u."""
    kit = replace(KIT, across_mm=(0.0, 0.0))
    leg = drawn(30.0, kit=kit)
    known = replace(leg, bar_tags=replace(leg.bar_tags, hinge=fitted((5, 50, 110), kit=kit).hinge))
    before, after = frame_of(leg), frame_of(known)
    assert abs(after.deg - 30.0) < 0.6 * abs(before.deg - 30.0)
    assert after.u_shared_deg < 0.75 * before.u_shared_deg
    assert (after.distal_mm, after.anterior_mm) == pytest.approx(OFFSET_MM, abs=0.6)
    assert after.u_hinge_mm < before.u_hinge_mm


# ---------------------------------------------------------------- drawn into photos


@functools.cache
def seen_with_tags():
    return [
        (scene, measure(with_bar_tags(scene, Kit()), detectors=(DOTS,), name="x.jpg"))
        for scene in scenes(dots=True)
    ]


def measured_photos():
    return [(s, r) for s, r in seen_with_tags() if isinstance(r, Measurement)]


def by_tags_alone(result) -> Frame:
    leg = result.leg
    return frame_of(replace(leg, points={name: leg.points[name] for name in LEG_POINTS}))


def test_frame_and_hinge_by_tags_drawn_into_the_sample_photos():
    """Rendered truth: frame within 0.7 (median) and 2 degrees (95 %), hinge within 5 mm."""
    frame_off, hinge_off, held = [], [], []
    for scene, result in measured_photos():
        frame, machine = by_tags_alone(result), scene.truth["machine"]
        true = machine["hinge_offset_mm"]
        frame_off.append(abs(frame.deg - machine["frame_angle_deg"]))
        held.append(frame.interval_deg[0] < machine["frame_angle_deg"] < frame.interval_deg[1])
        hinge_off.append(
            np.hypot(frame.distal_mm + true["proximal"], frame.anterior_mm - true["anterior"])
        )
    assert len(frame_off) >= 20
    assert np.median(frame_off) <= 0.7
    assert np.quantile(frame_off, 0.95) <= 2.0
    assert np.median(hinge_off) <= 5.0
    assert all(held)


def test_dots_and_tags_agree_and_the_surer_one_counts():
    both = [r for _, r in measured_photos() if r.machine.frame.tags_minus_points_deg]
    assert len(both) >= 16
    for result in both:
        difference, u = result.machine.frame.tags_minus_points_deg
        assert abs(difference) < 1.96 * u
        assert result.machine.frame.source == "dot"
        assert result.machine.frame.u_deg <= by_tags_alone(result).u_deg
        assert not any("differ by" in caution for caution in result.cautions)


def test_a_badly_stuck_tag_is_said():
    scene = scenes(image="bed_01.jpg")[0]
    photo = with_bar_tags(scene, Kit(turned_deg=(4.0, -3.0)))
    result = measure(photo, detectors=(DOTS,), name="x.jpg")
    assert any("points on the machine's bars differ by" in c for c in result.cautions)


@pytest.mark.parametrize("size", [0.7, 1.4])
def test_the_size_of_the_photo_does_not_change_the_frame(size):
    scene = scenes(image="series_a_4.jpg")[0]
    result = measure(with_bar_tags(scene, Kit(), size=size), detectors=(DOTS,), name="x.jpg")
    assert by_tags_alone(result).deg == pytest.approx(
        scene.truth["machine"]["frame_angle_deg"], abs=0.3
    )


def test_corners_of_the_drawn_tags_are_found():
    """The exact homography's corners, to a fifth of a pixel (rms)."""
    kit = Kit()
    photo = read_photo(with_bar_tags(scenes(image="bed_03.jpg")[0], kit), name="x.jpg")
    for tag in bars_of(find_tags(photo)):
        off = np.array(tag.corners_px) - kit.corners_px[tag.number]
        assert np.sqrt(np.mean(off**2)) < 0.2


def test_a_mirrored_photo_shows_no_bar_tags():
    """Tags cannot be mistaken for their mirror images, so nothing wrong is read from it."""
    with Image.open(io.BytesIO(with_bar_tags(scenes(image="bed_03.jpg")[0], Kit()))) as picture:
        mirrored = ImageOps.mirror(picture)
        out = io.BytesIO()
        mirrored.save(out, "JPEG", quality=95)
    assert bars_of(find_tags(read_photo(out.getvalue(), name="x.jpg"))) == ()


# ---------------------------------------------------------------- a machine by its bar tags


class LegDots:
    """The leg's dots only: as if the machine had none."""

    source = "dot"

    def find(self, photo, *, masked=()):
        found = DOTS.find(photo, masked=masked)
        if isinstance(found, NotMeasured):
            return found
        return replace(found, points={name: found.points[name] for name in LEG_POINTS})


STUCK = Kit(from_hinge_mm=(160.0, 130.0), turned_deg=(0.8, -0.6), across_mm=(1.0, -1.0))


@pytest.fixture(scope="module")
def checked():
    """Both sample series with one kit each, stuck as `STUCK`, checked by their tags alone."""
    found = {}
    for letter in "ab":
        photos = [s for s in scenes(tags=True) if s.photo.stem.startswith(f"series_{letter}")]
        outcomes = {
            scene.photo.stem: measure(
                with_bar_tags(scene, STUCK),
                detectors=(LegDots(),),
                name=scene.photo.name,
                displayed_deg=scene.truth["machine"]["displayed_angle_int"],
            )
            for scene in photos
        }
        found[letter] = (photos, check_machine(outcomes, Settings()), outcomes)
    return found


@pytest.mark.parametrize(
    ("letter", "offset", "gain", "causes"),
    [
        pytest.param("a", 5.0, 1.04, {"both"}, id="a drifted sensor, a hinge behind the knee"),
        pytest.param("b", 0.0, 1.0, {"fit"}, id="a hinge 45 mm too far distal"),
    ],
)
def test_a_machine_is_judged_by_its_bar_tags_alone(checked, letter, offset, gain, causes):
    _, result, _ = checked[letter]
    assert result.judged.display.holds(offset_deg=offset, gain=gain)
    assert result.kind in causes
    assert {frame.source for frame in result.frames} == {"tag"}


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_pole_gives_the_hinge_of_every_photo(checked, letter):
    """Rendered truth: median error within 5 mm, and inside the stated ±."""
    photos, result, _ = checked[letter]
    off = []
    for scene, frame in zip(photos, result.frames, strict=True):
        true = scene.truth["machine"]["hinge_offset_mm"]
        away = (frame.distal_mm + true["proximal"], frame.anterior_mm - true["anterior"])
        off.append(np.hypot(*away))
        assert abs(away[0]) < 2.2 * np.sqrt(frame.hinge_cov_mm2[0])
        assert abs(away[1]) < 2.2 * np.sqrt(frame.hinge_cov_mm2[2])
    assert np.median(off) <= 5.0


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_pole_is_where_the_kit_was_stuck(checked, letter):
    """In the thigh tag's axes 160 mm along, in the shank tag's 130 mm back, within 95 %."""
    found = checked[letter][1].bar_hinge
    u = np.sqrt(np.diag(found.hinge.cov_mm2))
    for k, place, sign in ((0, found.hinge.thigh_mm, 1.0), (1, found.hinge.shank_mm, -1.0)):
        true = geometry.turned(
            (sign * STUCK.from_hinge_mm[k], -STUCK.across_mm[k]), by_deg=-STUCK.turned_deg[k]
        )
        assert np.all(np.abs(place - true) < 2.5 * u[2 * k : 2 * k + 2])
    assert np.all(u < 3.0)
    assert found.p_value > 0.01


def test_the_checks_words_and_json_name_the_pole(checked):
    _, result, _ = checked["b"]
    text = check_text(result, Settings())
    assert "hinge seen from the thigh bar's tag: +1" in text
    assert "towards the foot of the knee" in text
    row = check_as_json(result, version="1")
    assert row["hinge_in_bar_tags_mm"]["shank_tag"][0] == pytest.approx(-130.0, abs=3.0)
    assert [one["frame_source"] for one in row["frames"]] == ["tag"] * len(result.photos)
    both = result.judged.holding.sections_mm
    assert row["sections"]["both_sections_mm"]["interval"] == pytest.approx(both.interval, abs=0.05)
    untold = replace(result, judged=replace(result.judged, advice=None))
    assert check_as_json(untold, version="1")["sections"] is None


def test_photos_of_both_legs_show_no_common_pole(checked):
    """The other side of a machine has another kit."""
    _, result, outcomes = checked["a"]
    assert result.bar_hinge is not None
    first, *rest = list(outcomes.values())[:3]
    other = {"left": "right", "right": "left"}[first.side]
    turned = replace(first, leg=replace(first.leg, side=other))
    mixed = check_machine(dict(zip("abc", (turned, *rest), strict=True)), Settings())
    assert getattr(mixed, "bar_hinge", None) is None


# ---------------------------------------------------------------- what all photos share


def test_cards_whose_arrows_point_to_the_hip_are_named_and_not_used(checked):
    photos, result, _ = checked["b"]
    outcomes = {
        scene.photo.stem: measure(
            with_bar_tags(scene, replace(STUCK, turned_deg=(180.0, 180.0))),
            detectors=(LegDots(),),
            name=scene.photo.name,
            displayed_deg=scene.truth["machine"]["displayed_angle_int"],
        )
        for scene in photos
    }
    wrong = check_machine(outcomes, Settings())
    assert wrong.kind == "not_separable"
    assert any("points the wrong way" in caution for caution in wrong.cautions)
    assert not any("points the wrong way" in caution for caution in result.cautions)
