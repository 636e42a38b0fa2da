"""Handing results on: the JSON contract and its flat table.

One photo is one JSON object with the same fields whatever the outcome; a table row
holds the same values with the units in the column names. Nothing is measured here.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

from knee_angle.calibration import Line, RangeVerdict
from knee_angle.check import MachineCheck
from knee_angle.mechanism import Offsets
from knee_angle.records import (
    Comparison,
    Finding,
    Landmark,
    Machine,
    Measurement,
    NotMeasured,
    Outcome,
    Segments,
    Unreadable,
)

__all__ = ["CSV_COLUMNS", "as_csv", "as_json", "check_as_json"]

Json = dict[str, Any]


def as_json(photo: str, outcome: Outcome, *, version: str) -> Json:
    """The result contract of one photo, ready for `json.dumps`.

    Parameters
    ----------
    photo : str
        The photo's name as the caller knows it.
    outcome : Measurement, NotMeasured or Unreadable
        Its result.
    version : str
        Version of this software.

    Returns
    -------
    dict
        ``status`` is ``measured``, ``not_measured`` or ``unreadable``; values that do
        not exist are None. Degrees and millimetres to 3 decimals, pixels to 2.
    """
    head: Json = {"photo": photo, "status": "unreadable", "reason": None, "advice": None}
    match outcome:
        case Unreadable():
            head.update(reason=outcome.reason)
            body = _empty()
        case NotMeasured():
            head.update(status="not_measured", reason=outcome.reason, advice=outcome.advice)
            body = _empty()
        case Measurement():
            head.update(status="measured")
            body = _measured(outcome)
    return {**head, **body, "version": version}


def _empty() -> Json:
    return {
        "side": None,
        "flexion_deg": None,
        "u_deg": None,
        "interval_deg": None,
        "found_interval_deg": None,
        "budget_deg": None,
        "plane": None,
        "flat_flexion_deg": None,
        "landmarks": None,
        "machine": None,
        "displayed_deg": None,
        "displayed_source": None,
        "comparison": None,
        "finding": None,
        "segments_mm": None,
        "alarms": [],
        "camera": None,
        "cautions": [],
        "seconds": None,
    }


def _measured(result: Measurement) -> Json:
    knee, lens, view = result.knee, result.leg.lens, result.leg.view
    displayed = result.displayed
    return {
        **_empty(),
        "side": result.side,
        "flexion_deg": _deg(knee.deg),
        "u_deg": _deg(knee.u_deg),
        "interval_deg": [_deg(x) for x in knee.interval_deg],
        "found_interval_deg": [_deg(x) for x in knee.found_interval_deg],
        "budget_deg": {line: _deg(u) for line, u in knee.budget_deg.items()},
        "plane": result.plane,
        "flat_flexion_deg": _deg(result.flat_deg),
        "landmarks": _points(
            {n: p for n, p in result.landmarks.points.items() if n not in _machine_names(result)}
        ),
        "machine": _machine(result.machine),
        "displayed_deg": None if displayed is None else _deg(displayed.deg),
        "displayed_source": None if displayed is None else displayed.source,
        "comparison": _comparison(result.comparison),
        "finding": _finding(result.finding),
        "segments_mm": _segments(result.segments),
        "alarms": list(result.alarms),
        "camera": {
            "width_px": lens.width_px,
            "height_px": lens.height_px,
            "focal_px": round(lens.focal_px, 2),
            "focal_source": lens.source,
            "normal": [round(x, 5) for x in view.normal],
            "tags": len(result.tags),
        },
        "cautions": list(result.cautions),
        "seconds": round(result.seconds, 3),
    }


def _machine_names(result: Measurement) -> set[str]:
    return set() if result.machine is None else set(result.machine.points)


def _points(points: Mapping[Any, Landmark]) -> Json:
    return {
        str(name): {
            "x": round(p.x_px, 2),
            "y": round(p.y_px, 2),
            "u_px": round(p.u_px, 2),
            "source": p.source,
        }
        for name, p in points.items()
    }


def _machine(machine: Machine | None) -> Json | None:
    if machine is None:
        return None
    frame = machine.frame
    if frame is None:
        return {
            "frame_deg": None,
            "u_deg": None,
            "interval_deg": None,
            "points": _points(machine.points),
            "hinge_to_knee_mm": None,
        }
    return {
        "frame_deg": _deg(frame.deg),
        "u_deg": _deg(frame.u_deg),
        "interval_deg": [_deg(x) for x in frame.interval_deg],
        "points": _points(machine.points),
        "hinge_to_knee_mm": {
            "distal": round(frame.distal_mm, 1),
            "anterior": round(frame.anterior_mm, 1),
            "u": round(frame.u_hinge_mm, 1),
        },
    }


def _finding(finding: Finding | None) -> Json | None:
    if finding is None:
        return None
    calibration, fit = finding.calibration, finding.fit
    return {
        "kind": finding.kind,
        "calibration_deg": None if calibration is None else _deg(calibration.discrepancy_deg),
        "calibration_u_deg": None if calibration is None else _deg(calibration.u_deg),
        "calibration_verdict": None if calibration is None else calibration.verdict,
        "calibration_p_within": None if calibration is None else round(calibration.p_within, 4),
        "fit_deg": None if fit is None else _deg(fit.discrepancy_deg),
        "fit_u_deg": None if fit is None else _deg(fit.u_deg),
        "fit_verdict": None if fit is None else fit.verdict,
        "fit_p_within": None if fit is None else round(fit.p_within, 4),
        "fit_explained_deg": _maybe_deg(finding.explained_deg),
        "fit_explained_u_deg": _maybe_deg(finding.u_explained_deg),
        "support_mm": None if finding.support_mm is None else finding.support_mm[0],
        "support_u_mm": None if finding.support_mm is None else finding.support_mm[1],
        "advice": finding.advice,
    }


def _segments(segments: Segments | None) -> Json | None:
    if segments is None:
        return None
    return {
        "thigh": round(segments.thigh_mm, 1),
        "thigh_u": round(segments.u_thigh_mm, 1),
        "shank": round(segments.shank_mm, 1),
        "shank_u": round(segments.u_shank_mm, 1),
    }


def _maybe_deg(value: float | None) -> float | None:
    return None if value is None else _deg(value)


def _comparison(comparison: Comparison | None) -> Json | None:
    if comparison is None:
        return None
    return {
        "discrepancy_deg": _deg(comparison.discrepancy_deg),
        "u_deg": _deg(comparison.u_deg),
        "tolerance_deg": _deg(comparison.tolerance_deg),
        "p_within": round(comparison.p_within, 4),
        "verdict": comparison.verdict,
    }


def _deg(value: float) -> float:
    # JSON knows no NaN; a result that holds one is a mistake of ours, not a value.
    if not math.isfinite(value):
        raise ArithmeticError(f"a result must be a finite number, but got {value}")
    return round(value, 3)


CSV_COLUMNS = (
    "photo",
    "status",
    "reason",
    "advice",
    "side",
    "flexion_deg",
    "u_deg",
    "interval_low_deg",
    "interval_high_deg",
    "plane",
    "displayed_deg",
    "discrepancy_deg",
    "discrepancy_u_deg",
    "tolerance_deg",
    "p_within",
    "verdict",
    "frame_deg",
    "frame_u_deg",
    "hinge_distal_mm",
    "hinge_anterior_mm",
    "hinge_u_mm",
    "finding",
    "calibration_deg",
    "calibration_u_deg",
    "fit_deg",
    "fit_u_deg",
    "thigh_mm",
    "thigh_u_mm",
    "shank_mm",
    "shank_u_mm",
    "alarms",
    "cautions",
    "seconds",
    "version",
)
"""Columns of the table, in order."""


def as_csv(rows: Sequence[Json], *, header: bool = True) -> str:
    """Results of `as_json` as RFC 4180 text, one line a photo, failures too.

    Cells that a spreadsheet would run as a formula get a leading apostrophe.
    """
    text = io.StringIO()
    writer = csv.DictWriter(text, CSV_COLUMNS, lineterminator="\r\n")
    if header:
        writer.writeheader()
    writer.writerows(_flat(row) for row in rows)
    return text.getvalue()


def _flat(row: Json) -> Json:
    interval = row["interval_deg"] or (None, None)
    compared = row["comparison"] or {}
    machine, finding = row["machine"] or {}, row["finding"] or {}
    hinge = machine.get("hinge_to_knee_mm") or {}
    segments = row["segments_mm"] or {}
    flat = {
        **{key: row[key] for key in CSV_COLUMNS if key in row},
        "interval_low_deg": interval[0],
        "interval_high_deg": interval[1],
        "discrepancy_deg": compared.get("discrepancy_deg"),
        "discrepancy_u_deg": compared.get("u_deg"),
        "tolerance_deg": compared.get("tolerance_deg"),
        "p_within": compared.get("p_within"),
        "verdict": compared.get("verdict"),
        "frame_deg": machine.get("frame_deg"),
        "frame_u_deg": machine.get("u_deg"),
        "hinge_distal_mm": hinge.get("distal"),
        "hinge_anterior_mm": hinge.get("anterior"),
        "hinge_u_mm": hinge.get("u"),
        "finding": finding.get("kind"),
        **{
            key: finding.get(key)
            for key in ("calibration_deg", "calibration_u_deg", "fit_deg", "fit_u_deg")
        },
        "thigh_mm": segments.get("thigh"),
        "thigh_u_mm": segments.get("thigh_u"),
        "shank_mm": segments.get("shank"),
        "shank_u_mm": segments.get("shank_u"),
        "alarms": " ".join(row["alarms"]),
        "cautions": " ".join(row["cautions"]),
    }
    return {key: _harmless(value) for key, value in flat.items()}


def _harmless(value: Any) -> Any:
    risky = isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r")
    return f"'{value}" if risky else value


def check_as_json(result: MachineCheck | NotMeasured, *, version: str) -> Json:
    """A machine check, ready for `json.dumps`; y = displayed, degrees."""
    if isinstance(result, NotMeasured):
        return {
            "status": "not_checked",
            "reason": result.reason,
            "advice": result.advice,
            "version": version,
        }
    return {
        "status": "checked",
        "finding": result.kind,
        "advice": result.advice,
        "photos": list(result.photos),
        "left_out": [{"photo": name, "reason": reason} for name, reason in result.left_out],
        "outliers": list(result.outliers),
        "displayed_against_frame": _line(result.reading, result.reading_verdict),
        "displayed_against_knee": _line(result.knee_line, result.knee_verdict),
        "arc_ratio": {
            "knee_over_display": round(result.arc.ratio, 4),
            "u": round(result.arc.u, 4),
            "interval": [round(x, 4) for x in result.arc.interval],
        },
        "hinge_distal_mm": None if result.hinge is None else round(result.hinge.discrepancy_deg, 1),
        "hinge_distal_u_mm": None if result.hinge is None else round(result.hinge.u_deg, 1),
        "hinge_verdict": None if result.hinge is None else result.hinge.verdict,
        "fit": _offsets(result.fits),
        "version": version,
    }


def _line(line: Line | None, verdict: RangeVerdict | None) -> Json | None:
    if line is None or verdict is None:
        return None
    return {
        "offset_deg": _deg(line.offset),
        "offset_u_deg": _deg(line.u_offset),
        "gain": round(line.gain, 5),
        "gain_u": round(line.u_gain, 5),
        "covariance": list(line.cov),
        "chi2": round(line.chi2, 3),
        "dof": line.dof,
        "p_lack_of_fit": None if line.p_value is None else round(line.p_value, 4),
        "range_deg": [_deg(verdict.low_deg), _deg(verdict.high_deg)],
        "tolerance_deg": verdict.tolerance_deg,
        "largest_deg": _deg(verdict.largest_deg),
        "largest_at_deg": _deg(verdict.at_deg),
        "largest_u_deg": _deg(verdict.u_deg),
        "verdict": verdict.verdict,
    }


def _offsets(fits: Offsets | None) -> Json | None:
    if fits is None:
        return None
    return {
        "distal_mm": round(fits.distal_mm, 1),
        "distal_u_mm": round(fits.u_distal_mm, 1),
        "anterior_mm": round(fits.anterior_mm, 1),
        "anterior_u_mm": round(fits.u_anterior_mm, 1),
        "slack_deg": _deg(fits.slack_deg),
        "slack_u_deg": _deg(fits.u_slack_deg),
        "inseparable": [list(pair) for pair in fits.inseparable],
        "p_lack_of_fit": round(fits.p_value, 4),
    }
