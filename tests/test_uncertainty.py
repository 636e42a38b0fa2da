"""Where the ± comes from, against tables, GTC and the linear propagation."""

from __future__ import annotations

import math
from dataclasses import replace

import GTC
import numpy as np
import pytest

from knee_angle.angle import geometry, inputs
from knee_angle.angle import uncertainty as un
from knee_angle.assumptions import MARK_DEPTH_MM, POSE_ALIKE
from knee_angle.records import Landmark, LegInView, Lens, View

FAR = 1.0e6
"""mm: a camera so far away that perspective is gone."""


def leg(
    flexion_deg: float,
    *,
    u_px: float = 0.0,
    placement_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    tilt_deg: float = 0.0,
    yaw_deg: float = 0.0,
    pitch_deg: float = 0.0,
    side: str = "left",
    plane: str = "tag",
) -> LegInView:
    """A leg of 1.70 m stature seen by a known camera, one px = one mm square-on."""
    thigh, shank = 0.245 * 1700, 0.246 * 1700
    a = np.radians(flexion_deg)
    sign = 1 if side == "left" else -1
    flat = np.array(
        [[sign * thigh, 0.0], [0.0, 0.0], [-sign * shank * np.cos(a), shank * np.sin(a)]]
    )
    normal = geometry.normal_from_view(yaw_deg=yaw_deg, pitch_deg=pitch_deg)
    right, down = geometry.plane_axes(normal)
    depth = np.array([MARK_DEPTH_MM[n][0] for n in ("hip", "knee", "ankle")])
    # The knee lies on the optical axis, so that yaw and pitch are true oblique views.
    points = flat[:, :1] * right + flat[:, 1:] * down + depth[:, None] * normal + [0.0, 0.0, FAR]
    pixels = points[:, :2] / points[:, 2:] * FAR + 1000.0
    return LegInView(
        points={
            name: Landmark.round(float(x), float(y), u_px=u_px, source="dot")
            for name, (x, y) in zip(("hip", "knee", "ankle"), pixels, strict=True)
        },
        side=side,
        lens=Lens(2000, 2000, FAR, 0.0, "exif"),
        view=View(plane, tuple(normal), (tilt_deg**2, 0.0, tilt_deg**2), -FAR * normal[2], 0.0),
        placement_mm=placement_mm,
    )


def simulated_u(one: LegInView, line: str, trials: int = 40_000) -> float:
    drawn = un.simulate_deg(one, lines=(line,), trials=trials, rng=np.random.default_rng(5))
    return float(np.std(drawn))


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("view", [(0, 0), (25, 0), (-20, 15), (10, 20)])
@pytest.mark.parametrize("flexion", [-5.0, 0.0, 30.0, 90.0, 120.0])
def test_a_leg_drawn_in_any_view_reads_its_own_angle(flexion, view, side):
    one = leg(flexion, yaw_deg=view[0], pitch_deg=view[1], side=side)
    assert un.plane_flexion_deg(one) == pytest.approx(flexion, abs=1e-6)


@pytest.mark.parametrize(
    ("placement", "row"),
    [
        ((5.0, 5.0, 5.0), (1.64, 1.53, 1.37, 1.25)),
        ((10.0, 5.0, 5.0), (2.03, 1.94, 1.82, 1.73)),
        ((15.0, 10.0, 5.0), (3.43, 3.22, 2.91, 2.68)),
        ((18.0, 10.0, 5.0), (3.69, 3.50, 3.22, 3.01)),
    ],
)
def test_landmark_table(placement, row):
    """Landmark SD to knee-angle SD at stature 1.70 m; facts computed by the project."""
    for flexion, printed in zip((30, 60, 90, 110), row, strict=True):
        u = un.linear_u_deg(leg(flexion, placement_mm=placement))
        depth = un.linear_u_deg(leg(flexion))
        assert math.sqrt(u**2 - depth**2) == pytest.approx(printed, abs=0.012)


