"""The one list of columns: what a result's table holds, from which every form is made.

The JSON object is nested and says where each value comes from; the flat table (CSV, Parquet,
a store's export) and the store's own columns follow this list. A new number stands in
`contract.as_json` and here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Literal, get_args, get_type_hints

from knee_angle.angle.uncertainty import BUDGET_LINES
from knee_angle.records import (
    MACHINE_POINTS,
    POINT_NAMES,
    FindingKind,
    FrameSource,
    Lens,
    Measurement,
    Plane,
    PointName,
    Side,
    Source,
    Verdict,
)
from knee_angle.records.judged import DisplayedSource
from knee_angle.records.shown import DisplayState

__all__ = ["COLUMNS", "Column", "Kept", "Kind", "at", "kept_columns"]

Json = dict[str, Any]
Kind = Literal["text", "number", "count", "flag"]
UNITS = {"deg": "degrees", "mm": "millimetres", "px": "pixels", "seconds": "seconds"}
"""By the last word of a column's name."""
STATUSES = ("measured", "not_measured", "unreadable")
"""What became of a photo (`contract.as_json`)."""
FOCAL_SOURCES: tuple[str, ...] = get_args(get_type_hints(Lens)["source"])


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
    codes : tuple of str
        All that a text may be, where that is a closed list.
    """

    name: str
    kind: Kind
    unit: str | None
    meaning: str
    path: tuple[str | int, ...]
    kept: Kept | None = None
    codes: tuple[str, ...] = ()


def at(result: Any, path: tuple[str | int, ...]) -> Any:
    """A value of the JSON object, None where it has none there."""
    for step in path:
        if result is None:
            return None
        result = result[step] if isinstance(step, int) else result.get(step)
    return result


def _column(
    name: str,
    meaning: str,
    *,
    at: str = "",
    kind: Kind = "number",
    codes: tuple[str, ...] = (),
    kept: Callable[[Measurement], Any] | None = None,
    kept_as: str = "",
) -> Column:
    """A column, in JSON and store called alike where nothing is said; `at` may be a path alone."""
    unit = UNITS.get(name.rpartition("_")[2])
    where = at + name if at.endswith(".") else at or name
    path = tuple(int(step) if step.isdigit() else step for step in where.split("."))
    stored = None if kept is None else Kept(kept_as or name, kept)
    return Column(name, "text" if codes else kind, unit, meaning, path, stored, codes)


def _words(name: str) -> str:
    return name.replace("_", " ")


def _point_columns(name: PointName) -> tuple[Column, ...]:
    where = f"{'machine.points' if name in MACHINE_POINTS else 'landmarks'}.{name}"
    point = _words(name)
    return (
        _column(
            f"{name}_x_px", f"{point}: px from the left edge of the upright photo", at=f"{where}.x"
        ),
        _column(
            f"{name}_y_px", f"{point}: px from the top edge of the upright photo", at=f"{where}.y"
        ),
        _column(
            f"{name}_u_px",
            f"standard uncertainty of either coordinate of the {point}",
            at=f"{where}.u_px",
        ),
        _column(
            f"{name}_source", f"who found the {point}", at=f"{where}.source", codes=get_args(Source)
        ),
    )


_ALL = (
    _column("photo", "name of the photo as the caller knows it", kind="text"),
    _column("status", "whether the photo was measured", codes=STATUSES),
    _column("reason", "why nothing was measured", kind="text"),
    _column("advice", "how to photograph so that it works", kind="text"),
    _column("side", "the leg", kept=lambda one: one.side, codes=get_args(Side)),
    _column(
        "flexion_deg",
        "passive knee flexion: 0 is straight, hyperextension negative",
        kept=lambda one: one.knee.deg,
    ),
    _column("u_deg", "standard uncertainty of the knee flexion", kept=lambda one: one.knee.u_deg),
    _column(
        "interval_low_deg",
        "lower end of the 95 % interval of the knee flexion",
        at="interval_deg.0",
        kept=lambda one: one.knee.interval_deg[0],
        kept_as="low_deg",
    ),
    _column(
        "interval_high_deg",
        "upper end of the 95 % interval of the knee flexion",
        at="interval_deg.1",
        kept=lambda one: one.knee.interval_deg[1],
        kept_as="high_deg",
    ),
    _column(
        "plane",
        "where the camera's direction comes from: printed tags, an estimate from the picture, or "
        "nowhere (flat in the picture)",
        kept=lambda one: one.plane,
        codes=get_args(Plane),
    ),
    _column(
        "displayed_deg",
        "the machine's displayed number, converted to degrees of flexion",
        kept=lambda one: one.displayed and one.displayed.deg,
    ),
    _column(
        "displayed_source",
        "where the displayed number comes from: typed or from a table, or read off the photo",
        codes=get_args(DisplayedSource),
    ),
    _column(
        "displayed_probability",
        "probability that the displayed number was read right, where it was read off the photo",
    ),
    _column(
        "display_state",
        "how clearly a number was read off the photo's display",
        at="display.state",
        codes=get_args(DisplayState),
    ),
    _column(
        "display_number",
        "number read off the photo's display, as it stands there",
        at="display.number",
    ),
    _column(
        "display_probability",
        "probability that the number on the photo's display was read right",
        at="display.probability",
    ),
    _column(
        "discrepancy_deg",
        "displayed minus knee: positive where the display claims more flexion",
        at="comparison.",
        kept=lambda one: one.comparison and one.comparison.discrepancy_deg,
    ),
    _column(
        "discrepancy_u_deg",
        "standard uncertainty of displayed minus knee",
        at="comparison.u_deg",
        kept=lambda one: one.comparison and one.comparison.u_deg,
    ),
    _column(
        "tolerance_deg",
        "tolerance that displayed minus knee is judged against, either way",
        at="comparison.",
        kept=lambda one: one.comparison and one.comparison.tolerance_deg,
    ),
    _column(
        "p_within",
        "probability that the true difference of display and knee is inside the tolerance",
        at="comparison.",
    ),
    _column(
        "verdict",
        "display against knee: proven within the tolerance, proven outside, or neither (95 %)",
        at="comparison.",
        kept=lambda one: one.comparison and one.comparison.verdict,
        codes=get_args(Verdict),
    ),
    _column("frame_deg", "flexion that the machine's bars make", at="machine."),
    _column("frame_u_deg", "standard uncertainty of the bars' flexion", at="machine.u_deg"),
    _column(
        "frame_source", "what showed the machine's bars", at="machine.", codes=get_args(FrameSource)
    ),
    _column(
        "frame_interval_low_deg",
        "lower end of the 95 % interval of the bars' flexion",
        at="machine.interval_deg.0",
    ),
    _column(
        "frame_interval_high_deg",
        "upper end of the 95 % interval of the bars' flexion",
        at="machine.interval_deg.1",
    ),
    _column(
        "hinge_distal_mm",
        "the hinge seen from the knee, along the thigh: distal (away from the hip) positive",
        at="machine.hinge_to_knee_mm.distal",
    ),
    _column(
        "hinge_anterior_mm",
        "the hinge seen from the knee, across the thigh: anterior (towards the kneecap) positive",
        at="machine.hinge_to_knee_mm.anterior",
    ),
    _column(
        "hinge_u_mm",
        "standard uncertainty of either coordinate of the hinge",
        at="machine.hinge_to_knee_mm.u",
    ),
    _column(
        "finding",
        "which part of a disagreement is proven: the display's calibration, the leg's fit",
        at="finding.kind",
        kept=lambda one: one.finding and one.finding.kind,
        codes=get_args(FindingKind),
    ),
    _column("calibration_deg", "calibration part: displayed minus bars", at="finding."),
    _column("calibration_u_deg", "standard uncertainty of displayed minus bars", at="finding."),
    _column(
        "calibration_verdict",
        "verdict on displayed minus bars",
        at="finding.",
        codes=get_args(Verdict),
    ),
    _column(
        "calibration_p_within",
        "probability that displayed minus bars is inside its tolerance",
        at="finding.",
    ),
    _column("fit_deg", "fit part: bars minus knee", at="finding."),
    _column("fit_u_deg", "standard uncertainty of bars minus knee", at="finding."),
    _column("fit_verdict", "verdict on bars minus knee", at="finding.", codes=get_args(Verdict)),
    _column(
        "fit_p_within", "probability that bars minus knee is inside its tolerance", at="finding."
    ),
    _column(
        "hinge_verdict", "verdict on the hinge's place", at="finding.", codes=get_args(Verdict)
    ),
    _column(
        "fit_explained_deg", "how much of the fit part the hinge's place explains", at="finding."
    ),
    _column(
        "fit_explained_u_deg",
        "standard uncertainty of what the hinge's place explains",
        at="finding.",
    ),
    _column("support_mm", "how far below the knee the lower leg is held", at="finding."),
    _column("support_u_mm", "standard uncertainty of where the lower leg is held", at="finding."),
    _column("finding_advice", "what to check next", at="finding.advice", kind="text"),
    _column("thigh_mm", "length between hip and knee mark", at="segments_mm.thigh"),
    _column(
        "thigh_u_mm",
        "standard uncertainty of the length between hip and knee mark",
        at="segments_mm.thigh_u",
    ),
    _column("shank_mm", "length between knee and ankle mark", at="segments_mm.shank"),
    _column(
        "shank_u_mm",
        "standard uncertainty of the length between knee and ankle mark",
        at="segments_mm.shank_u",
    ),
    _column("alarms", "prescribed limits that knee or display lie past", kind="text"),
    _column("cautions", "what to keep in mind", kind="text"),
    _column(
        "unused_dots",
        "dots that were seen and not used, as JSON: name where known, x and y in px of the "
        "upright photo, colour, and why",
        kind="text",
    ),
    _column(
        "found_interval_low_deg",
        "lower end of the knee flexion's 95 % interval without the points' placement on the skin",
        at="found_interval_deg.0",
    ),
    _column(
        "found_interval_high_deg",
        "upper end of the knee flexion's 95 % interval without the points' placement on the skin",
        at="found_interval_deg.1",
    ),
    _column("flat_flexion_deg", "knee flexion flat in the picture, for comparison only"),
    *(
        _column(
            f"u_{line}_deg",
            f"standard uncertainty of the knee flexion that {_words(line)} alone would give",
            at=f"budget_deg.{line}",
        )
        for line in BUDGET_LINES
    ),
    *(column for name in POINT_NAMES for column in _point_columns(name)),
    _column("rater", "code of who placed the points by hand", kind="text"),
    _column("photo_sha256", "SHA-256 of the photo's file", kind="text"),
    _column("photo_width_px", "width of the upright photo", at="camera.width_px", kind="count"),
    _column("photo_height_px", "height of the upright photo", at="camera.height_px", kind="count"),
    _column("focal_px", "focal length of the upright photo's lens", at="camera."),
    _column(
        "focal_source",
        "where the focal length comes from: the photo's EXIF, or an assumption about phones",
        at="camera.",
        codes=FOCAL_SOURCES,
    ),
    _column(
        "normal_x",
        "unit normal of the leg's plane, towards the camera: to the right in the picture",
        at="camera.normal.0",
    ),
    _column(
        "normal_y",
        "unit normal of the leg's plane, towards the camera: down in the picture",
        at="camera.normal.1",
    ),
    _column(
        "normal_z",
        "unit normal of the leg's plane, towards the camera: along the view, -1 seen square-on",
        at="camera.normal.2",
    ),
    _column("tags", "printed tags that were seen", at="camera.", kind="count"),
    _column("seconds", "time that measuring the photo took"),
    _column("version", "version of this software", kind="text"),
)

COLUMNS: Mapping[str, Column] = MappingProxyType({column.name: column for column in _ALL})
"""Columns of the flat table by name, in order."""


def kept_columns() -> tuple[tuple[Column, Kept], ...]:
    """Those that the store's table of measurements holds too, for lists and trends."""
    return tuple((column, column.kept) for column in _ALL if column.kept is not None)
