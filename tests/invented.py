"""A measurement made of numbers: light to load, as programs do that are killed again and again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from knee_angle.angle import uncertainty, verdict
from knee_angle.machine import cause
from knee_angle.records import Angle, Landmark, Landmarks, LegInView, Lens, Measurement, View
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings

SHA = "5eed" * 16
SETTINGS = Settings(limit_flexion_deg=95.0, trials=400)


def seeded(sha256: str) -> np.random.Generator:
    """The generator that a photo's hash stands for, as in `measure_photo`."""
    return np.random.default_rng(int(sha256[:16], 16))


def made_measurement(
    *, displayed_deg: float | None = 93.0, settings: Settings = SETTINGS, sha256: str = SHA
) -> Measurement:
    """A measurement of an invented leg, computed as the pipeline does it, without a photo."""
    points = {
        "hip": Landmark(1280.8, 871.6, (4.0, 0.5, 3.0), "dot"),
        "knee": Landmark(874.2, 448.3, (2.0, 0.0, 2.5), "dot"),
        "ankle": Landmark(586.8, 740.7, (3.0, -0.2, 2.0), "manual"),
    }
    leg = LegInView(
        points=points,
        side="left",
        lens=Lens(1600, 1200, 1201.85, 0.02, "exif"),
        view=View("tag", (-0.29, 0.17, -0.94182), (1.2, -0.9, 6.1), 1021.9, 40.1),
        placement_mm=settings.placed_mm,
    )
    knee = uncertainty.flexion_with_uncertainty(leg, trials=settings.trials, rng=seeded(sha256))
    shown = None if displayed_deg is None else checked(displayed_deg)
    return Measurement(
        photo="Ada Lovelace left knee.jpg",
        leg=leg,
        landmarks=Landmarks(points, side="left"),
        knee=knee,
        flat_deg=uncertainty.flat_flexion_deg(leg),
        displayed=shown,
        comparison=shown and verdict.compare(shown, knee, settings),
        finding=shown and cause.finding_of(None, shown, settings, machine=None),
        alarms=cause.alarms_of(knee, settings),
        cautions=("a caution with ± and 'quotes'",),
        seconds=0.125,
    )


def at_angle(measurement: Measurement, deg: float, *, u_deg: float = 2.0) -> Measurement:
    """The same measurement with another angle: for lists and trends, not for recomputing."""
    interval = (deg - 1.96 * u_deg, deg + 1.96 * u_deg)
    budget = {"landmark_placement": 0.8 * u_deg}
    return replace(measurement, knee=Angle(deg, u_deg, interval, budget, interval))
