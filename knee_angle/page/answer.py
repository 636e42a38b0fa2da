"""The answer as one block of the page, readable at arm's length.

Only words and places: every number comes from the result, every sentence from `words`.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from knee_angle import words
from knee_angle.records import Measurement, NotMeasured
from knee_angle.settings import Settings

__all__ = ["alarms", "card", "note", "refusal"]


def card(
    result: Measurement,
    *,
    settings: Settings,
    number: float | None,
    typed: float | None,
    fingerprint: str,
) -> str:
    """The answer of one photo, as HTML: alarm first, then verdict, numbers and what to do.

    Parameters
    ----------
    result : Measurement
        The answer.
    settings : Settings
        Those it was measured with.
    number : float or None
        The number as it stands on the display, in its own way of counting.
    typed : float or None
        What stands in the field now: another one where that cannot be used.
    fingerprint : str
        Names all that went into the answer, so that an older one cannot stay unnoticed.
    """
    kind: str = "" if result.comparison is None else result.comparison.verdict
    if result.alarms:  # nothing reads as all right beneath an alarm
        kind = "past"
    shown = "" if typed is None else f"{typed:g}"
    parts = [
        *(_alarm(text) for text in result.alarms),
        "" if result.alarms else _verdict(result),
        _numbers(result, number),
        _prescribed(settings),
        f'<p class="sentence" role="status">{escape(words.sentence(result))}</p>',
        _finding(result),
        f'<p class="marks">{escape(_sentence(words.placed(settings)))}</p>',
    ]
    return (
        f'<section class="answer {kind}" aria-label="Answer" data-of="{fingerprint}" '
        f'data-number="{shown}">{"".join(parts)}</section>'
    )


def refusal(result: NotMeasured, *, fingerprint: str) -> str:
    """Why there is no answer, and what to do, as HTML."""
    return (
        f'<section class="answer refused" aria-label="Answer" data-of="{fingerprint}">'
        f"{''.join(_alarm(text) for text in result.alarms)}"
        '<p class="verdict"><span class="shape bar"></span>Not measured</p>'
        f'<p class="sentence" role="status">{escape(_sentence(result.reason))}</p>'
        '<p class="next"><b>Next</b> Tap hip, knee and ankle in the photo below, or photograph '
        "again.</p>"
        f"<details><summary>Photograph again: how</summary>{escape(_sentence(result.advice))}"
        "</details></section>"
    )


def alarms(texts: Sequence[str]) -> str:
    """Alarms of several photos as a block of their own, as HTML; empty where there are none."""
    if not texts:
        return ""
    blocks = "".join(_alarm(text) for text in texts)
    return f'<section class="answer alarms" aria-label="Alarms">{blocks}</section>'


def note(text: str) -> str:
    """Something to think about beside the answer, as HTML."""
    return f'<p class="note">{escape(text)}</p>'


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}."


def _alarm(text: str) -> str:
    head, _, rest = text.partition(":")
    return (
        '<div class="alarm" role="alert"><span class="octagon" aria-hidden="true">!</span>'
        f"<p><b>{escape(head)}</b>{escape(_sentence(rest.strip()))}</p></div>"
    )


def _verdict(result: Measurement) -> str:
    if result.comparison is None:
        return ""
    kind = result.comparison.verdict
    said = words.VERDICT_WORDS[kind]
    return (
        f'<p class="verdict"><span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
        f"{said[:1].upper()}{said[1:]}</p>"
    )


def _numbers(result: Measurement, number: float | None) -> str:
    """Knee and display side by side and large, the difference beneath."""
    knee = result.knee
    figures = [_figure("Knee", words.degrees(knee.deg), f"± {_plus_minus(knee.u_deg)}")]
    compared, displayed = result.comparison, result.displayed
    if compared is not None and displayed is not None:
        other = "" if number is None or number == displayed.deg else f"shown as {number:g}"
        figures.append(_figure("Display", words.degrees(displayed.deg), other))
        figures.append(
            _figure(
                "Difference",
                words.degrees(compared.discrepancy_deg, sign=True),
                f"± {_plus_minus(compared.u_deg)}, allowed {compared.tolerance_deg:g}°",
                "small",
            )
        )
    return f'<dl class="figures">{"".join(figures)}</dl>'


def _figure(name: str, value: str, more: str, size: str = "big") -> str:
    return (
        f'<div class="{size}"><dt>{name}</dt><dd><b>{escape(value)}</b> '
        f"<span>{escape(more)}</span></dd></div>"
    )


def _plus_minus(u_deg: float) -> str:
    return words.degrees(words.plus_minus(u_deg))


def _prescribed(settings: Settings) -> str:
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    if low is None and high is None:
        return '<p class="prescribed none">No prescribed limits entered: none were checked.</p>'
    ends = [
        f"{name} {told(limit)}"
        for name, limit, told in (
            ("extension", low, words.from_straight),
            ("flexion", high, words.degrees),
        )
        if limit is not None
    ]
    return f'<p class="prescribed">Prescribed: <b>{", ".join(ends)}</b></p>'


def _finding(result: Measurement) -> str:
    if result.finding is None:
        return ""
    said = words.FINDING_WORDS[result.finding.kind]
    return f'<p class="next"><b>{escape(_sentence(said))}</b> {escape(result.finding.advice)}</p>'
