"""A visit in words: the five lines of the bedside, then everything below them.

Whole degrees above; tenths in the table. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.angle import words
from knee_angle.angle.bounds import Apart, Lacking, LimitStanding
from knee_angle.assumptions import COVERAGE
from knee_angle.language import capital_start, figure, joined, say, tell, without_stop
from knee_angle.machine.answer import SettingAnswer, VisitAnswer
from knee_angle.machine.cause import limit_cautions
from knee_angle.machine.unjudged import (
    OF_ONE_PHOTO,
    UNTRUSTED,
    dots_not_used,
    unjudged_of,
    weightiest,
)
from knee_angle.records import (
    LEG_POINTS,
    Comparison,
    Measurement,
    NotMeasured,
    Verdict,
)
from knee_angle.report.changed_words import changed_lines, when_words
from knee_angle.settings import Settings
from knee_angle.visit import Reach, Value

__all__ = [
    "apart_text",
    "cautions_of",
    "first_lines",
    "judged_of",
    "knee_text",
    "knee_words",
    "lacking_text",
    "limit_text",
    "limits_first",
    "limits_line",
    "not_judged",
    "prescribed_text",
    "source_words",
    "sure_text",
    "surest_text",
    "to_do",
    "visit_text",
]

PAST_WORDS = {
    "flexion": {
        "knee": say("the knee is PAST the prescribed flexion of {limit}"),
        "display": say("the display is PAST the prescribed flexion of {limit}"),
        "setting": say("the machine's setting is PAST the prescribed flexion of {limit}"),
    },
    "extension": {
        "knee": say("the knee is PAST the prescribed extension of {limit}"),
        "display": say("the display is PAST the prescribed extension of {limit}"),
        "setting": say("the machine's setting is PAST the prescribed extension of {limit}"),
    },
}
KNEE_AT_WORDS = {
    "at": say("not proven on which side of the prescribed {which} the knee is"),
    "seems": say("the knee seems inside the prescribed {which} (not proven)"),
    "inside": say("the knee is inside the prescribed {which} (proven)"),
}
"""Where the knee is against limits that it is not proven past, the graver first."""
_WORST = ("past", "at", "seems", "inside")
PROVEN_WORDS = {
    "within": say("within {step:.0f}°: yes"),
    "outside": say("within {step:.0f}°: no"),
    "undecided": say("within {step:.0f}°: not proven"),
}
ALLOWED_WORDS = {
    "within": say("within {step:g}° (allowed): yes"),
    "outside": say("within {step:g}° (allowed): no"),
    "undecided": say("within {step:g}° (allowed): not proven"),
}
HALVE_WORDS = {
    "placement hip": (say("the hip mark"), say("feel for it again, on bare skin")),
    "placement knee": (say("the knee mark"), say("feel for it again, on bare skin")),
    "placement ankle": (say("the ankle mark"), say("feel for it again, on bare skin")),
    "finding": (say("finding the points"), say("put dots on them, or photograph closer")),
    "direction camera": (
        say("the camera's direction"),
        say("photograph square-on, with the tag strip on the machine"),
    ),
    "direction leg": (
        say("the leg's own turn"),
        say("straighten the leg in its straps, photograph again"),
    ),
    "depth": (say("how deep the marks lie"), say("photograph square-on")),
    "focal": (say("the focal length"), say("use the phone's main camera without zoom")),
    "pixel shape": (
        say("the picture's shape"),
        say("use a photo as the main camera saved it"),
    ),
    "middle": (
        say("where the picture may have been cut"),
        say("use the photo as the camera saved it"),
    ),
    "distance": (say("the distance"), say("put the tag strip on")),
}
"""What an input is called, and what would shrink it."""
FELT_TWICE = say("let a second person feel for it, on bare skin")
CLOSER = say("photograph closer")
USE_DOTS = say("say by hand which dot is which, or photograph with every dot in sight")
"""The same where it was felt for again, where there are dots already, and where they are there
and not used."""
HEADS = say("  setting        photos   knee (95 %)                display   bars        verdict")


def first_lines(answer: VisitAnswer) -> list[str]:
    """Limit, knee, apart, do, sure: what a person beside the bed needs."""
    lines = []
    if (limits := limits_line(answer.used, answer.settings)) is not None:
        lines.append(say("LIMIT   {limits}", limits=limits))
    for one in answer.settings:
        lines.append(say("KNEE    {knee}{when}", knee=_knee(answer, one), when=_when(answer, one)))
        if one.apart is not None:
            told = apart_text(one.apart, judged_of(one.comparison))
            lines.append(say("APART   {apart}", apart=told))
    if answer.arc is not None:
        lines.append(say("ARC     {arc}", arc=_arc(answer)))
    elif answer.lacking is not None:
        lines.append(say("LACKS   {lacking}", lacking=lacking_text(answer.lacking)))
    lines += [say("CHANGED {told}", told=told) for told in changed_lines(answer)]
    lines += [say("DO      {told}", told=told) for told in to_do(answer)[0]]
    lines.append(say("SURE    {sure}", sure=surest_text(answer)))
    return lines


def limits_line(settings: Settings, answers: Sequence[SettingAnswer]) -> str | None:
    """The prescription and where everything stands against it; None where there is none."""
    prescribed = prescribed_text(settings)
    if prescribed is None:
        return None
    last = max((one.estimate.adjusted for one in answers), default=0)
    now = [one for one in answers if one.estimate.adjusted == last]
    standings = [limit for one in now for limit in one.limits]
    shown = any(one.estimate.displayed_deg is not None for one in now)
    told = joined(" · ", [prescribed, limit_text(standings, display_shown=shown)])
    earlier = [limit for one in answers if one not in now for limit in one.limits]
    if any(one.standing == "past" for one in earlier):
        past = _past_text(earlier)
        return say("{now}. Before adjusting: {past}.", now=without_stop(told), past=past)
    return told


def prescribed_text(settings: Settings) -> str | None:
    """The prescription alone; None where there is none."""
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    if low is None and high is None:
        return None
    straight = "" if low is None else words.from_straight(low, as_given=True)
    if high is None:
        return say("extension to {low} prescribed", low=straight)
    if low is None:
        return say("flexion to {high:g}° prescribed", high=high)
    return say("from {low} to {high:g}° prescribed", low=straight, high=high)


def limit_text(standings: Sequence[LimitStanding], *, display_shown: bool = True) -> str:
    """The worst of several standings in words; of a display only where there is one."""
    if any(one.standing == "past" for one in standings):
        told = _past_text(standings)
        return say("{past}. Stop the machine and follow the prescription.", past=told)
    at = [one for one in standings if one.standing == "at"]
    if reached := dict.fromkeys(words.ENDS_WORDS[one.which] for one in at if not one.seems_inside):
        which = joined(say(" and "), reached)
        if len(reached) > 1:
            return say("NOT PROVEN inside {which}: the ± reaches past both", which=which)
        return say("AT THE LIMIT of {which}: not proven on which side the knee is", which=which)
    inside = say("knee seems inside (NOT PROVEN)") if at else say("knee inside (proven)")
    return say("display inside · {inside}", inside=inside) if display_shown else inside


def _past_text(standings: Sequence[LimitStanding]) -> str:
    """Where the knee is against each limit, then display and setting that are past one."""
    machine = (
        PAST_WORDS[one.which][because].format(limit=_limit(one))
        for one in standings
        for because in one.because
        if because != "knee"
    )
    knee = knee_text(standings)
    return joined("; ", dict.fromkeys((*([knee] if knee else []), *machine)))


def knee_text(standings: Sequence[LimitStanding]) -> str:
    """Where the knee alone is against each limit, the gravest first."""
    past = (
        PAST_WORDS[one.which]["knee"].format(limit=_limit(one))
        for one in standings
        if "knee" in one.because
    )
    return joined("; ", dict.fromkeys((*past, *_not_past(standings))))


def _not_past(standings: Sequence[LimitStanding]) -> list[str]:
    """The limits that the knee is not proven past, by its worst place at each."""
    worst: dict[str, str] = {}
    for one in standings:
        if one.knee is not None:
            knee = "seems" if one.seems_inside else one.knee
            worst[one.which] = min(worst.get(one.which, knee), knee, key=_WORST.index)
    told = []
    for standing, template in KNEE_AT_WORDS.items():
        if which := [words.ENDS_WORDS[end] for end in worst if worst[end] == standing]:
            told.append(template.format(which=joined(say(" and "), which)))
    return told


def apart_text(apart: Apart, judged: tuple[float, Verdict] | None = None) -> str:
    """How far display and knee are apart, and what is proven: up to the first yes.

    ``judged`` is what is allowed, degrees, and the verdict on it: it is told in any case.
    """
    whole = round(apart.discrepancy_deg)
    size = say("display and knee the same")
    if whole > 0:
        size = say("display {by}° more", by=whole)
    if whole < 0:
        size = say("display {by}° less", by=-whole)
    proven = {**dict(apart.proven), **dict([judged] if judged else [])}
    yes = min((step for step, verdict in proven.items() if verdict == "within"), default=None)
    told = [step for step in sorted(proven) if yes is None or step <= yes]
    # Of several answers alike in a row the widest says it all.
    steps = {proven[step]: step for step in told}.values()
    allowed = judged[0] if judged else None
    parts = []
    for step in sorted({*steps, *([] if allowed is None else [allowed])}, reverse=True):
        known = ALLOWED_WORDS if step == allowed else PROVEN_WORDS
        parts.append(known[proven[step]].format(step=step))
    said = joined(" · ", parts)
    return say(
        "{size}; at most {bound_deg}° (95 %). {proven}",
        size=size,
        bound_deg=_up(apart.at_most_deg),
        proven=capital_start(said),
    )


def judged_of(seen: Comparison | None) -> tuple[float, Verdict] | None:
    """What is allowed there, degrees, and the verdict on it."""
    return None if seen is None else (seen.tolerance_deg, seen.verdict)


def surest_text(answer: VisitAnswer) -> str:
    """`sure_text` of a visit's last setting."""
    seen = answer.settings[-1].estimate
    legs = [one.leg for one in answer.estimate.photos if one.setting == seen.name]
    dots = all(leg.points[name].source == "dot" for leg in legs for name in LEG_POINTS)
    names = {one.name for one in answer.estimate.photos if one.setting == seen.name}
    unused = any(
        name in names and isinstance(one, Measurement) and dots_not_used(one.landmarks)
        for name, one in answer.outcomes
    )
    return sure_text(
        seen.knee, seen.shrink, marks_on=answer.used.marks_on, dots=dots, unused=unused
    )


