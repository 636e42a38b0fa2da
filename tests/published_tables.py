"""Reading the tables of published check values in ``tests/published``."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

PUBLISHED = Path(__file__).parent / "published"


def columns(name: str) -> dict[str, np.ndarray]:
    """The columns of ``published/NAME.csv``; lines that start with # are its citation."""
    lines = (PUBLISHED / f"{name}.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}
