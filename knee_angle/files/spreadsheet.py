"""Texts in CSV that no spreadsheet runs, and back.

A spreadsheet takes a text that begins with = + - @ (or their full-width forms) for a formula. It
may leave out blanks before the sign, and one that separates columns by semicolons (where the
comma is the decimal sign) or by tabs also begins a cell within ours. An apostrophe before the
sign makes it text; whoever reads our tables takes it away again.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["as_given", "harmless"]

BLANKS = "[\x01-\x20\x7f\xa0\u1680\u2000-\u200f\u2028-\u202f\u205f-\u206f\u3000\ufeff]*"
"""Control characters, spaces and what has no width, as themselves: two engines read them."""
SIGNS = "[-=+@\uff0d\uff1d\uff0b\uff20]"
BREAKS = "[;|\t\r\n]"
"""What other spreadsheets separate cells or rows by; a comma stands within quotes here."""
BEGINS = re.compile(f"{BLANKS}{SIGNS}|[\t\r\n]")
WITHIN = re.compile(f"({BREAKS})(?={BLANKS}{SIGNS})")
MARKED = f"(^|{BREAKS})'({BLANKS}{SIGNS}|[\t\r\n])"
"""An apostrophe that `harmless` wrote."""


def harmless(value: Any) -> Any:
    """A cell as it is written to CSV: a flag in capitals, a number as it is.

    >>> harmless("=1+1"), harmless("a;=1"), harmless(-5.0), harmless(True)
    ("'=1+1", "a;'=1", -5.0, 'TRUE')
    """
    if isinstance(value, bool):
        return str(value).upper()
    if not isinstance(value, str):
        return value
    begun = BEGINS.match(value)
    start, mark = (0, "") if begun is None else (begun.end(), "'")
    return mark + value[:start] + WITHIN.sub(r"\1'", value[start:])


def as_given(cells: pa.Table) -> pa.Table:
    """Text cells of a table of ours as they were before `harmless`."""
    import pyarrow as pa
    import pyarrow.compute as pc

    columns = [
        pc.replace_substring_regex(column, MARKED, r"\1\2")
        if pa.types.is_string(column.type) and pc.any(pc.match_substring(column, "'")).as_py()
        else column
        for column in cells.columns
    ]
    return pa.table(columns, names=cells.column_names) if columns else cells
