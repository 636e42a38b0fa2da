"""A machine check in words: what a person reads of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from knee_angle import words
from knee_angle.assumptions import COVERAGE
from knee_angle.errors import InvalidInput
from knee_angle.machine.calibration import Line
from knee_angle.machine.check import MachineCheck
from knee_angle.machine.empty import EmptyCheck
from knee_angle.machine.over_range import RangeVerdict
from knee_angle.records import NotMeasured
from knee_angle.settings import Settings

__all__ = ["WITHIN_LIMITS", "check_text"]

WITHIN_LIMITS = (
    "Stay within the prescribed limits. A machine without a leg in it is checked by the tags on "
    "its bars: its display only, for fit cannot be judged without a leg."
)
"""Said wherever photos for a check are asked for."""

TABLE_CAUTION = (
    "The table describes this leg as it lay. Settings stay the prescriber's: it is no reason to "
    "set more motion than was prescribed."
)


def check_text(
    result: MachineCheck | EmptyCheck | NotMeasured,
    settings: Settings,
    *,
    alarms: Sequence[str] = (),
) -> str:
    """The whole check as text: alarms first (`MachineCheck.alarms`), then the finding."""
    loudest = [f"!! {alarm}" for alarm in alarms]
    if isinstance(result, NotMeasured):
        refused = (
            f"Not checked: {words.phrase(result.reason)}. Next: {words.phrase(result.advice)}."
        )
        return "\n".join([*loudest, refused, words.CAUTION])
    if isinstance(result, EmptyCheck):
        return "\n".join([*loudest, *_empty(result), words.CAUTION])
    lines = [
        *loudest,
        f"Finding: {words.FINDING_WORDS[result.kind]}",
        *(f"  {sentence}" for sentence in result.words or (result.advice,)),
        *(f"  caution: {caution}" for caution in result.cautions),
        "",
        *_line("display against bars (calibration)", result.reading, result.reading_verdict),
        *_line("display against knee", result.knee_line, result.knee_verdict),
        f"  knee's arc over display's arc: {result.arc.ratio:.3f} "
        f"(95 % {result.arc.interval[0]:.3f} to {result.arc.interval[1]:.3f})",
        *_fit(result),
        "",
        *_table(result, settings),
        f"{len(result.photos)} photos used: {', '.join(result.photos)}",
    ]
    lines += [f"left out: {name} ({words.phrase(reason)})" for name, reason in result.left_out]
    if result.outliers:
        lines.append(
            f"far from the line through the others, but kept: {', '.join(result.outliers)}; "
            "check the points and the displayed number there"
        )
    return "\n".join([*lines, words.CAUTION])


def _empty(result: EmptyCheck) -> list[str]:
    """An empty machine: its display against its bars."""
    lines = [
        f"Display and bars of an empty machine: {words.VERDICT_WORDS[result.display.verdict]}",
        *(f"  {sentence}" for sentence in result.words),
        "",
        "  display   bars, 95 %",
    ]
    lines += [
        f"  {shown:6g}°   {words.with_u(deg, u)}"
        for shown, deg, u in zip(result.displayed_deg, result.bars_deg, result.u_deg, strict=True)
    ]
    lines.append(f"{len(result.photos)} photos used: {', '.join(result.photos)}")
    return lines + [
        f"left out: {name} ({words.phrase(reason)})" for name, reason in result.left_out
    ]


def _line(name: str, line: Line | None, verdict: RangeVerdict | None) -> list[str]:
    if line is None or verdict is None:
        return []
    fit = "" if line.p_value is None or line.dof < 1 else _straightness(line.p_value)
    return [
        f"  {name}:",
        f"    offset {words.with_u(line.offset, line.u_offset, sign=True)}, "
        f"gain {line.gain:.3f} ± {words.plus_minus(line.u_gain):.3f}{fit}",
        f"    largest difference {words.degrees(verdict.largest_deg, sign=True)} at "
        f"{words.degrees(verdict.at_deg)}; over {words.degrees(verdict.low_deg)} to "
        f"{words.degrees(verdict.high_deg)} {verdict.verdict}, tolerance "
        f"{verdict.tolerance_deg:g}°{_near_straight(verdict)}",
    ]


def _near_straight(verdict: RangeVerdict) -> str:
    tighter = verdict.straight_tolerance_deg
    return "" if tighter is None else f" ({tighter:g}° near straight)"


def _straightness(p_value: float) -> str:
    """Whether a straight line and the ± account for the scatter; p is never told as zero."""
    p = "< 0.01" if p_value < 0.005 else f"= {p_value:.2f}"
    return f", lack of fit p {p}" + (
        ": the photos scatter more than their ±" if p_value < 0.05 else ""
    )


def _fit(result: MachineCheck) -> list[str]:
    """The fit: where the hinge lies, and what the photos cannot tell apart."""
    if result.hinge is None:
        return []
    hinge, across = result.hinge, result.across
    lines = [
        "  hinge along the thigh: "
        f"{words.distal(hinge.mm, hinge.u_mm)} of the knee "
        f"(tolerance {hinge.tolerance_mm:g} mm: {hinge.verdict})"
    ]
    if across is not None:
        lines.append(
            f"  hinge across the thigh: {words.anterior(across.mm, across.u_mm)} of the knee "
            f"(tolerance {across.tolerance_mm:g} mm: {across.verdict})"
        )
    if result.bar_hinge is not None:
        found = result.bar_hinge.hinge
        half = COVERAGE * np.sqrt(np.diag(found.cov_mm2))
        lines += [
            f"  hinge seen from the {name} tag: "
            f"{x:+.1f} ± {half[k]:.1f} mm along, {y:+.1f} ± {half[k + 1]:.1f} mm across"
            for k, name, (x, y) in (
                (0, "thigh bar's", found.thigh_mm),
                (2, "lower-leg bar's", found.shank_mm),
            )
        ]
    lines += [
        f"  {photo}: hinge {words.hinge_place(frame)}"
        for photo, frame in zip(result.photos, result.frames, strict=True)
    ]
    if result.fits is not None:
        fits = result.fits
        lines.append(
            f"  slack of the leg (straighter than its place in the machine explains): "
            f"{words.with_u(fits.slack_deg, fits.u_slack_deg, sign=True)}"
        )
        lines += [
            f"  these photos cannot tell {one} and {other} apart" for one, other in fits.inseparable
        ]
    return lines


def _table(result: MachineCheck, settings: Settings) -> list[str]:
    """Displayed number to knee, in steps of ten over the range seen."""
    low, high = min(result.knee_line.y), max(result.knee_line.y)
    wanted = [float(x) for x in np.arange(np.ceil(low / 10) * 10, high + 0.1, 10)]
    try:
        rows = result.knee_table(wanted, settings)
    except InvalidInput:
        return []
    lines = ["  display   knee, 95 %"]
    lines += [
        f"  {row.displayed_deg:6.0f}°{words.shown_as(row.displayed_deg, settings)}   "
        f"{words.degrees(row.knee_deg)} "
        f"({words.degrees(row.interval_deg[0])} to {words.degrees(row.interval_deg[1])})"
        for row in rows
    ]
    return [*lines, f"  {TABLE_CAUTION}", ""]
