"""A clip as JSON and as a table, a row for each picture: the same words and units as a photo's."""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import asdict
from types import MappingProxyType
from typing import Any

from knee_angle.clip.answer import ChosenPicture, ClipAnswer, ClipEnd, ClipFrame, DisplayAgainst
from knee_angle.records import NotMeasured
from knee_angle.report.clip_words import clip_first_lines, looked_at_text
from knee_angle.report.columns import Column
from knee_angle.report.contract import csv_lines
from knee_angle.report.schemas import schema_of, write_rows
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.visit import Value

__all__ = ["FRAME_COLUMNS", "clip_as_json", "frames_table"]

Json = dict[str, Any]

_COLUMNS = (
    Column("picture", "count", None, "number of the picture in the film, from 0", ()),
    Column("seconds", "number", "seconds", "time after the film's first picture", ()),
    Column(
        "looked", "flag", None,
        "whether the detectors were asked; else the points were followed from another picture", (),
    ),
    Column("used", "flag", None, "whether the picture fits the film's other pictures", ()),
    Column("flexion_deg", "number", "degrees", "flexion of the knee", ()),
    Column("u_deg", "number", "degrees", "standard uncertainty of the knee's flexion", ()),
    Column(
        "u_change_deg", "number", "degrees",
        "standard uncertainty of the knee's difference from the extension end", (),
    ),
    Column("bars_deg", "number", "degrees", "flexion of the machine's bars", ()),
    Column("u_bars_deg", "number", "degrees", "standard uncertainty of the bars' flexion", ()),
    Column("displayed_deg", "number", "degrees", "the machine's number at that time, as flexion",
           ()),
)  # fmt: skip
FRAME_COLUMNS: Mapping[str, Column] = MappingProxyType({one.name: one for one in _COLUMNS})
"""Columns of the table of pictures."""


def clip_as_json(
    answer: ClipAnswer | NotMeasured, *, clip: str, version: str, frames: bool = True
) -> Json:
    """One clip, ready for `json.dumps`; degrees of flexion, mm and seconds, to 3 decimals.

    Parameters
    ----------
    answer : ClipAnswer or NotMeasured
        What the clip gave.
    clip, version : str
        The clip's name, and the version of this software.
    frames : bool
        Whether every picture is listed.
    """
    if isinstance(answer, NotMeasured):
        return {
            "clip": clip,
            "status": "not_measured",
            "reason": answer.reason,
            "advice": answer.advice,
            "alarms": list(answer.alarms),
            "version": version,
        }
    machine = None
    if answer.visit is not None:
        machine = visit_as_json(answer.visit, version=version)["machine"]
    return {
        "clip": clip,
        "status": "measured",
        "sha256": answer.sha256,
        "side": answer.side,
        "plane": answer.plane,
        "source": answer.source,
        "camera_seen": answer.camera_seen,
        "alarms": list(answer.alarms),
        "first_lines": clip_first_lines(answer),
        "standing": answer.standing,
        "ends": [_end(end) for end in answer.ends],
        "arc": _value(answer.arc),
        "displayed_arc_deg": answer.displayed_arc_deg,
        "displayed_source": answer.displayed_source,
        "lacking": None
        if answer.lacking is None
        else {name: _3(value) for name, value in asdict(answer.lacking).items()},
        "cycles": answer.cycles,
        "cycle_s": None if answer.cycle_s is None else _value(answer.cycle_s),
        "display": {one.of: _against(one) for one in answer.against},
        "machine": machine,
        "chosen": [_chosen(one) for one in answer.chosen],
        "pictures": _pictures(answer),
        "stopped": answer.stopped,
        "torn": answer.torn,
        "frames": [_frame(frame) for frame in answer.frames] if frames else None,
        "cautions": list(answer.cautions),
        "version": version,
    }


def frames_table(answer: ClipAnswer, *, suffix: str) -> bytes:
    """Every measured picture as a row of `FRAME_COLUMNS`.

    Parameters
    ----------
    answer : ClipAnswer
    suffix : {".csv", ".parquet"}
        Which form; Parquet says what the columns mean.
    """
    rows = [_frame(frame) for frame in answer.frames]
    if suffix == ".csv":
        return csv_lines(rows, tuple(FRAME_COLUMNS), header=True).encode()
    about = {"clip": answer.clip, "sha256": answer.sha256, "side": answer.side}
    file = io.BytesIO()
    write_rows(file, rows, schema_of(FRAME_COLUMNS.values(), about=about))
    return file.getvalue()


