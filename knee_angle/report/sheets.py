"""Sheets to print: tags for the machine's base and bars, dots for leg and machine.

Drawn to scale, as vectors. Each sheet carries a 100 mm rule, because printers like
to shrink, and a measurement is only as good as the print. The same arguments give
the same bytes.

Lengths are millimetres from the top left corner of the page, y down.
"""

from __future__ import annotations

import math
from typing import Literal

import cv2

from knee_angle.angle import words
from knee_angle.assumptions import STRIP_GAP
from knee_angle.errors import InvalidInput
from knee_angle.language import say, tell
from knee_angle.photo.tags import SHANK_TAG, THIGH_TAG
from knee_angle.report.printed_page import (
    INK,
    MARGIN_MM,
    NUMBER_PT,
    RULE_MM,
    SMALL_PT,
    Colour,
    PrintedPage,
)
from knee_angle.settings import Settings, meaning_of

__all__ = ["DOT_COLOURS", "Paper", "bar_sheet", "dot_sheet", "tag_sheet"]

Paper = Literal["a4", "letter"]

PAPER_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height, upright."""

DOT_COLOURS: dict[str, Colour] = {
    "green": (0.0, 0.62, 0.28),
    "blue": (0.0, 0.33, 0.75),
    "magenta": (0.84, 0.0, 0.50),
    "black": (0.0, 0.0, 0.0),
}
"""Strong, and far from any skin, sheet or machine."""

TAGS_IN_STRIP = 4
QUIET_MM = 8.0
"""Least white around the strip."""
LAST_FIRST_ID = THIGH_TAG - TAGS_IN_STRIP
"""AprilTag family 36h11 has the numbers 0 to 586; the last two belong to the bars."""
CELLS = 8
"""Cells along a tag's black square: 6 of data in a frame of 1."""
CARD_FOOT_MM = 13.0
"""Room under a bar's tag for its name and arrow."""

TAG_STEPS = (
    say("Print at 100 % (actual size), then measure the rule: it must be 100 mm long."),
    say("Cut along the dashed line. Keep all the white around the tags."),
    say(
        "Stick the strip flat on the machine's base rail, or on a rigid card fixed "
        "there. It must not bend, and it must face sideways, towards the camera."
    ),
    say("Its printed face must be parallel to the plane in which the bars move."),
    say("Never cover a tag. Clean the strip as you clean the machine, and replace it when worn."),
)

BAR_STEPS = (
    say("Print at 100 % (actual size), then measure the rule: it must be 100 mm long."),
    say(
        "Cut along the dashed lines. Keep all the white. Where a bar is narrower "
        "than its card, stick the card on a stiff plate that is fixed to the bar."
    ),
    say(
        "With the machine stopped, stick the cards on the faces of the bars that "
        "look to the camera: THIGH on the thigh bar, LOWER LEG on the lower-leg "
        "bar, flat, both arrows towards the foot."
    ),
    say(
        "Put the two small triangles of each card on the bar's middle line, the "
        "line through the hinge's centre. The middle of the tag is 100 to 200 mm "
        "from the hinge's centre."
    ),
    say(
        "Stick them once and leave them there: how a card lies is part of the "
        "machine's check. When one was moved or replaced, check the machine again."
    ),
    say(
        "A machine for both legs takes one kit on each side. Never cover a tag. "
        "Clean the cards as you clean the machine."
    ),
)

BAR_CARDS = ((THIGH_TAG, say("THIGH bar")), (SHANK_TAG, say("LOWER LEG bar")))

DOT_STEPS = (
    say(
        "Print at 100 % (actual size) on adhesive paper. Measure the rule: it must be 100 mm long."
    ),
    say(
        "Stick dots 1 to 3 on the side of the leg that faces the camera, each with "
        "its centre on the bony point. Find the points by hand with the leg in the "
        "machine."
    ),
    say(
        "Stick dots 4 to 6 on the machine: on each bar in line with the hinge's "
        "centre, and on the hinge itself."
    ),
    say(
        "Use dots of one colour and size, and new ones for each patient. Never on "
        "a wound, a dressing or fragile skin."
    ),
    words.NERVE_BLOCK,
)

