"""How far raters agree with themselves and with one another, without a reference.

Conventions
-----------
Every rater measures every target (a photo, a person) equally often. A rating is
``mean + target + rater + rater's own view of the target + repeat``, each drawn anew, with a
variance of its own; the mean squares of the two-way table give them (Eliasziw M et al. 1994,
Phys Ther 74:777-788: raters and targets random, with repeats). With one repeat the last two
cannot be told apart and are one.

* within a rater: the SD of repeats (repeatability, ISO 5725); the smallest difference of two
  ratings by one rater that is no chance is ``1.96 √2`` times that;
* between raters: the SD of a rating by any rater, rater and own view included
  (reproducibility), and likewise;
* the limits of agreement with the mean hold 95 % of ratings about the mean of all ratings of
  their target, with r raters and m repeats: ``± 1.96`` times the root of ``(1 - 1/r) (rater +
  view) + (1 - 1/(r m)) repeat`` (Jones M et al. 2011, Int J Epidemiol 40:1308-1313; Christensen
  HS et al. 2020, BMC Med Res Methodol 20:102; from memory, both without repeats);
* the intraclass correlations are the targets' share of the variance: within a rater (rater and
  own view count as true) and between raters (absolute agreement, ICC(A,1) of McGraw and Wong).

Intervals are generalised confidence intervals on a fixed grid, as in `raters`; they hold 95 %
within the scatter of the study in ``tests/bench/bench_reliability.py``.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtri
from scipy.stats import qmc

from knee_angle.agreement.estimate import Estimate, Floats, Z, sd_interval, t_interval
from knee_angle.agreement.pairs import Excluded, Missing
from knee_angle.assumptions import RISK
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say, say_many

__all__ = ["RaterAlone", "Ratings", "Reliability", "reliability", "select_ratings"]

GRID = 4096
FEWEST = 3
NAMED = 3
"""So many targets are named in an error's single line."""
DIFFERENCE = math.sqrt(2.0) * Z
"""Of two ratings: their difference has twice the variance."""


@dataclass(frozen=True, slots=True, eq=False)
class Ratings:
    """A whole table of ratings.

    Parameters
    ----------
    values : ndarray, shape (targets, raters, repeats)
        All finite.
    targets, raters : tuple of str
        What they are called.
    excluded : tuple of Excluded
        Rows that are in no whole target, and why.
    """

    values: Floats
    targets: tuple[str, ...]
    raters: tuple[str, ...]
    excluded: tuple[Excluded, ...] = ()


@dataclass(frozen=True, slots=True)
class RaterAlone:
    """One rater: mean deviation from all raters' mean, and the SD of own repeats.

    The deviation's interval is Student's over the targets; ``repeat`` is None with one repeat.
    """

    rater: str
    deviation: Estimate
    repeat: Estimate | None


@dataclass(frozen=True, slots=True, eq=False)
class Reliability:
    """Agreement within and between raters.

    Parameters
    ----------
    ratings : Ratings
        What it was computed from.
    target, rater, view, repeat : Estimate
        Standard deviations; ``view`` is the rater's own view of a target. With one repeat
        ``repeat`` holds both and ``view`` is None.
    within, between : Estimate or None
        SD of a rating: by one rater (None with one repeat), by any rater.
    from_mean : Estimate
        Half the width of the limits of agreement with the mean.
    icc_within, icc_between : Estimate or None
        Intraclass correlations.
    alone : tuple of RaterAlone
        Each rater.
    """

    ratings: Ratings
    target: Estimate
    rater: Estimate
    view: Estimate | None
    repeat: Estimate
    within: Estimate | None
    between: Estimate
    from_mean: Estimate
    icc_within: Estimate | None
    icc_between: Estimate
    alone: tuple[RaterAlone, ...]

    @property
    def smallest_within(self) -> Estimate | None:
        """Smallest difference of two ratings by one rater that is no chance (95 %)."""
        return None if self.within is None else self.within.times(DIFFERENCE)

    @property
    def smallest_between(self) -> Estimate:
        """Smallest difference of two ratings by two raters that is no chance (95 %)."""
        return self.between.times(DIFFERENCE)


