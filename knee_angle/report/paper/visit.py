"""One visit on one page: picture, knee and display at both ends, what is proven, what to check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, cast

from knee_angle import words
from knee_angle.angle.bounds import LimitStanding
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
    Shape,
    Table,
    Words,
)
from knee_angle.report.paper.common import FOOT, PAGE, capital, moment
from knee_angle.report.paper.leg import leg_drawing
from knee_angle.settings import Settings

__all__ = ["About", "Shown", "visit_paper"]

END_WORDS = {"extension": "Extension end", "between": "On the way", "flexion": "Flexion end"}
MOST_SOURCES = 5
"""So many sources of the ± stand by name, the weightiest first; the rest is one line."""
ALT = (
    "{end}: hip, knee and ankle joined by lines, the thigh's line carried on past the knee, and "
    "the arc between it and the lower leg: {deg} of flexion{photo}."
)
GONE = Banner(
    "This visit no longer counts",
    "It was withdrawn or corrected after it was kept: do not use these figures.",
    "outside",
    "triangle",
)
FAULTS = ("calibration", "fit", "both")
NO_PHOTO = " The photo was not kept: the points alone, as they lay in it."


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
    who : str
        The account that kept it.
    row : str
        Its identifier.
    software : str
    note : str
        A line for this paper alone; it is not kept.
    stands : bool
        False where the row was withdrawn or corrected: then the paper says so first.
    """

    person: str | None
    machine: str | None
    taken_at: datetime
    saved_at: datetime | None = None
    who: str = ""
    row: str = ""
    software: str = ""
    note: str = ""
    stands: bool = True


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
        The joint result as it was handed on (`report.visit_contract.visit_as_json`).
    photos : sequence of Shown
        Of the visit, under the names that the result gives them.
    settings : Settings
        What it was judged by.
    about : About
    """
    every = kept.places_of(contract)
    places = kept.now_of(every)
    by_name = {one.name: one for one in photos}
    drawn = [one for place in _ends(places) if (one := _picture(place, by_name))]
    said = _said(contract, every, settings)
    blocks: list[Block] = [] if about.stands else [GONE]
    blocks += [_first(contract, places), _table(contract, every, settings)]
    if len(drawn) == 1:
        blocks.append(Beside(((drawn[0][0],), said), (1.0, 1.0)))
        blocks += _plus_minus(places)
    else:
        if drawn:
            # Shares as the pictures are wide: both are then equally high.
            columns = tuple((picture,) for picture, _ in drawn)
            blocks.append(Beside(columns, tuple(width for _, width in drawn)))
        blocks.append(Beside((said, _plus_minus(places)), (1.0, 1.0)))
    blocks += _how(contract, photos, settings, about)
    return Paper(
        title="Knee in the machine: one visit",
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
        "Patient {}".format(about.person or "–"),
        "machine {}".format(about.machine or "–"),
        "{} knee".format(contract["side"]),
        moment(about.taken_at),
    ]
    return " · ".join(told)


def _first(contract: Mapping[str, Any], places: Sequence[kept.Place]) -> Banner:
    """What is to be read first: a limit that is passed, else what is proven of the display."""
    standings = [limit for place in places for limit in place.limits]
    if contract["standing"] == "past":
        return Banner("PAST THE PRESCRIBED LIMIT", _limits(standings, places), "past", "octagon")
    judged = [place for place in places if place.apart is not None]
    if not judged:
        return Banner("Knee measured", "No displayed number was given.", "plain")
    verdict = _worst(judged)
    furthest = max(judged, key=lambda place: abs(place.apart.discrepancy_deg if place.apart else 0))
    assert furthest.apart is not None  # noqa: S101  chosen so above
    told = [f"{END_WORDS[furthest.end]}: {visit_words.apart_text(furthest.apart)}."]
    found = None if contract["machine"] is None else contract["machine"]["finding"]
    if found in FAULTS:
        told.append(capital(words.FINDING_WORDS[found]) + ".")
    if contract["standing"] == "at":
        told.append(capital(_limits(standings, places)) + ".")
    # No green round a fault, or round a limit that is not proven kept.
    tone = "undecided" if verdict == "within" and len(told) > 1 else verdict
    return Banner(
        capital(words.VERDICT_WORDS[verdict]),
        " ".join(told),
        tone,
        cast("Shape", words.VERDICT_SHAPES[verdict]),
    )


def _worst(judged: Sequence[kept.Place]) -> Verdict:
    """An all-clear needs every place."""
    verdicts = [place.verdict for place in judged]
    if "outside" in verdicts:
        return "outside"
    return "within" if all(one == "within" for one in verdicts) else "undecided"


def _limits(standings: Sequence[LimitStanding], places: Sequence[kept.Place]) -> str:
    shown = any(place.displayed_deg is not None for place in places)
    return visit_words.limit_text(standings, display_shown=shown)


def _table(contract: Mapping[str, Any], places: Sequence[kept.Place], settings: Settings) -> Table:
    """Every place large enough to read at arm's length, then the arc."""
    last = places[-1].adjusted
    rows: list[Row] = [_row(place, settings, last=last) for place in places]
    arc = kept.value_of(contract["arc"])
    if arc is not None:
        shown = contract["displayed_arc_deg"]
        value, spread = visit_words.knee_words(arc.value, arc.interval)
        rows.append(
            (
                Cell("Arc", strong=True),
                Cell(value, _half(arc.u), large=True),
                spread,
                Cell("–" if shown is None else f"{shown:g}°", large=True),
                "" if shown is None else words.degrees(shown - arc.value, sign=True),
                "",
            )
        )
    side = contract["side"]
    return Table(
        head=(
            f"{side.capitalize()} knee, passive",
            "Knee ± (95 %)",
            "95 % interval",
            "Display",
            "Display − knee",
            "Within tolerance",
        ),
        rows=tuple(rows),
        align="lrlrrl",
        widths=(1.9, 1.6, 1.2, 1.3, 1.2, 1.7),
    )


