"""The whole comparison of two methods: every figure, and the same by subgroup.

Conventions are those of the modules it calls; nothing is computed here but who belongs to
which subgroup. A figure that the pairs do not allow is a :class:`NotComputed` with the
reason, and the rest goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from knee_angle.agreement.coefficients import Concordance, Icc, concordance, icc_of_pairs
from knee_angle.agreement.estimate import Floats
from knee_angle.agreement.limits import Limits, TrueValue, limits_of_agreement, uneven
from knee_angle.agreement.lines import FittedLine, deming, errors_in_both, trend
from knee_angle.agreement.pairs import Codes, Pairs, codes_of
from knee_angle.agreement.repeatability import Repeatability, repeatability
from knee_angle.agreement.shares import Within, share_within
from knee_angle.agreement.tails import QuantileLimits, Tails, quantile_limits, tails_of
from knee_angle.errors import InvalidInput
from knee_angle.language import figure, say
from knee_angle.records import html_of

__all__ = ["NOT_STATED", "NotComputed", "Study", "StudySettings", "Subgroup", "study_agreement"]

NOT_STATED = "not stated"
"""The subgroup of rows whose label is missing."""

MOST_LABELS = 60
"""A column with more different values is no grouping."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class NotComputed:
    """A figure that these pairs do not allow, and why."""

    reason: str


@dataclass(frozen=True, slots=True)
class StudySettings:
    """What the analyst chose.

    Parameters
    ----------
    tolerances_deg : tuple of float
        For the share of differences within.
    true_value : {"varies", "constant"}
        Whether what is measured changes between the pairs of one person.
    variance_ratio : float
        Deming's: error variance of compared over that of reference.
    band_deg : float
        Width of the bands of the reference angle.
    """

    tolerances_deg: tuple[float, ...] = (5.0, 10.0)
    true_value: TrueValue = "varies"
    variance_ratio: float = 1.0
    band_deg: float = 30.0


@dataclass(frozen=True, slots=True, eq=False)
class Subgroup:
    """The pairs that share a label.

    Parameters
    ----------
    column, label : str
        Which column, and its value.
    pairs : Pairs
        Those pairs.
    limits : Limits or NotComputed
        Bias and limits of agreement of these pairs alone.
    within : tuple of Within
        One for each tolerance.
    """

    column: str
    label: str
    pairs: Pairs
    limits: Limits | NotComputed
    within: tuple[Within, ...]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Study:
    """Everything about one comparison.

    Parameters
    ----------
    pairs : Pairs
        The pairs, with the rows left out.
    settings : StudySettings
        What was chosen.
    limits : Limits
        Bias, limits of agreement and what they are made of.
    tails : Tails or NotComputed
        Whether the differences' tails are heavier than normal.
    quantiles : QuantileLimits or NotComputed
        The limits that hold for any tails.
    outside : int
        Differences beyond the limits; about 5 % are expected.
    within : tuple of Within
        One for each tolerance.
    trend, deming : FittedLine or NotComputed
        Proportional bias, and the line with equal errors in both.
    both : FittedLine, NotComputed or None
        The line with each pair's own uncertainties; None where none were given.
    icc, concordance : Icc, Concordance or NotComputed
        The coefficients.
    repeats : Mapping of str to Repeatability
        Scatter within persons: of the difference where the true value varies, of each
        method where it is constant; empty without repeats.
    subgroups, bands : tuple of Subgroup
        By the chosen columns; by bands of the reference angle.
    """

    pairs: Pairs
    settings: StudySettings
    limits: Limits
    tails: Tails | NotComputed
    quantiles: QuantileLimits | NotComputed
    outside: int
    within: tuple[Within, ...]
    trend: FittedLine | NotComputed
    deming: FittedLine | NotComputed
    both: FittedLine | NotComputed | None
    icc: Icc | NotComputed
    concordance: Concordance | NotComputed
    repeats: Mapping[str, Repeatability]
    subgroups: tuple[Subgroup, ...]
    bands: tuple[Subgroup, ...]

    def __repr__(self) -> str:
        return f"<Study of {self._told()}>"

    def _repr_html_(self) -> str:
        within = [(f"within {w.tolerance:g}°", f"{w.share.value:.1%}") for w in self.within]
        return html_of([("differences", self._told()), *within])

    def _told(self) -> str:
        limits = self.limits
        return (
            f"{self.pairs.n} pairs: bias {limits.bias.value:+.1f}, limits of "
            f"agreement {limits.lower.value:+.1f} to {limits.upper.value:+.1f}"
        )