def sure_text(
    knee: Value, shrink: Sequence[Reach], *, marks_on: Sequence[str], dots: bool = False,
    unused: bool = False,
) -> str:  # fmt: skip
    """Where the ± comes from mostly, and what would shrink it that was not done already.

    ``marks_on`` is where hip, knee and ankle mark are, ``dots`` whether all of them are dots,
    ``unused`` whether there are dots that were not used.
    """
    if not shrink or knee.u == 0:
        return figure(f"± {COVERAGE * knee.u:.0f}°")
    first = shrink[0]
    name, remedy = _named(first.what)
    point = first.what.removeprefix("placement ")
    if point in LEG_POINTS and marks_on[LEG_POINTS.index(point)] == "felt-again":
        remedy = FELT_TWICE
    if first.what == "finding" and (dots or unused):
        remedy = USE_DOTS if unused else CLOSER
    own = COVERAGE * knee.u * first.share**0.5
    return say(
        "± mostly {name} ({own:.0f}°). To shrink it: {remedy}; or a second photo",
        name=name,
        own=own,
        remedy=remedy,
    )


def visit_text(answer: VisitAnswer) -> str:
    """The five lines, then the table of settings, the machine and what was left out.

    As it is printed: in the language that is spoken here.
    """
    lines = [tell(line) for line in first_lines(answer)]
    lines += ["", tell(HEADS)]
    lines += [_row(one, answer.used) for one in answer.settings]
    lines += [tell("  also: {told}", told=told) for told in to_do(answer)[1]]
    lines += [
        tell("  left out: {name}: {reason}", name=name, reason=reason)
        for name, reason in answer.estimate.left_out
    ]
    lines += [tell("  caution: {caution}", caution=caution) for caution in cautions_of(answer)]
    return "\n".join(lines)