def _half(u_deg: float) -> str:
    return f"± {words.plus_minus(u_deg):.0f}°"


def _row(place: kept.Place, settings: Settings, *, last: int) -> Row:
    value, spread = visit_words.knee_words(place.knee.value, place.knee.interval)
    shown = place.displayed_deg
    own = "" if shown is None else words.shown_as(shown, settings).strip()
    details = [when_words(place.adjusted, last=last)]
    details += [] if len(place.photos) == 1 else [f"{len(place.photos)} photos"]
    verdict = Cell("–")
    if place.verdict is not None and place.tolerance_deg is not None:
        said = {"within": "yes", "outside": "no", "undecided": "not shown"}[place.verdict]
        verdict = Cell(said, f"of {place.tolerance_deg:g}°", strong=True, tone=place.verdict)
    return (
        Cell(END_WORDS[place.end], ", ".join(one for one in details if one), strong=True),
        Cell(value, _half(place.knee.u), large=True),
        spread,
        Cell("–" if shown is None else f"{shown:g}°", own, large=True),
        "" if place.apart is None else words.degrees(place.apart.discrepancy_deg, sign=True),
        verdict,
    )


def _picture(place: kept.Place, photos: Mapping[str, Shown]) -> tuple[Picture, float] | None:
    """The place's first photo, and how many times as wide as high it is."""
    shown = next((photos[name] for name in place.photos if name in photos), None)
    if shown is None:
        return None
    deg = words.degrees(shown.measured.knee.deg)
    end = END_WORDS[place.end]
    bare = shown.picture is None
    caption = f"{end}: the photo's own knee {deg}." + (NO_PHOTO if bare else "")
    drawing = leg_drawing(shown.measured, shown.picture)
    alt = ALT.format(end=end, deg=deg, photo=" (no photo)" if bare else ", drawn in the photo")
    picture = Picture(drawing.svg(), alt, caption, most_mm=70.0)
    return picture, drawing.width / drawing.height