def study_agreement(
    pairs: Pairs,
    *,
    settings: StudySettings | None = None,
    u_compared: ArrayLike | None = None,
    by: Mapping[str, Sequence[Hashable]] | None = None,
) -> Study:
    """All figures of a comparison.

    Parameters
    ----------
    pairs : Pairs
        From :func:`knee_angle.agreement.select_pairs`.
    settings : StudySettings, optional
        What the analyst chose.
    u_compared : array_like, shape () or (n,), optional
        Standard uncertainty of the compared values; with `pairs.u_reference` it gives the
        line with errors in both.
    by : Mapping of column to labels, optional
        Labels of all rows of the table that `pairs` was selected from.

    Raises
    ------
    InvalidInput
        Fewer than 3 units, a column that is no grouping, settings that cannot be.
    """
    chosen = settings or StudySettings()
    limits = limits_of_agreement(pairs, true_value=chosen.true_value)
    d = pairs.difference
    groups = [
        group
        for column, labels in (by or {}).items()
        for group in _by_column(pairs, column, labels, chosen)
    ]
    return Study(
        pairs=pairs,
        settings=chosen,
        limits=limits,
        tails=_tried(lambda: tails_of(pairs)),
        quantiles=_tried(lambda: quantile_limits(pairs, each_person_once=uneven(pairs))),
        outside=int(np.count_nonzero((d < limits.lower.value) | (d > limits.upper.value))),
        within=_shares(pairs, chosen),
        trend=_tried(lambda: trend(pairs)),
        deming=_tried(lambda: deming(pairs, variance_ratio=chosen.variance_ratio)),
        both=_both(pairs, u_compared),
        icc=_tried(lambda: icc_of_pairs(pairs)),
        concordance=_tried(lambda: concordance(pairs)),
        repeats=_repeats(pairs, chosen.true_value),
        subgroups=tuple(groups),
        bands=_bands(pairs, chosen),
    )


def _tried(figure: Callable[[], T]) -> T | NotComputed:
    """The figure, or why these pairs do not allow it."""
    try:
        return figure()
    except InvalidInput as error:
        return NotComputed(str(error))


def _shares(pairs: Pairs, settings: StudySettings) -> tuple[Within, ...]:
    return tuple(share_within(pairs, tolerance) for tolerance in settings.tolerances_deg)


def _both(pairs: Pairs, u_compared: ArrayLike | None) -> FittedLine | NotComputed | None:
    if u_compared is None or pairs.u_reference is None:
        return None
    u_x: Floats = pairs.u_reference
    u_y = np.broadcast_to(np.asarray(u_compared, dtype=float), (pairs.n,))
    return _tried(lambda: errors_in_both(pairs, u_reference=u_x, u_compared=u_y))


def _repeats(pairs: Pairs, true_value: TrueValue) -> dict[str, Repeatability]:
    if pairs.person is None or pairs.units == pairs.n:
        return {}
    if true_value == "varies":
        return {"difference": repeatability(pairs.difference, person=pairs.person)}
    return {
        "reference": repeatability(pairs.reference, person=pairs.person),
        "compared": repeatability(pairs.compared, person=pairs.person),
    }


def _by_column(
    pairs: Pairs, column: str, labels: Sequence[Hashable], settings: StudySettings
) -> list[Subgroup]:
    if len(labels) < len(pairs.kept):
        raise InvalidInput(
            say("the column {column} must have one label a row of the table", column=column)
        )
    all_codes, names = codes_of(labels)
    if len(names) > MOST_LABELS:
        raise InvalidInput(
            say(
                "the column {column} must group the rows, but has {n_names} different values "
                "(at most {most_labels}): choose another",
                column=column,
                n_names=len(names),
                most_labels=MOST_LABELS,
            )
        )
    codes = all_codes[pairs.kept]
    words = [NOT_STATED if name in (None, "") else str(name) for name in names]
    order = sorted(range(len(names)), key=lambda i: _natural(words[i]))
    return [
        _subgroup(pairs, column, words[i], np.flatnonzero(codes == i), settings)
        for i in order
        if np.any(codes == i)
    ]


def _natural(word: str) -> tuple[int, float, str]:
    """Numbers by size, then words, then what is not stated."""
    if word == NOT_STATED:
        return 2, 0.0, word
    try:
        return 0, float(word), word
    except ValueError:
        return 1, 0.0, word


def _subgroup(
    pairs: Pairs, column: str, label: str, rows: Codes, settings: StudySettings
) -> Subgroup:
    part = pairs.part(rows)
    if part.rater is not None and not part.rater.any():  # one rater: no scatter of raters here
        part = replace(part, rater=None)
    limits = _tried(lambda: limits_of_agreement(part, true_value=settings.true_value))
    return Subgroup(column, label, part, limits, _shares(part, settings))


def _bands(pairs: Pairs, settings: StudySettings) -> tuple[Subgroup, ...]:
    width = settings.band_deg
    if not width > 0:
        raise InvalidInput(
            say("the width of the bands must be above 0, but got {width:g}", width=width)
        )
    place = np.floor(pairs.reference / width)
    if not np.ptp(place) < MOST_LABELS:
        raise InvalidInput(
            say(
                "bands of {width:g} would be more than {most_labels} over the range of the "
                "reference: widen them",
                width=width,
                most_labels=MOST_LABELS,
            )
        )
    return tuple(
        _subgroup(
            pairs,
            "band",
            say(
                "{low} to {high}", low=figure(f"{i * width:g}"), high=figure(f"{(i + 1) * width:g}")
            ),
            np.flatnonzero(place == i),
            settings,
        )
        for i in range(int(place.min()), int(place.max()) + 1)
        if np.any(place == i)
    )