def cautions_of(answer: VisitAnswer) -> tuple[str, ...]:
    """What to keep in mind, each sentence once.

    Not what a photo alone leaves open of a limit: all photos together have judged it.
    """
    together = {one.name for one in answer.estimate.photos}
    of_photos = (
        caution
        for name, outcome in answer.outcomes
        if isinstance(outcome, Measurement)
        for caution in outcome.cautions
        if name not in together or caution not in limit_cautions(answer.used)
    )
    return tuple(dict.fromkeys((*answer.estimate.cautions, *of_photos)))


def _knee(answer: VisitAnswer, one: SettingAnswer) -> str:
    shown = one.estimate.displayed_deg
    knee, spread = knee_words(one.estimate.knee.value, one.estimate.knee.interval)
    side = words.SIDE_WORDS[answer.side]
    seen = say("{knee} ({spread}), {side}, passive", knee=knee, spread=spread, side=side)
    if shown is None:
        return seen
    own = words.shown_as(shown, answer.used)
    return say("{seen}    DISPLAY {shown:g}°{own}", seen=seen, shown=shown, own=own)


def _when(answer: VisitAnswer, one: SettingAnswer) -> str:
    told = when_words(one.estimate.adjusted, last=answer.adjusted)
    return joined("", ["    ", told]) if told else ""


