"""A paper as PDF: tagged, PDF/UA-1, with its own fonts, by Typst.

Texts go to Typst as data, so nothing in them is read as its markup. No file is read but those
of this folder, no system font is used, and no package is fetched.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import as_file, files
from typing import Any, Literal

from knee_angle.errors import InvalidInput
from knee_angle.files.extras import needs
from knee_angle.language import say
from knee_angle.report.paper.blocks import Paper, as_json

__all__ = ["SIZES", "Size", "pdf_of"]

Size = Literal["a4", "letter"]
SIZES: dict[str, str] = {"a4": "a4", "letter": "us-letter"}
"""Paper sizes by Typst's names."""
STANDARD = "ua-1"
NOTHING_SUSPECT = b"/Suspects false"
SCALES = ((1.0, 1.0), (0.93, 0.86), (0.86, 0.74), (0.8, 0.64), (0.8, 0.4), (0.8, 0.2))
"""How small letters and pictures of a paper of one page are set, the first that fits: at most
7.6 pt, as a package leaflet (our own); then pictures give way.
"""
Scale = tuple[float, float]

A_FEW_PAGES = 4
"""Of so many pages one is worth smaller letters, and laying out again takes no time."""


def pdf_of(paper: Paper, size: Size = "a4", language: str = "en") -> bytes:
    """The paper as PDF; the same paper gives the same bytes.

    Parameters
    ----------
    paper : Paper
    size : {"a4", "letter"}
    language : {"en", "de"}

    Raises
    ------
    InvalidInput
        A size that does not exist; typst is not installed.
    """
    needs("typst")
    import typst

    if size not in SIZES:
        raise InvalidInput(
            say("paper must be a4 or letter, but got {size!r}: choose one of them", size=size)
        )
    told = as_json(paper, language) | {"paper": SIZES[size]}
    pictures: dict[str, bytes] = {}
    for block in told["blocks"]:
        _named(block, pictures)
    sources = {
        "main.typ": _template(),
        "paper.json": json.dumps(told).encode(),
        **pictures,
    }
    scale = _scale(sources, one_page=paper.one_page)
    # Typst's types know one file alone; it takes several by their names.
    made: bytes = typst.compile(  # type: ignore[call-overload]
        sources, format="pdf", font_paths=_fonts(), pdf_standards=STANDARD, timestamp=0,
        sys_inputs=_inputs(scale),
    )  # fmt: skip
    # Some readers (poppler) call this entry, which says that nothing is suspect, an error.
    return made.replace(NOTHING_SUSPECT, b" " * len(NOTHING_SUSPECT))


def _inputs(scale: Scale) -> dict[str, str]:
    letters, pictures = scale
    return {"scale": f"{letters:g}", "pictures": f"{pictures:g}"}


def _scale(sources: dict[str, bytes], *, one_page: bool) -> Scale:
    """The largest scale at which everything stands on one page, else the usual one.

    A paper of a few pages is set a little smaller where that saves one: Letter is 18 mm lower
    than A4, German longer than English.
    """
    usual = _pages(sources, SCALES[0])
    if usual == 1:
        return SCALES[0]
    if not one_page:
        saves = usual <= A_FEW_PAGES and _pages(sources, SCALES[1]) < usual
        return SCALES[1] if saves else SCALES[0]
    return next((scale for scale in SCALES[1:] if _pages(sources, scale) == 1), SCALES[0])


def _pages(sources: dict[str, bytes], scale: Scale) -> int:
    """How many pages there are at a scale."""
    import typst

    pages = typst.query(
        sources, "<pages>", field="value", one=True, font_paths=_fonts(),
        sys_inputs=_inputs(scale),
    )  # fmt: skip
    return int(pages)


def _named(block: dict[str, Any], pictures: dict[str, bytes]) -> None:
    """Give every picture a file name, and its content to `pictures`."""
    for column in block.get("columns", ()):
        for one in column:
            _named(one, pictures)
    if block["kind"] == "picture":
        block["file"] = f"picture-{len(pictures) + 1}.svg"
        pictures[block["file"]] = block.pop("svg").encode()


@cache
def _template() -> bytes:
    return files(__package__).joinpath("page.typ").read_bytes()


@cache
def _fonts() -> Any:
    """Our own and those inside Typst; read once."""
    import typst

    with as_file(files(__package__).joinpath("fonts")) as folder:
        return typst.Fonts(include_system_fonts=False, font_paths=[str(folder)])
