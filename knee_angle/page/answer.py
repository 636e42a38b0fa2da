"""The answer as one block of the page, readable at arm's length.

Only words and places: every number comes from the result, every sentence from `words` and
`report.visit_words`, where the commands' come from too.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from knee_angle.angle import words
from knee_angle.landmarks.dots.refusals import may_be_empty
from knee_angle.language import capital, capital_start, figure, joined, say, say_many, tell
from knee_angle.machine.answer import VisitAnswer
from knee_angle.page.judged import Judged, end_words
from knee_angle.records import Measurement, NotMeasured, Verdict
from knee_angle.report import visit_words
from knee_angle.report.changed_words import changed_lines, when_words
from knee_angle.settings import Settings

__all__ = ["alarms", "card", "note", "now", "refusal", "visit_card", "visit_table"]

KNEE_OF = {"left": say("Left knee, passive"), "right": say("Right knee, passive")}

EMPTY_MACHINE = say(
    'If the machine is empty: open Machines, choose its code, open its check and tick "The machine '
    'is empty".'
)
TAP_POINTS = say("Tap hip, knee and ankle in the photo below, or photograph again.")
TAP_DOTS = say(
    'Are the dots that are ringed in the photo below of this leg? Tap "Use them". If not: tap hip, '
    "knee and ankle in the photo, or photograph again."
)
AGREES_HERE = say("display agrees here")
"""Said of a machine that failed its last check elsewhere in its range, and beside a warning."""


def card(
    result: Measurement,
    alone: VisitAnswer | NotMeasured,
    *,
    settings: Settings,
    number: float | None,
    typed: float | None,
    fingerprint: str,
    whole: bool = True,
    failed: bool = False,
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
    failed : bool
        Whether the machine failed its last check: nothing reads as an all-clear then.
    """
    answer = alone if isinstance(alone, VisitAnswer) else None
    past = bool(result.alarms) or (answer is not None and answer.standing == "past")
    shown = "" if typed is None else f"{typed:g}"
    parts = [
        *(_alarm(text) for text in result.alarms),
        _limit(settings, answer, said=bool(result.alarms)),
        '<div role="status">',
        # Nothing reads as all right beneath an alarm.
        "" if past else _verdict(result, here=failed or (answer is not None and answer.warned)),
        _figures(result, answer, number),
        _apart(result, answer),
        "</div>",
        *(_do(result, alone) if whole else [_looking()]),
        "" if answer is None else _sure(answer),
    ]
    return (
        f'<section class="answer {_look(result, answer, past=past, failed=failed)}" '
        f'aria-label="{tell("Answer")}" '
        f'data-of="{fingerprint}" data-number="{shown}">{"".join(parts)}</section>'
    )


def refusal(
    result: NotMeasured, *, fingerprint: str, which: str = "", lacks_points: bool = True,
    usable_dots: bool = False,
) -> str:  # fmt: skip
    """Why there is no answer, and what to do, as HTML.

    Parameters
    ----------
    result : NotMeasured
    fingerprint : str
        As of `card`.
    which : str
        Names the photo among several.
    lacks_points : bool
        Whether points placed by hand would give an answer; else the refusal's own advice is next.
    usable_dots : bool
        Whether dots were seen that one tap uses.
    """
    name = escape(tell(which or say("Answer")))
    said = escape(tell(which) + tell("Not measured"))
    next_step, how = tell(TAP_DOTS if usable_dots else TAP_POINTS), ""
    if lacks_points:
        how = (
            f"<details><summary>{tell('Photograph again: how')}</summary>"
            f"{_sentence(result.advice)}</details>"
        )
    else:
        next_step = tell(capital(result.advice))
    empty = ""
    if may_be_empty(result):
        empty = f'<p class="next">{escape(tell(EMPTY_MACHINE))}</p>'
    return (
        f'<section class="answer refused" aria-label="{name}" data-of="{fingerprint}">'
        f"{''.join(_alarm(text) for text in result.alarms)}"
        f'<p class="verdict"><span class="shape bar"></span>{said}</p>'
        f'<p class="sentence" role="status">{_sentence(result.reason)}</p>'
        f'<p class="next"><b>{tell("Next")}</b> {escape(next_step)}</p>{empty}{how}</section>'
    )


