"""Plots of a clip: angle against time with bands, display against knee. Drawn from the answer."""

from __future__ import annotations

from typing import Any

from knee_angle.angle import words
from knee_angle.assumptions import COVERAGE
from knee_angle.clip.answer import ClipAnswer
from knee_angle.language import say
from knee_angle.report.clip_picture import against_knee, over_time

__all__ = ["clip_svg"]

KNEE, BARS, SHOWN = "#0b5394", "#b45f06", "#38761d"
SHAPES = {"knee": KNEE, "bars": BARS, "display": SHOWN}


def _rows(answer: ClipAnswer) -> list[dict[str, Any]]:
    """What is drawn; a line breaks where pictures are not used: nothing is known between."""
    rows: list[dict[str, Any]] = []
    piece = 0
    for frame in answer.frames:
        if not frame.used:
            piece += 1
            continue
        for of, value, u in (
            ("knee", frame.knee_deg, frame.u_deg),
            ("bars", frame.bars_deg, frame.u_bars_deg),
            ("display", frame.displayed_deg, None),
        ):
            if value is not None:
                half = 0.0 if u is None else COVERAGE * u
                rows.append(
                    {
                        "of": of,
                        "piece": piece,
                        "seconds": frame.seconds,
                        "deg": value,
                        "low": value - half,
                        "high": value + half,
                        "knee": frame.knee_deg,
                    }
                )
    return rows


def clip_svg(answer: ClipAnswer) -> str:
    """The plots as one SVG picture, told in the language that is spoken.

    Bands are 95 % with all that they rest on; most of it is the same in every picture, so that
    the shape of a line is much surer than its height.
    """
    rows = _rows(answer)
    limits = (answer.used.limit_extension_deg, answer.used.limit_flexion_deg)
    whole = over_time(
        rows,
        [limit for limit in limits if limit is not None],
        colours=SHAPES,
        title=say(
            "{clip}: {knee}, bands 95 %", clip=answer.clip, knee=words.KNEE_WORDS[answer.side]
        ),
    )
    pairs = [row for row in rows if row["of"] == "display" and row["knee"] is not None]
    if pairs:
        whole.beneath(against_knee(pairs, colour=SHOWN))
    return whole.svg()
