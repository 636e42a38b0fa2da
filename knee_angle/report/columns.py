"""The one list of columns: what a result's table holds, from which every form is made.

The JSON object is nested and says where each value comes from; the flat table (CSV, Parquet,
a store's export) and the store's own columns follow this list. A new number stands in
`contract.as_json` and here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal

from knee_angle.angle.uncertainty import BUDGET_LINES
from knee_angle.records import MACHINE_POINTS, POINT_NAMES, Measurement, PointName

__all__ = ["COLUMNS", "Column", "Kept", "Kind", "at", "kept_columns"]

Json = dict[str, Any]
Kind = Literal["text", "number", "count", "flag"]
UNITS = {"deg": "degrees", "mm": "millimetres", "px": "pixels", "seconds": "seconds"}
"""By the last word of a column's name."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A column of the store's table that lists and trends read, with all its digits.

    Parameters
    ----------
    name : str
        Its name there, and that of the field of `store.KeptMeasurement`.
    value : callable
        What a measurement has there; None where it has nothing.
    """

    name: str
    value: Callable[[Measurement], Any]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the flat table.

    Parameters
    ----------
    name : str
        Its name, with the unit as its last word.
    kind : {"text", "number", "count", "flag"}
        What it holds.
    unit : str or None
        Unit in words.
    meaning : str
        What it says, for the data dictionary.
    path : tuple of str or int
        Where its value stands in the JSON object.
    kept : Kept or None
        Its column in the store's table, where lists and trends read it.
    """

    name: str
    kind: Kind
    unit: str | None
    meaning: str
    path: tuple[str | int, ...]
    kept: Kept | None = None


def at(result: Any, path: tuple[str | int, ...]) -> Any:
    """A value of the JSON object, None where it has none there."""
    for step in path:
        if result is None:
            return None
        result = result[step] if isinstance(step, int) else result.get(step)
    return result


def _column(name: str, kind: Kind, meaning: str, *, at: str, kept: Kept | None = None) -> Column:
    unit = UNITS.get(name.rpartition("_")[2])
    path = tuple(int(step) if step.isdigit() else step for step in at.split("."))
    return Column(name, kind, unit, meaning, path, kept)


def _words(name: str) -> str:
    return name.replace("_", " ")


def _point_columns(name: PointName) -> tuple[Column, ...]:
    where = f"{'machine.points' if name in MACHINE_POINTS else 'landmarks'}.{name}"
    point = _words(name)
    return (
        _column(f"{name}_x_px", "number", f"{point}, to the right", at=f"{where}.x"),
        _column(f"{name}_y_px", "number", f"{point}, downwards", at=f"{where}.y"),
        _column(f"{name}_u_px", "number", f"± of either, {point}", at=f"{where}.u_px"),
        _column(f"{name}_source", "text", f"who found the {point}", at=f"{where}.source"),
    )


