"""What is wrong with a table, in words: the first problems told, the others counted."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any

from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say

__all__ = ["SHOWN", "THOUSANDS", "Problems", "check_header", "named", "no_number", "short"]

SHOWN = 20
"""So many problems or names of one kind stand in a message; the rest is counted."""
THOUSANDS = re.compile(r"-?[1-9][0-9]{0,2},[0-9]{3}")
"""1,234 is 1234 to one reader and 1.234 to another."""
MOST_SIGNS = 40
"""A longer cell is cut in a message."""


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

    def add_all(self, problems: Iterable[str], *, count: int) -> None:
        """So many more, of which only those that are told need be put in words."""
        for problem, _ in zip(problems, range(min(count, SHOWN)), strict=False):
            self.add(problem)
        self._count += max(0, count - SHOWN)

    def refuse(self, table: str) -> None:
        """Stop where there is any problem.

        Raises
        ------
        InvalidInput
            All of them in one line.
        """
        if self._count:
            more = self._count - SHOWN
            said = [*self._said, *([say("and {count} more", count=more)] if more > 0 else [])]
            raise InvalidInput(
                say("the table {table}: {said}", table=table, said=joined("; ", said))
            )


def check_header(names: Iterable[str], problems: Problems) -> None:
    """Tell every column that is there more than once."""
    for name, count in Counter(names).items():
        if count > 1:
            problems.add(say("the column {name} is there twice: rename one", name=short(name)))


def no_number(column: str, value: Any) -> str:
    """Why a cell is refused, with the next step."""
    if isinstance(value, str) and THOUSANDS.fullmatch(value):
        return say(
            "{column} must be a number, but got {value!r}, which may be {whole} or {decimal}: "
            "write it with a point",
            column=column, value=value, whole=value.replace(",", ""),
            decimal=value.replace(",", "."),
        )  # fmt: skip
    return say(
        "{column} must be a number, but got {value}: write decimals with a point",
        column=column, value=short(value),
    )  # fmt: skip


def named(names: Sequence[str], *, of: int | None = None) -> str:
    """The first names, and how many more there are; ``of`` counts those that are not given."""
    more = (len(names) if of is None else of) - SHOWN
    some = ", ".join(names[:SHOWN])
    return say("{some} and {count} more", some=some, count=more) if more > 0 else some


def short(value: Any) -> str:
    """A cell for a message."""
    said = repr(value)
    return said if len(said) <= MOST_SIGNS else f"{said[:MOST_SIGNS]}..."
