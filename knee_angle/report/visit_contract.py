"""A visit as JSON: the same words and units as a photo's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from knee_angle.angle.bounds import Apart, Lacking, LimitStanding
from knee_angle.machine.answer import SettingAnswer, VisitAnswer
from knee_angle.machine.changed import Change, Changed
from knee_angle.machine.judge import MachineJudged
from knee_angle.records import Comparison, NotMeasured, Outcome
from knee_angle.report.sections import sections_as_json
from knee_angle.report.unused_dots import unused_in
from knee_angle.report.visit_words import cautions_of, first_lines
from knee_angle.visit import Reach, Value

if TYPE_CHECKING:
    from knee_angle.machine.adjust import Advice
    from knee_angle.machine.display import DisplayCurve

__all__ = ["visit_as_json"]

Json = dict[str, Any]


def visit_as_json(
    answer: VisitAnswer | NotMeasured,
    *,
    version: str,
    outcomes: Sequence[tuple[str, Outcome]] = (),
) -> Json:
    """One visit, ready for `json.dumps`; degrees of flexion and mm, to 3 decimals.

    Parameters
    ----------
    answer : VisitAnswer or NotMeasured
    version : str
        Version of this software.
    outcomes : sequence of (str, Outcome)
        Each photo's own result, for a visit that was not measured; else the answer has them.
    """
    if isinstance(answer, NotMeasured):
        return {
            "status": "not_measured",
            "reason": answer.reason,
            "advice": answer.advice,
            "alarms": list(answer.alarms),
            "unused_dots": unused_in(outcomes),
            "version": version,
        }
    estimate = answer.estimate
    return {
        "status": "measured",
        "side": answer.side,
        "first_lines": first_lines(answer),
        "standing": answer.standing,
        "settings": [_setting(one) for one in answer.settings],
        "arc": None if answer.arc is None else _value(answer.arc),
        "displayed_arc_deg": answer.displayed_arc_deg,
        "lacking": _lacking(answer.lacking),
        "changes": [_changed(one) for one in answer.changes],
        "machine": None if answer.machine is None else _machine(answer.machine),
        "covariance": {
            "names": list(estimate.names),
            "values": [_3(v) for v in estimate.values],
            "matrix": [[_3(v) for v in row] for row in estimate.covariance],
        },
        "fit_of_photos": {
            "chi2": _3(estimate.chi2),
            "dof": estimate.dof,
            "p": _3(estimate.p_value),
        },
        "wild_points": [{"photo": photo, "point": point} for photo, point in estimate.wild],
        "left_out": [{"photo": name, "reason": why} for name, why in estimate.left_out],
        "cautions": list(cautions_of(answer)),
        "unused_dots": unused_in(answer.outcomes),
        "version": version,
    }


def _setting(one: SettingAnswer) -> Json:
    seen = one.estimate
    return {
        "setting": seen.name,
        "photos": list(seen.photos),
        "adjusted": seen.adjusted,
        "displayed_deg": seen.displayed_deg,
        "knee": _value(seen.knee),
        "bars": None if seen.frame is None else _value(seen.frame),
        "fit": None if seen.fit is None else _value(seen.fit),
        "hinge_distal_mm": None if seen.distal is None else _value(seen.distal),
        "hinge_anterior_mm": None if seen.anterior is None else _value(seen.anterior),
        "camera_seen": seen.camera_seen,
        "comparison": _comparison(one.comparison),
        "apart": _apart(one.apart),
        "limits": [_limit(limit) for limit in one.limits],
        "would_shrink": [_reach(reach) for reach in seen.shrink],
    }


def _value(value: Value) -> Json:
    return {
        "value": _3(value.value),
        "u": _3(value.u),
        "interval": [_3(end) for end in value.interval],
    }


def _changed(one: Changed) -> Json:
    """What an adjusting changed at one place; `size_deg` negative is closer than before."""
    changes = {
        "knee_deg": one.knee, "apart_deg": one.apart, "fit_deg": one.fit,
        "hinge_distal_mm": one.distal, "hinge_anterior_mm": one.anterior,
    }  # fmt: skip
    return {
        "adjusted": one.adjusted,
        "before": one.before,
        "after": one.after,
        **{name: None if change is None else _change(change) for name, change in changes.items()},
        "size_deg": None if one.size is None else _value(one.size),
        "way": one.way,
    }


def _change(change: Change) -> Json:
    return {name: _value(getattr(change, name)) for name in ("before", "after", "change")}


def _comparison(comparison: Comparison | None) -> Json | None:
    if comparison is None:
        return None
    return {
        "discrepancy_deg": _3(comparison.discrepancy_deg),
        "u_deg": _3(comparison.u_deg),
        "tolerance_deg": comparison.tolerance_deg,
        "p_within": round(comparison.p_within, 4),
        "verdict": comparison.verdict,
    }


def _apart(apart: Apart | None) -> Json | None:
    if apart is None:
        return None
    return {
        "at_most_deg": _3(apart.at_most_deg),
        "within_deg": {f"{step:g}": verdict for step, verdict in apart.proven},
    }


def _limit(limit: LimitStanding) -> Json:
    return {**asdict(limit), "because": list(limit.because), "p_past": round(limit.p_past, 4)}


def _lacking(lacking: Lacking | None) -> Json | None:
    return None if lacking is None else {name: _3(v) for name, v in asdict(lacking).items()}


def _reach(reach: Reach) -> Json:
    return {"what": reach.what, "u_deg": _3(reach.u_deg), "share": round(reach.share, 3)}


def _machine(machine: MachineJudged) -> Json:
    return {
        "finding": machine.kind,
        "words": list(machine.words),
        "display": _display(machine.display),
        "advice": _advice(machine.advice),
        "sections": sections_as_json(machine),
    }


def _display(curve: DisplayCurve | None) -> Json | None:
    """Offset, gain and bow of displayed against bars, with 95 % intervals."""
    if curve is None:
        return None
    figures = {"offset_deg": curve.offset_deg, "gain": curve.gain, "bow_deg": curve.bow_deg}
    return {
        name: {"value": _3(one.value), "interval": [_3(end) for end in one.interval]}
        for name, one in figures.items()
    }


def _advice(advice: Advice | None) -> Json | None:
    if advice is None:
        return None
    return {
        "steps": [{"part": step.part, "mm": step.mm} for step in advice.steps],
        "checks": list(advice.checks),
        "sections_longer_mm": advice.longer_mm,
        "first": advice.first,
        "lower_limit_deg": advice.lower_limit_deg,
        "text": advice.text,
    }


def _3(value: float) -> float:
    return round(float(value), 3)
