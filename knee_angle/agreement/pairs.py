"""The pairs of an analysis, the rows that are left out of it, and their sums.

Conventions
-----------
``difference = compared - reference``; in this package displayed minus knee, positive where
the display claims more bend. A *unit* is what is independent of the rest: a pair, or a
person with all of that person's pairs.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence, Sized
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from knee_angle.agreement.estimate import Floats
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say

__all__ = ["Codes", "Excluded", "Missing", "Pairs", "Sums", "codes_of", "select_pairs"]

Codes = NDArray[np.int64]
Missing = Literal["refuse", "drop"]

NAMED = 3
"""So many rows are named in an error's single line."""


@dataclass(frozen=True, slots=True)
class Excluded:
    """A row that is no pair: its number in the table (from 1), its name and why."""

    row: int
    name: str
    reason: str


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Two measurements of each case, all finite.

    Parameters
    ----------
    reference, compared : ndarray, shape (n,)
        One unit of measurement for both. Difference = compared - reference.
    person : ndarray of int, shape (n,), or None
        Whose pair it is, 0 to persons - 1; None where each pair is its own person.
    u_reference : ndarray, shape (n,), or None
        Standard uncertainty of each reference value.
    rater : ndarray of int, shape (n,), or None
        Who measured, 0 to raters - 1; None where that does not count.
    kept : ndarray of int, shape (n,)
        Which rows of the table these are, from 0.
    excluded : tuple of Excluded
        The other rows.
    """

    reference: Floats
    compared: Floats
    person: Codes | None = None
    u_reference: Floats | None = None
    rater: Codes | None = None
    kept: Codes = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    excluded: tuple[Excluded, ...] = ()

    @property
    def n(self) -> int:
        """Number of pairs."""
        return len(self.reference)

    @property
    def units(self) -> int:
        """Number of independent units: persons, else pairs."""
        return self.n if self.person is None else int(self.person.max(initial=-1)) + 1

    @property
    def unit(self) -> Codes:
        """Number of each pair's unit, shape (n,)."""
        return np.arange(self.n) if self.person is None else self.person

    @property
    def difference(self) -> Floats:
        """Each pair's compared less its reference, shape (n,)."""
        return np.asarray(self.compared - self.reference)

    @property
    def mean(self) -> Floats:
        """Mean of the two, shape (n,)."""
        return np.asarray((self.compared + self.reference) / 2.0)

    def part(self, rows: Codes) -> Pairs:
        """Some of the pairs, by their place; persons are numbered anew."""
        return Pairs(
            reference=self.reference[rows],
            compared=self.compared[rows],
            person=None if self.person is None else renumbered(self.person[rows]),
            u_reference=None if self.u_reference is None else self.u_reference[rows],
            rater=None if self.rater is None else renumbered(self.rater[rows]),
            kept=self.kept[rows] if len(self.kept) else rows,
        )

    def summed(self, values: Floats) -> Floats:
        """Sum of values (n,) over each unit, (units,)."""
        if self.person is None:
            return values
        sums = np.bincount(self.person, weights=values, minlength=self.units)
        return np.asarray(sums, dtype=np.float64)


def select_pairs(
    *,
    reference: ArrayLike,
    compared: ArrayLike,
    person: Sequence[Hashable | None] | Codes | None = None,
    rater: Sequence[Hashable | None] | Codes | None = None,
    u_reference: ArrayLike | None = None,
    names: Sequence[str] | None = None,
    reasons: Sequence[str | None] | None = None,
    missing: Missing = "refuse",
    words: tuple[str, str] = ("reference", "compared"),
) -> Pairs:
    """The rows of a table that are pairs; what to do with the others is an explicit choice.

    Parameters
    ----------
    reference, compared : array_like, shape (n,)
        NaN where a value is missing.
    person, rater : sequence or ndarray of int, optional
        Any label of the person (a code, never a name), or of who measured; None where it is
        not known; or numbers, -1 where it is not known.
    u_reference : array_like, shape (n,), optional
        Standard uncertainties, positive; NaN where missing.
    names : sequence of str, optional
        What to call each row; its number by default.
    reasons : sequence of str or None, optional
        Why a row has no value, where that is known.
    missing : {"refuse", "drop"}
        Rows without two finite values (and person, rater and a positive u, where these are
        used) are an error, or left out and listed.
    words : (str, str)
        What reference and compared are called.

    Raises
    ------
    InvalidInput
        Rows that cannot be used with ``missing="refuse"``; columns of different length.
    """
    x, y = np.asarray(reference, dtype=float), np.asarray(compared, dtype=float)
    whose = None if person is None else _codes(person)
    by = None if rater is None else _codes(rater)
    u = None if u_reference is None else np.asarray(u_reference, dtype=float)
    columns = {words[0]: x, words[1]: y, "u_reference": u, "person": whose, "rater": by}
    _require_same_length({**columns, "names": names, "reasons": reasons})
    why = _reasons(x, y, u, whose, by)
    excluded = _excluded(why, names, reasons, words)
    if excluded and missing == "refuse":
        raise InvalidInput(_refusal(excluded, len(x)))
    kept = np.flatnonzero(why == 0)
    return Pairs(
        reference=x[kept],
        compared=y[kept],
        person=None if whose is None else renumbered(whose[kept]),
        u_reference=None if u is None else u[kept],
        rater=None if by is None else renumbered(by[kept]),
        kept=kept,
        excluded=excluded,
    )


def _excluded(
    why: NDArray[Any],
    names: Sequence[str] | None,
    reasons: Sequence[str | None] | None,
    words: tuple[str, str],
) -> tuple[Excluded, ...]:
    """Every row that is no pair, with what it lacks and why."""
    return tuple(
        Excluded(
            row=int(i) + 1,
            name=f"row {i + 1}" if names is None else names[i],
            reason=_with_cause(_named(int(why[i]), words), None if reasons is None else reasons[i]),
        )
        for i in np.flatnonzero(why != 0).tolist()
    )


