"""One photo's answer as text for a person: the first lines, and a small table behind them."""

from __future__ import annotations

import math

from knee_angle.angle import words
from knee_angle.assumptions import SHANK_MM, SUPPORT_MM, THIGH_MM
from knee_angle.language import joined, say, tell
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.unjudged import guessed
from knee_angle.records import Finding, Measurement, NotMeasured, Outcome
from knee_angle.report.visit_words import first_lines, not_judged

__all__ = ["answer_text"]

START = say("a start for the machine's sections")
UNSURE = say("too unsure to set sections by")


def answer_text(
    photo: str, outcome: Outcome, alone: VisitAnswer | NotMeasured | None = None
) -> str:
    """One photo for a person: alarms, the lines of the bedside, then the numbers behind them.

    Parameters
    ----------
    photo : str
        What to call it.
    outcome : Outcome
        Its result.
    alone : VisitAnswer or NotMeasured, optional
        The same photo as a visit of its own (`pipeline.answer_of_photo`).
    """
    answer = alone if isinstance(alone, VisitAnswer) else None
    lines = [photo]
    lines += [f"  !! {tell(alarm)}" for alarm in outcome.alarms]
    if isinstance(alone, VisitAnswer):
        lines += [f"  {tell(line)}" for line in first_lines(alone)]
    elif alone is not None:
        lines.append("  " + tell("DO      {told}", told=not_judged(alone)))
    lines.append(f"  {tell(words.sentence(outcome))}")
    if isinstance(outcome, Measurement):
        knee = outcome.knee
        lines += _table(
            [
                (say("knee"), words.with_u(knee.deg, knee.u_deg)),
                *_compared(outcome),
                *_frame(outcome, answer),
                *_lengths(outcome),
                (say("points"), words.sources(outcome.landmarks)),
                *_marks(outcome),
                (say("plane"), words.PLANE_WORDS[outcome.plane]),
                (
                    say("± from"),
                    joined(
                        ", ",
                        [
                            joined(
                                " ",
                                [words.BUDGET_WORDS[line], words.degrees(words.plus_minus(u))],
                            )
                            for line, u in knee.budget_deg.items()
                        ],
                    ),
                ),
            ]
        )
        lines += [tell("  caution: {caution}", caution=caution) for caution in outcome.cautions]
    return "\n".join(lines) + "\n"


def _marks(outcome: Measurement) -> list[tuple[str, str]]:
    """Where the marks are, and how far they may lie from the bone."""
    settings = outcome.settings
    return [] if settings is None else [(say("marks"), words.placed(settings))]


def _compared(outcome: Measurement) -> list[tuple[str, str]]:
    if outcome.displayed is None or outcome.comparison is None:
        return []
    compared = outcome.comparison
    shown = outcome.displayed.deg
    read = ""
    if outcome.displayed.source == "read":
        sure = math.floor(1000 * (outcome.displayed.probability or 0.0)) / 1000
        read = say(" (read off the photo with a probability of {sure:.1%})", sure=sure)
    return [
        (
            say("display"),
            joined("", [words.degrees(shown), words.shown_as(shown, outcome.settings), read]),
        ),
        (say("difference"), words.with_u(compared.discrepancy_deg, compared.u_deg, sign=True)),
        (
            say("verdict"),
            say(
                "{verdict_words} (tolerance {tolerance_deg:g}°, probability of being "
                "within {probability})",
                verdict_words=words.VERDICT_WORDS[compared.verdict],
                tolerance_deg=compared.tolerance_deg,
                probability=words.probability(compared.p_within),
            ),
        ),
    ]


def _lengths(outcome: Measurement) -> list[tuple[str, str]]:
    """Thigh and lower leg, where the photo gives a scale.

    A ± as wide as people differ says no more than that it is somebody's leg.
    """
    if outcome.segments is None:
        return []
    s = outcome.segments
    sure = s.u_thigh_mm < THIGH_MM[1] and s.u_shank_mm < SHANK_MM[1]
    return [
        (
            say("lengths"),
            say(
                "thigh {thigh_mm:.0f} ± {u_thigh_mm:.0f} mm, lower leg {shank_mm:.0f} ± "
                "{u_shank_mm:.0f} mm between the marks ({for_what})",
                thigh_mm=s.thigh_mm,
                u_thigh_mm=words.plus_minus(s.u_thigh_mm),
                shank_mm=s.shank_mm,
                u_shank_mm=words.plus_minus(s.u_shank_mm),
                for_what=START if sure else UNSURE,
            ),
        )
    ]


def _frame(outcome: Measurement, answer: VisitAnswer | None) -> list[tuple[str, str]]:
    """The machine's bars, the hinge and the finding, where there are any."""
    rows = []
    frame = None if outcome.machine is None else outcome.machine.frame
    if frame is not None and guessed(frame):
        rows.append((say("bars"), words.guessed_bars(frame)))
    elif frame is not None:
        rows += [
            (
                say("bars"),
                say(
                    "{frame_deg}, by {bars_words}",
                    frame_deg=words.with_u(frame.deg, frame.u_deg),
                    bars_words=words.BARS_WORDS[frame.source],
                ),
            ),
            (say("hinge"), words.hinge_place(frame)),
        ]
    found = outcome.finding
    if found is not None:
        rows.append((say("finding"), words.finding_words(found)))
        for name, part in (
            (say("  calibration"), found.calibration),
            (say("  fit"), found.fit),
        ):
            if part is not None:
                text = words.with_u(part.discrepancy_deg, part.u_deg, sign=True)
                rows.append(
                    (
                        name,
                        say(
                            "{text} (tolerance {tolerance_deg:g}°: {verdict})",
                            text=text,
                            tolerance_deg=part.tolerance_deg,
                            verdict=words.PROVEN_IN_A_WORD[part.verdict],
                        ),
                    )
                )
        rows += _by_hinge(found)
        if answer is None:  # else the first lines have said what to do
            rows.append((say("next"), found.advice))
    return rows


def _by_hinge(found: Finding) -> list[tuple[str, str]]:
    """What the hinge's place would do to the knee; nothing where its ± holds zero."""
    explained, u = found.explained_deg, found.u_explained_deg
    if explained is None or u is None or found.fit is None:
        return []
    if abs(explained) <= words.plus_minus(u):
        return []
    rest = found.fit.discrepancy_deg - explained
    # The two share errors: their ± taken as independent is rather too wide.
    if abs(rest) <= words.plus_minus(math.hypot(u, found.fit.u_deg)):
        beside = say("the fit part agrees with it within both ±")
    elif abs(found.fit.discrepancy_deg) < abs(explained):
        beside = say("the fit part is less: something else works against it")
    else:
        beside = say(
            "the other {rest} of the fit part come from elsewhere",
            rest=words.degrees(rest, sign=True),
        )
    text = say(
        "{explained} expected from its place{held}; {beside}",
        explained=words.with_u(explained, u, sign=True),
        held=_held(found),
        beside=beside,
    )
    return [(say("  by hinge"), text)]


def _held(found: Finding) -> str:
    """What the planar model takes for the lower leg's support."""
    if found.support_mm is None:
        return ""
    below, u = found.support_mm
    held = say(
        "the lower leg held {below:.0f} ± {u:.0f} mm below the knee",
        below=below,
        u=words.plus_minus(u),
    )
    if found.support_mm == SUPPORT_MM:
        return say(
            ", by the planar model with {held}, which is assumed: give --support-mm", held=held
        )
    return say(", by the planar model with {held}", held=held)


def _table(rows: list[tuple[str, str]]) -> list[str]:
    return [f"  {tell(name):<13} {tell(text)}" for name, text in rows]
