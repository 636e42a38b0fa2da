"""How long ratings took, and how long after a photo its repeat came: what GRRAS item 8 asks for."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import datetime
from itertools import pairwise
from statistics import median

import numpy as np

from knee_angle.files.tables import Table

__all__ = ["times_of"]

TOLD = ("placed_at", "rating_seconds")


def times_of(rows: Table, target: str, rater: str) -> tuple[float | None, float | None]:
    """Median seconds of a rating, and median minutes from a rating to the rater's next of it.

    Each is None where the table does not tell it.
    """
    if not all(rows.has(name) for name in TOLD):
        return None, None
    seconds = rows.numbers("rating_seconds")
    seconds = seconds[np.isfinite(seconds) & (seconds > 0)]
    placed: dict[tuple[Hashable, Hashable], list[datetime]] = {}
    labels = zip(rows.labels(target), rows.labels(rater), rows.labels("placed_at"), strict=True)
    for one, who, when in labels:
        try:
            placed.setdefault((one, who), []).append(datetime.fromisoformat(when or ""))
        except ValueError:
            continue
    gaps = [
        (later - earlier).total_seconds() / 60.0
        for times in placed.values()
        for earlier, later in pairwise(sorted(times))
    ]
    return (float(np.median(seconds)) if len(seconds) else None, median(gaps) if gaps else None)
