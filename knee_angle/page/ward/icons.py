"""The icon font with the icons that can be shown, and no other: a tenth of its bytes.

Streamlit brings all of some four thousand icons, 375 kB: three seconds at 1 Mbit/s, in which
nothing else arrives. Kept are those that our pages name and those whose name stands as a word in
Streamlit's own scripts.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fontTools import subset, ttLib

__all__ = ["FONT", "icons_of", "named_here", "only_ours", "with_icons"]

FONT = "MaterialSymbols-"
"""Begin of the font's name."""
OURS = re.compile(r":material/(\w+):")
QUOTED = re.compile(rb"[`\"']([a-z0-9_]{2,40})[`\"']")
PACKAGE = Path(__file__).parents[1]


def only_ours(font: bytes, scripts: Path) -> bytes:
    """The font, reduced; as it is where that cannot be done.

    Parameters
    ----------
    font : bytes
        WOFF2.
    scripts : Path
        Folder of Streamlit's scripts.
    """
    named = named_here()
    for path in scripts.glob("*.js"):
        named |= {name.decode() for name in QUOTED.findall(path.read_bytes())}
    return with_icons(font, named)


def named_here() -> set[str]:
    """Names of the icons that our own pages show."""
    sources = (path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py"))
    return {name for source in sources for name in OURS.findall(source)}


def with_icons(font: bytes, named: set[str]) -> bytes:
    """The font with the icons of these names; as it is where it has none of them."""
    whole = ttLib.TTFont(io.BytesIO(font))
    kept = {name: glyph for name, glyph in icons_of(whole) if name in named}
    if not kept:
        return font
    options = subset.Options(layout_closure=False, layout_features=["*"], flavor="woff2")
    made = subset.Subsetter(options)
    made.populate(glyphs=list(kept.values()), text="".join(kept))
    made.subset(whole)
    out = io.BytesIO()
    subset.save_font(whole, out, options)
    return out.getvalue()


def icons_of(font: Any) -> Iterator[tuple[str, str]]:
    """Each icon's name, as a page writes it, and its glyph."""
    letters = {glyph: chr(code) for code, glyph in font.getBestCmap().items()}
    for lookup in font["GSUB"].table.LookupList.Lookup:
        for table in lookup.SubTable:
            found = getattr(getattr(table, "ExtSubTable", table), "ligatures", {})
            for first, ligatures in found.items():
                for one in ligatures:
                    parts = [first, *one.Component]
                    if all(part in letters for part in parts):
                        yield "".join(letters[part] for part in parts), one.LigGlyph
