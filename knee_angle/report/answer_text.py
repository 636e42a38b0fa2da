"""One photo's answer as text for a person: the first lines, and a small table behind them."""

from __future__ import annotations

import math

from knee_angle import words
from knee_angle.assumptions import SUPPORT_MM
from knee_angle.machine.answer import VisitAnswer
from knee_angle.records import Finding, Measurement, NotMeasured, Outcome
from knee_angle.report.visit_words import first_lines, not_judged

__all__ = ["answer_text"]


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
    lines += [f"  !! {alarm}" for alarm in outcome.alarms]
    if isinstance(alone, VisitAnswer):
        lines += [f"  {line}" for line in first_lines(alone)]
    elif alone is not None:
        lines.append(f"  DO      {not_judged(alone)}")
    lines.append(f"  {words.sentence(outcome)}")
    if isinstance(outcome, Measurement):
        knee = outcome.knee
        lines += _table(
            [
                ("knee", words.with_u(knee.deg, knee.u_deg)),
                *_compared(outcome),
                *_frame(outcome, answer),
                *_lengths(outcome),
                ("points", words.sources(outcome.landmarks)),
                *_marks(outcome),
                ("plane", words.PLANE_WORDS[outcome.plane]),
                (
                    "± from",
                    ", ".join(
                        f"{line.replace('_', ' ')} {words.degrees(words.plus_minus(u))}"
                        for line, u in knee.budget_deg.items()
                    ),
                ),
            ]
        )
        lines += [f"  caution: {caution}" for caution in outcome.cautions]
    return "\n".join(lines) + "\n"


def _marks(outcome: Measurement) -> list[tuple[str, str]]:
    """Where the marks are, and how far they may lie from the bone."""
    settings = outcome.settings
    return [] if settings is None else [("marks", words.placed(settings))]


def _compared(outcome: Measurement) -> list[tuple[str, str]]:
    if outcome.displayed is None or outcome.comparison is None:
        return []
    compared = outcome.comparison
    shown = outcome.displayed.deg
    return [
        ("display", f"{words.degrees(shown)}{words.shown_as(shown, outcome.settings)}"),
        ("difference", words.with_u(compared.discrepancy_deg, compared.u_deg, sign=True)),
        (
            "verdict",
            f"{words.VERDICT_WORDS[compared.verdict]} (tolerance {compared.tolerance_deg:g}°, "
            f"probability of being within {words.probability(compared.p_within)})",
        ),
    ]


def _lengths(outcome: Measurement) -> list[tuple[str, str]]:
    """Thigh and lower leg, where the photo gives a scale."""
    if outcome.segments is None:
        return []
    s = outcome.segments
    return [
        (
            "lengths",
            f"thigh {s.thigh_mm:.0f} ± {words.plus_minus(s.u_thigh_mm):.0f} mm, "
            f"lower leg {s.shank_mm:.0f} ± {words.plus_minus(s.u_shank_mm):.0f} mm between the "
            "marks (a start for the machine's sections)",
        )
    ]


def _frame(outcome: Measurement, answer: VisitAnswer | None) -> list[tuple[str, str]]:
    """The machine's bars, the hinge and the finding, where there are any."""
    rows = []
    frame = None if outcome.machine is None else outcome.machine.frame
    if frame is not None:
        rows += [
            (
                "bars",
                f"{words.with_u(frame.deg, frame.u_deg)}, by {words.BARS_WORDS[frame.source]}",
            ),
            ("hinge", words.hinge_place(frame)),
        ]
    found = outcome.finding
    if found is not None:
        rows.append(("finding", words.FINDING_WORDS[found.kind]))
        for name, part in (("calibration", found.calibration), ("fit", found.fit)):
            if part is not None:
                text = words.with_u(part.discrepancy_deg, part.u_deg, sign=True)
                rows.append(
                    (f"  {name}", f"{text} (tolerance {part.tolerance_deg:g}°: {part.verdict})")
                )
        rows += _by_hinge(found)
        if answer is None or answer.machine is None:  # else the first lines have said what to do
            rows.append(("next", found.advice))
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
        beside = "the fit part agrees with it within both ±"
    elif abs(found.fit.discrepancy_deg) < abs(explained):
        beside = "the fit part is less: something else works against it"
    else:
        beside = f"the other {words.degrees(rest, sign=True)} of the fit part come from elsewhere"
    text = f"{words.with_u(explained, u, sign=True)} expected from its place{_held(found)}"
    return [("  by hinge", f"{text}; {beside}")]


def _held(found: Finding) -> str:
    """What the planar model takes for the lower leg's support."""
    if found.support_mm is None:
        return ""
    below, u = found.support_mm
    held = f"the lower leg held {below:.0f} ± {words.plus_minus(u):.0f} mm below the knee"
    assumed = ", which is assumed: give --support-mm" if found.support_mm == SUPPORT_MM else ""
    return f", by the planar model with {held}{assumed}"


def _table(rows: list[tuple[str, str]]) -> list[str]:
    return [f"  {name:<14}{text}" for name, text in rows]
