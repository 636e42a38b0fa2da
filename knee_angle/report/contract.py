"""Handing results on: the JSON contract and its flat table.

One photo is one JSON object with the same fields whatever the outcome; a table row
holds the same values with the units in the column names. Nothing is measured here.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

from knee_angle.angle.bars import HingeFit
from knee_angle.files.spreadsheet import harmless
from knee_angle.machine.calibration import Line
from knee_angle.machine.check import HingeAndSlack, MachineCheck
from knee_angle.machine.empty import EmptyCheck
from knee_angle.machine.over_range import RangeVerdict
from knee_angle.records import (
    Comparison,
    Finding,
    Frame,
    Landmark,
    Machine,
    Measurement,
    NotMeasured,
    Outcome,
    Segments,
    Unreadable,
)
from knee_angle.records.shown import DisplaySeen
from knee_angle.report.columns import COLUMNS, Kind, at
from knee_angle.report.sections import sections_as_json
from knee_angle.report.unused_dots import unused_in, unused_of

__all__ = ["CSV_COLUMNS", "as_csv", "as_flat", "as_json", "check_as_json", "csv_lines"]

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
            body = {**_empty(), "alarms": list(outcome.alarms)}
        case NotMeasured():
            head.update(status="not_measured", reason=outcome.reason, advice=outcome.advice)
            body = {
                **_empty(), "alarms": list(outcome.alarms), "display": _display(outcome.display),
                "unused_dots": unused_of(outcome),
            }  # fmt: skip
        case Measurement():
            head.update(status="measured")
            body = _measured(outcome)
    return {**head, **body, "version": version}


def _empty() -> Json:
    return {
        "photo_sha256": None,
        "side": None,
        "flexion_deg": None,
        "u_deg": None,
        "interval_deg": None,
        "found_interval_deg": None,
        "budget_deg": None,
        "plane": None,
        "flat_flexion_deg": None,
        "landmarks": None,
        "rater": None,
        "machine": None,
        "displayed_deg": None,
        "displayed_source": None,
        "displayed_probability": None,
        "display": None,
        "comparison": None,
        "finding": None,
        "segments_mm": None,
        "alarms": [],
        "camera": None,
        "cautions": [],
        "unused_dots": [],
        "seconds": None,
    }


def _measured(result: Measurement) -> Json:
    knee, lens, view = result.knee, result.leg.lens, result.leg.view
    displayed = result.displayed
    return {
        **_empty(),
        "photo_sha256": result.photo_sha256,
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
        "rater": result.rater,
        "machine": _machine(result.machine),
        "displayed_deg": None if displayed is None else _deg(displayed.deg),
        "displayed_source": None if displayed is None else displayed.source,
        "displayed_probability": (
            None
            if displayed is None or displayed.probability is None
            else _chance(displayed.probability)
        ),
        "display": _display(result.display),
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
        "unused_dots": unused_of(result),
        "seconds": round(result.seconds, 3),
    }


def _chance(probability: float) -> float:
    """Never 1: no reading is certain."""
    return min(round(probability, 4), 0.9999)


def _display(display: DisplaySeen | None) -> Json | None:
    """What displays show, every number with its place; the picture of it stays out."""
    if display is None:
        return None
    angle = display.angle
    return {
        "state": display.state,
        "reason": display.reason or None,
        "number": None if angle is None else angle.number,
        "probability": None if angle is None else _chance(angle.probability),
        "numbers": [
            {
                "number": one.number,
                "kind": one.kind,
                "text": one.text,
                "probability": _chance(one.probability),
                "digit_px": round(one.digit_px, 1),
                "box": [[round(x, 1), round(y, 1)] for x, y in one.quad],
            }
            for one in display.numbers
        ],
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
            "frame_source": None,
            "u_deg": None,
            "interval_deg": None,
            "points": _points(machine.points),
            "hinge_to_knee_mm": None,
        }
    return {**_frame(frame), "points": _points(machine.points)}


def _frame(frame: Frame) -> Json:
    return {
        "frame_deg": _deg(frame.deg),
        "frame_source": frame.source,
        "u_deg": _deg(frame.u_deg),
        "interval_deg": [_deg(x) for x in frame.interval_deg],
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
        "hinge_verdict": None if fit is None else finding.hinge,
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


CSV_COLUMNS: Mapping[str, Kind] = MappingProxyType({n: c.kind for n, c in COLUMNS.items()})
"""Columns of the table, in order, each with what it holds."""


def as_flat(row: Json) -> Json:
    """One result of `as_json` as one table row: a plain value (or None) for each column.

    Several sentences in one cell (alarms, cautions) are joined by a space; dots that were not
    used are JSON.
    """
    return {name: _cell(at(row, column.path)) for name, column in COLUMNS.items()}


def _cell(value: Any) -> Any:
    if isinstance(value, list) and any(isinstance(one, Mapping) for one in value):
        return json.dumps(value)
    return " ".join(value) if isinstance(value, list) else value


def as_csv(rows: Sequence[Json], *, header: bool = True) -> str:
    """Results of `as_json` as RFC 4180 text, one line a photo, failures too."""
    return csv_lines([as_flat(row) for row in rows], tuple(CSV_COLUMNS), header=header)


def csv_lines(rows: Sequence[Json], columns: Sequence[str], *, header: bool) -> str:
    """Flat rows as RFC 4180 text; cells that a spreadsheet would run get an apostrophe."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    if header:
        writer.writerow([harmless(name) for name in columns])
    writer.writerows([harmless(row.get(name)) for name in columns] for row in rows)
    return text.getvalue()


