"""The joint estimate of all photos of one leg in one machine: one visit, one estimate.

Numbers only: photos come in measured, as legs in view, with their settings (`photos`).
READ FIRST: `estimate`, then `sharing` (what photos have in common), `equal` (what must come
out the same), `solve` (how) with `ties` (all of it, linear), `vector` (what comes out).
Over days: `course` (a person, a machine), `trend` (degrees a day), `zone` (whose days).
"""

from knee_angle.visit.estimate import (
    Reach,
    SettingEstimate,
    Value,
    VisitEstimate,
    estimate_visit,
    value_of,
)
from knee_angle.visit.photos import Shot, VisitPhoto, without_bars, without_guessed_bars

__all__ = [
    "Reach",
    "SettingEstimate",
    "Shot",
    "Value",
    "VisitEstimate",
    "VisitPhoto",
    "estimate_visit",
    "value_of",
    "without_bars",
    "without_guessed_bars",
]
