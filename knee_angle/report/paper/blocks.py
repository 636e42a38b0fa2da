"""What a paper is made of.

Texts are sentences, told in the paper's language when its file is made; nothing in them is ever
read as markup.
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass, fields
from typing import Any, Literal, TypeAlias

from knee_angle.language import in_language, tell_all
from knee_angle.report.paper.drawing import Drawing

__all__ = [
    "Banner",
    "Beside",
    "Block",
    "Cell",
    "Heading",
    "Pairs",
    "Paper",
    "Picture",
    "Row",
    "Shape",
    "Signatures",
    "Table",
    "Tone",
    "Words",
    "as_json",
]

Tone = Literal["past", "outside", "undecided", "within", "plain"]
"""How loud something is; said by word and shape, too, never by colour alone."""
Shape = Literal["octagon", "triangle", "bar", "circle", ""]
SENTENCE_END = re.compile(r"(?<=[a-zäöüß)°]{2}\.) (?=[A-ZÄÖÜ])")
"""Between two sentences; after one letter alone a full stop is an abbreviation's (``z. B.``)."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; 2 is below the paper's title. It may begin a page."""

    text: str
    level: int = 2
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph, with words before it that stand out; or each of its sentences a step."""

    text: str
    lead: str = ""
    small: bool = False
    steps: bool = False


@dataclass(frozen=True, slots=True)
class Banner:
    """What is to be read first."""

    head: str
    text: str = ""
    tone: Tone = "plain"
    shape: Shape = ""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of a table.

    Parameters
    ----------
    text : str
    detail : str
        Beside it, quieter.
    strong, large : bool
    tone : Tone
    share : float or None
        Drawn as a bar before the text, 0 to 1.
    across : int
        How many columns it takes.
    """

    text: str
    detail: str = ""
    strong: bool = False
    large: bool = False
    tone: Tone = "plain"
    share: float | None = None
    across: int = 1


Row: TypeAlias = tuple["str | Cell", ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head that is repeated on every page.

    Parameters
    ----------
    head : tuple of str
    rows : tuple of rows
    align : str
        A letter a column: l, r or c.
    widths : tuple of float
        Shares of the width; 0: as wide as its words. Empty: all 0.
    caption : str
    """

    head: tuple[str, ...]
    rows: tuple[Row, ...]
    align: str
    widths: tuple[float, ...] = ()
    caption: str = ""


@dataclass(frozen=True, slots=True)
class Pairs:
    """Names and what stands beside each."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawing, and the same in words for who cannot see it."""

    drawing: Drawing
    alt: str
    caption: str = ""
    width_share: float = 1.0
    most_mm: float = 200.0


@dataclass(frozen=True, slots=True)
class Signatures:
    """Places to sign, each with who is to."""

    who: tuple[str, ...]
    date: str


@dataclass(frozen=True, slots=True)
class Beside:
    """Columns; stacked where the page is narrow."""

    columns: tuple[tuple[Block, ...], ...]
    shares: tuple[float, ...]


Block: TypeAlias = Heading | Words | Banner | Table | Pairs | Picture | Signatures | Beside


@dataclass(frozen=True, slots=True)
class Paper:
    """A whole paper.

    Parameters
    ----------
    title : str
    about : str
        Beneath the title: codes and dates, no names.
    blocks : tuple of Block
    foot : str
        On every page.
    page_word : str
        Words of a page's number, with ``{page}`` and ``{pages}``.
    one_page : bool
        Whether it is set smaller where it would else not stand on one page.
    """

    title: str
    about: str
    blocks: tuple[Block, ...]
    foot: str
    page_word: str
    one_page: bool = False


def as_json(paper: Paper, language: str) -> dict[str, Any]:
    """The paper as plain values in one language, each block with its kind.

    Cells are never bare texts, and drawings are SVG.
    """
    with in_language(language):
        told: dict[str, Any] = tell_all(
            {
                "title": paper.title,
                "about": paper.about,
                "foot": paper.foot,
                "language": language,
                "page_word": paper.page_word,
                "one_page": paper.one_page,
                "blocks": [_plain(block) for block in paper.blocks],
            }
        )
    told["blocks"] = _numbered(told["blocks"])
    return told


def _numbered(blocks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Every step a line with its number, once told: a language has sentences of its own."""
    found: list[dict[str, Any]] = []
    number = 0
    for block in blocks:
        if not block.get("steps"):
            found.append(block)
            continue
        for step in SENTENCE_END.split(block["text"].strip()):
            number += 1
            found.append({**block, "text": step, "lead": f"{number}."})
    return found


def _plain(block: Block) -> dict[str, Any]:
    kind = type(block).__name__.lower()
    if isinstance(block, Beside):
        columns = [[_plain(one) for one in column] for column in block.columns]
        return {"kind": kind, "columns": columns, "shares": list(block.shares)}
    if isinstance(block, Picture):
        fields_ = {one.name: getattr(block, one.name) for one in fields(block)}
        return {"kind": kind, **fields_, "drawing": None, "svg": block.drawing.svg()}
    if isinstance(block, Table):
        rows = [[asdict(_cell(cell)) for cell in row] for row in block.rows]
        widths = list(block.widths) or [0.0] * len(block.head)
        return {"kind": kind, **asdict(block), "rows": rows, "widths": widths}
    return {"kind": kind, **asdict(block)}


def _cell(cell: str | Cell) -> Cell:
    return Cell(cell) if isinstance(cell, str) else cell
