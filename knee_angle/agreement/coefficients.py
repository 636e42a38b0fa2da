"""Coefficients between 0 and 1: intraclass correlations and Lin's concordance.

Conventions
-----------
Ratings have the shape (targets, raters). Each coefficient is a share of the variance that
lies between the targets, so it grows with the range of angles in the study: compare
coefficients only between studies of the same range, and read the limits of agreement first.

The six forms of Shrout PE, Fleiss JL 1979, Psychol Bull 86:420-428, doi
10.1037/0033-2909.86.2.420, in the notation of McGraw KO, Wong SP 1996, Psychol Methods
1:30-46, doi 10.1037/1082-989X.1.1.30, whose intervals these are:

==== ======== ================================================================
form M & W    what it is
==== ======== ================================================================
1,1  ICC(1)   each target has other raters
2,1  ICC(A,1) the same raters everywhere, absolute agreement
3,1  ICC(C,1) the same raters everywhere, consistency: a bias does not count
1,k  ICC(k)   as 1,1 for the mean of k raters; 2,k and 3,k likewise
==== ======== ================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from knee_angle.agreement.estimate import Estimate, Floats, Z, f_value, jackknife
from knee_angle.agreement.pairs import Pairs, Sums
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["FORMS", "Concordance", "Icc", "concordance", "icc", "icc_of_pairs"]

Form = Literal["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
FORMS: tuple[Form, ...] = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")

FEWEST = 3


@dataclass(frozen=True, slots=True, eq=False)
class Icc:
    """All six intraclass correlations, with the mean squares they come from.

    Parameters
    ----------
    forms : Mapping of form to Estimate
        Keys are Shrout and Fleiss's: see the module.
    targets, raters : int
        Shape of the ratings.
    ms_rows, ms_columns, ms_error, ms_within : float
        Mean squares of targets, of raters, of the rest, and within targets.
    """

    forms: Mapping[Form, Estimate]
    targets: int
    raters: int
    ms_rows: float
    ms_columns: float
    ms_error: float
    ms_within: float


@dataclass(frozen=True, slots=True, eq=False)
class Concordance:
    """Lin's concordance correlation with its two factors.

    Parameters
    ----------
    pairs : Pairs
        The pairs.
    coefficient : Estimate
        ``precision * accuracy``, and its 95 % interval.
    precision : float
        Pearson's correlation.
    accuracy : float
        How far the best line lies from the identity, 1 is on it (C_b).
    """

    pairs: Pairs
    coefficient: Estimate
    precision: float
    accuracy: float


def icc(ratings: ArrayLike) -> Icc:
    """The six intraclass correlations of complete ratings, with exact or F-based intervals.

    Parameters
    ----------
    ratings : array_like, shape (targets, raters)
        At least 3 targets and 2 raters, all finite.

    Raises
    ------
    InvalidInput
        Another shape, missing values, or ratings without any variance.
    """
    table = np.asarray(ratings, dtype=float)
    if table.ndim != 2 or table.shape[0] < FEWEST or table.shape[1] < 2:
        raise InvalidInput(
            say(
                "ratings must be {fewest} targets by 2 raters or more, but have shape {shape}",
                fewest=FEWEST,
                shape=table.shape,
            )
        )
    if not np.all(np.isfinite(table)):
        raise InvalidInput(
            say("ratings must all be finite: leave out targets with a missing rating")
        )
    n, k = table.shape
    table = table - table.mean()
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    total = float(np.sum(table**2))
    of_rows, of_columns = k * float(rows @ rows), n * float(columns @ columns)
    error = float(np.sum((table - rows[:, None] - columns[None, :]) ** 2))
    ms = (
        of_rows / (n - 1),
        of_columns / (k - 1),
        error / ((n - 1) * (k - 1)),
        (error + of_columns) / (n * (k - 1)),
    )
    if not of_rows > 1e-12 * total:
        raise InvalidInput(
            say(
                "targets must differ for an intraclass correlation, but their means are all "
                "the same"
            )
        )
    values = _values(*(np.array(m) for m in ms), n=np.array(float(n)), k=k)
    intervals = _intervals(*ms, n=n, k=k)
    forms = {f: Estimate(float(values[f]), intervals[f]) for f in FORMS}
    return Icc(forms, n, k, *ms)


def icc_of_pairs(pairs: Pairs) -> Icc:
    """The six forms for two methods as the raters of the pairs.

    Forms 2,1 and 2,k take the two methods as drawn from many, as McGraw and Wong (and
    pingouin) do; for these very two methods that interval is wide (98 % in simulation).

    With several pairs a person the pairs are not independent, and the F intervals would be
    too narrow: they come from the delete-one-person jackknife on the scale
    ``z = log((1 + (k - 1) r) / (1 - r)) / 2`` (Fisher's), k = 2.
    """
    result = icc(np.column_stack([pairs.reference, pairs.compared]))
    if pairs.units == pairs.n:
        return result
    rest = Sums.of_units(pairs).without_each()
    without = _values(*_mean_squares(rest), n=rest.n, k=2)
    forms: dict[Form, Estimate] = {}
    for form in ("1,1", "2,1", "3,1"):
        one = _on_z(result.forms[form].value, without[form], pairs.units)
        forms[form] = one
        forms[_of_mean(form)] = Estimate(
            float(_spearman_brown(one.value, 2)),
            (_spearman_brown(one.low, 2), _spearman_brown(one.high, 2)),
        )
    ordered = {form: forms[form] for form in FORMS}
    return Icc(
        ordered, result.targets, 2,
        result.ms_rows, result.ms_columns, result.ms_error, result.ms_within,
    )  # fmt: skip


def _on_z(value: float, without: Floats, units: int) -> Estimate:
    if value >= 1.0:
        return Estimate(1.0, (1.0, 1.0))
    return jackknife(
        value,
        without,
        freedom=units - 1,
        scale=_fisher_z,
        back=lambda z: np.asarray(np.tanh(z)),
    )


def _fisher_z(r: Floats) -> Floats:
    if np.any(np.abs(r) >= 1.0):
        raise InvalidInput(
            say(
                "without one person both methods agree exactly: the others say nothing of its "
                "interval"
            )
        )
    return np.asarray(np.arctanh(r))


def _mean_squares(sums: Sums) -> tuple[Floats, Floats, Floats, Floats]:
    """Those of two raters, from sums; any shape."""
    n = sums.n
    rows = (sums.sxx + sums.syy + 2.0 * sums.sxy) / (2.0 * (n - 1))
    columns = n * sums.shift**2 / 2.0
    error = (sums.sxx + sums.syy - 2.0 * sums.sxy) / (2.0 * (n - 1))
    return rows, columns, error, (error * (n - 1) + columns) / n


def _values(
    rows: Floats, columns: Floats, error: Floats, within: Floats, *, n: Floats, k: int
) -> dict[Form, Floats]:
    one = {
        "1,1": (rows - within) / (rows + (k - 1) * within),
        "2,1": (rows - error) / (rows + (k - 1) * error + k * (columns - error) / n),
        "3,1": (rows - error) / (rows + (k - 1) * error),
    }
    mean = {
        "1,k": (rows - within) / rows,
        "2,k": (rows - error) / (rows + (columns - error) / n),
        "3,k": (rows - error) / rows,
    }
    return {form: np.asarray((one | mean)[form]) for form in FORMS}


def _intervals(
    rows: float, columns: float, error: float, within: float, *, n: int, k: int
) -> dict[Form, tuple[float, float]]:
    """McGraw and Wong 1996, table 7."""
    out: dict[Form, tuple[float, float]] = {}
    for one, rest, freedom in (("1,1", within, n * (k - 1)), ("3,1", error, (n - 1) * (k - 1))):
        out[_form(one)] = _consistent(rows, rest, n - 1, freedom, k)
    out["2,1"] = _absolute(rows, columns, error, n, k)
    for form in ("1,1", "2,1", "3,1"):
        low, high = out[_form(form)]
        out[_of_mean(form)] = (_spearman_brown(low, k), _spearman_brown(high, k))
    return out


def _form(name: str) -> Form:
    return next(form for form in FORMS if form == name)


def _of_mean(form: str) -> Form:
    return _form(form.replace(",1", ",k"))


def _consistent(rows: float, rest: float, above: int, below: int, k: int) -> tuple[float, float]:
    """Cases 1 and 3: exact, from the F ratio of targets over the rest."""
    if rest == 0:
        return 1.0, 1.0
    ratio = rows / rest
    low, high = ratio / f_value(above, below), ratio * f_value(below, above)
    return (low - 1.0) / (low + k - 1.0), (high - 1.0) / (high + k - 1.0)


def _absolute(rows: float, columns: float, error: float, n: int, k: int) -> tuple[float, float]:
    """Case 2: approximate degrees of freedom (Satterthwaite)."""
    mixed = error + (columns - error) / n
    r = (rows - error) / (rows - error + k * mixed)
    if r >= 1.0:
        return 1.0, 1.0
    a, b = k * r / (n * (1.0 - r)), 1.0 + k * r * (n - 1) / (n * (1.0 - r))
    parts = (a * columns) ** 2 / (k - 1) + (b * error) ** 2 / ((n - 1) * (k - 1))
    freedom = (a * columns + b * error) ** 2 / parts
    f_low, f_high = f_value(n - 1, freedom), f_value(freedom, n - 1)
    rest = k * columns + (k * n - k - n) * error
    low = n * (rows - f_low * error) / (f_low * rest + n * rows)
    high = n * (f_high * rows - error) / (rest + n * f_high * rows)
    return low, high


def _spearman_brown(one: float, k: int) -> float:
    """Of the mean of k raters; rises with the single rater's."""
    return k * one / (1.0 + (k - 1.0) * one)


def concordance(pairs: Pairs) -> Concordance:
    """Lin's concordance correlation, ``2 Sxy / (Sxx + Syy + n bias²)``.

    The interval is on Fisher's z: with one pair a person by Lin's variance, with several by
    the delete-one-person jackknife.

    Raises
    ------
    InvalidInput
        Fewer than 4 units, or values that are all the same.

    Notes
    -----
    Lin LI-K 1989, Biometrics 45:255-268, doi 10.2307/2532051, with the corrected variance of
    Biometrics 56:324-325 (2000).
    """
    if pairs.units <= FEWEST:
        raise InvalidInput(
            say("a concordance needs 4 units or more, but got {units}", units=pairs.units)
        )
    sums = Sums.of_units(pairs)
    total = sums.total()
    if not (total.sxx > 0 and total.syy > 0):
        raise InvalidInput(say("both methods must vary for a concordance, but one is constant"))
    value = float(_concordance(total))
    precision = float(total.sxy / np.sqrt(total.sxx * total.syy))
    accuracy = value / precision if precision else 0.0
    if pairs.units < pairs.n:
        estimate = _on_z(value, _concordance(sums.without_each()), pairs.units)
    else:
        estimate = _lin(value, precision, total, pairs.n)
    return Concordance(pairs, estimate, precision, accuracy)


def _concordance(sums: Sums) -> Floats:
    return np.asarray(2.0 * sums.sxy / (sums.sxx + sums.syy + sums.n * sums.shift**2))


def _lin(value: float, r: float, total: Sums, n: int) -> Estimate:
    if abs(value) >= 1.0 or r == 0:
        return Estimate(value, (value, value) if r else (-1.0, 1.0))
    u2 = float(total.shift**2 * n / np.sqrt(total.sxx * total.syy))
    c2 = value**2
    variance = (
        (1.0 - r**2) * c2 / ((1.0 - c2) * r**2)
        + 2.0 * value**3 * (1.0 - value) * u2 / (r * (1.0 - c2) ** 2)
        - value**4 * u2**2 / (2.0 * r**2 * (1.0 - c2) ** 2)
    ) / (n - 2)
    half = Z * max(variance, 0.0) ** 0.5
    low, high = np.tanh(np.arctanh(value) + np.array([-half, half]))
    return Estimate(value, (float(low), float(high)))
