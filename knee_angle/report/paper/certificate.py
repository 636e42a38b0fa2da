"""A machine's certificate: what a check proved of its display, by which rule, from which inputs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from statistics import median

from knee_angle.angle import words
from knee_angle.language import capital, figure, joined, say, say_many
from knee_angle.machine.calibration import Line
from knee_angle.machine.check import Checked, MachineCheck, check_alarms
from knee_angle.machine.difference import Difference, band_of, differences_of
from knee_angle.machine.empty import NO_LEG, EmptyCheck, shown_in
from knee_angle.machine.over_range import RangeVerdict
from knee_angle.machine.unjudged import guessed
from knee_angle.records import BarsAlone, CropJpeg, Frame, Measurement, Outcome, Verdict
from knee_angle.report.check_words import ONE_PLACE
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
    Signatures,
    Table,
)
from knee_angle.report.paper.blocks import Words as Text
from knee_angle.report.paper.charts import WASH, Series, check_chart
from knee_angle.report.paper.common import (
    BANNER_HEADS,
    FOOT,
    PAGE,
    deg,
    due_in_head,
    due_words,
    gone,
    moment,
    photo_words,
    spread,
    without_verdict,
)
from knee_angle.report.paper.empty import (
    bars_budget,
    bars_table,
    budget_table,
    display_row,
    shared_row,
    u_cell,
)
from knee_angle.report.paper.leg import bars_drawing, leg_drawing
from knee_angle.settings import Settings

__all__ = ["CheckAbout", "certificate_paper"]

THUMBNAILS, MANY, SMALL = 4, 12, 6
"""So many pictures stand in a row; of many photos more."""
THUMBNAIL_PX = 420
THUMBNAIL_RATIO = 3 / 2
"""Width to height, so that rows of pictures of any shape are even."""
PROVEN_WORDS: dict[Verdict, str] = {
    "within": say("within the tolerance"),
    "outside": say("outside the tolerance"),
    "undecided": say("not proven"),
}
RULE = say(
    "A verdict is given only where it is proven. Display agrees: with at least 95 % probability "
    "the difference lies within ± the tolerance at every angle of the range, the ± of this check "
    "being part of that probability (JCGM 106:2012, guarded acceptance). Does not agree: at some "
    "angle of the range the one-sided 95 % band that holds for the whole range lies beyond the "
    "tolerance, so that a machine at the tolerance's edge is called so in at most 5 % of checks "
    "(ISO 14253-1:2017). Else: cannot tell. Beyond the range nothing is said."
)


@dataclass(frozen=True, slots=True)
class CheckAbout:
    """Which machine, when, which kept row, and what belongs to its equipment file.

    Parameters
    ----------
    machine : str
        Its code.
    taken_at : datetime
        In the zone that is to be printed.
    saved_at : datetime
    who : str
        The account that kept it.
    row : str
    software, made_by : str
        Version that judged it, and that makes this paper.
    inputs_sha256 : str
        Hash of everything that the check was computed from.
    next_due : date or None
    every_days : int
        From one check to the next.
    pictures : Mapping of photo name to CropJpeg
        Those that were kept.
    note : str
    stands : bool
        False where the row was withdrawn or corrected.
    shows_pictures : bool
        False where kept photos are left out of this paper.
    """

    machine: str
    taken_at: datetime
    saved_at: datetime
    who: str
    row: str
    software: str
    made_by: str
    inputs_sha256: str
    next_due: date | None
    every_days: int
    pictures: Mapping[str, CropJpeg] = field(default_factory=dict)
    note: str = ""
    stands: bool = True
    shows_pictures: bool = True


def certificate_paper(
    result: Checked,
    outcomes: Mapping[str, Outcome],
    *,
    settings: Settings,
    photo_sha256: Mapping[str, str],
    about: CheckAbout,
) -> Paper:
    """The paper of one machine check.

    Parameters
    ----------
    result : MachineCheck or EmptyCheck
    outcomes : Mapping of photo name to outcome
    settings : Settings
        What it was judged by.
    photo_sha256 : Mapping of photo name to hash
    about : CheckAbout
    """
    blocks: list[Block] = []
    if not about.stands:
        blocks.append(gone(say("This check no longer counts")))
    if alarms := check_alarms(outcomes):
        told = joined(" ", map(capital, alarms))
        blocks.append(Banner(say("PAST THE PRESCRIBED LIMIT"), told, "past", "octagon"))
    first = _first(result)
    blocks.append(first if about.stands else without_verdict(first))
    blocks += [*_figures(result), _chart(result)]
    blocks += _next(result, about)
    blocks += [Heading(say("Decision rule")), Text(RULE), _judged_by(result, settings)]
    blocks.append(Heading(say("Settings of the check")))
    if isinstance(result, EmptyCheck):
        blocks.append(bars_table(result, outcomes))
        budget = bars_budget(result, settings)
    else:
        blocks.append(_settings(result, outcomes))
        budget = _budget(result, outcomes, settings)
    blocks += [Heading(say("How the ± is made up")), budget]
    blocks += [Heading(say("Photos")), *_thumbnails(outcomes, about)]
    blocks += [Heading(say("Inputs and versions")), *_inputs(photo_sha256, about)]
    blocks.append(Signatures((say("Checked by"), say("Released by")), say("Date")))
    head = [
        say("Machine {code}", code=about.machine),
        moment(about.taken_at),
        say_many("{count} photo", "{count} photos", len(outcomes)),
        *([] if _failed(result) else due_in_head(about.next_due)),
    ]
    return Paper(
        say("Certificate of a machine check"), joined(" · ", head), tuple(blocks), FOOT, PAGE
    )


def _failed(result: Checked) -> bool:
    """Whether anything was proven wrong."""
    return result.line_judged[1].verdict == "outside" or result.kind in words.FAULTS


def _first(result: Checked) -> Banner:
    _, verdict = result.line_judged
    leg, kind = isinstance(result, MachineCheck), verdict.verdict
    by_bars = result.reading is not None
    found = words.check_finding(result.kind, display=kind, by_bars=by_bars)
    told = say(
        "Display against {against}, {low} to {high}: largest difference {largest} {spread} at "
        "{at}, allowed ± {tolerance_deg:g}°. {finding}",
        against=say("the knee") if result.reading is None else say("the machine's bars"),
        low=deg(verdict.low_deg),
        high=deg(verdict.high_deg),
        largest=deg(verdict.largest_deg, sign=True),
        spread=spread(verdict.u_deg),
        at=deg(verdict.at_deg),
        tolerance_deg=verdict.tolerance_deg,
        finding=capital(found) if leg else NO_LEG,
    )
    # No green round a fault that was found elsewhere.
    tone = "undecided" if kind == "within" and leg and result.kind != "none" else kind
    return Banner(BANNER_HEADS[kind], told, tone, words.VERDICT_SHAPES[kind])


def _lines(result: Checked) -> list[tuple[bool, Line, RangeVerdict]]:
    """Against the bars (True) where they were seen, and against the knee where a leg was."""
    lines: list[tuple[bool, Line, RangeVerdict]] = []
    if result.reading is not None and result.reading_verdict is not None:
        lines.append((True, result.reading, result.reading_verdict))
    if isinstance(result, MachineCheck):
        lines.append((False, result.knee_line, result.knee_verdict))
    return lines


def _figures(result: Checked) -> list[Block]:
    """Offset, gain and verdict of both lines; why a line has no offset and no gain."""
    names = {True: say("Display against bars"), False: say("Display against knee")}
    lines = _lines(result)
    figures = Table(
        head=(
            say("± 95 %"),
            say("Offset"),
            say("Gain"),
            say("Largest difference"),
            say("Range"),
            say("Lack of fit, p"),
            say("Over the range"),
        ),
        rows=tuple(_line(names[bars], line, verdict) for bars, line, verdict in lines),
        align="lrrrrrl",
        widths=(1.7, 1.3, 1.4, 1.4, 1.4, 0.8, 1.5),
    )
    untold = any(line.at_one_place for _, line, _ in lines)
    return [figures, Text(capital(ONE_PLACE))] if untold else [figures]


def _line(name: str, line: Line, verdict: RangeVerdict) -> Row:
    p = "–" if line.p_value is None or line.dof < 1 else figure(_p(line.p_value))
    offset, gain = "–", "–"
    if not line.at_one_place:
        offset = say(
            "{value} {spread}", value=deg(line.offset, sign=True), spread=spread(line.u_offset)
        )
        gain = figure(f"{line.gain:.3f} ±\u00a0{words.plus_minus(line.u_gain):.3f}")
    return (
        Cell(name, strong=True),
        offset,
        gain,
        say("{value} at {at}", value=deg(verdict.largest_deg, sign=True), at=deg(verdict.at_deg)),
        say("{low} to {high}", low=deg(verdict.low_deg), high=deg(verdict.high_deg)),
        p,
        Cell(PROVEN_WORDS[verdict.verdict], strong=True, tone=verdict.verdict),
    )


def _p(value: float) -> str:
    return "< 0.01" if value < 0.005 else f"{value:.2f}"


def _chart(result: Checked) -> Picture:
    names = {True: say("display − bars"), False: say("display − knee")}
    series = [_series(names[bars], line, verdict, bars) for bars, line, verdict in _lines(result)]
    _, verdict = result.line_judged
    return Picture(
        check_chart(series, tolerance_deg=verdict.tolerance_deg),
        say("Displayed minus measured over the range; the tables hold the numbers."),
        say(
            "Points: each setting ± 95 %. Bands: 95 % for the whole range at once. Grey: the "
            "tolerance of the verdict."
        ),
    )


def _series(name: str, line: Line, verdict: RangeVerdict, display: bool) -> Series:
    """The settings, and the line with its band where there is one to tell."""
    band: tuple[Difference, ...] = ()
    if not line.at_one_place:
        band = band_of(line, low_deg=verdict.low_deg, high_deg=verdict.high_deg, k=verdict.k)
    return Series(name, differences_of(line), band, display)


def _next(result: Checked, about: CheckAbout) -> list[Block]:
    """What the check says to do, and when the next one is due."""
    due = due_words(about.next_due, every_days=about.every_days, failed=_failed(result))
    rows: list[tuple[str, str]] = [(say("Next check due"), due)]
    found, cautions = result.words, tuple[str, ...]()
    if isinstance(result, MachineCheck):
        found, cautions = result.words or (result.advice,), result.cautions
    rows += [(say("Found") if n == 0 else "", told) for n, told in enumerate(found)]
    rows += [(say("Caution"), caution) for caution in cautions]
    if result.outliers:
        rows.append((say("Off the line"), joined(", ", map(photo_words, result.outliers))))
    rows += [
        (say("Left out"), joined(": ", (photo_words(name), why))) for name, why in result.left_out
    ]
    if about.note:
        rows.append((say("Note"), about.note))
    return [Pairs(tuple(rows))]


def _judged_by(result: Checked, settings: Settings) -> Pairs:
    """The tolerances and the display's step that were used."""
    by_knee = (
        say("Display − knee"),
        say(
            "± {deg:g}°, ± {straight_deg:g}° where knee or display is below {below_deg:g}°",
            deg=settings.tolerance_deg,
            straight_deg=settings.straight_tolerance_deg,
            below_deg=settings.straight_below_deg,
        ),
    )
    return Pairs(
        (
            (say("Display − bars"), say("± {deg:g}°", deg=settings.frame_tolerance_deg)),
            *((by_knee,) if isinstance(result, MachineCheck) else ()),
            (say("Display's step"), say("{deg:g}°", deg=settings.display_resolution_deg)),
        )
    )


