"""A machine check in words: what a person reads of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from knee_angle.angle import words
from knee_angle.assumptions import COVERAGE
from knee_angle.errors import InvalidInput
from knee_angle.language import figure, joined, say, tell
from knee_angle.machine.calibration import Line
from knee_angle.machine.check import MachineCheck
from knee_angle.machine.empty import EmptyCheck
from knee_angle.machine.over_range import RangeVerdict
from knee_angle.records import NotMeasured
from knee_angle.settings import Settings

__all__ = ["ONE_PLACE", "WITHIN_LIMITS", "check_text"]

WITHIN_LIMITS = say(
    "Stay within the prescribed limits. A machine without a leg in it is "
    "checked by tags or three dots on its bars: its display only, for fit cannot be "
    "judged without a leg."
)
"""Said wherever photos for a check are asked for."""

TABLE_CAUTION = say(
    "The table describes this leg as it lay. Settings stay the prescriber's: "
    "it is no reason to set more motion than was prescribed."
)

ONE_PLACE = say(
    "offset and gain cannot be told: all settings are close together; photograph over the "
    "allowed range"
)
"""Said in place of both wherever `Line.at_one_place` is so."""


def check_text(
    result: MachineCheck | EmptyCheck | NotMeasured,
    settings: Settings,
    *,
    alarms: Sequence[str] = (),
) -> str:
    """The whole check as text: alarms first (`MachineCheck.alarms`), then the finding."""
    loudest = [joined("", ["!! ", alarm]) for alarm in alarms]
    if isinstance(result, NotMeasured):
        refused = say(
            "Not checked: {reason}. Next: {advice}.",
            reason=words.phrase(result.reason),
            advice=words.phrase(result.advice),
        )
        return _as_text([*loudest, refused, words.CAUTION])
    if isinstance(result, EmptyCheck):
        return _as_text([*loudest, *_empty(result), words.CAUTION])
    lines = [
        *loudest,
        say("Finding: {finding_words}", finding_words=_finding(result)),
        *(joined("", ["  ", sentence]) for sentence in result.words or (result.advice,)),
        *(say("  caution: {caution}", caution=caution) for caution in result.cautions),
        "",
        *_line(say("display against bars (calibration)"), result.reading, result.reading_verdict),
        *_line(say("display against knee"), result.knee_line, result.knee_verdict),
        say(
            "  knee's arc over display's arc: {ratio:.3f} (95 % {interval:.3f} to {interval2:.3f})",
            ratio=result.arc.ratio,
            interval=result.arc.interval[0],
            interval2=result.arc.interval[1],
        ),
        *_fit(result),
        "",
        *_table(result, settings),
        say(
            "{n_photos} photos used: {photos}",
            n_photos=len(result.photos),
            photos=joined(", ", result.photos),
        ),
    ]
    lines += [
        say("left out: {name} ({reason})", name=name, reason=words.phrase(reason))
        for name, reason in result.left_out
    ]
    return _as_text([*lines, *_off_the_line(result.outliers), words.CAUTION])


def _finding(result: MachineCheck) -> str:
    _, verdict = result.line_judged
    by_bars = result.reading is not None
    return words.check_finding(result.kind, display=verdict.verdict, by_bars=by_bars)


def _off_the_line(outliers: Sequence[str]) -> list[str]:
    if not outliers:
        return []
    return [
        say(
            "far from the line through the others, but kept: {outliers}; check the "
            "points and the displayed number there",
            outliers=joined(", ", outliers),
        )
    ]


def _as_text(lines: Sequence[str]) -> str:
    """The lines in the language that is spoken here."""
    return "\n".join(tell(line) for line in lines)


def _empty(result: EmptyCheck) -> list[str]:
    """An empty machine: its display against its bars."""
    lines = [
        say(
            "Display and bars of an empty machine: {verdict_words}",
            verdict_words=words.VERDICT_WORDS[result.display.verdict],
        ),
        *(joined("", ["  ", sentence]) for sentence in result.words),
        "",
        *_line(say("display against bars (calibration)"), result.reading, result.reading_verdict),
        "",
        say("  display   bars, 95 %"),
    ]
    lines += [
        joined("   ", [figure(f"  {shown:6g}°"), words.with_u(deg, u)])
        for shown, deg, u in zip(result.displayed_deg, result.bars_deg, result.u_deg, strict=True)
    ]
    lines.append(
        say(
            "{n_photos} photos used: {photos}",
            n_photos=len(result.photos),
            photos=joined(", ", result.photos),
        )
    )
    lines += [
        say("left out: {name} ({reason})", name=name, reason=words.phrase(reason))
        for name, reason in result.left_out
    ]
    return lines + _off_the_line(result.outliers)


def _line(name: str, line: Line | None, verdict: RangeVerdict | None) -> list[str]:
    if line is None or verdict is None:
        return []
    fit = "" if line.p_value is None or line.dof < 1 else _straightness(line.p_value)
    told = say(
        "    offset {offset}, gain {gain:.3f} ± {u_gain:.3f}{fit}",
        offset=words.with_u(line.offset, line.u_offset, sign=True),
        gain=line.gain,
        u_gain=words.plus_minus(line.u_gain),
        fit=fit,
    )
    if line.at_one_place:
        told = joined("", ["    ", ONE_PLACE])
    return [
        joined("", ["  ", name, ":"]),
        told,
        say(
            "    largest difference {largest_deg} at {at_deg}; over {low_deg} to "
            "{high_deg} {verdict}, tolerance {tolerance_deg:g}°{near_straight}",
            largest_deg=words.degrees(verdict.largest_deg, sign=True),
            at_deg=words.degrees(verdict.at_deg),
            low_deg=words.degrees(verdict.low_deg),
            high_deg=words.degrees(verdict.high_deg),
            verdict=words.PROVEN_IN_A_WORD[verdict.verdict],
            tolerance_deg=verdict.tolerance_deg,
            near_straight=_near_straight(verdict),
        ),
    ]


def _near_straight(verdict: RangeVerdict) -> str:
    tighter = verdict.straight_tolerance_deg
    return "" if tighter is None else say(" ({tighter:g}° near straight)", tighter=tighter)


def _straightness(p_value: float) -> str:
    """Whether a straight line and the ± account for the scatter; p is never told as zero."""
    p = figure("< 0.01" if p_value < 0.005 else f"= {p_value:.2f}")
    if p_value < 0.05:
        return say(", lack of fit p {p}: the photos scatter more than their ±", p=p)
    return say(", lack of fit p {p}", p=p)


def _fit(result: MachineCheck) -> list[str]:
    """The fit: where the hinge lies, and what the photos cannot tell apart."""
    if result.hinge is None:
        return []
    hinge, across = result.hinge, result.across
    lines = [
        say(
            "  hinge along the thigh: {distal} of the knee (tolerance {tolerance_mm:g} "
            "mm: {verdict})",
            distal=words.distal(hinge.mm, hinge.u_mm),
            tolerance_mm=hinge.tolerance_mm,
            verdict=words.PROVEN_IN_A_WORD[hinge.verdict],
        )
    ]
    if across is not None:
        lines.append(
            say(
                "  hinge across the thigh: {anterior} of the knee (tolerance "
                "{tolerance_mm:g} mm: {verdict})",
                anterior=words.anterior(across.mm, across.u_mm),
                tolerance_mm=across.tolerance_mm,
                verdict=words.PROVEN_IN_A_WORD[across.verdict],
            )
        )
    if result.bar_hinge is not None:
        found = result.bar_hinge.hinge
        half = COVERAGE * np.sqrt(np.diag(found.cov_mm2))
        lines += [
            say(
                "  hinge seen from the {name} tag: {x:+.1f} ± {half:.1f} mm along, "
                "{y:+.1f} ± {half2:.1f} mm across",
                name=name,
                x=x,
                half=half[k],
                y=y,
                half2=half[k + 1],
            )
            for k, name, (x, y) in (
                (0, say("thigh bar's"), found.thigh_mm),
                (2, say("lower-leg bar's"), found.shank_mm),
            )
        ]
    lines += [
        say("  {photo}: hinge {hinge_place}", photo=photo, hinge_place=words.hinge_place(frame))
        for photo, frame in zip(result.photos, result.frames, strict=True)
    ]
    if result.fits is not None:
        fits = result.fits
        lines.append(
            say(
                "  slack of the leg (straighter than its place in the machine explains): "
                "{slack_deg}",
                slack_deg=words.with_u(fits.slack_deg, fits.u_slack_deg, sign=True),
            )
        )
        lines += [
            say("  these photos cannot tell {one} and {other} apart", one=one, other=other)
            for one, other in fits.inseparable
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
    lines = [say("  display   knee, 95 %")]
    lines += [
        say(
            "  {shown:6.0f}°{own}   {knee} ({low} to {high})",
            shown=row.displayed_deg,
            own=words.shown_as(row.displayed_deg, settings),
            knee=words.degrees(row.knee_deg),
            low=words.degrees(row.interval_deg[0]),
            high=words.degrees(row.interval_deg[1]),
        )
        for row in rows
    ]
    return [*lines, joined("", ["  ", TABLE_CAUTION]), ""]