DOT_PLACES = (
    (say("Hip"), say("greater trochanter")),
    (say("Knee"), say("lateral femoral epicondyle")),
    (say("Ankle"), say("lateral malleolus")),
    (say("Thigh bar"), say("far from the hinge")),
    (say("Hinge"), say("centre of rotation")),
    (say("Lower-leg bar"), say("far from the hinge")),
)


SHOWS_CAMERA = say("Shows the camera's direction. Black squares of {tag_mm:g} mm.")
SHOWS_BARS = say("Show the angle of the machine's bars. Black squares of {tag_mm:g} mm.")
MARKS_LEG = say("Marks leg and machine. Dots of {dot_mm:g} mm, {colour}.")
COLOUR_WORDS = {
    "green": say("green"), "blue": say("blue"), "magenta": say("magenta"), "black": say("black"),
}  # fmt: skip

DOT_FOOT_MM = 88.0
"""Room under the dots for the steps, the rule and the foot, in the longest language."""


def tag_sheet(
    paper: Paper = "a4", *, tag_mm: float = Settings().tag_mm, first_id: int = 0
) -> bytes:
    """A strip of four AprilTags (family 36h11) in a row, on a page lying on its side.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Paper size.
    tag_mm : float
        Edge of a tag's black square, mm, 20 to 100 as far as the paper allows.
    first_id : int
        Number of the leftmost tag, 0 to 583; the others follow.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    InvalidInput
        A paper, size or number that does not exist, or a strip longer than the paper.
    """
    height_mm, width_mm = _paper_mm(paper)
    _check_printable("tag_mm", tag_mm, of="tag_mm")
    if not 0 <= first_id <= LAST_FIRST_ID:
        raise InvalidInput(
            say(
                "first_id must be between 0 and {last_first_id}, but got {first_id}: the "
                "strip takes four numbers, and {thigh_tag} and {shank_tag} belong to the "
                "bars.",
                last_first_id=LAST_FIRST_ID,
                first_id=first_id,
                thigh_tag=THIGH_TAG,
                shank_tag=SHANK_TAG,
            )
        )
    usable_mm = width_mm - 2 * MARGIN_MM
    if _strip_mm(tag_mm) > usable_mm:
        largest_mm = math.floor(10 * _largest_tag_mm(usable_mm)) / 10
        raise InvalidInput(
            say(
                "tag_mm must be at most {largest_mm:g} on {paper} paper, but got "
                "{tag_mm:g}: choose a smaller tag or print on larger paper.",
                largest_mm=largest_mm,
                paper=paper,
                tag_mm=tag_mm,
            )
        )
    page = PrintedPage.new(width_mm, height_mm, title=tell("Tag strip"))
    page.head(tell("Tag strip"), tell(SHOWS_CAMERA.format(tag_mm=tag_mm)))
    bottom_mm = _draw_strip(page, tag_mm=tag_mm, first_id=first_id, top_mm=35.0)
    rule_x = width_mm - MARGIN_MM - RULE_MM
    page.steps(TAG_STEPS, MARGIN_MM, bottom_mm + 13.0, rule_x - MARGIN_MM - 14.0)
    page.rule(rule_x, bottom_mm + 13.0)
    return page.finish()


def bar_sheet(paper: Paper = "a4", *, tag_mm: float = Settings().bar_tag_mm) -> bytes:
    """Two AprilTags (family 36h11), one for each bar of the machine, on cards of their own.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Paper size.
    tag_mm : float
        Edge of a tag's black square, mm, 25 to 60.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    InvalidInput
        A paper or size that does not exist.
    """
    width_mm, height_mm = _paper_mm(paper)
    _check_printable("tag_mm", tag_mm, of="bar_tag_mm")
    page = PrintedPage.new(width_mm, height_mm, title=tell("Bar tags"))
    page.head(tell("Bar tags"), tell(SHOWS_BARS.format(tag_mm=tag_mm)))
    card_mm = tag_mm + 2 * _quiet_mm(tag_mm)
    gap_mm = (width_mm - 2 * MARGIN_MM - 2 * card_mm) / 3
    for place, (number, name) in enumerate(BAR_CARDS):
        left_mm = MARGIN_MM + gap_mm + place * (card_mm + gap_mm)
        _draw_card(page, number, name, left_mm=left_mm, top_mm=38.0, tag_mm=tag_mm)
    y_mm = 38.0 + card_mm + CARD_FOOT_MM + 13.0
    y_mm = page.steps(BAR_STEPS, MARGIN_MM, y_mm, width_mm - 2 * MARGIN_MM)
    page.rule(MARGIN_MM, y_mm + 5.0)
    return page.finish()


