"""One visit on one page: picture, knee and display at both ends, what is proven, what to check."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from knee_angle.angle import words
from knee_angle.angle.bounds import Apart
from knee_angle.language import capital, figure, joined, retold, say, say_as, say_many
from knee_angle.machine.unjudged import bars_are_guessed
from knee_angle.records import CropJpeg, Measurement, Verdict
from knee_angle.report import visit_words
from knee_angle.report.changed_words import when_words
from knee_angle.report.paper import kept
from knee_angle.report.paper.blocks import (
    Banner,
    Beside,
    Block,
    Cell,
    Heading,
    Pairs,
    Paper,
    Picture,
    Row,
    Table,
    Tone,
    Words,
)
from knee_angle.report.paper.common import (
    BANNER_HEADS,
    FOOT,
    PAGE,
    code_words,
    deg,
    gone,
    moment,
    photo_words,
    spread,
    whole,
    without_verdict,
)
from knee_angle.report.paper.leg import leg_drawing
from knee_angle.settings import Settings
from knee_angle.visit import Value
from knee_angle.visit.course import neutral_zero

__all__ = ["About", "Shown", "visit_paper"]

END_WORDS = {
    "extension": say("Extension end"),
    "between": say("On the way"),
    "flexion": say("Flexion end"),
}
TOLERANCE_WORDS = {
    "within": say_as("within the tolerance", "yes"),
    "outside": say_as("within the tolerance", "no"),
    "undecided": say("not proven"),
}
LEGENDS = {
    (False, False): say("{caption} Green is the leg, yellow the machine's bars."),
    (False, True): say("{caption} Green is the leg, brown the machine's bars."),
    (True, False): say(
        "{caption} Green is the leg; yellow and dashed the machine's bars, only guessed."
    ),
    (True, True): say(
        "{caption} Green is the leg; brown and dashed the machine's bars, only guessed."
    ),
}
"""By whether the bars are guessed, and whether there is no photo: on white lines are darker."""
MOST_BETWEEN = 4
"""So many places on the way have a sentence each of what is proven."""
MOST_SOURCES = 5
"""So many sources of the ± stand by name, the weightiest first; the rest is one line."""


@dataclass(frozen=True, slots=True)
class Shown:
    """One photo of the visit.

    Parameters
    ----------
    name : str
        What the visit's result calls it (``photo 1``).
    measured : Measurement
    picture : CropJpeg or None
        Where it was kept.
    """

    name: str
    measured: Measurement
    picture: CropJpeg | None = None


@dataclass(frozen=True, slots=True)
class About:
    """Whose visit, when, and which kept row.

    Parameters
    ----------
    person, machine : str or None
        Codes.
    taken_at : datetime
        In the zone that is to be printed.
    saved_at : datetime or None
    row : str
        Its identifier.
    software : str
    note : str
        A line for this paper alone; it is not kept.
    stands : bool
        False where the row was withdrawn or corrected: then the paper says so first.
    pictures : bool
        False where kept photos are left out of this paper.
    """

    person: str | None
    machine: str | None
    taken_at: datetime
    saved_at: datetime | None = None
    row: str = ""
    software: str = ""
    note: str = ""
    stands: bool = True
    pictures: bool = True


def visit_paper(
    contract: Mapping[str, Any],
    photos: Sequence[Shown],
    *,
    settings: Settings,
    about: About,
) -> Paper:
    """The paper of one visit.

    Parameters
    ----------
    contract : Mapping
        The joint result as it was handed on (`report.visit_contract.visit_as_json`); with
        ``sentences``, by their English text, where they can be told in other languages.
    photos : sequence of Shown
        Of the visit, under the names that the result gives them.
    settings : Settings
        What it was judged by.
    about : About
    """
    every = kept.places_of(contract)
    places = kept.now_of(every)
    by_name = {one.name: one for one in photos}
    drawn = [
        one for place in _ends(places) if (one := _picture(place, by_name, pictures=about.pictures))
    ]
    said = _said(contract, every, settings)
    first = _first(contract, places)
    blocks: list[Block] = [first]
    if not about.stands:
        blocks = [gone(say("This visit no longer counts")), without_verdict(first)]
    blocks.append(_table(contract, every, settings))
    blocks.append(Heading(say("What to check")))
    blocks += [Words(line, steps=True) for line in (*_to_check(contract), words.NERVE_BLOCK)]
    if len(drawn) == 1:
        right = (*said, *_plus_minus(contract, places))
        blocks.append(Beside(((drawn[0][0],), right), (1.0, 1.0)))
    else:
        if drawn:
            # Shares as the pictures are wide: both are then equally high.
            columns = tuple((picture,) for picture, _ in drawn)
            blocks.append(Beside(columns, tuple(width for _, width in drawn)))
        blocks.append(Beside((said, _plus_minus(contract, places)), (1.0, 1.0)))
    blocks += _how(contract, photos, settings, about)
    return Paper(
        title=say("Knee in the machine: one visit"),
        about=_about(contract, about),
        blocks=tuple(blocks),
        foot=FOOT,
        page_word=PAGE,
        one_page=True,
    )


def _ends(places: Sequence[kept.Place]) -> list[kept.Place]:
    """Both ends, or the one place."""
    return list(places) if len(places) == 1 else [places[0], places[-1]]


def _about(contract: Mapping[str, Any], about: About) -> str:
    told = [
        say("Patient {code}", code=code_words(about.person)),
        say("machine {code}", code=code_words(about.machine)),
        words.KNEE_WORDS[contract["side"]],
        moment(about.taken_at),
    ]
    return joined(" · ", told)


def _first(contract: Mapping[str, Any], places: Sequence[kept.Place]) -> Banner:
    """What is to be read first: a limit that is passed, else what is proven of the display."""
    limits = _limits(places)
    judged = [(place, place.apart) for place in places if place.apart is not None]
    verdict = _worst([place for place, _ in judged]) if judged else None
    if contract["standing"] == "past":
        told = [capital(limits)]
        if verdict is not None:
            told.append(joined("", [BANNER_HEADS[verdict], "."]))
        return Banner(say("PAST THE PRESCRIBED LIMIT"), joined(" ", told), "past", "octagon")
    if verdict is None:
        return Banner(say("Knee measured"), say("No displayed number was given."))
    # Of the places that the verdict hangs on, the one that is furthest off.
    place, apart = max(
        judged, key=lambda one: (one[0].verdict == verdict, abs(one[1].discrepancy_deg))
    )
    told = [_apart(place, apart)]
    found = None if contract["machine"] is None else contract["machine"]["finding"]
    if found in words.FAULTS:
        told.append(capital(words.FINDING_WORDS[found]))
    if contract["standing"] == "at":
        told.append(capital(limits))
    # No green round a fault, or round a limit that is not proven kept.
    tone: Tone = "undecided" if verdict == "within" and len(told) > 1 else verdict
    return Banner(BANNER_HEADS[verdict], joined(" ", told), tone, words.VERDICT_SHAPES[verdict])


def _apart(place: kept.Place, apart: Apart) -> str:
    """The place that counts most, in plain numbers: what is shown, what is, what is allowed."""
    return say(
        "{where}: display {shown}, knee {knee}: {apart} apart, at most {bound} (95 %); "
        "{tolerance_deg:g}° are allowed.",
        where=END_WORDS[place.end],
        shown=figure(f"{place.displayed_deg:g}°"),
        knee=whole(place.knee.value),
        apart=whole(abs(apart.discrepancy_deg)),
        bound=figure(f"{math.ceil(apart.at_most_deg):d}°"),
        tolerance_deg=place.tolerance_deg,
    )


def told_lines(contract: Mapping[str, Any], name: str) -> list[str]:
    """The first lines of one name, without it."""
    found = (line.partition(" ") for line in contract["first_lines"])
    return [retold(text.lstrip()) for word, _, text in found if word == name]


def _to_check(contract: Mapping[str, Any]) -> list[str]:
    """The lines of the bedside, and between them what else is told of the machine."""
    found = () if contract["machine"] is None else contract["machine"].get("words", ())
    first, rest = told_lines(contract, "DO")[:1], told_lines(contract, "DO")[1:]
    return [*first, *map(retold, found[1:-1]), *rest]


def _worst(judged: Sequence[kept.Place]) -> Verdict:
    """An all-clear needs every place."""
    verdicts = [place.verdict for place in judged]
    if "outside" in verdicts:
        return "outside"
    return "within" if all(one == "within" for one in verdicts) else "undecided"


def _limits(places: Sequence[kept.Place]) -> str:
    standings = [limit for place in places for limit in place.limits]
    shown = any(place.displayed_deg is not None for place in places)
    return visit_words.limit_text(standings, display_shown=shown)


def _table(contract: Mapping[str, Any], places: Sequence[kept.Place], settings: Settings) -> Table:
    """Knee and display of every place large enough to read at arm's length, then the arc."""
    last = places[-1].adjusted
    rows: list[Row] = [_row(place, settings, last=last) for place in places]
    arc = kept.value_of(contract["arc"])
    if arc is not None:
        shown = contract["displayed_arc_deg"]
        rows.append(
            (
                Cell(say("Arc"), _neutral_zero(kept.now_of(places)), strong=True),
                Cell(whole(arc.value), _half(arc.u), strong=True),
                Cell("–" if shown is None else figure(f"{shown:g}°"), strong=True),
                "" if shown is None else deg(shown - arc.value, sign=True),
                "",
                _range(arc),
            )
        )
    side = {"left": say("Left knee, passive"), "right": say("Right knee, passive")}
    return Table(
        head=(
            side[contract["side"]],
            say("Knee ± (95 %)"),
            say("Display"),
            say("Display − knee"),
            say("Within tolerance"),
            say("95 % interval"),
        ),
        rows=tuple(rows),
        align="lrrrll",
        widths=(2.2, 1.6, 1.3, 1.2, 1.7, 1.1),
    )