def visit_card(found: Judged, *, typed: float | None, failed: bool = False) -> str:
    """The answer of all photos together, as HTML: the first lines, those that the command prints.

    Parameters
    ----------
    found : Judged
        With an answer to all photos.
    typed : float or None
        What stands in the number's field of the photo that is shown.
    failed : bool
        Whether the machine failed its last check.
    """
    answer = found.answer
    shown = "" if typed is None else f"{typed:g}"
    head = f'aria-label="{tell("Answer")}" data-of="{found.fingerprint}" data-number="{shown}"'
    told = "".join(_alarm(text) for text in found.alarms)
    if not isinstance(answer, VisitAnswer):
        why = answer or NotMeasured(say("nothing was measured"), say("photograph again"))
        return (
            f'<section class="answer refused" {head}>{told}'
            f'<p class="verdict"><span class="shape bar"></span>{tell("Not judged together")}</p>'
            f"{_limit(found.settings, None, said=bool(found.alarms))}{_each_alone(found)}"
            f'<p class="sentence" role="status">{_sentence(why.reason)}</p>'
            f'<p class="next"><span class="name">{tell("Do")}</span> {_sentence(why.advice)}</p>'
            "</section>"
        )
    past = bool(found.alarms) or answer.standing == "past"
    kind = _worst(answer)
    parts = [
        told,
        _limit(found.settings, answer, said=bool(found.alarms)),
        '<div role="status">',
        "" if past else _verdict_line(kind, here=failed or answer.warned),
        _ends(answer),
        "</div>",
        *(_line(say("Changed"), told, "changed") for told in changed_lines(answer)),
        *(_do_lines(_found_in(answer), answer) if found.whole else [_looking()]),
        _sure(answer),
    ]
    look = "past" if past else kind or ""
    warned = failed or answer.warned
    return (
        f'<section class="answer visit {look}{" warned" if warned and not past else ""}" {head}>'
        f"{''.join(parts)}</section>"
    )


def _each_alone(found: Judged) -> str:
    """Every photo's own knee, where they cannot be judged together."""
    rows = []
    for sha256, one in found.measured.items():
        knee, spread = visit_words.knee_words(one.knee.deg, one.knee.interval_deg)
        shown = "–" if one.displayed is None else _degrees(one.displayed.deg)
        side = tell("{side}, alone", side=words.SIDE_WORDS[one.side])
        rows.append(
            f'<tr><th scope="row">{_start(found.shots[sha256].name)}<small>{side}</small></th>'
            f"<td><b>{knee}</b><small>{tell(spread)}</small></td><td><b>{shown}</b></td></tr>"
        )
    return _table_of_ends(tell("Each photo alone"), rows)


def _start(text: str) -> str:
    return escape(tell(capital_start(text)))


def _degrees(value: float) -> str:
    """A display's number as it is shown."""
    return tell(figure(f"{value:g}°"))


def _looking() -> str:
    """In place of what to set or check, for the moment that it takes."""
    name, said = tell("Do"), tell("Looking at the machine …")
    return f'<p class="next"><span class="name">{name}</span> {said}</p>'