def codes_of(labels: Sequence[Hashable]) -> tuple[Codes, tuple[Hashable, ...]]:
    """Numbers 0, 1, ... in the order in which labels first come, and the labels."""
    place = {label: code for code, label in enumerate(dict.fromkeys(labels))}
    codes = np.fromiter(map(place.__getitem__, labels), dtype=np.int64, count=len(labels))
    return codes, tuple(place)


def renumbered(codes: Codes) -> Codes:
    """The same codes without gaps: 0 to the number of different ones less 1."""
    if codes.size and codes.min() >= 0 and codes.max() < 4 * codes.size:
        # Counting is several times faster than sorting, and the codes of this package are dense.
        return np.asarray((np.cumsum(np.bincount(codes) > 0) - 1)[codes])
    return np.unique(codes, return_inverse=True)[1].astype(np.int64)


def _codes(who: Sequence[Hashable | None] | Codes) -> Codes:
    """Codes of persons or raters, -1 where one is not known."""
    if isinstance(who, np.ndarray) and who.dtype.kind in "iu":
        return who.astype(np.int64)
    codes, labels = codes_of(list(who))
    known = np.array([label is not None and label != "" for label in labels], dtype=bool)
    return np.where(known[codes], codes, -1)


def _require_same_length(columns: Mapping[str, Sized | None]) -> None:
    lengths = {name: len(column) for name, column in columns.items() if column is not None}
    if len(set(lengths.values())) > 1:
        raise InvalidInput(
            say(
                "every column must have one value a row, but the lengths are {lengths}",
                lengths=", ".join(f"{name} {length}" for name, length in lengths.items()),
            )
        )


def _reasons(
    x: Floats, y: Floats, u: Floats | None, whose: Codes | None, by: Codes | None
) -> Codes:
    """For each row 0, or a sum of the powers of two of what is wrong with it."""
    why = np.zeros(len(x), dtype=np.int64)
    for first, column in ((1, x), (4, y)):
        why += np.where(np.isnan(column), first, 0) + np.where(np.isinf(column), 2 * first, 0)
    if whose is not None:
        why += np.where(whose < 0, 16, 0)
    if u is not None:
        why += np.where(np.isfinite(u) & (u > 0), 0, 32)
    if by is not None:
        why += np.where(by < 0, 64, 0)
    return why


def _named(why: int, words: tuple[str, str]) -> str:
    first, second = words
    said = (
        say("{name} is missing", name=first),
        say("{name} is not finite", name=first),
        say("{name} is missing", name=second),
        say("{name} is not finite", name=second),
        say("the person is missing"),
        say("the u of {name} is not a positive number", name=first),
        say("the rater is missing"),
    )
    return joined(", ", [text for bit, text in enumerate(said) if why & (1 << bit)])


def _with_cause(reason: str, cause: str | None) -> str:
    return joined(": ", (reason, cause)) if cause else reason


def _refusal(excluded: tuple[Excluded, ...], rows: int) -> str:
    named = [joined(": ", (row.name, row.reason)) for row in excluded[:NAMED]]
    if len(excluded) > NAMED:
        named.append(say("and {count} more", count=len(excluded) - NAMED))
    return say(
        "{count} of {rows} rows cannot be used ({named}): correct them, or choose to drop them "
        "(--missing drop), which lists them",
        count=len(excluded), rows=rows, named=joined("; ", named),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Sums:
    """Sums over units from which every line and coefficient of two columns follows.

    All fields have one shape: () for all pairs together, (units,) for each unit or for all
    without that unit. x is the reference, y the compared, both less `origin` (their means),
    so that differences of sums keep their digits.
    """

    origin: tuple[float, float]
    n: Floats
    x: Floats
    y: Floats
    xx: Floats
    yy: Floats
    xy: Floats

    @classmethod
    def of_units(cls, pairs: Pairs) -> Sums:
        """One value a unit."""
        origin = float(pairs.reference.mean()), float(pairs.compared.mean())
        x, y = pairs.reference - origin[0], pairs.compared - origin[1]
        parts = (np.ones(pairs.n), x, y, x * x, y * y, x * y)
        return cls(origin, *(pairs.summed(part) for part in parts))

    def _each(self) -> tuple[Floats, ...]:
        return self.n, self.x, self.y, self.xx, self.yy, self.xy

    def total(self) -> Sums:
        """All units together."""
        return Sums(self.origin, *(np.asarray(part.sum()) for part in self._each()))

    def without_each(self) -> Sums:
        """All units but one, for each one."""
        return Sums(self.origin, *(np.asarray(part.sum() - part) for part in self._each()))

    @property
    def mean_x(self) -> Floats:
        """Mean of x, less the origin."""
        return np.asarray(self.x / self.n)

    @property
    def mean_y(self) -> Floats:
        """Mean of y, less the origin."""
        return np.asarray(self.y / self.n)

    @property
    def shift(self) -> Floats:
        """Mean of y - x, the origin put back."""
        return np.asarray(self.mean_y - self.mean_x + (self.origin[1] - self.origin[0]))

    @property
    def sxx(self) -> Floats:
        """Sum of squares of x about its mean."""
        return np.asarray(self.xx - self.x * self.mean_x)

    @property
    def syy(self) -> Floats:
        """Sum of squares of y about its mean."""
        return np.asarray(self.yy - self.y * self.mean_y)

    @property
    def sxy(self) -> Floats:
        """Sum of products about the means."""
        return np.asarray(self.xy - self.x * self.mean_y)
