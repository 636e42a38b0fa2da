"""The benches' own world: its figures, and that the package sees it as it is."""

from __future__ import annotations

import numpy as np
import pytest
from bench.visit_world import Errors, Shot, World, as_leg, estimate_of, marks_of, read_of, take

from knee_angle.angle.uncertainty import flexion_with_uncertainty, frame_with_uncertainty

BARS = np.array([30.0, 60.0, 90.0, 110.0])
EXACT = Errors((0.0, 0.0, 0.0), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("world", "knee_minus_bars"),
    [
        # Figures of the closed chain, computed beforehand by the project.
        pytest.param({"thigh_fault": 20}, (-13.43, -5.10, -2.93, -2.11), id="thigh too long"),
        pytest.param({"lower_fault": -20}, (9.08, 4.62, 2.66, 1.80), id="lower leg too short"),
        pytest.param({"place": -20}, (9.38, 5.38, 3.89, 3.38), id="patient down the bed"),
    ],
)
def test_the_seated_world_has_the_projects_figures(world, knee_minus_bars):
    """Tolerance: the digits given, and the world's own grid of 0.004 degrees."""
    found = World(lower=400.0, **world).knee(BARS) - BARS
    assert found == pytest.approx(knee_minus_bars, abs=0.01)


@pytest.mark.parametrize("pelvis", ["share", "springs", "blend"])
def test_a_pelvis_that_gives_way_altogether_leaves_knee_and_bars_alike(pelvis):
    world = World(thigh_fault=25, pelvis=pelvis, give=1.0)
    assert world.knee(BARS) == pytest.approx(BARS, abs=0.01)


def test_marks_turn_with_their_bone():
    """A knee mark 5 mm off moves the angle alike bent and straight; the ankle's by its shank."""
    for bars in (20.0, 100.0):
        clean = read_of(marks_of(World(), bars, np.zeros(6)))
        off = read_of(marks_of(World(), bars, np.array([0, 0, 0, 0, 0, 7.0])))
        assert off[0] - clean[0] == pytest.approx(-np.degrees(7.0 / 400.0), abs=0.01)


@pytest.mark.parametrize(
    "view",
    [
        pytest.param({}, id="square on"),
        pytest.param({"yaw": 15.0, "pitch": -8.0, "roll": 4.0}, id="from the side and above"),
    ],
)
def test_the_package_sees_an_exact_world_as_it_is(view):
    world = World(thigh_fault=20, lower_fault=-10)
    shots = [Shot(b, f"s{b:g}", u_px=1e-6, u_direction=1e-6, **view) for b in (30.0, 90.0)]
    for photo in take(world, shots, np.random.default_rng(1), errors=EXACT):
        leg = as_leg(photo, errors=Errors((1e-6,) * 3, focal=1e-6))
        knee = flexion_with_uncertainty(leg, trials=500, rng=np.random.default_rng(1))
        # Marks stand before the plane by up to 25 mm, which the package has as its own mean.
        assert knee.deg == pytest.approx(photo.knee, abs=1.0)
        frame = frame_with_uncertainty(leg, trials=500, rng=np.random.default_rng(1))
        assert frame.deg == pytest.approx(photo.shot.bars, abs=1.0)
        assert (frame.distal_mm, frame.anterior_mm) == pytest.approx(photo.hinge, abs=8.0)


def test_a_joint_estimate_scatters_as_its_covariance_says():
    world, rng = World(thigh_fault=15), np.random.default_rng(2)
    bars = np.array([25.0, 70.0, 100.0])
    truth = estimate_of(world, bars, EXACT_BUT_TINY, rng).mean
    found = []
    for _ in range(200):
        seen = estimate_of(world, bars, Errors(), rng)
        away = np.linalg.solve(np.linalg.cholesky(seen.cov), seen.mean - truth)
        found.append(away @ away)
    assert np.mean(found) == pytest.approx(len(truth), rel=0.1)


EXACT_BUT_TINY = Errors((1e-9,) * 3, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9, 1e-9)