def dot_sheet(paper: Paper = "a4", *, dot_mm: float = 16.0, colour: str = "green") -> bytes:
    """Round dots in six numbered columns, one for each place on leg and machine.

    Parameters
    ----------
    paper : {"a4", "letter"}
        Paper size.
    dot_mm : float
        Diameter, mm, 10 to 25.
    colour : str
        One of :data:`DOT_COLOURS`.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    InvalidInput
        A paper, size or colour that does not exist.
    """
    width_mm, height_mm = _paper_mm(paper)
    _check_printable("dot_mm", dot_mm, of="dot_mm")
    if colour not in DOT_COLOURS:
        raise InvalidInput(
            say(
                "colour must be one of {dot_colours}, but got {colour!r}: these are found best.",
                dot_colours=", ".join(DOT_COLOURS),
                colour=colour,
            )
        )
    page = PrintedPage.new(width_mm, height_mm, title=tell("Dot sheet"))
    page.head(tell("Dot sheet"), tell(MARKS_LEG.format(dot_mm=dot_mm, colour=COLOUR_WORDS[colour])))
    foot_mm = height_mm - MARGIN_MM - DOT_FOOT_MM
    colour_rgb = DOT_COLOURS[colour]
    y_mm = _draw_dots(page, dot_mm=dot_mm, colour=colour_rgb, top_mm=38.0, bottom_mm=foot_mm)
    y_mm = page.steps(DOT_STEPS, MARGIN_MM, y_mm + 9.0, width_mm - 2 * MARGIN_MM)
    page.rule(MARGIN_MM, y_mm + 4.0)
    return page.finish()


# ---------------------------------------------------------------- checks and sizes


def _paper_mm(paper: str) -> tuple[float, float]:
    if paper not in PAPER_MM:
        raise InvalidInput(
            say("paper must be a4 or letter, but got {paper!r}: choose one of them.", paper=paper)
        )
    return PAPER_MM[paper]


def _check_printable(name: str, value: float, *, of: str) -> None:
    """Refuse a size that the setting ``of`` may have, but that no sheet is printed with."""
    low, high = meaning_of(of).printable or (0.0, math.inf)
    if not low <= value <= high:
        raise InvalidInput(
            say(
                "{name} must be between {low:g} and {high:g} mm, but got {value:g}: was it "
                "meant in other units?",
                name=name,
                low=low,
                high=high,
                value=value,
            )
        )


def _quiet_mm(tag_mm: float) -> float:
    """White around the strip: as wide as a gap, and never less than 8 mm."""
    return max(QUIET_MM, STRIP_GAP * tag_mm)


def _strip_mm(tag_mm: float) -> float:
    """Length of the strip with its white ends."""
    return TAGS_IN_STRIP * tag_mm + (TAGS_IN_STRIP - 1) * STRIP_GAP * tag_mm + 2 * _quiet_mm(tag_mm)


def _largest_tag_mm(usable_mm: float) -> float:
    """The tag whose strip just fits."""
    row = TAGS_IN_STRIP + (TAGS_IN_STRIP - 1) * STRIP_GAP
    return min((usable_mm - 2 * QUIET_MM) / row, usable_mm / (row + 2 * STRIP_GAP))


# ---------------------------------------------------------------- drawing


def _draw_strip(page: PrintedPage, *, tag_mm: float, first_id: int, top_mm: float) -> float:
    """The strip in its cut line, centred; returns where it ends, mm."""
    quiet_mm = _quiet_mm(tag_mm)
    long_mm, high_mm = _strip_mm(tag_mm), tag_mm + 2 * quiet_mm + 6.0
    left_mm = (page.width_mm - long_mm) / 2
    page.cut_line(left_mm, top_mm, long_mm, high_mm)
    tag_top_mm = top_mm + quiet_mm
    for place in range(TAGS_IN_STRIP):
        tag_left_mm = left_mm + quiet_mm + place * (1 + STRIP_GAP) * tag_mm
        _draw_tag(page, first_id + place, tag_left_mm, tag_top_mm, tag_mm)
        page.text(
            f"{first_id + place}",
            tag_left_mm + tag_mm / 2,
            tag_top_mm + tag_mm + quiet_mm + 3.2,
            size_pt=NUMBER_PT,
            anchor="middle",
        )
    return top_mm + high_mm