def _neutral_zero(places: Sequence[kept.Place]) -> str:
    """Both ends in the notation of a patient's record."""
    low, high = places[0].knee.value, places[-1].knee.value
    notation = neutral_zero(flexion_deg=high, extension_deg=low)
    return say("neutral-zero {notation}", notation=notation)


def _half(u_deg: float) -> str:
    return figure(f"±\u00a0{words.plus_minus(u_deg):.0f}°")


def _range(value: Value) -> str:
    low, high = (figure(f"{end}°") for end in words.whole_ends(value.interval))
    return say("{low} to {high}", low=low, high=high)


def _row(place: kept.Place, settings: Settings, *, last: int) -> Row:
    shown = place.displayed_deg
    own = "" if shown is None else words.shown_as(shown, settings)
    details = [when_words(place.adjusted, last=last)]
    if len(place.photos) > 1:
        details.append(say_many("{count} photo", "{count} photos", len(place.photos)))
    verdict = Cell("–")
    if place.verdict is not None and place.tolerance_deg is not None:
        of = figure(f"({place.tolerance_deg:g}°)")
        verdict = Cell(TOLERANCE_WORDS[place.verdict], of, strong=True, tone=place.verdict)
    # Both ends of the machine as it stands now are what is read from afar.
    large = place.end != "between" and place.adjusted == last
    return (
        Cell(END_WORDS[place.end], joined(", ", (one for one in details if one)), strong=True),
        Cell(whole(place.knee.value), _half(place.knee.u), strong=True, large=large),
        Cell("–" if shown is None else figure(f"{shown:g}°"), own, strong=True, large=large),
        "" if place.apart is None else deg(place.apart.discrepancy_deg, sign=True),
        verdict,
        _range(place.knee),
    )


