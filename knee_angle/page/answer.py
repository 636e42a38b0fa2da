"""The answer as one block of the page, readable at arm's length.

Only words and places: every number comes from the result, every sentence from `words` and
`report.visit_words`, where the commands' come from too.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from knee_angle import words
from knee_angle.language import tell
from knee_angle.machine.answer import VisitAnswer
from knee_angle.page.judged import Judged, end_words
from knee_angle.records import FindingKind, Measurement, NotMeasured, Verdict
from knee_angle.report import visit_words
from knee_angle.report.changed_words import changed_lines, when_words
from knee_angle.settings import Settings

__all__ = ["alarms", "card", "note", "now", "refusal", "visit_card", "visit_table"]

LOOKING = '<p class="next"><span class="name">Do</span> Looking at the machine …</p>'
"""In place of what to set or check, for the moment that it takes."""
FAULTS = ("calibration", "fit", "both")


def card(
    result: Measurement,
    alone: VisitAnswer | NotMeasured,
    *,
    settings: Settings,
    number: float | None,
    typed: float | None,
    fingerprint: str,
    whole: bool = True,
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
    whole : bool
        Whether the machine was judged already.
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
        *(_do(result, alone) if whole else [LOOKING]),
        "" if answer is None else _sure(answer),
    ]
    return (
        f'<section class="answer {_look(result, answer, past=past)}" aria-label="Answer" '
        f'data-of="{fingerprint}" data-number="{shown}">{"".join(parts)}</section>'
    )


def refusal(result: NotMeasured, *, fingerprint: str, which: str = "") -> str:
    """Why there is no answer, and what to do, as HTML; `which` names the photo among several."""
    return (
        f'<section class="answer refused" aria-label="{which or "Answer"}" data-of="{fingerprint}">'
        f"{''.join(_alarm(text) for text in result.alarms)}"
        f'<p class="verdict"><span class="shape bar"></span>{which}Not measured</p>'
        f'<p class="sentence" role="status">{escape(_sentence(result.reason))}</p>'
        '<p class="next"><b>Next</b> Tap hip, knee and ankle in the photo below, or photograph '
        "again.</p>"
        f"<details><summary>Photograph again: how</summary>{escape(_sentence(result.advice))}"
        "</details></section>"
    )


def visit_card(found: Judged, *, typed: float | None) -> str:
    """The answer of all photos together, as HTML: the first lines, those that the command prints.

    Parameters
    ----------
    found : Judged
        With an answer to all photos.
    typed : float or None
        What stands in the number's field of the photo that is shown.
    """
    answer = found.answer
    shown = "" if typed is None else f"{typed:g}"
    head = f'aria-label="Answer" data-of="{found.fingerprint}" data-number="{shown}"'
    told = "".join(_alarm(text) for text in found.alarms)
    if not isinstance(answer, VisitAnswer):
        why = answer or NotMeasured("nothing was measured", "photograph again")
        return (
            f'<section class="answer refused" {head}>{told}'
            '<p class="verdict"><span class="shape bar"></span>Not judged together</p>'
            f"{_limit(found.settings, None, said=bool(found.alarms))}{_each_alone(found)}"
            f'<p class="sentence" role="status">{escape(_sentence(why.reason))}</p>'
            f'<p class="next"><span class="name">Do</span> {escape(_sentence(why.advice))}</p>'
            "</section>"
        )
    past = bool(found.alarms) or answer.standing == "past"
    kind = _worst(answer)
    parts = [
        told,
        _limit(found.settings, answer, said=bool(found.alarms)),
        '<div role="status">',
        "" if past else _verdict_line(kind),
        _ends(answer),
        "</div>",
        *(_line("Changed", tell(told), "changed") for told in changed_lines(answer)),
        *(_do_lines(_found_in(answer), answer) if found.whole else [LOOKING]),
        _sure(answer),
    ]
    look = "past" if past else kind or ""
    warned = answer.standing == "at" or _found_in(answer) in FAULTS
    return (
        f'<section class="answer visit {look}{" warned" if warned and not past else ""}" {head}>'
        f"{''.join(parts)}</section>"
    )


def _each_alone(found: Judged) -> str:
    """Every photo's own knee, where they cannot be judged together."""
    rows = []
    for sha256, one in found.measured.items():
        knee, spread = visit_words.knee_words(one.knee.deg, one.knee.interval_deg)
        shown = "–" if one.displayed is None else f"{one.displayed.deg:g}°"
        rows.append(
            f'<tr><th scope="row">{found.shots[sha256].name.capitalize()}<small>{one.side}, alone'
            f"</small></th><td><b>{knee}</b><small>{spread}</small></td><td><b>{shown}</b></td></tr>"
        )
    return _table_of_ends("Each photo alone", rows)