def test_gtc_propagates_the_same_point_uncertainty():
    """GTC, a public metrology library, is the independent check of the propagation."""
    one = leg(70.0, u_px=4.0)
    xy = {n: (p.x_px, p.y_px) for n, p in one.points.items()}
    h, k, a = ([GTC.ureal(v, 4.0) for v in xy[n]] for n in ("hip", "knee", "ankle"))
    tx, ty, sx, sy = k[0] - h[0], k[1] - h[1], a[0] - k[0], a[1] - k[1]
    angle = GTC.atan2(-(tx * sy - ty * sx), tx * sx + ty * sy) * (180 / math.pi)
    assert GTC.value(angle) == pytest.approx(un.plane_flexion_deg(one), abs=1e-6)
    assert simulated_u(one, "landmark_finding") == pytest.approx(GTC.uncertainty(angle), rel=0.02)


@pytest.mark.parametrize("view", [(0, 0), (20, 10)])
@pytest.mark.parametrize("flexion", [10.0, 60.0, 110.0])
def test_linear_and_monte_carlo_agree(flexion, view):
    one = leg(
        flexion, u_px=2.0, placement_mm=(10, 5, 5), tilt_deg=1.0, yaw_deg=view[0], pitch_deg=view[1]
    )
    drawn = un.simulate_deg(one, lines=un.BUDGET_LINES, trials=60_000, rng=np.random.default_rng(1))
    assert float(np.std(drawn)) == pytest.approx(un.linear_u_deg(one), rel=0.03)


def test_budget_lines_add_up():
    one = leg(80.0, u_px=3.0, placement_mm=(10, 5, 5), tilt_deg=2.0, yaw_deg=15)
    angle = un.flexion_with_uncertainty(one, trials=40_000, rng=np.random.default_rng(2))
    assert set(angle.budget_deg) == set(un.BUDGET_LINES)
    assert math.sqrt(sum(u**2 for u in angle.budget_deg.values())) == pytest.approx(
        angle.u_deg, rel=0.05
    )


@pytest.mark.parametrize("axis", [0, 1])
def test_a_principal_point_that_is_not_known_is_a_lens_that_lies_elsewhere(axis):
    """One u of it is the leg through that lens, its plane as that lens shows it."""
    plain = leg(80.0, yaw_deg=15, pitch_deg=10)
    lean = ((0.0, 0.0), (7.0, 1.0), (-2.0, 6.0))
    one = replace(
        plain,
        lens=replace(plain.lens, u_centre=0.1),
        view=replace(plain.view, tilt_by_lens_deg=lean),
    )
    assert un.inputs_of(one)["focal_length"] == 3
    z = np.zeros((1, 3))
    z[0, 1 + axis] = 1.0
    off = np.zeros(2)
    off[axis] = 0.1 * plain.lens.diagonal_px
    normal = geometry.tilt_normal(np.array(plain.view.normal), np.array(lean[1 + axis]))
    elsewhere = replace(
        plain,
        lens=plain.lens.moved(0.0, tuple(off)),
        view=replace(plain.view, normal=tuple(normal)),
    )
    (drawn,) = un.drawn_from(one, {"focal_length": z}).knee_deg
    assert drawn == pytest.approx(un.plane_flexion_deg(elsewhere), abs=1e-9)
    assert abs(drawn - un.plane_flexion_deg(plain)) > 0.2


def test_the_marks_interval_is_that_of_trials_without_the_placement():
    one = leg(80.0, u_px=3.0, placement_mm=(10, 5, 5), tilt_deg=2.0, yaw_deg=15)
    angle = un.flexion_with_uncertainty(one, trials=40_000, rng=np.random.default_rng(2))
    lines = tuple(line for line in un.BUDGET_LINES if line != "landmark_placement")
    apart = un.simulate_deg(one, lines=lines, trials=40_000, rng=np.random.default_rng(3))
    assert angle.found_interval_deg == pytest.approx(un.interval_of(apart), abs=0.05)
    placed = replace(one, placement_mm=(0.0, 0.0, 0.0))
    exact = un.flexion_with_uncertainty(placed, trials=6000, rng=np.random.default_rng(2))
    assert exact.found_interval_deg == exact.interval_deg