_ALL = (
    _column("photo", "text", "name of the photo as the caller knows it", at="photo"),
    _column("status", "text", "measured, not_measured or unreadable", at="status"),
    _column("reason", "text", "why nothing was measured", at="reason"),
    _column("advice", "text", "how to photograph so that it works", at="advice"),
    _column(
        "side", "text", "the leg: left or right", at="side", kept=Kept("side", lambda one: one.side)
    ),
    _column(
        "flexion_deg",
        "number",
        "knee flexion",
        at="flexion_deg",
        kept=Kept("flexion_deg", lambda one: one.knee.deg),
    ),
    _column(
        "u_deg",
        "number",
        "standard uncertainty of the knee flexion",
        at="u_deg",
        kept=Kept("u_deg", lambda one: one.knee.u_deg),
    ),
    _column(
        "interval_low_deg",
        "number",
        "lower end of the 95 % interval of the knee flexion",
        at="interval_deg.0",
        kept=Kept("low_deg", lambda one: one.knee.interval_deg[0]),
    ),
    _column(
        "interval_high_deg",
        "number",
        "upper end of it",
        at="interval_deg.1",
        kept=Kept("high_deg", lambda one: one.knee.interval_deg[1]),
    ),
    _column(
        "plane",
        "text",
        "where the camera's direction comes from: tag, estimated or image",
        at="plane",
        kept=Kept("plane", lambda one: one.plane),
    ),
    _column(
        "displayed_deg",
        "number",
        "the machine's number, as flexion",
        at="displayed_deg",
        kept=Kept("displayed_deg", lambda one: one.displayed and one.displayed.deg),
    ),
    _column("displayed_source", "text", "where that number comes from", at="displayed_source"),
    _column(
        "displayed_probability",
        "number",
        "probability that it was read right, where it was read off the photo",
        at="displayed_probability",
    ),
    _column(
        "display_state",
        "text",
        "what was read off the photo's display: read, unsure, undecided or none",
        at="display.state",
    ),
    _column("display_number", "number", "the number read, as it stands there", at="display.number"),
    _column(
        "display_probability",
        "number",
        "probability that it was read right",
        at="display.probability",
    ),
    _column(
        "discrepancy_deg",
        "number",
        "displayed minus knee",
        at="comparison.discrepancy_deg",
        kept=Kept("discrepancy_deg", lambda one: one.comparison and one.comparison.discrepancy_deg),
    ),
    _column(
        "discrepancy_u_deg",
        "number",
        "its standard uncertainty",
        at="comparison.u_deg",
        kept=Kept("discrepancy_u_deg", lambda one: one.comparison and one.comparison.u_deg),
    ),
    _column(
        "tolerance_deg",
        "number",
        "tolerance that it is judged against",
        at="comparison.tolerance_deg",
        kept=Kept("tolerance_deg", lambda one: one.comparison and one.comparison.tolerance_deg),
    ),
    _column(
        "p_within",
        "number",
        "probability that the true difference is inside the tolerance",
        at="comparison.p_within",
    ),
    _column(
        "verdict",
        "text",
        "within, outside or undecided (95 %)",
        at="comparison.verdict",
        kept=Kept("verdict", lambda one: one.comparison and one.comparison.verdict),
    ),
    _column("frame_deg", "number", "flexion that the machine's bars make", at="machine.frame_deg"),
    _column("frame_u_deg", "number", "its standard uncertainty", at="machine.u_deg"),
    _column("frame_source", "text", "what showed the bars", at="machine.frame_source"),
    _column(
        "frame_interval_low_deg",
        "number",
        "lower end of the 95 % interval of the frame's angle",
        at="machine.interval_deg.0",
    ),
    _column("frame_interval_high_deg", "number", "upper end of it", at="machine.interval_deg.1"),
    _column(
        "hinge_distal_mm",
        "number",
        "the hinge seen from the knee, distal along the thigh",
        at="machine.hinge_to_knee_mm.distal",
    ),
    _column(
        "hinge_anterior_mm",
        "number",
        "the hinge seen from the knee, anterior",
        at="machine.hinge_to_knee_mm.anterior",
    ),
    _column(
        "hinge_u_mm",
        "number",
        "standard uncertainty of either coordinate",
        at="machine.hinge_to_knee_mm.u",
    ),
    _column(
        "finding",
        "text",
        "which part of a disagreement is proven",
        at="finding.kind",
        kept=Kept("finding", lambda one: one.finding and one.finding.kind),
    ),
    _column(
        "calibration_deg",
        "number",
        "calibration part: displayed minus frame",
        at="finding.calibration_deg",
    ),
    _column(
        "calibration_u_deg", "number", "its standard uncertainty", at="finding.calibration_u_deg"
    ),
    _column("calibration_verdict", "text", "its verdict", at="finding.calibration_verdict"),
    _column(
        "calibration_p_within",
        "number",
        "probability that it is inside its tolerance",
        at="finding.calibration_p_within",
    ),
    _column("fit_deg", "number", "fit part: frame minus knee", at="finding.fit_deg"),
    _column("fit_u_deg", "number", "its standard uncertainty", at="finding.fit_u_deg"),
    _column("fit_verdict", "text", "its verdict", at="finding.fit_verdict"),
    _column(
        "fit_p_within",
        "number",
        "probability that it is inside its tolerance",
        at="finding.fit_p_within",
    ),
    _column("hinge_verdict", "text", "verdict of the hinge's place", at="finding.hinge_verdict"),
    _column(
        "fit_explained_deg",
        "number",
        "how much of the fit part the hinge's place explains",
        at="finding.fit_explained_deg",
    ),
    _column(
        "fit_explained_u_deg",
        "number",
        "its standard uncertainty",
        at="finding.fit_explained_u_deg",
    ),
    _column(
        "support_mm",
        "number",
        "where the lower leg is held, below the knee",
        at="finding.support_mm",
    ),
    _column("support_u_mm", "number", "its standard uncertainty", at="finding.support_u_mm"),
    _column("finding_advice", "text", "what to check next", at="finding.advice"),
    _column("thigh_mm", "number", "length between hip and knee mark", at="segments_mm.thigh"),
    _column("thigh_u_mm", "number", "its standard uncertainty", at="segments_mm.thigh_u"),
    _column("shank_mm", "number", "length between knee and ankle mark", at="segments_mm.shank"),
    _column("shank_u_mm", "number", "its standard uncertainty", at="segments_mm.shank_u"),
    _column("alarms", "text", "prescribed limits that knee or display lie past", at="alarms"),
    _column("cautions", "text", "what to keep in mind", at="cautions"),
    _column(
        "found_interval_low_deg",
        "number",
        "lower end of the 95 % interval without the points' placement on the skin",
        at="found_interval_deg.0",
    ),
    _column("found_interval_high_deg", "number", "upper end of it", at="found_interval_deg.1"),
    _column(
        "flat_flexion_deg",
        "number",
        "flexion flat in the picture, for comparison only",
        at="flat_flexion_deg",
    ),
    *(
        _column(
            f"u_{line}_deg",
            "number",
            f"u that {_words(line)} alone would give",
            at=f"budget_deg.{line}",
        )
        for line in BUDGET_LINES
    ),
    *(column for name in POINT_NAMES for column in _point_columns(name)),
    _column("rater", "text", "code of who placed the points by hand", at="rater"),
    _column("photo_sha256", "text", "hash of the photo's file", at="photo_sha256"),
    _column("photo_width_px", "count", "width of the upright photo", at="camera.width_px"),
    _column("photo_height_px", "count", "height of the upright photo", at="camera.height_px"),
    _column("focal_px", "number", "focal length", at="camera.focal_px"),
    _column(
        "focal_source",
        "text",
        "exif, or prior: an assumption about phones",
        at="camera.focal_source",
    ),
    _column(
        "normal_x",
        "number",
        "normal of the leg's plane, camera coordinates: x",
        at="camera.normal.0",
    ),
    _column("normal_y", "number", "y of it", at="camera.normal.1"),
    _column("normal_z", "number", "z of it", at="camera.normal.2"),
    _column("tags", "count", "printed tags that were seen", at="camera.tags"),
    _column("seconds", "number", "time the steps took", at="seconds"),
    _column("version", "text", "version of this software", at="version"),
)

COLUMNS: Mapping[str, Column] = MappingProxyType({column.name: column for column in _ALL})
"""Columns of the flat table by name, in order."""


def kept_columns() -> tuple[tuple[Column, Kept], ...]:
    """Those that the store's table of measurements holds too, for lists and trends."""
    return tuple((column, column.kept) for column in _ALL if column.kept is not None)
