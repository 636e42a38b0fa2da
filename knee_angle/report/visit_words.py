"""A visit in words: the five lines of the bedside, then everything below them.

Whole degrees above; tenths in the table. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle import words
from knee_angle.angle.bounds import Apart, Lacking, LimitStanding
from knee_angle.machine.answer import SettingAnswer, VisitAnswer
from knee_angle.machine.cause import UNTRUSTED, cards_wrong
from knee_angle.records import Measurement, NotMeasured
from knee_angle.report.changed_words import changed_lines, when_words
from knee_angle.settings import Settings
from knee_angle.visit import Reach, Value

__all__ = [
    "apart_text",
    "first_lines",
    "knee_words",
    "lacking_text",
    "limit_text",
    "limits_line",
    "not_judged",
    "prescribed_text",
    "source_words",
    "sure_text",
    "to_do",
    "visit_text",
]

PAST_WORDS = {"knee": "the knee", "display": "the display", "setting": "the machine's setting"}
PROVEN_WORDS = {"within": "yes", "outside": "no", "undecided": "not shown"}
HALVE_WORDS = {
    "placement hip": ("the hip mark", "feel for it again, on bare skin"),
    "placement knee": ("the knee mark", "feel for it again, on bare skin"),
    "placement ankle": ("the ankle mark", "feel for it again, on bare skin"),
    "finding": ("finding the points", "put dots on them, or photograph closer"),
    "direction camera": ("the camera's direction", "put the tag strip on, or photograph square-on"),
    "direction leg": ("the leg's own turn", "straighten the leg in its straps, photograph again"),
    "depth": ("how deep the marks lie", "photograph square-on"),
    "focal": ("the focal length", "use the phone's main camera without zoom"),
    "distance": ("the distance", "put the tag strip on"),
}
"""What an input is called, and what would shrink it."""
NO_BARS = (
    "The machine's bars were not seen, so display and fit cannot be told apart: put dots or the "
    "bar tags on them."
)


def first_lines(answer: VisitAnswer) -> list[str]:
    """Limit, knee, apart, do, sure: what a person beside the bed needs."""
    lines = []
    if (limits := limits_line(answer.used, answer.settings)) is not None:
        lines.append(f"LIMIT   {limits}")
    for one in answer.settings:
        lines.append(f"KNEE    {_knee(answer, one)}{_when(answer, one)}")
        if one.apart is not None:
            lines.append(f"APART   {apart_text(one.apart)}")
    if answer.arc is not None:
        lines.append(f"ARC     {_arc(answer)}")
    elif answer.lacking is not None:
        lines.append(f"LACKS   {lacking_text(answer.lacking)}")
    lines += [f"CHANGED {told}" for told in changed_lines(answer)]
    lines += [f"DO      {told}" for told in to_do(answer)[0]]
    surest = answer.settings[-1].estimate
    lines.append(f"SURE    {sure_text(surest.knee, surest.shrink)}")
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
    told = f"{prescribed} · {limit_text(standings, display_shown=shown)}"
    earlier = [limit for one in answers if one not in now for limit in one.limits]
    if past := [one for one in earlier if one.standing == "past"]:
        told = f"{told.rstrip('.')}. Before adjusting: {_past_text(past)}."
    return told


def prescribed_text(settings: Settings) -> str | None:
    """The prescription alone; None where there is none."""
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    if low is None and high is None:
        return None
    ends = [] if low is None else [words.from_straight(low)]
    ends += [] if high is None else [f"{high:g}°"]
    prescribed = f"{' to '.join(ends)} prescribed"
    if len(ends) == 1:
        prescribed = f"{'extension' if high is None else 'flexion'} to {prescribed}"
    return prescribed


def limit_text(standings: Sequence[LimitStanding], *, display_shown: bool = True) -> str:
    """The worst of several standings in words; of a display only where there is one."""
    past = [one for one in standings if one.standing == "past"]
    if past:
        return f"{_past_text(past)}. Stop the machine and follow the prescription."
    at = [one for one in standings if one.standing == "at"]
    if at:
        which = " and ".join(dict.fromkeys(one.which for one in at))
        return f"AT THE LIMIT of {which}: not shown on which side the knee is"
    return f"{'display inside · ' if display_shown else ''}knee inside (proven)"


def _past_text(past: Sequence[LimitStanding]) -> str:
    told = dict.fromkeys(
        f"{PAST_WORDS[because]} is PAST the prescribed {one.which} of {_limit(one)}"
        for one in past
        for because in one.because
    )
    return "; ".join(told)


def apart_text(apart: Apart) -> str:
    """How far display and knee are apart, and what is proven: up to the first yes."""
    whole = round(apart.discrepancy_deg)
    size = "display and knee the same"
    if whole:
        size = f"display {abs(whole)}° {'more' if whole > 0 else 'less'}"
    proven = dict(apart.proven)
    yes = min((step for step, verdict in proven.items() if verdict == "within"), default=None)
    told = [step for step in proven if yes is None or step <= yes]
    # Of several refusals in a row the widest says it all.
    no = max((step for step in told if proven[step] == "outside"), default=0.0)
    said = " · ".join(
        f"within {step:.0f}°: {PROVEN_WORDS[proven[step]]}" for step in reversed(told) if step >= no
    )
    at_most = f"at most {_up(apart.at_most_deg)}° (95 %)"
    return f"{size}; {at_most}. {said[0].upper()}{said[1:]}"


def sure_text(knee: Value, shrink: Sequence[Reach]) -> str:
    """Where the ± comes from mostly, and what would shrink it."""
    if not shrink or knee.u == 0:
        return f"± {1.96 * knee.u:.0f}°"
    first = shrink[0]
    name, remedy = _named(first.what)
    own = 1.96 * knee.u * first.share**0.5
    return f"± mostly {name} ({own:.0f}°). To shrink it: {remedy}; or a second photo"


def visit_text(answer: VisitAnswer) -> str:
    """The five lines, then the table of settings, the machine and what was left out."""
    lines = [*first_lines(answer), ""]
    lines.append(
        "  setting        photos   knee (95 %)                display   bars        verdict"
    )
    lines += [_row(one, answer.used) for one in answer.settings]
    lines += [f"  also: {told}" for told in to_do(answer)[1]]
    lines += [f"  left out: {name}: {reason}" for name, reason in answer.estimate.left_out]
    lines += [f"  caution: {caution}" for caution in cautions_of(answer)]
    return "\n".join(lines)


def cautions_of(answer: VisitAnswer) -> tuple[str, ...]:
    """What to keep in mind, each sentence once."""
    of_photos = (
        caution
        for _, outcome in answer.outcomes
        if isinstance(outcome, Measurement)
        for caution in outcome.cautions
    )
    return tuple(dict.fromkeys((*answer.estimate.cautions, *of_photos)))


def _knee(answer: VisitAnswer, one: SettingAnswer) -> str:
    shown = one.estimate.displayed_deg
    display = ""
    if shown is not None:
        display = f"    DISPLAY {shown:g}°{words.shown_as(shown, answer.used)}"
    knee, spread = knee_words(one.estimate.knee.value, one.estimate.knee.interval)
    return f"{knee} ({spread}), {answer.side}, passive{display}"


def _when(answer: VisitAnswer, one: SettingAnswer) -> str:
    told = when_words(one.estimate.adjusted, last=answer.adjusted)
    return f"    {told}" if told else ""


def _arc(answer: VisitAnswer) -> str:
    assert answer.arc is not None  # noqa: S101  the caller asked
    low, high = answer.arc.interval
    text = f"{answer.arc.value:.0f}° ({low:.0f} to {high:.0f})"
    if answer.displayed_arc_deg is not None:
        text += f"; by the display {answer.displayed_arc_deg:.0f}°"
    if answer.lacking is not None:
        text += f"; lacks {lacking_text(answer.lacking)}"
    return text


def lacking_text(lacking: Lacking) -> str:
    """What a knee lacks of extension, where that is proven."""
    of = words.from_straight(lacking.wanted_deg)
    return f"{lacking.deg:.0f}° of extension to {of} (at least {lacking.at_least_deg:.0f}°)"


def to_do(answer: VisitAnswer) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The weightiest of what is proven with what to set or check; then the rest."""
    if answer.machine is None:
        return (_why_no_machine(answer),), ()
    found = answer.machine.words
    if len(found) < 3:
        return found, ()
    return (found[0], found[-1]), found[1:-1]