def _table_of_ends(head: str, rows: Sequence[str]) -> str:
    return (
        f'<table class="ends"><thead><tr><th scope="col">{head}</th>'
        f'<th scope="col">{tell("Knee")}</th><th scope="col">{tell("Display")}</th></tr></thead>'
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


def _found_in(answer: VisitAnswer) -> str | None:
    return None if answer.machine is None else words.FINDING_WORDS[answer.machine.kind]


def _ends(answer: VisitAnswer) -> str:
    """Each setting's knee and display, large, with how far they are apart; then the arc."""
    rows = []
    for name, one in zip(end_words(answer), answer.settings, strict=True):
        seen = one.estimate
        knee, spread = visit_words.knee_words(seen.knee.value, seen.knee.interval)
        display = "" if seen.displayed_deg is None else _degrees(seen.displayed_deg)
        apart = ""
        if one.apart is not None:
            apart = tell(visit_words.apart_text(one.apart, visit_words.judged_of(one.comparison)))
        photos = ""
        if (count := len(seen.photos)) > 1:
            photos = f"<small>{tell(say_many('{count} photo', '{count} photos', count))}</small>"
        photos += _when(answer, seen.adjusted)
        rows.append(
            f'<tr><th scope="row">{tell(name)}{photos}</th>'
            f"<td><b>{knee}</b><small>{tell(spread)}</small></td>"
            f"<td><b>{display or '–'}</b></td></tr>"
            + (f'<tr class="apart"><td colspan="3">{escape(apart)}</td></tr>' if apart else "")
        )
    arc = ""
    if answer.arc is not None:
        value, spread = visit_words.knee_words(answer.arc.value, answer.arc.interval)
        shown = "" if answer.displayed_arc_deg is None else _degrees(answer.displayed_arc_deg)
        arc = (
            f'<tr class="arc"><th scope="row">{tell("Arc")}</th>'
            f"<td><b>{value}</b><small>{tell(spread)}</small></td>"
            f"<td><b>{shown or '–'}</b></td></tr>"
        )
    return _table_of_ends(tell(KNEE_OF[answer.side]), [*rows, arc])


def _when(answer: VisitAnswer, adjusted: int) -> str:
    """Before adjusting or after, beneath a setting's name; empty where nothing was adjusted."""
    told = when_words(adjusted, last=answer.adjusted)
    return f"<small>{escape(tell(told))}</small>" if told else ""


def now(found: Judged, *, failed: bool = False) -> str:
    """One line that stays in sight while points are moved, as HTML; parameters as above."""
    answer = found.answer
    past = bool(found.alarms) or (isinstance(answer, VisitAnswer) and answer.standing == "past")
    if not isinstance(answer, VisitAnswer):
        said = tell("Not measured") if not found.measured else tell("Not judged together")
        return f'<p class="now {"past" if past else ""}"><b>{said}</b></p>'
    told = []
    for one in answer.now:
        seen = one.estimate
        knee, spread = visit_words.knee_words(seen.knee.value, seen.knee.interval)
        display = ""
        if seen.displayed_deg is not None:
            display = tell(" · display {shown:g}°", shown=seen.displayed_deg)
        told.append(f"<span><b>{knee}</b> ({tell(spread)}){display}</span>")
    kind = None if past else _worst(answer)
    shape = "" if kind is None else f'<span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
    alarm = f'<b class="stop">{tell("PAST THE LIMIT")}</b>' if past else ""
    look: str = "past" if past else kind or ""
    if not past and (failed or answer.warned):
        look = f"{look} warned"
    return f'<p class="now {look}" aria-hidden="true">{alarm}{shape}{"".join(told)}</p>'


def visit_table(answer: VisitAnswer) -> str:
    """Every setting in tenths, as HTML: knee, bars, display, hinge."""
    rows = []
    for name, one in zip(end_words(answer), answer.settings, strict=True):
        seen = one.estimate
        low, high = seen.knee.interval
        bars = "–" if seen.frame is None else tell(words.degrees(seen.frame.value))
        shown = "–" if seen.displayed_deg is None else _degrees(seen.displayed_deg)
        spread = say("{low} to {high}", low=words.degrees(low), high=words.degrees(high))
        rows.append(
            f'<tr><th scope="row">{tell(name)}{_when(answer, seen.adjusted)}</th>'
            f"<td>{tell(words.degrees(seen.knee.value))}</td>"
            f"<td>{tell(spread)}</td><td>{bars}</td><td>{shown}</td></tr>"
        )
    heads = (say("Place"), say("Knee"), "95 %", say("Bars"), say("Display"))
    return (
        '<table class="followed">'
        f"<caption>{tell('All photos together, degrees of flexion')}</caption>"
        f"<thead><tr>{''.join(f'<th>{tell(head)}</th>' for head in heads)}</tr>"
        f"</thead><tbody>{''.join(rows)}</tbody></table>"
    )


def alarms(texts: Sequence[str]) -> str:
    """Alarms of several photos as a block of their own, as HTML; empty where there are none."""
    if not texts:
        return ""
    blocks = "".join(_alarm(text) for text in texts)
    return f'<section class="answer alarms" aria-label="{tell("Alarms")}">{blocks}</section>'


def note(text: str) -> str:
    """Something to think about beside the answer, as HTML."""
    return f'<p class="note">{escape(tell(text))}</p>'


def _sentence(text: str) -> str:
    """A sentence of its own, as HTML."""
    return escape(tell(capital(text)))


def _alarm(text: str) -> str:
    head, _, rest = tell(text).partition(":")
    return (
        '<div class="alarm" role="alert"><span class="octagon" aria-hidden="true">!</span>'
        f"<p><b>{escape(head)}</b>{_sentence(rest.strip())}</p></div>"
    )


def _verdict(result: Measurement, *, here: bool) -> str:
    kind = None if result.comparison is None else result.comparison.verdict
    return _verdict_line(kind, here=here)


def _verdict_line(kind: Verdict | None, *, here: bool) -> str:
    if kind is None:
        return ""
    said = AGREES_HERE if here and kind == "within" else words.VERDICT_WORDS[kind]
    return (
        f'<p class="verdict"><span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
        f"{_start(said)}</p>"
    )


def _look(result: Measurement, answer: VisitAnswer | None, *, past: bool, failed: bool) -> str:
    """The card's colour: no green round a limit that is not proven kept or a fault."""
    if past:
        return "past"
    kind = "" if result.comparison is None else result.comparison.verdict
    return f"{kind} warned" if failed or (answer is not None and answer.warned) else kind


def _line(name: str, text: str, kind: str) -> str:
    return f'<p class="{kind}"><span class="name">{tell(name)}</span> {escape(tell(text))}</p>'


def _limit(settings: Settings, answer: VisitAnswer | None, *, said: bool) -> str:
    """The prescription and where everything stands; beneath an alarm, where the knee does."""
    alone = visit_words.prescribed_text(settings)
    if alone is None:
        none = tell("No prescribed limits entered: none were checked.")
        return f'<p class="prescribed none">{none}</p>'
    full = None if answer is None else visit_words.limits_line(settings, answer.settings)
    if answer is not None and said:
        standings = [limit for one in answer.now for limit in one.limits]
        full = joined(" · ", [alone, visit_words.knee_text(standings)])
    return _line(say("Limit"), full or alone, "prescribed")


def _figures(result: Measurement, answer: VisitAnswer | None, number: float | None) -> str:
    """Knee and display side by side and large, in whole degrees."""
    deg, interval = result.knee.deg, result.knee.interval_deg
    if answer is not None:
        deg, interval = (one := answer.settings[0].estimate.knee).value, one.interval
    knee, spread = visit_words.knee_words(deg, interval)
    side = words.SIDE_WORDS[result.side]
    more = say("{spread}, {side}, passive", spread=spread, side=side)
    figures = [_figure(say("Knee"), knee, more)]
    if result.displayed is not None:
        shown = result.displayed.deg
        other = (
            "" if number is None or number == shown else say("shown as {number:g}", number=number)
        )
        figures.append(_figure(say("Display"), _degrees(shown), other))
    return f'<dl class="figures">{"".join(figures)}</dl>'


def _figure(name: str, value: str, more: str) -> str:
    return (
        f'<div class="big"><dt>{tell(name)}</dt><dd><b>{escape(value)}</b> '
        f"<span>{escape(tell(more))}</span></dd></div>"
    )


def _apart(result: Measurement, answer: VisitAnswer | None) -> str:
    """How far apart at most, and what is proven."""
    if answer is None:
        return f'<p class="apart">{escape(tell(words.sentence(result)))}</p>'
    apart, lacking = answer.settings[0].apart, answer.lacking
    lines = []
    if apart is not None:
        told = visit_words.apart_text(apart, visit_words.judged_of(answer.settings[0].comparison))
        lines.append(_line(say("Apart"), told, "apart"))
    if lacking is not None and answer.arc is None:
        lines.append(_line(say("Lacks"), visit_words.lacking_text(lacking), "apart"))
    return "".join(lines)


def _do(result: Measurement, alone: VisitAnswer | NotMeasured) -> list[str]:
    """The finding's name, then what is proven and what to set or check."""
    if not isinstance(alone, VisitAnswer):
        return [_line(say("Do"), visit_words.not_judged(alone), "next")]
    found = result.finding
    return _do_lines(None if found is None else words.finding_words(found), alone)


def _do_lines(finding: str | None, answer: VisitAnswer) -> list[str]:
    """The finding's name; beneath it, folded on a small screen, what to set or check.

    A limit that is to stand closer meanwhile is read without unfolding.
    """
    found = [] if finding is None else [f"<b>{_sentence(finding)}</b>"]
    first, *rest = found + [escape(tell(text)) for text in visit_words.to_do(answer)[0]]
    head = f'<span class="name">{tell("Do")}</span> {first}'
    if not rest:
        return [f'<p class="next">{head}</p>']
    closer = (f" <b>{escape(tell(text))}</b>" for text in visit_words.limits_first(answer))
    head += "".join(closer)
    told = "".join(f'<p class="told">{text}</p>' for text in rest)
    return [f'<details class="next"><summary>{head}</summary>{told}</details>']


def _sure(answer: VisitAnswer) -> str:
    return _line(say("Sure"), visit_words.surest_text(answer), "sure")