def _picture(
    place: kept.Place, photos: Mapping[str, Shown], *, pictures: bool
) -> tuple[Picture, float] | None:
    """The place's first photo, and how many times as wide as high it is."""
    shown = next((photos[name] for name in place.photos if name in photos), None)
    if shown is None:
        return None
    told = {"end": END_WORDS[place.end], "knee": deg(shown.measured.knee.deg)}
    caption = say("{end}: the photo's own knee {knee}.", **told)
    machine = shown.measured.machine
    if machine is not None and machine.points:  # tags alone have no line in the drawing
        on_white = shown.picture is None
        caption = LEGENDS[bars_are_guessed(machine), on_white].format(caption=caption)
    if not pictures:
        caption = say(
            "{caption} The photo is left out: the points alone, as they lay in it.",
            caption=caption,
        )
    elif shown.picture is None:
        caption = say(
            "{caption} The photo was not kept: the points alone, as they lay in it.",
            caption=caption,
        )
    alt = say(
        "{end}: hip, knee and ankle joined by lines, the thigh's line carried on past the knee, "
        "and the arc between it and the lower leg: {knee} of flexion.",
        **told,
    )
    drawing = leg_drawing(shown.measured, shown.picture)
    return Picture(drawing, alt, caption, most_mm=70.0), drawing.width / drawing.height


def _said(
    contract: Mapping[str, Any], every: Sequence[kept.Place], settings: Settings
) -> tuple[Block, ...]:
    """Limits, and what is proven at each place."""
    places = kept.now_of(every)
    blocks: list[Block] = [Heading(say("Limits")), *_prescribed(every, settings)]
    proven: list[Block] = [
        Words(
            capital(visit_words.apart_text(place.apart, _judged(place))), lead=END_WORDS[place.end]
        )
        for place in _told_of(places)
        if place.apart is not None
    ]
    machine, lacking = contract["machine"], kept.lacking_of(contract)
    if lacking is not None:
        proven.append(Words(visit_words.lacking_text(lacking), lead=say("Lacks")))
    if machine is not None:
        found = capital(words.FINDING_WORDS[machine["finding"]])
        proven.append(Words(found, lead=say("Machine")))
    if proven:
        blocks += [Heading(say("What is proven")), *proven]
    blocks += [Words(line, lead=say("Changed")) for line in told_lines(contract, "CHANGED")]
    return tuple(blocks)