def select_ratings(
    *,
    values: ArrayLike,
    target: Sequence[Hashable | None],
    rater: Sequence[Hashable | None],
    repeat: ArrayLike | None = None,
    reasons: Sequence[str | None] | None = None,
    missing: Missing = "refuse",
) -> Ratings:
    """The whole targets of a table with a row for each rating, in the table's order.

    Parameters
    ----------
    values : array_like, shape (n,)
        NaN where a rating gave none.
    target, rater : sequence
        Labels.
    repeat : array_like, shape (n,), optional
        Which time the rater rated the target; without it the rows are counted.
    reasons : sequence of str or None, optional
        Why a row has no value.
    missing : {"refuse", "drop"}
        Targets that not every rater rated equally often are an error, or left out and listed.

    Raises
    ------
    InvalidInput
        Nothing whole is left, one rater only, a rating that stands twice, or targets that are not
        whole with ``refuse``.
    """
    y = np.asarray(values, dtype=float)
    raters = tuple(dict.fromkeys(rater))
    _check_labels(target, rater, repeat)
    cells: dict[Hashable | None, dict[Hashable | None, list[float]]] = {}
    for one, who, value in zip(target, rater, y.tolist(), strict=True):
        of = cells.setdefault(one, {})
        if math.isfinite(value):
            of.setdefault(who, []).append(value)
    counts = Counter(len(of.get(who, ())) for of in cells.values() for who in raters)
    repeats = max(counts, key=lambda number: (counts[number], number))
    whole = [t for t, of in cells.items() if all(len(of.get(w, ())) == repeats for w in raters)]
    excluded = _excluded(target, rater, y, set(whole), reasons, repeats)
    if len(whole) < len(cells) and missing == "refuse":
        gone = list(dict.fromkeys(str(t) for t in target if t not in set(whole)))
        raise InvalidInput(_unequal(gone, len(cells), repeats))
    if len(whole) < FEWEST or repeats < 1:
        raise InvalidInput(
            say(
                "reliability needs {fewest} targets or more that every rater rated equally "
                "often, but got {n_whole}",
                fewest=FEWEST,
                n_whole=len(whole),
            )
        )
    table = np.array([[cells[t][who] for who in raters] for t in whole])
    return Ratings(table, tuple(map(str, whole)), tuple(map(str, raters)), excluded)


def _check_labels(
    target: Sequence[Hashable | None],
    rater: Sequence[Hashable | None],
    repeat: ArrayLike | None,
) -> None:
    """Refuse labels that are missing, and a rating that stands twice: it would look like another.

    Two tables put together have such.
    """
    if any(one in (None, "") for one in target):
        raise InvalidInput(say("every rating must name what was rated: fill in its column"))
    if len(set(rater)) < 2 or any(one in (None, "") for one in rater):
        raise InvalidInput(say("raters must be two or more, and none missing: name their column"))
    if repeat is None:
        return
    seen: set[tuple[Hashable | None, Hashable | None, float]] = set()
    times = np.asarray(repeat, dtype=float).tolist()
    for row, one in enumerate(zip(target, rater, times, strict=True), start=1):
        if one in seen:
            raise InvalidInput(
                say(
                    "row {row} is repeat {repeat:g} of {target} by {rater}, which was there "
                    "before: leave one of them out",
                    row=row,
                    repeat=one[2],
                    target=one[0],
                    rater=one[1],
                )
            )
        seen.add(one)


def _unequal(gone: Sequence[str], targets: int, repeats: int) -> str:
    """The refusal of targets that not everybody rated equally often."""
    return say(
        "{n_gone} of {n_cells} are not rated {repeats} times by every rater ({names}): "
        "complete them, or choose to drop them (--missing drop)",
        n_gone=len(gone), n_cells=targets, repeats=repeats, names=", ".join(gone[:NAMED]),
    )  # fmt: skip


def _excluded(
    target: Sequence[Hashable | None], rater: Sequence[Hashable | None], y: Floats,
    whole: set[Hashable | None],
    reasons: Sequence[str | None] | None, repeats: int,
) -> tuple[Excluded, ...]:  # fmt: skip
    """Every row that is in no whole target, with why."""
    found = []
    for row, (one, who) in enumerate(zip(target, rater, strict=True)):
        if one in whole and math.isfinite(y[row]):
            continue
        why = say_many(
            "not rated {count} time by every rater",
            "not rated {count} times by every rater",
            repeats,
        )
        if not math.isfinite(y[row]):
            said = None if reasons is None else reasons[row]
            why = joined(": ", [say("no value"), said]) if said else say("no value")
        found.append(Excluded(row + 1, f"{one}, {who}", why))
    return tuple(found)