def _settings(result: MachineCheck, outcomes: Mapping[str, Outcome]) -> Table:
    """Every photo: display, bars and knee, and what the display says more than each."""
    return Table(
        head=(
            say("Photo"),
            say("Display"),
            say("Bars ± (95 %)"),
            say("Knee ± (95 %)"),
            say("Display − bars"),
            say("Display − knee"),
            say("Used"),
        ),
        rows=tuple(_photo(name, one, result) for name, one in outcomes.items()),
        align="lrrrrrl",
        widths=(1.0, 0.9, 1.5, 1.5, 1.2, 1.2, 1.1),
        caption=say("Each photo by itself, degrees of flexion."),
    )


def _photo(name: str, one: Outcome, result: MachineCheck) -> Row:
    if not isinstance(one, Measurement):
        return (photo_words(name), Cell(capital(one.reason), across=6))
    shown = None if one.displayed is None else one.displayed.deg
    frame = None if one.machine is None else one.machine.frame
    return (
        photo_words(name),
        "–" if shown is None else figure(f"{shown:g}°"),
        "–" if frame is None else _with(frame.deg, frame.u_deg),
        _with(one.knee.deg, one.knee.u_deg),
        "–" if frame is None or shown is None else deg(shown - frame.deg, sign=True),
        "–" if shown is None else deg(shown - one.knee.deg, sign=True),
        _used(name, one, result),
    )