def test_the_interval_holds_the_truth_as_often_as_it_says():
    """JCGM 101: over many noisy pictures of one leg, 95 % of the intervals hold its angle."""
    rng = np.random.default_rng(3)
    inside, repeats = 0, 400
    for _ in range(repeats):
        true = leg(65.0, u_px=4.0)
        noisy = replace(
            true,
            points={
                n: replace(
                    p,
                    x_px=p.x_px + 4 * rng.standard_normal(),
                    y_px=p.y_px + 4 * rng.standard_normal(),
                )
                for n, p in true.points.items()
            },
        )
        low, high = un.flexion_with_uncertainty(noisy, trials=1500, rng=rng).interval_deg
        inside += low <= 65.0 <= high
    # Binomial: 95 % +- 2.2 % (two standard deviations) for 400 repeats.
    assert 0.92 <= inside / repeats <= 0.98


def test_four_rectangular_inputs_of_jcgm_101():
    """JCGM 101:2008 9.2 (inputs from memory): u 2.00 and +-3.88; normals give +-3.92.

    Checks the interval step alone: the quantiles of a drawn sample.
    """
    rng = np.random.default_rng(4)
    drawn = rng.uniform(-math.sqrt(3), math.sqrt(3), (1_000_000, 4)).sum(axis=1)
    assert np.std(drawn) == pytest.approx(2.00, abs=0.005)
    assert un.interval_of(drawn) == pytest.approx((-3.88, 3.88), abs=0.015)
    normal = rng.standard_normal((1_000_000, 4)).sum(axis=1)
    assert un.interval_of(normal) == pytest.approx((-3.92, 3.92), abs=0.015)


def test_the_same_photo_gives_the_same_answer():
    one = leg(50.0, u_px=2.0)
    answers = [
        un.flexion_with_uncertainty(one, trials=500, rng=np.random.default_rng(9)) for _ in "ab"
    ]
    assert answers[0] == answers[1]


def test_a_flat_angle_carries_its_own_bias():
    """Without tags the number is the flat one and the interval reaches the true one."""
    prior = View(
        "image",
        tuple(geometry.normal_from_view(yaw_deg=0, pitch_deg=9)),
        (225.0, 0, 64.0),
        1100.0,
        150.0,
    )
    seen = leg(90.0, yaw_deg=20, pitch_deg=5)
    flat = replace(seen, view=prior, lens=Lens(2000, 2000, 1100.0, 0.02, "exif"))
    angle = un.flexion_with_uncertainty(flat, trials=4000, rng=np.random.default_rng(6))
    assert angle.deg == un.flat_flexion_deg(flat)
    assert abs(angle.deg - 90.0) > 1.5
    assert angle.interval_deg[0] < 90.0 < angle.interval_deg[1]
    assert angle.budget_deg["camera_direction"] > 2.5


def test_both_mirrored_solutions_are_drawn():
    one = leg(90.0, yaw_deg=15)
    other = tuple(geometry.normal_from_view(yaw_deg=-15, pitch_deg=0))
    two = replace(one, view=replace(one.view, other_normal=other, p_other=0.5))
    drawn = un.simulate_deg(
        two, lines=("camera_direction",), trials=2000, rng=np.random.default_rng(7)
    )
    assert len(np.unique(drawn.round(6))) == 2


def test_no_uncertainty_at_all_is_a_point():
    one = replace(leg(33.0), view=replace(leg(33.0).view))
    drawn = un.simulate_deg(
        one, lines=("landmark_finding",), trials=10, rng=np.random.default_rng(0)
    )
    assert np.ptp(drawn) == pytest.approx(0.0, abs=1e-9)


def test_a_straight_knee_is_measured_worse_than_a_bent_one():
    """Naylor et al. 2011: photograph against radiograph, extension far worse than flexion."""
    straight, bent = (un.linear_u_deg(leg(f, placement_mm=(10, 5, 5))) for f in (5, 90))
    assert straight > bent


