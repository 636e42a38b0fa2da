"""Codes of machines and patients to print and stick on: a QR code with the same word beneath it."""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.errors import InvalidInput
from knee_angle.language import say, tell
from knee_angle.photo.codes import Whose, printed
from knee_angle.report.printed_page import INK, MARGIN_MM, NUMBER_PT, PrintedPage
from knee_angle.report.sheets import PAPER_MM, Paper

__all__ = ["MOST_CODES", "code_sheet"]

COLUMNS, ROWS = 3, 4
MOST_CODES = COLUMNS * ROWS
CODE_MM = 32.0
"""Edge of a code with 25 cells: a phone reads cells of 1.3 mm from half a metre (our own)."""
QUIET_CELLS = 4
"""White around it (ISO/IEC 18004)."""
TOP_MM, CARD_HIGH_MM = 36.0, 52.0

STEPS = {
    "machine": (
        say("Stick the card on the machine where a hand reaches it, away from bars and hinge."),
        say("On the page tap “Scan a code” and photograph it."),
    ),
    "patient": (
        say("The card carries a code and no name. Who it is stands in the hospital's own list."),
        say("On the page tap “Scan a code” and photograph it."),
    ),
}


def code_sheet(codes: Sequence[str], *, whose: Whose = "machine", paper: Paper = "a4") -> bytes:
    """Cards with the codes, one each.

    Parameters
    ----------
    codes : sequence of str
        Checked codes, 1 to `MOST_CODES`.
    whose : {"machine", "patient"}
        What they name: the page then needs not ask.
    paper : {"a4", "letter"}
        Paper size.

    Returns
    -------
    bytes
        A PDF of one page.

    Raises
    ------
    InvalidInput
        No code or too many; the package that draws codes is not installed.
    """
    if not 1 <= len(codes) <= MOST_CODES:
        raise InvalidInput(
            say(
                "a sheet takes 1 to {most} codes, but got {count}: print them on several sheets",
                most=MOST_CODES, count=len(codes),
            )
        )  # fmt: skip
    width_mm, height_mm = PAPER_MM[paper]
    page = PrintedPage.new(width_mm, height_mm, title="Codes")
    heads = {"machine": tell("Codes of machines"), "patient": tell("Codes of patients")}
    page.head(heads[whose], tell("Scanned on the page instead of typed."))
    card_mm = (width_mm - 2 * MARGIN_MM) / COLUMNS
    for place, code in enumerate(codes):
        left_mm = MARGIN_MM + (place % COLUMNS) * card_mm
        _draw_card(page, code, whose, left_mm, TOP_MM + (place // COLUMNS) * CARD_HIGH_MM, card_mm)
    steps_mm = TOP_MM + ROWS * CARD_HIGH_MM + 9.0
    page.steps([tell(step) for step in STEPS[whose]], MARGIN_MM, steps_mm, width_mm - 2 * MARGIN_MM)
    return page.finish()


def _draw_card(
    page: PrintedPage, code: str, whose: Whose, left_mm: float, top_mm: float, card_mm: float
) -> None:
    """One card: the code's cells, and its word."""
    cells = _cells(printed(code, whose))
    cell_mm = CODE_MM / len(cells)
    high_mm = CARD_HIGH_MM - 4.0
    page.cut_line(left_mm + 2.0, top_mm, card_mm - 4.0, high_mm)
    first_x_mm = left_mm + (card_mm - CODE_MM) / 2
    first_y_mm = top_mm + QUIET_CELLS * cell_mm
    page.rectangles(
        [
            (first_x_mm + x * cell_mm, first_y_mm + y * cell_mm, cell_mm, cell_mm)
            for y, row in enumerate(cells)
            for x, dark in enumerate(row)
            if dark
        ],
        INK,
    )
    page.text(
        code, left_mm + card_mm / 2, top_mm + high_mm - 3.5, size_pt=NUMBER_PT + 4,
        font="Helvetica-Bold", anchor="middle",
    )  # fmt: skip


def _cells(text: str) -> Sequence[Sequence[int]]:
    try:
        import segno
    except ImportError:
        raise InvalidInput(
            say("printing codes needs the package segno: pip install 'knee-angle[ward]'")
        ) from None
    return tuple(segno.make(text, error="m", micro=False).matrix)
