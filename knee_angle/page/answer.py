"""The answer as one block of the page, readable at arm's length.

Only words and places: every number comes from the result, every sentence from `words` and
`report.visit_words`, where the commands' come from too.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from knee_angle import words
from knee_angle.machine.answer import VisitAnswer
from knee_angle.records import Measurement, NotMeasured
from knee_angle.report import visit_words
from knee_angle.settings import Settings

__all__ = ["alarms", "card", "note", "refusal"]

FAULTS = ("calibration", "fit", "both")


def card(
    result: Measurement,
    alone: VisitAnswer | NotMeasured,
    *,
    settings: Settings,
    number: float | None,
    typed: float | None,
    fingerprint: str,
) -> str:
    """The answer of one photo, as HTML: the five first lines, those that the command prints.

    Parameters
    ----------
    result : Measurement
        The photo's own result.
    alone : VisitAnswer or NotMeasured
        The same photo as a visit of its own (`pipeline.answer_of_photo`).
    settings : Settings
        Those it was measured with.
    number : float or None
        The number as it stands on the display, in its own way of counting.
    typed : float or None
        What stands in the field now: another one where that cannot be used.
    fingerprint : str
        Names all that went into the answer, so that an older one cannot stay unnoticed.
    """
    answer = alone if isinstance(alone, VisitAnswer) else None
    past = bool(result.alarms) or (answer is not None and answer.standing == "past")
    shown = "" if typed is None else f"{typed:g}"
    parts = [
        *(_alarm(text) for text in result.alarms),
        _limit(settings, answer, said=bool(result.alarms)),
        '<div role="status">',
        "" if past else _verdict(result),  # nothing reads as all right beneath an alarm
        _figures(result, answer, number),
        _apart(result, answer),
        "</div>",
        *_do(result, alone),
        "" if answer is None else _sure(answer),
    ]
    return (
        f'<section class="answer {_look(result, answer, past=past)}" aria-label="Answer" '
        f'data-of="{fingerprint}" data-number="{shown}">{"".join(parts)}</section>'
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


def _look(result: Measurement, answer: VisitAnswer | None, *, past: bool) -> str:
    """The card's colour: no green round a limit that is not proven kept or a fault."""
    if past:
        return "past"
    kind = "" if result.comparison is None else result.comparison.verdict
    at = answer is not None and answer.standing == "at"
    fault = answer is not None and answer.machine is not None and answer.machine.kind in FAULTS
    return f"{kind} warned" if at or fault else kind


def _line(name: str, text: str, kind: str) -> str:
    return f'<p class="{kind}"><span class="name">{name}</span> {escape(text)}</p>'


def _limit(settings: Settings, answer: VisitAnswer | None, *, said: bool) -> str:
    """The prescription and where everything stands; the standing is left to an alarm above."""
    alone = visit_words.prescribed_text(settings)
    if alone is None:
        return '<p class="prescribed none">No prescribed limits entered: none were checked.</p>'
    full = None if answer is None or said else visit_words.limits_line(settings, answer.settings)
    return _line("Limit", full or alone, "prescribed")


def _figures(result: Measurement, answer: VisitAnswer | None, number: float | None) -> str:
    """Knee and display side by side and large, in whole degrees."""
    deg, interval = result.knee.deg, result.knee.interval_deg
    if answer is not None:
        deg, interval = (one := answer.settings[0].estimate.knee).value, one.interval
    knee, spread = visit_words.knee_words(deg, interval)
    figures = [_figure("Knee", knee, f"{spread}, {result.side}, passive")]
    if result.displayed is not None:
        shown = result.displayed.deg
        other = "" if number is None or number == shown else f"shown as {number:g}"
        figures.append(_figure("Display", f"{shown:g}°", other))
    return f'<dl class="figures">{"".join(figures)}</dl>'


def _figure(name: str, value: str, more: str) -> str:
    return (
        f'<div class="big"><dt>{name}</dt><dd><b>{escape(value)}</b> '
        f"<span>{escape(more)}</span></dd></div>"
    )


def _apart(result: Measurement, answer: VisitAnswer | None) -> str:
    """How far apart at most, and what is proven."""
    if answer is None:
        return f'<p class="apart">{escape(words.sentence(result))}</p>'
    apart = answer.settings[0].apart
    return "" if apart is None else _line("Apart", visit_words.apart_text(apart), "apart")


def _do(result: Measurement, alone: VisitAnswer | NotMeasured) -> list[str]:
    """The finding's name, then what is proven and what to set or check."""
    if not isinstance(alone, VisitAnswer):
        return [_line("Do", visit_words.not_judged(alone), "next")]
    found = []
    if result.finding is not None:
        found = [f"<b>{escape(_sentence(words.FINDING_WORDS[result.finding.kind]))}</b>"]
    told = found + [escape(text) for text in visit_words.to_do(alone)[0]]
    first, *rest = told
    return [
        f'<p class="next"><span class="name">Do</span> {first}</p>',
        *(f'<p class="told">{text}</p>' for text in rest),
    ]


def _sure(answer: VisitAnswer) -> str:
    surest = answer.settings[-1].estimate
    return _line("Sure", visit_words.sure_text(surest.knee, surest.shrink), "sure")
