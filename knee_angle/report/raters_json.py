"""A rater study as JSON: every figure as {"value", "interval"}."""

from __future__ import annotations

from typing import Any

from knee_angle.agreement import Estimate, Reliability
from knee_angle.agreement.rater_pairs import rater_pairs
from knee_angle.report.paper.raters_words import AboutRaters, cautions, flow_of, methods_of

__all__ = ["raters_as_json"]

Json = dict[str, Any]


def raters_as_json(found: Reliability, about: AboutRaters) -> Json:
    """Everything about a rater study, ready for `json.dumps`; values in the column's unit."""
    n, r, m = found.ratings.values.shape
    return {
        "table": about.table,
        "value": about.value,
        "target": about.target,
        "rater": about.rater,
        "targets": int(n),
        "raters": int(r),
        "repeats": int(m),
        "sd": {
            "within_rater": _maybe(found.within),
            "any_rater": _estimate(found.between),
            "raters": _estimate(found.rater),
            "own_view": _maybe(found.view),
            "targets": _estimate(found.target),
        },
        "smallest_detectable_difference": {
            "within_rater": _maybe(found.smallest_within),
            "between_raters": _estimate(found.smallest_between),
        },
        "limits_of_agreement_with_the_mean": _estimate(found.from_mean),
        "icc": {
            "within_rater": _maybe(found.icc_within),
            "between_raters": _estimate(found.icc_between),
        },
        "each_rater": [
            {
                "rater": one.rater,
                "deviation": _estimate(one.deviation),
                "sd_of_repeats": _maybe(one.repeat),
            }
            for one in found.alone
        ],
        "each_two_raters": [
            {
                "first": one.first,
                "second": one.second,
                "bias": _estimate(one.limits.bias),
                "lower": _estimate(one.limits.lower),
                "upper": _estimate(one.limits.upper),
            }
            for one in rater_pairs(found.ratings)
        ],
        "flow": [
            {"step": one.name, "ratings": one.count, "left_out": one.out}
            for one in flow_of(found, about)
        ],
        "excluded": [
            {"row": row.row, "name": row.name, "reason": row.reason}
            for row in found.ratings.excluded
        ],
        "methods": list(methods_of(found, about)),
        "cautions": list(cautions(found)),
        "settings": {"missing": about.missing, "seed": about.seed, "blind": about.blind},
        "made": about.made,
        "version": about.versions.software,
        "weights_sha256": about.versions.weights,
    }


def _estimate(one: Estimate) -> Json:
    low, high = one.interval
    return {"value": round(one.value, 6), "interval": [round(low, 6), round(high, 6)]}


def _maybe(one: Estimate | None) -> Json | None:
    return None if one is None else _estimate(one)