def reliability(ratings: Ratings) -> Reliability:
    """All figures of a whole table.

    Raises
    ------
    InvalidInput
        Fewer than 3 targets or 2 raters, or targets that do not differ.
    """
    n, r, m = ratings.values.shape
    squares = _checked_squares(ratings.values)
    at = _parts([np.array([square]) for square, _ in squares], n, r, m)
    grid = [
        square * _inverse(freedom, k) if freedom else np.zeros(GRID)
        for k, (square, freedom) in enumerate(squares)
    ]
    drawn = _parts(grid, n, r, m)

    def summed(parts: dict[str, Floats], names: tuple[str, ...]) -> Floats:
        return np.asarray(np.sum([parts[name] for name in names], axis=0))

    def of(*names: str) -> Estimate:
        return _estimate(np.sqrt(summed(at, names)), np.sqrt(summed(drawn, names)))

    def part(name: str, square: tuple[float, int], times: int) -> Estimate:
        """One alone; where chance hides it, at most what its own mean square allows."""
        one = of(name)
        if one.high > 0:
            return one
        alone = sd_interval(math.sqrt(square[0] / times), freedom=square[1])
        return Estimate(one.value, (0.0, alone.high))

    def share(*names: str) -> Estimate:
        every = tuple(at)
        return _estimate(
            summed(at, names) / summed(at, every), summed(drawn, names) / summed(drawn, every)
        )

    def away(parts: dict[str, Floats]) -> Floats:
        own = (1 - 1 / r) * summed(parts, ("rater", "view"))
        return np.asarray(Z * np.sqrt(own + (1 - 1 / (r * m)) * parts["repeat"]))

    once = m == 1
    return Reliability(
        ratings=ratings,
        target=part("target", squares[0], r * m),
        rater=part("rater", squares[1], n * m),
        view=None if once else part("view", squares[2], m),
        repeat=of("repeat"),
        within=None if once else of("repeat"),
        between=of("rater", "view", "repeat"),
        from_mean=_estimate(away(at), away(drawn)),
        icc_within=None if once else share("target", "rater", "view"),
        icc_between=share("target"),
        alone=_alone(ratings),
    )  # fmt: skip


def _checked_squares(y: Floats) -> tuple[tuple[float, int], ...]:
    """The mean squares of a table that has enough to tell."""
    n, r, _ = y.shape
    if n < FEWEST or r < 2:
        raise InvalidInput(
            say(
                "reliability needs {fewest} targets and 2 raters, got {n} and {r}",
                fewest=FEWEST,
                n=n,
                r=r,
            )
        )
    squares = mean_squares(y)
    if not squares[0][0] > 0:
        raise InvalidInput(
            say("targets must differ for a reliability, but their means are the same")
        )
    return squares


def mean_squares(y: Floats) -> tuple[tuple[float, int], ...]:
    """(mean square, degrees of freedom) of targets, raters, own views and repeats.

    The last is (0, 0) with one repeat.
    """
    n, r, m = y.shape
    grand, cell = y.mean(), y.mean(axis=2)
    targets, raters = cell.mean(axis=1), cell.mean(axis=0)
    views = cell - targets[:, None] - raters[None, :] + grand
    return (
        (r * m * float(np.sum((targets - grand) ** 2)) / (n - 1), n - 1),
        (n * m * float(np.sum((raters - grand) ** 2)) / (r - 1), r - 1),
        (m * float(np.sum(views**2)) / ((n - 1) * (r - 1)), (n - 1) * (r - 1)),
        (float(np.sum((y - cell[:, :, None]) ** 2)) / max(n * r * (m - 1), 1), n * r * (m - 1)),
    )


def _parts(squares: Sequence[Floats], n: int, r: int, m: int) -> dict[str, Floats]:
    """The four variances from the mean squares; none below 0."""
    target, rater, view, repeat = squares
    own = np.maximum((view - repeat) / m, 0.0)
    if m == 1:
        own, repeat = np.zeros_like(view), view
    return {
        "target": np.maximum((target - view) / (r * m), 0.0),
        "rater": np.maximum((rater - view) / (n * m), 0.0),
        "view": own,
        "repeat": repeat,
    }


def _estimate(value: NDArray[np.float64], drawn: NDArray[np.float64]) -> Estimate:
    low, high = np.quantile(drawn, (RISK / 2, 1.0 - RISK / 2))
    one = float(np.ravel(value)[0])
    return Estimate(one, (min(float(low), one), max(float(high), one)))


@lru_cache(maxsize=1)
def _grid() -> Floats:
    """Even points in four dimensions, none of them on an edge."""
    return np.asarray(qmc.Sobol(4, seed=1).random(GRID), dtype=np.float64)


@lru_cache(maxsize=32)
def _inverse(freedom: int, axis: int) -> Floats:
    """Degrees of freedom over chi-square, at each point of the grid."""
    return np.asarray(freedom / chdtri(freedom, _grid()[:, axis]), dtype=np.float64)


def _alone(ratings: Ratings) -> tuple[RaterAlone, ...]:
    y = ratings.values
    n, _, m = y.shape
    away = y.mean(axis=2) - y.mean(axis=(1, 2))[:, None]
    found = []
    for k, name in enumerate(ratings.raters):
        d = away[:, k]
        mean = t_interval(float(d.mean()), se=float(d.std(ddof=1)) / math.sqrt(n), freedom=n - 1)
        repeat = None
        if m > 1:
            within = float(np.sum((y[:, k] - y[:, k].mean(axis=1)[:, None]) ** 2)) / (n * (m - 1))
            repeat = sd_interval(math.sqrt(within), freedom=n * (m - 1))
        found.append(RaterAlone(name, mean, repeat))
    return tuple(found)