def _judged(place: kept.Place) -> tuple[float, Verdict] | None:
    if place.tolerance_deg is None or place.verdict is None:
        return None
    return place.tolerance_deg, place.verdict


def _told_of(places: Sequence[kept.Place]) -> list[kept.Place]:
    """Both ends and what lies between; of many of those the one furthest apart.

    The table has a row for every place, with its difference and verdict.
    """
    between = [place for place in places if place.end == "between"]
    if len(between) <= MOST_BETWEEN:
        return list(places)
    furthest = max(between, key=lambda one: abs(one.apart.discrepancy_deg) if one.apart else 0.0)
    return [place for place in places if place.end != "between" or place is furthest]


def _prescribed(every: Sequence[kept.Place], settings: Settings) -> list[Block]:
    """The prescription, where everything stands now, and what was past it before."""
    places = kept.now_of(every)
    prescribed = visit_words.prescribed_text(settings)
    if prescribed is None:
        return [Words(say("No prescribed limits were entered: none were checked."))]
    blocks: list[Block] = [Words(capital(joined(" · ", (prescribed, _limits(places)))))]
    before = [limit for place in every if place not in places for limit in place.limits]
    if any(limit.standing == "past" for limit in before):
        blocks.append(Words(visit_words.limit_text(before), lead=say("Before adjusting")))
    return blocks


def _plus_minus(contract: Mapping[str, Any], places: Sequence[kept.Place]) -> tuple[Block, ...]:
    """How the ± is made up, at both ends."""
    ends = _ends(places)
    shares = [{one.what: one.share for one in place.shrink} for place in ends]
    names = sorted(
        {name for share in shares for name in share},
        key=lambda name: (-max(share.get(name, 0.0) for share in shares), name),
    )
    named, rest = names[:MOST_SOURCES], names[MOST_SOURCES:]
    parts = [
        (visit_words.source_words(name), [share.get(name, 0.0) for share in shares])
        for name in named
    ]
    if rest:
        left = [sum(share.get(name, 0.0) for name in rest) for share in shares]
        parts.append((say("everything else"), left))
    rows: list[Row] = [
        (name, *(_part(place, part) for place, part in zip(ends, share, strict=True)))
        for name, share in parts
    ]
    together = (Cell(spread(place.knee.u), strong=True) for place in ends)
    rows.append((Cell(say("together"), strong=True), *together))
    return (
        Heading(say("How the ± is made up")),
        Table(
            head=(say("From"), *(END_WORDS[place.end] for place in ends)),
            rows=tuple(rows),
            align="l" + "l" * len(ends),
            widths=(0.0, 1.0) if len(ends) == 1 else (1.0, *(0.0 for _ in ends)),
            caption=say("95 %; a bar is the share of the variance. Shares add up, ± do not."),
        ),
        *(Words(capital(line)) for line in told_lines(contract, "SURE")),
    )


def _part(place: kept.Place, share: float) -> Cell:
    own = kept.own_plus_minus(place.knee, share)
    return Cell(figure(f"±\u00a0{own:.1f}°"), share=min(share, 1.0))


def _how(
    contract: Mapping[str, Any], photos: Sequence[Shown], settings: Settings, about: About
) -> list[Block]:
    """How it was measured, what was left out, cautions, and where it is kept."""
    rows: list[tuple[str, str]] = []
    if photos:
        points = dict.fromkeys(words.sources(one.measured.landmarks) for one in photos)
        planes = dict.fromkeys(words.PLANE_WORDS[one.measured.plane] for one in photos)
        rows += [(say("Points"), joined("; ", points)), (say("Plane"), joined("; ", planes))]
    rows.append((say("Marks"), words.placed(settings)))
    for one in contract["left_out"]:
        rows.append((say("Left out"), joined(": ", (photo_words(one["photo"]), one["reason"]))))
    rows += [(say("Caution"), retold(one)) for one in contract["cautions"]]
    if about.note:
        rows.append((say("Note"), about.note))
    where: list[str] = [say("row {row}", row=about.row[:12])] if about.row else []
    hashes = ", ".join((one.measured.photo_sha256 or "–")[:12] for one in photos)
    where += [say("photos {hashes}", hashes=hashes)] if hashes else []
    if about.saved_at is not None:
        where.append(say("kept {when}", when=moment(about.saved_at)))
    where.append(f"knee_angle {about.software or contract['version']}")
    rows.append((say("Kept as"), joined(" · ", where)))
    return [Heading(say("How it was measured")), Pairs(tuple(rows))]