def _table_of_ends(head: str, rows: Sequence[str]) -> str:
    return (
        f'<table class="ends"><thead><tr><th scope="col">{head}</th>'
        '<th scope="col">Knee</th><th scope="col">Display</th></tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _worst(answer: VisitAnswer) -> Verdict | None:
    """The verdict that all settings of now stand for: an all-clear needs each of them."""
    kinds = [one.comparison.verdict for one in answer.now if one.comparison is not None]
    if "outside" in kinds:
        return "outside"
    if not kinds:
        return None
    return "within" if all(kind == "within" for kind in kinds) else "undecided"


def _found_in(answer: VisitAnswer) -> FindingKind | None:
    return None if answer.machine is None else answer.machine.kind


def _ends(answer: VisitAnswer) -> str:
    """Each setting's knee and display, large, with how far they are apart; then the arc."""
    rows = []
    for name, one in zip(end_words(answer), answer.settings, strict=True):
        seen = one.estimate
        knee, spread = visit_words.knee_words(seen.knee.value, seen.knee.interval)
        display = "" if seen.displayed_deg is None else f"{seen.displayed_deg:g}°"
        apart = "" if one.apart is None else visit_words.apart_text(one.apart)
        photos = "" if len(seen.photos) == 1 else f"<small>{len(seen.photos)} photos</small>"
        photos += _when(answer, seen.adjusted)
        rows.append(
            f'<tr><th scope="row">{name}{photos}</th>'
            f"<td><b>{knee}</b><small>{spread}</small></td>"
            f"<td><b>{display or '–'}</b></td></tr>"
            + (f'<tr class="apart"><td colspan="3">{escape(apart)}</td></tr>' if apart else "")
        )
    arc = ""
    if answer.arc is not None:
        value, spread = visit_words.knee_words(answer.arc.value, answer.arc.interval)
        shown = "" if answer.displayed_arc_deg is None else f"{answer.displayed_arc_deg:g}°"
        arc = (
            f'<tr class="arc"><th scope="row">Arc</th><td><b>{value}</b><small>{spread}</small>'
            f"</td><td><b>{shown or '–'}</b></td></tr>"
        )
    return _table_of_ends(f"{answer.side.capitalize()} knee, passive", [*rows, arc])


def _when(answer: VisitAnswer, adjusted: int) -> str:
    """Before adjusting or after, beneath a setting's name; empty where nothing was adjusted."""
    told = when_words(adjusted, last=answer.adjusted)
    return f"<small>{escape(tell(told))}</small>" if told else ""


def now(found: Judged) -> str:
    """One line that stays in sight while points are moved, as HTML."""
    answer = found.answer
    past = bool(found.alarms) or (isinstance(answer, VisitAnswer) and answer.standing == "past")
    if not isinstance(answer, VisitAnswer):
        said = "Not measured" if not found.measured else "Not judged together"
        return f'<p class="now {"past" if past else ""}"><b>{said}</b></p>'
    told = []
    for one in answer.now:
        seen = one.estimate
        knee, spread = visit_words.knee_words(seen.knee.value, seen.knee.interval)
        display = "" if seen.displayed_deg is None else f" · display {seen.displayed_deg:g}°"
        told.append(f"<span><b>{knee}</b> ({spread}){display}</span>")
    kind = None if past else _worst(answer)
    shape = "" if kind is None else f'<span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
    alarm = '<b class="stop">PAST THE LIMIT</b>' if past else ""
    look: str = "past" if past else kind or ""
    if not past and (answer.standing == "at" or _found_in(answer) in FAULTS):
        look = f"{look} warned"
    return f'<p class="now {look}" aria-hidden="true">{alarm}{shape}{"".join(told)}</p>'


def visit_table(answer: VisitAnswer) -> str:
    """Every setting in tenths, as HTML: knee, bars, display, hinge."""
    rows = []
    for name, one in zip(end_words(answer), answer.settings, strict=True):
        seen = one.estimate
        low, high = seen.knee.interval
        bars = "–" if seen.frame is None else words.degrees(seen.frame.value)
        shown = "–" if seen.displayed_deg is None else f"{seen.displayed_deg:g}°"
        rows.append(
            f'<tr><th scope="row">{name}{_when(answer, seen.adjusted)}</th>'
            f"<td>{words.degrees(seen.knee.value)}</td>"
            f"<td>{words.degrees(low)} to {words.degrees(high)}</td><td>{bars}</td>"
            f"<td>{shown}</td></tr>"
        )
    return (
        '<table class="followed"><caption>All photos together, degrees of flexion</caption>'
        "<thead><tr><th>Place</th><th>Knee</th><th>95 %</th><th>Bars</th><th>Display</th></tr>"
        f"</thead><tbody>{''.join(rows)}</tbody></table>"
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
    return _verdict_line(None if result.comparison is None else result.comparison.verdict)


def _verdict_line(kind: Verdict | None) -> str:
    if kind is None:
        return ""
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
    fault = answer is not None and _found_in(answer) in FAULTS
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
    apart, lacking = answer.settings[0].apart, answer.lacking
    lines = [] if apart is None else [_line("Apart", visit_words.apart_text(apart), "apart")]
    if lacking is not None and answer.arc is None:
        lines.append(_line("Lacks", visit_words.lacking_text(lacking), "apart"))
    return "".join(lines)


def _do(result: Measurement, alone: VisitAnswer | NotMeasured) -> list[str]:
    """The finding's name, then what is proven and what to set or check."""
    if not isinstance(alone, VisitAnswer):
        return [_line("Do", visit_words.not_judged(alone), "next")]
    return _do_lines(None if result.finding is None else result.finding.kind, alone)


def _do_lines(kind: FindingKind | None, answer: VisitAnswer) -> list[str]:
    """The finding's name; beneath it, folded on a small screen, what to set or check."""
    found = [] if kind is None else [f"<b>{escape(_sentence(words.FINDING_WORDS[kind]))}</b>"]
    first, *rest = found + [escape(text) for text in visit_words.to_do(answer)[0]]
    head = f'<span class="name">Do</span> {first}'
    if not rest:
        return [f'<p class="next">{head}</p>']
    told = "".join(f'<p class="told">{text}</p>' for text in rest)
    return [f'<details class="next"><summary>{head}</summary>{told}</details>']


def _sure(answer: VisitAnswer) -> str:
    surest = answer.settings[-1].estimate
    return _line("Sure", visit_words.sure_text(surest.knee, surest.shrink), "sure")
