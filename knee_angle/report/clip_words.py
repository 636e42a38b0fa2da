"""A clip in words: the lines of the bedside, then ends, display and pictures.

Whole degrees above; tenths below. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate, pairwise

from knee_angle.angle import words
from knee_angle.clip.answer import ClipAnswer, ClipEnd, DisplayAgainst
from knee_angle.clip.said import END_WORDS
from knee_angle.language import figure, joined, say, say_as, tell
from knee_angle.report.visit_words import (
    apart_text,
    judged_of,
    knee_words,
    lacking_text,
    limit_text,
    prescribed_text,
    sure_text,
    to_do,
)
from knee_angle.visit import Value

__all__ = [
    "against_text",
    "clip_first_lines",
    "clip_text",
    "ends_cells",
    "looked_at_text",
    "rest_text",
]

SIDES = {"left": say_as("a knee", "left"), "right": say_as("a knee", "right")}
OF = {"bars": say("the bars"), "knee": say("the knee")}
NO_NUMBERS = say("The display's numbers were not given: write them down with their seconds.")
HEAD = say("  end          knee (95 %)                bars     display  verdict")
WIDTHS, BETWEEN = (11, 25, 7, 7), 2
"""Characters of the columns before the last, and the spaces before each, in every language."""

FEW_NUMBERS = say("The display's numbers are too few, or the motion too little, to tell its gain.")


def clip_first_lines(answer: ClipAnswer) -> list[str]:
    """Limit, both ends, arc, display, sure: what a person beside the bed needs."""
    lines: list[str] = []
    prescribed = prescribed_text(answer.used)
    if prescribed is not None:
        standings = [limit for end in answer.ends for limit in end.limits]
        shown = any(end.displayed_deg is not None for end in answer.ends)
        told = limit_text(standings, display_shown=shown)
        lines.append(say("LIMIT   {prescribed} · {told}", prescribed=prescribed, told=told))
    for end in answer.ends:
        lines.append(say("KNEE    {end}", end=_end(answer, end)))
        if end.apart is not None:
            lines.append(
                say("APART   {apart}", apart=apart_text(end.apart, judged_of(end.comparison)))
            )
    lines.append(say("ARC     {arc}", arc=_arc(answer)))
    lines += [say("SHOWN   {told}", told=against_text(one)) for one in answer.against]
    if not answer.against:
        lines.append(say("SHOWN   {told}", told=_no_curve(answer)))
    if answer.visit is not None:
        lines += [say("DO      {told}", told=told) for told in to_do(answer.visit)[0]]
    last = answer.ends[-1]
    sure = sure_text(
        last.knee, last.shrink, marks_on=answer.used.marks_on, dots=answer.source == "dot"
    )
    lines.append(say("SURE    {told}", told=sure))
    return lines


def _no_curve(answer: ClipAnswer) -> str:
    """Why nothing is said of the display against knee and bars."""
    return NO_NUMBERS if answer.displayed_source is None else FEW_NUMBERS


def _end(answer: ClipAnswer, end: ClipEnd) -> str:
    knee, spread = knee_words(end.knee.value, end.knee.interval)
    told = say(
        "{knee} ({spread}), {side}, at {seconds:.1f} s: {which} end",
        knee=knee,
        spread=spread,
        side=SIDES[answer.side],
        seconds=end.seconds,
        which=END_WORDS[end.which],
    )
    if end.displayed_deg is None:
        return told
    own = words.shown_as(end.displayed_deg, answer.used)
    return say("{told}    DISPLAY {shown:g}°{own}", told=told, shown=end.displayed_deg, own=own)


def _arc(answer: ClipAnswer) -> str:
    low, high = words.whole_ends(answer.arc.interval)
    told: list[str] = [
        say("{arc:.0f}° ({low} to {high})", arc=answer.arc.value, low=low, high=high)
    ]
    if answer.displayed_arc_deg is not None:
        told.append(say("by the display {arc:.0f}°", arc=answer.displayed_arc_deg))
    if answer.cycle_s is not None:
        told.append(say("a cycle takes {seconds} s", seconds=_seconds(answer.cycle_s)))
    if answer.lacking is not None:
        told.append(say("lacks {lacking}", lacking=lacking_text(answer.lacking)))
    return joined("; ", told)


def _seconds(value: Value) -> str:
    """A time with its 95 % ±, in tenths, or finer where that would say ± 0.0."""
    u = words.plus_minus(value.u)
    if u >= 0.095:
        return say("{seconds:.1f} ± {u:.1f}", seconds=value.value, u=u)
    return say("{seconds:.2f} ± {u:.2f}", seconds=value.value, u=max(u, 0.01))


def against_text(one: DisplayAgainst) -> str:
    """The display against bars or knee over the range, in one sentence."""
    low, high = one.range_deg
    return say(
        "display against {of}, {low:.0f}° to {high:.0f}°: gain {gain}, {middle}° in the middle, "
        "bow {bow}°, late by {lag} s, bending less stretching {hysteresis}° (95 %)",
        of=OF[one.of],
        low=low,
        high=high,
        gain=_with(one.gain, 3),
        middle=_with(one.middle_deg, 1),
        bow=_with(one.bow_deg, 1),
        lag=_with(one.lag_s, 2),
        hysteresis=_with(one.hysteresis_deg, 1),
    )


def _with(value: Value, digits: int) -> str:
    """A figure with its 95 % ±."""
    number, u = round(value.value, digits) + 0.0, words.plus_minus(value.u)
    return say(
        "{number} ± {u}",
        number=figure(f"{number:+.{digits}f}" if digits != 3 else f"{number:.3f}"),
        u=figure(f"{u:.{digits}f}"),
    )


def looked_at_text(answer: ClipAnswer) -> str:
    """Which of the clip's pictures were looked at, followed and used."""
    looked = sum(frame.looked for frame in answer.frames)
    used = sum(frame.used for frame in answer.frames)
    return say(
        "{seconds:.1f} s, {pictures} pictures: {measured} measured ({looked} looked at by the "
        "detectors, the rest followed between them), {used} of these used",
        seconds=answer.seconds,
        pictures=answer.pictures,
        measured=len(answer.frames),
        looked=looked,
        used=used,
    )