def _used(name: str, one: Measurement, result: MachineCheck) -> str:
    """What of a photo counts; bars that the network alone saw are shown and prove nothing."""
    if name not in result.photos:
        return say("left out")
    if result.reading is None or _bars_count(one):
        return say("used")
    return say("knee alone")


def _bars_count(one: Measurement) -> bool:
    """Whether the photo's bars prove anything, as `visit.photos.without_guessed_bars` has it."""
    frame = None if one.machine is None else one.machine.frame
    return frame is not None and not guessed(frame) and one.leg.lens.trusted


def _with(value: float, u: float) -> str:
    return say("{value} {spread}", value=deg(value), spread=spread(u))


def _budget(result: MachineCheck, outcomes: Mapping[str, Outcome], settings: Settings) -> Table:
    """What goes into the ± of the lines."""
    used = [one for one in outcomes.values() if isinstance(one, Measurement)]
    frames = _counting(result, outcomes)
    rows: list[Row] = [display_row(settings)]
    if frames:
        shared = max(frame.u_shared_deg for frame in frames)
        own = median(
            math.sqrt(max(frame.u_deg**2 - frame.u_shared_deg**2, 0.0)) for frame in frames
        )
        rows += [
            shared_row(shared),
            (say("Bars in one photo, beyond that"), u_cell(own), say("median of the photos")),
        ]
    rows += [
        (_line_words(name), u_cell(median(one.knee.budget_deg[name] for one in used)),
         say("median of the photos"))
        for name in (used[0].knee.budget_deg if used else {})
        if all(name in one.knee.budget_deg for one in used)
    ]  # fmt: skip
    return budget_table(rows)