def _frame(frame: ClipFrame) -> Json:
    return {
        "picture": frame.number,
        "seconds": _3(frame.seconds),
        "looked": frame.looked,
        "used": frame.used,
        "flexion_deg": _maybe(frame.knee_deg),
        "u_deg": _maybe(frame.u_deg),
        "u_change_deg": _maybe(frame.u_change_deg),
        "bars_deg": _maybe(frame.bars_deg),
        "u_bars_deg": _maybe(frame.u_bars_deg),
        "displayed_deg": frame.displayed_deg,
        "points": {name: {"x": _3(x), "y": _3(y)} for name, x, y in frame.points_px},
    }


def _end(end: ClipEnd) -> Json:
    comparison = end.comparison
    return {
        "which": end.which,
        "seconds": _3(end.seconds),
        "turned": end.turned,
        "times": end.times,
        "spread_deg": _maybe(end.spread_deg),
        "knee": _value(end.knee),
        "bars": _value_or_none(end.bars),
        "fit": _value_or_none(end.fit),
        "hinge_distal_mm": _value_or_none(end.distal),
        "hinge_anterior_mm": _value_or_none(end.anterior),
        "displayed_deg": end.displayed_deg,
        "comparison": None
        if comparison is None
        else {
            "discrepancy_deg": _3(comparison.discrepancy_deg),
            "u_deg": _3(comparison.u_deg),
            "tolerance_deg": comparison.tolerance_deg,
            "p_within": round(comparison.p_within, 4),
            "verdict": comparison.verdict,
        },
        "apart": None
        if end.apart is None
        else {
            "at_most_deg": _3(end.apart.at_most_deg),
            "within_deg": {f"{step:g}": verdict for step, verdict in end.apart.proven},
        },
        "limits": [
            {**asdict(one), "because": list(one.because), "p_past": round(one.p_past, 4)}
            for one in end.limits
        ],
        "would_shrink": [
            {"what": one.what, "u_deg": _3(one.u_deg), "share": round(one.share, 3)}
            for one in end.shrink
        ],
    }


def _pictures(answer: ClipAnswer) -> Json:
    return {
        "seconds": _3(answer.seconds),
        "in_film": answer.pictures,
        "measured": len(answer.frames),
        "looked_at": sum(frame.looked for frame in answer.frames),
        "used": sum(frame.used for frame in answer.frames),
        "told": looked_at_text(answer),
    }


def _chosen(one: ChosenPicture) -> Json:
    shown = one.measurement.displayed
    return {
        "setting": one.setting,
        "end": one.end,
        "picture": one.number,
        "seconds": _3(one.seconds),
        "flexion_deg": _3(one.measurement.knee.deg),
        "u_deg": _3(one.measurement.knee.u_deg),
        "displayed_deg": None if shown is None else shown.deg,
        "displayed_source": None if shown is None else shown.source,
        "displayed_probability": None if shown is None else shown.probability,
        "photo_sha256": one.measurement.photo_sha256,
    }


def _against(one: DisplayAgainst) -> Json:
    return {
        "range_deg": [_3(end) for end in one.range_deg],
        "readings": one.readings,
        "offset_deg": _value(one.offset_deg),
        "gain": _value(one.gain),
        "bow_deg": _value(one.bow_deg),
        "lag_s": _value(one.lag_s),
        "hysteresis_deg": _value(one.hysteresis_deg),
        "middle_deg": _value(one.middle_deg),
        "scatter_deg": _3(one.scatter_deg),
        "lag_and_hysteresis_told_apart": one.separable,
    }


def _value(value: Value) -> Json:
    return {
        "value": _3(value.value),
        "u": _3(value.u),
        "interval": [_3(end) for end in value.interval],
    }


def _value_or_none(value: Value | None) -> Json | None:
    return None if value is None else _value(value)


def _maybe(value: float | None) -> float | None:
    return None if value is None else _3(value)


def _3(value: float) -> float:
    return round(float(value), 3)