def check_as_json(
    result: MachineCheck | EmptyCheck | NotMeasured,
    *,
    version: str,
    alarms: Sequence[str] = (),
    outcomes: Mapping[str, Outcome] = MappingProxyType({}),
) -> Json:
    """A machine check, ready for `json.dumps`; y = displayed, degrees.

    Parameters
    ----------
    result : MachineCheck, EmptyCheck or NotMeasured
    version : str
        Version of this software.
    alarms : sequence of str
        Limits that a display lies past.
    outcomes : Mapping of photo name to Outcome
        Each photo's own result, for its dots that were not used.
    """
    row = _check(result, version=version, alarms=alarms)
    return {**row, "unused_dots": unused_in(outcomes.items())}


def _check(
    result: MachineCheck | EmptyCheck | NotMeasured, *, version: str, alarms: Sequence[str]
) -> Json:
    if isinstance(result, NotMeasured):
        return {
            "alarms": list(alarms),
            "status": "not_checked",
            "reason": result.reason,
            "advice": result.advice,
            "version": version,
        }
    if isinstance(result, EmptyCheck):
        return _without_leg(result, version=version, alarms=alarms)
    return {
        "alarms": list(alarms),
        "status": "checked",
        "finding": result.kind,
        "advice": result.advice,
        "cautions": list(result.cautions),
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
        "hinge_distal_mm": None if result.hinge is None else round(result.hinge.mm, 1),
        "hinge_distal_u_mm": None if result.hinge is None else round(result.hinge.u_mm, 1),
        "hinge_verdict": None if result.hinge is None else result.hinge.verdict,
        "hinge_anterior_mm": None if result.across is None else round(result.across.mm, 1),
        "hinge_anterior_u_mm": None if result.across is None else round(result.across.u_mm, 1),
        "hinge_anterior_verdict": None if result.across is None else result.across.verdict,
        "said": list(result.words),
        "hinge_in_bar_tags_mm": _bar_hinge(result.bar_hinge),
        "frames": [
            {"photo": photo, **_frame(frame)}
            for photo, frame in zip(result.photos, result.frames, strict=False)
        ],
        "fit": _offsets(result.fits),
        "sections": sections_as_json(result.judged),
        "version": version,
    }


def _without_leg(result: EmptyCheck, *, version: str, alarms: Sequence[str]) -> Json:
    """A machine without a leg: no knee, no line, no fit."""
    judged = result.display
    return {
        "alarms": list(alarms),
        "status": "checked_without_leg",
        "finding": result.kind,
        "advice": " ".join(result.words),
        "said": list(result.words),
        "photos": list(result.photos),
        "left_out": [{"photo": name, "reason": reason} for name, reason in result.left_out],
        "settings": [
            {"displayed_deg": shown, "bars_deg": _deg(deg), "bars_u_deg": _deg(u)}
            for shown, deg, u in zip(
                result.displayed_deg, result.bars_deg, result.u_deg, strict=True
            )
        ],
        "display_minus_bars": {
            "verdict": judged.verdict,
            "range_deg": [_deg(end) for end in judged.range_deg],
            "tolerance_deg": judged.tolerance_deg,
            "largest_deg": _deg(judged.largest_deg),
            "largest_at_deg": _deg(judged.at_deg),
            "at_most_deg": _deg(judged.at_most_deg),
        },
        "displayed_against_frame": _line(result.reading, result.reading_verdict),
        "outliers": list(result.outliers),
        "version": version,
    }


def _line(line: Line | None, verdict: RangeVerdict | None) -> Json | None:
    """A line in figures; no offset and no gain where all settings are close together."""
    if line is None or verdict is None:
        return None
    one_place = line.at_one_place
    return {
        "settings_at_one_place": one_place,
        "offset_deg": None if one_place else _deg(line.offset),
        "offset_u_deg": None if one_place else _deg(line.u_offset),
        "gain": None if one_place else round(line.gain, 5),
        "gain_u": None if one_place else round(line.u_gain, 5),
        "covariance": None if one_place else list(line.cov),
        "chi2": round(line.chi2, 3),
        "dof": line.dof,
        "p_lack_of_fit": None if line.p_value is None else round(line.p_value, 4),
        "range_deg": [_deg(verdict.low_deg), _deg(verdict.high_deg)],
        "tolerance_deg": verdict.tolerance_deg,
        "straight_tolerance_deg": verdict.straight_tolerance_deg,
        "largest_deg": _deg(verdict.largest_deg),
        "largest_at_deg": _deg(verdict.at_deg),
        "largest_u_deg": _deg(verdict.u_deg),
        "verdict": verdict.verdict,
    }


def _bar_hinge(fit: HingeFit | None) -> Json | None:
    if fit is None:
        return None
    u = [round(math.sqrt(fit.hinge.cov_mm2[k][k]), 2) for k in range(4)]
    return {
        "thigh_tag": [round(v, 2) for v in fit.hinge.thigh_mm],
        "thigh_tag_u": u[:2],
        "shank_tag": [round(v, 2) for v in fit.hinge.shank_mm],
        "shank_tag_u": u[2:],
        "p_lack_of_fit": round(fit.p_value, 4),
    }


def _offsets(fits: HingeAndSlack | None) -> Json | None:
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