def _counting(result: MachineCheck, outcomes: Mapping[str, Outcome]) -> list[Frame]:
    """The bars of photos whose bars count, as the check took them where it did so anew."""
    if result.reading is None:
        return []
    again = dict(zip(result.photos, result.frames, strict=False))
    return [
        frame
        for name in result.photos
        if isinstance(one := outcomes[name], Measurement)
        and _bars_count(one)
        and (frame := again.get(name) or (one.machine and one.machine.frame))
    ]


def _line_words(name: str) -> str:
    """A line of the knee's budget in words."""
    known = {
        "landmark_finding": say("Knee: finding the points"),
        "landmark_placement": say("Knee: where the marks lie on the bone"),
        "landmark_depth": say("Knee: how deep the marks lie"),
        "camera_direction": say("Knee: the camera's direction"),
        "focal_length": say("Knee: the focal length"),
        "leg_distance": say("Knee: the distance"),
        "sticking": say("Knee: how points and tags lie on the bars"),
    }
    return known[name]


def _thumbnails(outcomes: Mapping[str, Outcome], about: CheckAbout) -> list[Block]:
    """The photos that were kept, small; of the others the points alone."""
    lacking = say("photo not kept") if about.shows_pictures else say("photo left out")
    shown = [
        _thumbnail(name, shows, about.pictures.get(name), lacking=lacking)
        for name, one in outcomes.items()
        if (shows := shown_in(one)) is not None
    ]
    wide = THUMBNAILS if len(shown) <= MANY else SMALL
    rows = [shown[at : at + wide] for at in range(0, len(shown), wide)]
    return [
        Beside(
            tuple((one,) for one in row) + tuple(() for _ in range(wide - len(row))),
            tuple(1.0 for _ in range(wide)),
        )
        for row in rows
    ]


def _thumbnail(
    name: str, one: Measurement | BarsAlone, picture: CropJpeg | None, *, lacking: str
) -> Picture:
    if isinstance(one, BarsAlone):
        number = one.displayed_deg
        drawing = bars_drawing(one, picture, longest_px=THUMBNAIL_PX, emphasis=2.0)
    else:
        number = None if one.displayed is None else one.displayed.deg
        drawing = leg_drawing(one, picture, longest_px=THUMBNAIL_PX, emphasis=1.6, number=False)
    shown = "–" if number is None else figure(f"{number:g}°")
    told = say("{photo}: display {shown}", photo=photo_words(name), shown=shown)
    if isinstance(one, Measurement):
        told = say("{told}, knee {knee}", told=told, knee=deg(one.knee.deg))
    if picture is None:
        told = joined("; ", [told, lacking])
    alt = say("{told}: the leg and the machine's bars as lines.", told=told)
    if isinstance(one, BarsAlone):
        alt = say("{told}: what shows the machine's bars, as lines.", told=told)
    return Picture(drawing.framed(THUMBNAIL_RATIO, WASH), alt, told, most_mm=34.0)


def _inputs(photo_sha256: Mapping[str, str], about: CheckAbout) -> list[Block]:
    rows: list[tuple[str, str]] = [
        (say("Inputs"), about.inputs_sha256),
        (
            say("Made of"),
            say(
                "SHA-256 over every photo's SHA-256 with its displayed number, and the settings "
                "(JSON with sorted names, without blanks)."
            ),
        ),
        (
            say("Software"),
            say(
                "judged by knee_angle {judged}; this paper by {made}",
                judged=about.software,
                made=about.made_by,
            ),
        ),
        (
            say("Kept as"),
            say(
                "row {row}, {when}, by {who}",
                row=about.row,
                when=moment(about.saved_at),
                who=about.who,
            ),
        ),
    ]
    rows += [(photo_words(name), digest) for name, digest in photo_sha256.items()]
    return [Pairs(tuple(rows))]