def _why_no_machine(answer: VisitAnswer) -> str:
    """Why the machine is not judged: its bars were not seen, or are not to be believed."""
    if not any(photo.leg.lens.trusted for photo in answer.estimate.photos):
        return UNTRUSTED
    for _, one in answer.outcomes:
        frame = one.machine.frame if isinstance(one, Measurement) and one.machine else None
        if (wrong := cards_wrong(frame)) is not None:
            return wrong
    return NO_BARS


def not_judged(why: NotMeasured) -> str:
    """Why a photo has no lines of the bedside, and what to do."""
    return f"Machine and limits are not judged: {why.reason}: {why.advice}."


def knee_words(deg: float, interval_deg: tuple[float, float]) -> tuple[str, str]:
    """A knee and its 95 % interval as they stand at the bedside: whole degrees, a true minus."""
    knee, low, high = (f"{round(one):d}".replace("-", "\u2212") for one in (deg, *interval_deg))
    return f"{knee}°", f"{low} to {high}"


def _row(one: SettingAnswer, used: Settings) -> str:
    seen, knee = one.estimate, one.estimate.knee
    low, high = knee.interval
    bars = "" if seen.frame is None else f"{seen.frame.value:.1f}°"
    shown = ""
    if seen.displayed_deg is not None:
        shown = f"{seen.displayed_deg:g}°{words.shown_as(seen.displayed_deg, used)}"
    verdict = "" if one.comparison is None else one.comparison.verdict
    figures = f"{knee.value:.1f}° ({low:.1f} to {high:.1f})"
    return _line(seen.name, str(len(seen.photos)), figures, shown, bars, verdict)


def _line(*cells: str) -> str:
    widths = (14, 7, 26, 9, 9, 0)
    return (
        "  "
        + "  ".join(f"{cell:<{wide}}" for cell, wide in zip(cells, widths, strict=True)).rstrip()
    )


def _limit(one: LimitStanding) -> str:
    """A limit as a person says it: 5 short of straight is not 5 beyond it."""
    return f"{one.limit_deg:g}°" if one.which == "flexion" else words.from_straight(one.limit_deg)


def source_words(what: str) -> str:
    """What an input of the estimate is called."""
    return _named(what)[0]


def _named(what: str) -> tuple[str, str]:
    for known, told in HALVE_WORDS.items():
        if what.startswith(known):
            return told
    return what.replace("_", " "), "photograph again, square-on"


def _up(deg: float) -> int:
    """A bound is rounded up: it still holds then."""
    return -int(-deg // 1)