def _arc(answer: VisitAnswer) -> str:
    assert answer.arc is not None  # noqa: S101  the caller asked
    low, high = words.whole_ends(answer.arc.interval)
    parts: list[str] = [
        say("{arc_deg:.0f}° ({low} to {high})", arc_deg=answer.arc.value, low=low, high=high)
    ]
    if answer.displayed_arc_deg is not None:
        parts.append(say("by the display {arc_deg:.0f}°", arc_deg=answer.displayed_arc_deg))
    if answer.lacking is not None:
        parts.append(say("lacks {lacking}", lacking=lacking_text(answer.lacking)))
    return joined("; ", parts)


def lacking_text(lacking: Lacking) -> str:
    """What a knee lacks of extension, where that is proven."""
    of = words.from_straight(lacking.wanted_deg, as_given=True)
    return say(
        "{deg:.0f}° of extension to {of} (at least {at_least_deg:.0f}°)",
        deg=lacking.deg,
        of=of,
        at_least_deg=lacking.at_least_deg,
    )


def to_do(answer: VisitAnswer) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The weightiest of what is proven with what to set or check; then the rest."""
    if answer.machine is None:
        return answer.reread.before((_why_no_machine(answer),)), ()
    found = answer.machine.words
    if len(found) < 3:
        return found, ()
    return (found[0], found[-1]), found[1:-1]


def limits_first(answer: VisitAnswer) -> tuple[str, ...]:
    """The limits that are to stand closer before anything else, in few words; flexion first."""
    advice = None if answer.machine is None else answer.machine.advice
    if advice is None:
        return ()
    told = []
    if by := advice.lower_limit_deg:
        told.append(say("First set the flexion limit {by}° lower than prescribed.", by=by))
    if by := advice.less_extension_deg:
        told.append(
            say("First set the extension limit {by}° further from straight than prescribed.", by=by)
        )
    return tuple(told)


def _why_no_machine(answer: VisitAnswer) -> str:
    """Why the machine is not judged: its bars were not seen, or only guessed, or not as told."""
    if not any(photo.leg.lens.trusted for photo in answer.estimate.photos):
        return UNTRUSTED
    found = {
        name: why
        for name, one in answer.outcomes
        if isinstance(one, Measurement) and (why := unjudged_of(one)) is not None
    }
    told = weightiest(list(found.values()))
    if len(answer.outcomes) > 1 and told.why in OF_ONE_PHOTO:
        photo = next(name for name, why in found.items() if why is told)
        return joined(": ", [photo, told.advice])
    return told.advice


def not_judged(why: NotMeasured) -> str:
    """Why a photo has no lines of the bedside, and what to do."""
    return say(
        "Machine and limits are not judged: {reason}: {advice}.",
        reason=why.reason,
        advice=why.advice,
    )


def knee_words(deg: float, interval_deg: tuple[float, float]) -> tuple[str, str]:
    """A knee and its 95 % interval as they stand at the bedside: whole degrees, a true minus."""
    low, high = words.whole_ends(interval_deg)
    return f"{words.whole(deg)}°", say("{low} to {high}", low=low, high=high)


def _row(one: SettingAnswer, used: Settings) -> str:
    seen, knee = one.estimate, one.estimate.knee
    low, high = knee.interval
    bars = "" if seen.frame is None else tell(figure(f"{seen.frame.value:.1f}°"))
    shown = ""
    if seen.displayed_deg is not None:
        own = tell(words.shown_as(seen.displayed_deg, used))
        shown = tell(figure(f"{seen.displayed_deg:g}°")) + own
    verdict = "" if one.comparison is None else tell(words.PROVEN_IN_A_WORD[one.comparison.verdict])
    figures = tell(
        "{knee_deg:.1f}° ({low:.1f} to {high:.1f})", knee_deg=knee.value, low=low, high=high
    )
    return _line(seen.name, str(len(seen.photos)), figures, shown, bars, verdict)


def _line(*cells: str) -> str:
    widths = (14, 7, 26, 9, 9, 0)
    return (
        "  "
        + "  ".join(f"{cell:<{wide}}" for cell, wide in zip(cells, widths, strict=True)).rstrip()
    )


def _limit(one: LimitStanding) -> str:
    """A limit as a person says it: 5 short of straight is not 5 beyond it."""
    return (
        figure(f"{one.limit_deg:g}°")
        if one.which == "flexion"
        else words.from_straight(one.limit_deg, as_given=True)
    )


def source_words(what: str) -> str:
    """What an input of the estimate is called."""
    return _named(what)[0]


def _named(what: str) -> tuple[str, str]:
    for known, told in HALVE_WORDS.items():
        if what.startswith(known):
            return told
    return what.replace("_", " "), say("photograph again, square-on")


def _up(deg: float) -> int:
    """A bound is rounded up: it still holds then."""
    return -int(-deg // 1)
