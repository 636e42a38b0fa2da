"""What a visit knows of its machine, as plain numbers with one covariance.

A **setting** is the machine paused at one place: one knee, one flexion of the bars, one
displayed number. What settings share (marks, depths, strip against bars) stands in the
covariance; nothing here is averaged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import InvalidInput

__all__ = ["PER_SETTING", "Entry", "Quantity", "SettingsOfMachine"]

Floats = NDArray[np.float64]
Quantity = Literal["knee", "bars", "distal", "anterior", "thigh", "shank", "place"]
Entry = tuple[Quantity, int | None]

PER_SETTING: tuple[Quantity, ...] = ("knee", "bars", "distal", "anterior")
"""Quantities that each setting has for itself; the others are one a visit."""


@dataclass(frozen=True, slots=True, eq=False)
class SettingsOfMachine:
    """The joint estimate of a visit, as far as it concerns the machine.

    Parameters
    ----------
    entries : tuple of (quantity, setting), length m
        What each place of `mean` is. ``knee`` and ``bars``: flexion, degrees; ``distal``
        and ``anterior``: the hinge seen from the knee, mm, thigh axes; with the number of
        the setting from 0. ``thigh`` and ``shank``: lengths between the marks, mm, and
        ``place``: the hip up the bed from the machine's hip end, mm; with None. What was
        not seen is left out.
    mean : ndarray, shape (m,)
    cov : ndarray, shape (m, m)
        Symmetric, positive definite.
    displayed_deg : tuple of float or None
        The number shown at each setting, None where it was not given.
    step_deg : float
        The display's step: the number is the display's own angle, rounded to it.
    photos : tuple of str
        What each setting is called to a person, its photos; may be left out.
    """

    entries: tuple[Entry, ...]
    mean: Floats
    cov: Floats
    displayed_deg: tuple[float | None, ...]
    step_deg: float = 1.0
    photos: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse what is no estimate."""
        m = len(self.entries)
        if np.shape(self.mean) != (m,) or np.shape(self.cov) != (m, m):
            raise InvalidInput(
                f"mean and cov must have shapes ({m},) and ({m}, {m}) for {m} entries, "
                f"but have {np.shape(self.mean)} and {np.shape(self.cov)}"
            )
        if len(set(self.entries)) < m:
            raise InvalidInput("entries must name each quantity of each setting once")
        wrong = [e for e in self.entries if not self._in_place(e)]
        if wrong:
            raise InvalidInput(
                f"entries must name a setting below {len(self.displayed_deg)}, or None for "
                f"what a visit has once, but one is {wrong[0]}"
            )
        if not (np.all(np.isfinite(self.mean)) and _is_covariance(self.cov)):
            raise InvalidInput(
                "mean must be numbers and cov a symmetric positive definite covariance"
            )
        if not self.step_deg > 0:
            raise InvalidInput(f"step_deg must be positive, but got {self.step_deg:g}")

    def _in_place(self, entry: Entry) -> bool:
        quantity, setting = entry
        if quantity in PER_SETTING:
            return setting is not None and 0 <= setting < len(self.displayed_deg)
        return setting is None

    @property
    def settings(self) -> int:
        """Number of settings."""
        return len(self.displayed_deg)

    def both_seen(self) -> tuple[int, ...]:
        """Settings whose knee and bars were both seen."""
        return tuple(
            j
            for j in range(self.settings)
            if ("knee", j) in self.entries and ("bars", j) in self.entries
        )

    def without(self, setting: int) -> SettingsOfMachine:
        """All that the other settings say."""
        kept = [entry for entry in self.entries if entry[1] != setting]
        mean, cov = self.part(kept)
        return replace(self, entries=tuple(kept), mean=mean, cov=cov)

    def part(self, entries: Sequence[Entry]) -> tuple[Floats, Floats]:
        """Mean and covariance of some entries, in that order."""
        where = [self.entries.index(entry) for entry in entries]
        return self.mean[where], self.cov[np.ix_(where, where)]


def _is_covariance(cov: Floats) -> bool:
    if not np.all(np.isfinite(cov)) or not np.allclose(cov, cov.T, rtol=1e-7, atol=1e-9):
        return False
    return cov.size == 0 or bool(np.linalg.eigvalsh(cov)[0] > 0)
