"""How far two methods that measure the same thing agree.

Numbers only. Start at :func:`select_pairs`, then :func:`study_agreement`; each figure can
also be had alone.

``pairs`` are chosen, ``study`` compares by ``limits`` of agreement (with ``raters``, and by
quantiles where ``tails`` are heavy), straight ``lines``, ``coefficients``, ``shares`` within a
tolerance and ``repeatability``; ``estimate`` is a figure with its interval. ``plan``, with
``plan_repeats`` and ``plan_icc``, says how many pairs or targets are needed. Without a reference,
``reliability`` compares raters with themselves and with one another, ``rater_pairs`` two by two.

Conventions
-----------
* ``difference = compared - reference``; in this package displayed minus knee.
* Every interval is a two-sided 95 % confidence interval, every result keeps its input.
* The independent unit is the person. Where persons have several pairs, each interval takes
  that into account; pairs without a person are taken as one a person.

>>> import numpy as np
>>> from knee_angle.agreement import limits_of_agreement, select_pairs
>>> pairs = select_pairs(reference=[30.0, 61, 88, 104], compared=[32.0, 64, 95, 112])
>>> limits = limits_of_agreement(pairs)
>>> limits.bias.value
5.0
>>> [round(float(x), 1) for x in (*limits.bias.interval, *limits.upper.interval)]
[0.3, 9.7, 7.5, 27.7]
"""

from __future__ import annotations

from knee_angle.agreement.coefficients import (
    FORMS,
    Concordance,
    Icc,
    concordance,
    icc,
    icc_of_pairs,
)
from knee_angle.agreement.estimate import Estimate
from knee_angle.agreement.limits import Limits, limits_of_agreement
from knee_angle.agreement.lines import FittedLine, deming, errors_in_both, trend
from knee_angle.agreement.pairs import Excluded, Pairs, select_pairs
from knee_angle.agreement.plan import LimitsPlan, plan_limits
from knee_angle.agreement.plan_icc import IccPlan, plan_icc, plan_icc_above
from knee_angle.agreement.plan_repeats import plan_limits_with_repeats
from knee_angle.agreement.raters import Parts
from knee_angle.agreement.reliability import Ratings, Reliability, reliability, select_ratings
from knee_angle.agreement.repeatability import Repeatability, repeatability
from knee_angle.agreement.shares import Within, share_within, wilson
from knee_angle.agreement.study import (
    NotComputed,
    Study,
    StudySettings,
    Subgroup,
    study_agreement,
)
from knee_angle.agreement.tails import QuantileLimits, Tails, quantile_limits, tails_of

__all__ = [
    "FORMS",
    "Concordance",
    "Estimate",
    "Excluded",
    "FittedLine",
    "Icc",
    "IccPlan",
    "Limits",
    "LimitsPlan",
    "NotComputed",
    "Pairs",
    "Parts",
    "QuantileLimits",
    "Ratings",
    "Reliability",
    "Repeatability",
    "Study",
    "StudySettings",
    "Subgroup",
    "Tails",
    "Within",
    "concordance",
    "deming",
    "errors_in_both",
    "icc",
    "icc_of_pairs",
    "limits_of_agreement",
    "plan_icc",
    "plan_icc_above",
    "plan_limits",
    "plan_limits_with_repeats",
    "quantile_limits",
    "reliability",
    "repeatability",
    "select_pairs",
    "select_ratings",
    "share_within",
    "study_agreement",
    "tails_of",
    "trend",
    "wilson",
]