def _draw_card(
    page: PrintedPage, number: int, name: str, *, left_mm: float, top_mm: float, tag_mm: float
) -> None:
    """One bar's card: its tag, middle marks at both ends, its name and an arrow to the foot."""
    quiet_mm = _quiet_mm(tag_mm)
    card_mm = tag_mm + 2 * quiet_mm
    right_mm, middle_mm = left_mm + card_mm, top_mm + quiet_mm + tag_mm / 2
    page.cut_line(left_mm, top_mm, card_mm, card_mm + CARD_FOOT_MM)
    _draw_tag(page, number, left_mm + quiet_mm, top_mm + quiet_mm, tag_mm)
    for edge_mm, inwards in ((left_mm, 1.0), (right_mm, -1.0)):
        tip = (edge_mm + inwards * 2.6, middle_mm)
        page.polygon([(edge_mm, middle_mm - 1.3), (edge_mm, middle_mm + 1.3), tip])
    words_mm = top_mm + card_mm + 1.0
    page.text(
        f"{tell(name)}  {number}",
        left_mm + card_mm / 2,
        words_mm,
        font="Helvetica-Bold",
        anchor="middle",
    )
    arrow_mm = words_mm + 5.5
    start_mm, tip_mm = left_mm + quiet_mm, right_mm - quiet_mm
    page.line(start_mm, arrow_mm, tip_mm - 3.0, arrow_mm, colour=INK, width_mm=0.8)
    page.polygon(
        [(tip_mm - 4.0, arrow_mm - 2.0), (tip_mm - 4.0, arrow_mm + 2.0), (tip_mm, arrow_mm)]
    )
    page.text(
        tell("to the foot"),
        left_mm + card_mm / 2,
        arrow_mm + 4.6,
        size_pt=SMALL_PT,
        anchor="middle",
    )


def _draw_tag(page: PrintedPage, number: int, left_mm: float, top_mm: float, tag_mm: float) -> None:
    """One tag: a black square, its white cells cut out of it."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    cells = cv2.aruco.generateImageMarker(family, number, CELLS)
    cell_mm = tag_mm / CELLS
    page.rectangles([(left_mm, top_mm, tag_mm, tag_mm)], INK)
    # One path for all of them: two areas that touch would show a hairline between.
    page.rectangles(
        [
            (left_mm + column * cell_mm, top_mm + row * cell_mm, cell_mm, cell_mm)
            for row in range(CELLS)
            for column in range(CELLS)
            if cells[row, column]
        ],
        (1.0, 1.0, 1.0),
    )


def _draw_dots(
    page: PrintedPage, *, dot_mm: float, colour: Colour, top_mm: float, bottom_mm: float
) -> float:
    """Six columns under their places, as many rows as fit; returns where they end, mm."""
    column_mm = (page.width_mm - 2 * MARGIN_MM) / len(DOT_PLACES)
    for group, first in ((tell("On the leg"), 0), (tell("On the machine"), 3)):
        left_mm = MARGIN_MM + first * column_mm
        page.text(group, left_mm + 1.5 * column_mm, top_mm, font="Helvetica-Bold", anchor="middle")
        page.line(left_mm + 3, top_mm + 2.2, left_mm + 3 * column_mm - 3, top_mm + 2.2)
    row_mm = dot_mm + 6.0
    first_mm = top_mm + 20.0
    rows = int((bottom_mm - first_mm) / row_mm)
    for column, (place, where) in enumerate(DOT_PLACES):
        x_mm = MARGIN_MM + (column + 0.5) * column_mm
        page.text(
            f"{column + 1}  {tell(place)}",
            x_mm,
            top_mm + 7.5,
            font="Helvetica-Bold",
            anchor="middle",
        )
        page.wrapped(where, x_mm, top_mm + 11.5, column_mm - 3)
        for row in range(rows):
            page.dot(x_mm, first_mm + (row + 0.5) * row_mm, dot_mm, colour)
    return first_mm + rows * row_mm