def clip_text(answer: ClipAnswer) -> list[str]:
    """All of it, a sentence a line."""
    lines: list[str] = [*clip_first_lines(answer), ""]
    lines.append(HEAD)
    lines += [_row(end) for end in answer.ends]
    return [*lines, *rest_text(answer)]


def ends_cells(answer: ClipAnswer) -> list[tuple[str, ...]]:
    """The table of both ends in the reader's language: its head, then a row for each end."""
    head = tell(HEAD)
    starts = accumulate((width + BETWEEN for width in WIDTHS), initial=BETWEEN)
    named = tuple(head[a:b].strip() for a, b in pairwise((*starts, len(head))))
    return [named, *(_cells(end) for end in answer.ends)]


def rest_text(answer: ClipAnswer) -> list[str]:
    """What stands beneath the table of ends."""
    lines: list[str] = [*_hinges(answer.ends)]
    if answer.visit is not None:
        lines += [say("  also: {told}", told=told) for told in to_do(answer.visit)[1]]
    lines.append(say("  pictures: {told}", told=looked_at_text(answer)))
    lines.append(
        say(
            "  points: {source}; {plane}",
            source=words.SOURCE_WORDS[answer.source],
            plane=words.PLANE_WORDS[answer.plane],
        )
    )
    lines += [say("  caution: {caution}", caution=caution) for caution in answer.cautions]
    return lines


def _row(end: ClipEnd) -> str:
    cells = zip(_cells(end), (*WIDTHS, 0), strict=True)
    return "".join(" " * BETWEEN + cell.ljust(width) for cell, width in cells).rstrip()


def _cells(end: ClipEnd) -> tuple[str, ...]:
    low, high = end.knee.interval
    knee = tell(
        "{knee_deg:.1f}° ({low:.1f} to {high:.1f})", knee_deg=end.knee.value, low=low, high=high
    )
    bars = "" if end.bars is None else tell(figure(f"{end.bars.value:.1f}°"))
    shown = "" if end.displayed_deg is None else tell(figure(f"{end.displayed_deg:g}°"))
    verdict = "" if end.comparison is None else tell(words.PROVEN_IN_A_WORD[end.comparison.verdict])
    return tell(END_WORDS[end.which]), knee, bars, shown, verdict


def _hinges(ends: Sequence[ClipEnd]) -> list[str]:
    return [
        say(
            "  hinge at {which}: {distal}, {anterior} of the knee",
            which=END_WORDS[end.which],
            distal=words.distal(end.distal.value, end.distal.u),
            anterior=words.anterior(end.anterior.value, end.anterior.u),
        )
        for end in ends
        if end.distal is not None and end.anterior is not None
    ]
