"""A comparison of two methods as JSON: every figure as {"value", "interval"}."""

from __future__ import annotations

from typing import Any

from knee_angle.agreement import (
    Concordance,
    Estimate,
    FittedLine,
    Icc,
    LimitsPlan,
    NotComputed,
    QuantileLimits,
    Study,
    Subgroup,
    Tails,
    Within,
)
from knee_angle.agreement.limits import Limits
from knee_angle.report.study_reported import flow, methods_to_paste
from knee_angle.report.study_words import About, cautions

__all__ = ["plan_as_json", "study_as_json"]

Json = dict[str, Any]


def study_as_json(study: Study, about: About) -> Json:
    """Everything about a study, ready for `json.dumps`.

    Returns
    -------
    dict
        A figure is ``{"value": ..., "interval": [low, high]}``; one that could not be
        computed is ``{"not_computed": reason}``. Values in the unit of the columns.
    """
    pairs, settings = study.pairs, study.settings
    return {
        "table": about.table,
        "reference": about.reference,
        "compared": about.compared,
        "person": about.person,
        "pairs": pairs.n,
        "persons": None if pairs.person is None else pairs.units,
        "design": study.limits.design,
        "limits": _limits(study.limits, of_display=about.of_display),
        "raters": None if pairs.rater is None else int(pairs.rater.max()) + 1,
        "tails": _tails(study.tails),
        "quantile_limits": _quantiles(study.quantiles),
        "outside_limits": study.outside,
        "within": [_within(within) for within in study.within],
        "trend": _line(study.trend),
        "deming": _line(study.deming),
        "errors_in_both": None if study.both is None else _line(study.both),
        "icc": _icc(study.icc),
        "concordance": _concordance(study.concordance),
        "repeatability": {
            name: {
                "sd": _estimate(repeat.sd),
                "coefficient": _estimate(repeat.coefficient),
                "freedom": repeat.freedom,
            }
            for name, repeat in study.repeats.items()
        },
        "subgroups": [_subgroup(group, about) for group in study.subgroups],
        "bands": [_subgroup(group, about) for group in study.bands],
        "excluded": [
            {"row": row.row, "name": row.name, "reason": row.reason} for row in pairs.excluded
        ],
        "settings": {
            "tolerances_deg": list(settings.tolerances_deg),
            "true_value": settings.true_value,
            "variance_ratio": settings.variance_ratio,
            "band_deg": settings.band_deg,
            "missing": about.missing,
            "rater": about.rater,
            "u_reference": about.u_reference,
            "u_compared": about.u_compared,
        },
        "flow": [{"step": one.name, "rows": one.count} for one in flow(study)],
        "methods": list(methods_to_paste(study, about)),
        "cautions": list(cautions(study, about)),
        "made": about.made,
        "version": about.version,
    }


def plan_as_json(plan: LimitsPlan, *, version: str) -> Json:
    """A sample size, ready for `json.dumps`."""
    return {
        "pairs": plan.n * plan.repeats,
        "persons": plan.n,
        "repeats": plan.repeats,
        "half_width_deg": round(plan.half_width, 6),
        "sd_deg": plan.sd,
        "wanted_half_width_deg": plan.wanted_half_width,
        "assurance": plan.assurance,
        "version": version,
    }


def _estimate(estimate: Estimate) -> Json:
    low, high = estimate.interval
    return {"value": round(estimate.value, 6), "interval": [round(low, 6), round(high, 6)]}


def _limits(limits: Limits | NotComputed, *, of_display: bool) -> Json:
    if isinstance(limits, NotComputed):
        return {"not_computed": limits.reason}
    names = ["bias", "sd", "lower", "upper", *([] if of_display else ["sem", "sdd"])]
    told = {name: _estimate(getattr(limits, name)) for name in names}
    if limits.parts is not None:
        for name in ("person", "rater", "repeat"):
            told[f"sd_{name}"] = _estimate(getattr(limits.parts, name))
    return told


def _tails(tails: Tails | NotComputed) -> Json:
    if isinstance(tails, NotComputed):
        return {"not_computed": tails.reason}
    return {
        "excess_kurtosis": round(tails.excess, 6),
        "p_value": round(tails.p_value, 6),
        "of": tails.of,
        "heavy": tails.heavy,
    }


def _quantiles(found: QuantileLimits | NotComputed) -> Json:
    if isinstance(found, NotComputed):
        return {"not_computed": found.reason}
    return {
        "lower": _estimate(found.lower),
        "upper": _estimate(found.upper),
        "effective_n": round(found.effective_n, 3),
    }


def _within(within: Within) -> Json:
    return {
        "tolerance": within.tolerance,
        "count": within.count,
        "share": _estimate(within.share),
        "effective_n": round(within.effective_n, 3),
    }


def _line(line: FittedLine | NotComputed) -> Json:
    if isinstance(line, NotComputed):
        return {"not_computed": line.reason}
    return {
        "offset": _estimate(line.offset),
        "gain": _estimate(line.gain),
        "variance_ratio": line.variance_ratio,
        "chi2_per_dof": line.chi2_per_dof,
    }


def _icc(icc: Icc | NotComputed) -> Json:
    if isinstance(icc, NotComputed):
        return {"not_computed": icc.reason}
    return {form: _estimate(estimate) for form, estimate in icc.forms.items()}


def _concordance(found: Concordance | NotComputed) -> Json:
    if isinstance(found, NotComputed):
        return {"not_computed": found.reason}
    return {
        **_estimate(found.coefficient),
        "precision": round(found.precision, 6),
        "accuracy": round(found.accuracy, 6),
    }


def _subgroup(group: Subgroup, about: About) -> Json:
    return {
        "column": group.column,
        "label": group.label,
        "pairs": group.pairs.n,
        "persons": None if group.pairs.person is None else group.pairs.units,
        "limits": _limits(group.limits, of_display=about.of_display),
        "within": [_within(within) for within in group.within],
    }