def test_segment_lengths_of_a_drawn_leg():
    """Drillis and Contini 1966 (in Winter): thigh .245 and shank .246 of 1.70 m."""
    _, _, seen = un.photo_with_uncertainty(
        leg(40.0, placement_mm=(10, 5, 5), yaw_deg=15), trials=4000, rng=np.random.default_rng(3)
    )
    assert seen.thigh_mm == pytest.approx(0.245 * 1700, abs=1e-6)
    assert seen.shank_mm == pytest.approx(0.246 * 1700, abs=1e-6)
    # Two ends, each off along the segment: 10 and 5 mm for the thigh, 5 and 5 for the shank;
    # in a view from 15 degrees the marks' unknown depths add tan(15) of theirs.
    thigh_depth, shank_depth = (
        MARK_DEPTH_MM[n][1] * math.tan(math.radians(15)) for n in ("hip", "ankle")
    )
    assert seen.u_thigh_mm == pytest.approx(math.hypot(10, 5, thigh_depth), rel=0.06)
    assert 7.0 < seen.u_shank_mm < math.hypot(5, 5, shank_depth) * 1.06


@pytest.mark.parametrize("view", [(0, 0), (25, 10)])
def test_a_typed_thigh_gives_the_scale_in_any_view(view):
    """The first guess of the distance is a fifth off; the tape's length sets it right."""
    true = leg(50.0, yaw_deg=view[0], pitch_deg=view[1])
    guessed = replace(true, view=replace(true.view, knee_distance_mm=0.8 * FAR, u_distance_mm=0.2))
    depth = MARK_DEPTH_MM["hip"][0] - MARK_DEPTH_MM["knee"][0]
    taped = replace(guessed, thigh_mm=math.hypot(0.245 * 1700, depth))
    _, _, seen = un.photo_with_uncertainty(taped, trials=4000, rng=np.random.default_rng(8))
    assert seen.thigh_mm == pytest.approx(0.245 * 1700, abs=1e-3)
    assert seen.shank_mm == pytest.approx(0.246 * 1700, abs=1e-3)
    assert un.plane_flexion_deg(taped) == pytest.approx(50.0, abs=1e-6)


def test_the_tapes_error_is_carried_into_the_shank():
    """Square-on and far away both segments scale alike: 5 mm on the thigh, 5 on the shank."""
    taped = replace(leg(50.0), thigh_mm=math.hypot(0.245 * 1700, 20.0))
    drawn = un.simulate(
        taped, lines=("leg_distance",), trials=20_000, rng=np.random.default_rng(8)
    ).segment_mm
    assert np.std(drawn, axis=0) == pytest.approx([5.0] * 2, rel=0.03)


def test_linear_and_monte_carlo_agree_with_a_typed_thigh():
    near = leg(70.0, u_px=2.0, placement_mm=(10, 5, 5), tilt_deg=1.0, yaw_deg=15)
    taped = replace(near, thigh_mm=420.0)
    drawn = un.simulate_deg(
        taped, lines=un.BUDGET_LINES, trials=60_000, rng=np.random.default_rng(1)
    )
    assert float(np.std(drawn)) == pytest.approx(un.linear_u_deg(taped), rel=0.03)


def test_errors_of_the_pose_model_go_together_each_as_large_as_stated():
    stated = ((64.0, 20.0, 90.0), (50.0, -10.0, 40.0), (64.0, 0.0, 64.0))
    one = leg(40.0)
    points = {
        name: replace(point, cov_px2=cov, source="pose")
        for (name, point), cov in zip(one.points.items(), stated, strict=True)
    }
    drawn = inputs.draw(
        replace(one, points=points),
        lines=("landmark_finding",),
        trials=200_000,
        rng=np.random.default_rng(2),
    ).points_px
    for k, (xx, xy, yy) in enumerate(stated):
        assert np.cov(drawn[:, k].T) == pytest.approx(np.array([[xx, xy], [xy, yy]]), abs=1.0)
    alike = np.corrcoef(drawn[:, :, 0].T)[np.triu_indices(3, 1)]
    assert np.all((alike > 0.7) & (alike < 0.82))


def test_errors_that_go_together_bend_the_leg_less():
    apart = leg(40.0, u_px=8.0)
    posed = {name: replace(point, source="pose") for name, point in apart.points.items()}
    u_apart, u_together = (
        simulated_u(one, "landmark_finding") for one in (apart, replace(apart, points=posed))
    )
    assert u_together == pytest.approx(u_apart * (1.0 - POSE_ALIKE) ** 0.5, rel=0.02)
