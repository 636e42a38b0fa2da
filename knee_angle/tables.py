"""The rules for tables that people make: what separates columns, what a number is.

One set of rules for every command that reads a table. A decimal comma is read where it can
mean nothing else; where it could also separate thousands, the number is refused.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from knee_angle.errors import InvalidInput

__all__ = [
    "NUMBER",
    "SHOWN",
    "THOUSANDS",
    "Problems",
    "check_header",
    "named",
    "no_number",
    "plain_number",
    "separator_of",
    "short",
]

SHOWN = 20
"""So many problems or names of one kind stand in a message; the rest is counted."""
SEPARATORS = ",;\t"
"""Spreadsheets write semicolons where the comma is the decimal sign."""
NUMBER = r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?"
"""A number as a spreadsheet writes it, with a point."""
THOUSANDS = re.compile(r"-?[1-9][0-9]{0,2},[0-9]{3}")
"""1,234 is 1234 to one reader and 1.234 to another."""
MOST_SIGNS = 40
"""A longer cell is cut in a message."""

_NUMBER = re.compile(NUMBER)


class Problems:
    """What is wrong with a table: the first problems in words, the others counted."""

    def __init__(self) -> None:
        self._said: list[str] = []
        self._count = 0

    def add(self, problem: str) -> None:
        """One more."""
        self._count += 1
        if self._count <= SHOWN:
            self._said.append(problem)

    def refuse(self, table: str) -> None:
        """Stop where there is any problem.

        Raises
        ------
        InvalidInput
            All of them in one line.
        """
        if self._count:
            more = f"; and {self._count - SHOWN} more" if self._count > SHOWN else ""
            raise InvalidInput(f"the table {table}: {'; '.join(self._said)}{more}")


def check_header(names: Iterable[str], problems: Problems) -> None:
    """Tell every column that is there more than once."""
    for name, count in Counter(names).items():
        if count > 1:
            problems.add(f"the column {short(name)} is there twice: rename one")


def separator_of(text: str) -> str:
    """What separates the columns: of comma, semicolon and tab the most frequent in the header.

    Examples
    --------
    >>> separator_of("photo;displayed_deg")
    ';'
    """
    return max(SEPARATORS, key=text.partition("\n")[0].count)


def plain_number(value: Any, *, comma_is_free: bool) -> float:
    """A number as a spreadsheet writes it, with a decimal point or comma, and nothing else.

    Parameters
    ----------
    value : Any
        Text of a CSV, or a value of a Parquet column.
    comma_is_free : bool
        Whether commas separate no columns: a comma is then the decimal sign. Else one in
        quotes is read too, unless it could separate thousands.

    Raises
    ------
    ValueError
        Anything else: a thousands separator, a unit, an underscore, infinity, yes or no.

    Examples
    --------
    >>> plain_number("93,5", comma_is_free=False)
    93.5
    """
    if isinstance(value, bool):
        raise ValueError(value)
    if not isinstance(value, str):
        return float(value)
    if not comma_is_free and THOUSANDS.fullmatch(value):
        raise ValueError(value)
    pointed = value.replace(",", ".")
    if not _NUMBER.fullmatch(pointed):
        raise ValueError(value)
    return float(pointed)


def no_number(column: str, value: Any) -> str:
    """Why a cell is refused, with the next step."""
    if isinstance(value, str) and THOUSANDS.fullmatch(value):
        return (
            f"{column} must be a number, but got {value!r}, which may be "
            f"{value.replace(',', '')} or {value.replace(',', '.')}: write it with a point"
        )
    return f"{column} must be a number, but got {short(value)}: write decimals with a point"


def named(names: Sequence[str]) -> str:
    """The first names, and how many more there are."""
    more = len(names) - SHOWN
    return ", ".join(names[:SHOWN]) + (f" and {more} more" if more > 0 else "")


def short(value: Any) -> str:
    """A cell for a message."""
    said = repr(value)
    return said if len(said) <= MOST_SIGNS else f"{said[:MOST_SIGNS]}..."