def _said(
    contract: Mapping[str, Any], every: Sequence[kept.Place], settings: Settings
) -> tuple[Block, ...]:
    """Limits, what is proven at each place, and what to check."""
    places = kept.now_of(every)
    before = [
        limit
        for place in every if place not in places
        for limit in place.limits if limit.standing == "past"
    ]  # fmt: skip
    standings = [limit for place in places for limit in place.limits]
    prescribed = visit_words.prescribed_text(settings)
    limits = "No prescribed limits were entered: none were checked."
    if prescribed is not None:
        limits = f"{capital(prescribed)} · {_limits(standings, places)}"
    blocks: list[Block] = [Heading("Limits"), Words(limits)]
    if before:
        blocks.append(Words(visit_words.limit_text(before), lead="Before adjusting"))
    blocks.append(Heading("What is proven"))
    blocks += [
        Words(visit_words.apart_text(place.apart) + ".", lead=END_WORDS[place.end])
        for place in places
        if place.apart is not None
    ]
    machine, lacking = contract["machine"], kept.lacking_of(contract)
    if lacking is not None:
        blocks.append(Words(visit_words.lacking_text(lacking) + ".", lead="Lacks"))
    if machine is not None:
        found = words.FINDING_WORDS[machine["finding"]]
        blocks.append(Words(capital(found) + ".", lead="Machine"))
    blocks += [Words(line, lead="Changed") for line in _told(contract, "CHANGED")]
    blocks.append(Heading("What to check"))
    blocks += [Words(line) for line in _told(contract, "DO")]
    return tuple(blocks)


def _told(contract: Mapping[str, Any], name: str) -> list[str]:
    """The kept first lines of one name."""
    lines = (line.partition(" ") for line in contract["first_lines"])
    return [text.strip() for word, _, text in lines if word == name]


def _plus_minus(places: Sequence[kept.Place]) -> tuple[Block, ...]:
    """How the ± is made up, at both ends."""
    ends = _ends(places)
    shares = [{one.what: one.share for one in place.shrink} for place in ends]
    names = sorted(
        {name for share in shares for name in share},
        key=lambda name: -max(share.get(name, 0.0) for share in shares),
    )
    named, rest = names[:MOST_SOURCES], names[MOST_SOURCES:]
    parts = {
        visit_words.source_words(name): [share.get(name, 0.0) for share in shares] for name in named
    }
    if rest:
        parts["everything else"] = [sum(share.get(name, 0.0) for name in rest) for share in shares]
    rows: list[Row] = [
        (name, *(_part(place, part) for place, part in zip(ends, share, strict=True)))
        for name, share in parts.items()
    ]
    whole = (Cell(f"± {words.plus_minus(place.knee.u):.1f}°", strong=True) for place in ends)
    rows.append((Cell("together", strong=True), *whole))
    surest = ends[-1]
    return (
        Heading("How the ± is made up"),
        Table(
            head=("From", *(END_WORDS[place.end] for place in ends)),
            rows=tuple(rows),
            align="l" + "l" * len(ends),
            widths=(1.0, *(0.0 for _ in ends)),
            caption="95 %; a bar is the share of the variance. Shares add up, ± do not.",
        ),
        Words(visit_words.sure_text(surest.knee, surest.shrink) + "."),
    )


def _part(place: kept.Place, share: float) -> Cell:
    return Cell(f"±\u00a0{kept.own_plus_minus(place.knee, share):.1f}°", share=min(share, 1.0))


def _how(
    contract: Mapping[str, Any], photos: Sequence[Shown], settings: Settings, about: About
) -> list[Block]:
    """How it was measured, what was left out, cautions, and where it is kept."""
    points = dict.fromkeys(words.sources(one.measured.landmarks) for one in photos)
    planes = dict.fromkeys(words.PLANE_WORDS[one.measured.plane] for one in photos)
    rows = [("Points", "; ".join(points)), ("Plane", "; ".join(planes))] if photos else []
    rows.append(("Marks", words.placed(settings)))
    rows += [("Left out", f"{one['photo']}: {one['reason']}") for one in contract["left_out"]]
    rows += [("Caution", caution) for caution in contract["cautions"]]
    if about.note:
        rows.append(("Note", about.note))
    hashes = ", ".join((one.measured.photo_sha256 or "")[:12] for one in photos)
    where = [f"row {about.row[:12]}" if about.row else "", f"photos {hashes}" if hashes else ""]
    if about.saved_at is not None:
        where.append(f"kept {moment(about.saved_at)} by {about.who}")
    where.append(f"knee_angle {about.software or contract['version']}")
    rows.append(("Kept as", " · ".join(part for part in where if part)))
    return [Heading("How it was measured"), Pairs(tuple(rows))]
