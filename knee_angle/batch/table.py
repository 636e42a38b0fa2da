"""What is known about the photos from elsewhere, joined by name.

Nothing is guessed: a photo's row is the one that names it exactly, and every missing and
surplus name is reported at once.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from itertools import islice
from typing import TYPE_CHECKING, Any

from knee_angle.errors import InvalidInput
from knee_angle.files.on_disk import OnDisk
from knee_angle.files.tables import DISPLAYED, PHOTO, SHOWN, Table, named
from knee_angle.language import joined, say, say_many

if TYPE_CHECKING:
    import pyarrow

__all__ = ["Known"]

MISMATCH = say(
    "the table {table} does not match the photos: {found}; names must be exactly like {example}"
)
MISMATCH_OR_PARTIAL = say(
    "the table {table} does not match the photos: {found}; names must be exactly like {example} "
    "(or allow it with --partial-table)"
)


class Known:
    """A table's rows by photo; without a table, nothing of any photo.

    Parameters
    ----------
    table : Table or None
        With the column ``photo``.
    """

    def __init__(self, table: Table | None) -> None:
        self._table = table
        self._rows = OnDisk[int](int, int)
        if table is None:
            return
        for row, photo in enumerate(table.each(PHOTO)):
            self._rows[photo or ""] = row
        self._displayed = table.numbers(DISPLAYED) if table.has(DISPLAYED) else None

    @property
    def joined(self) -> pyarrow.Schema:
        """The columns that go into the result as they are."""
        import pyarrow

        return pyarrow.schema([]) if self._table is None else self._table.others.schema

    def displayed_deg(self, photo: str) -> float | None:
        """The machine's number, degrees of flexion; None where there is none."""
        row = None if self._table is None else self._rows.get(photo)
        if row is None or self._displayed is None or math.isnan(self._displayed[row]):
            return None
        return float(self._displayed[row])

    def others(self, photo: str) -> dict[str, Any]:
        """What the joined columns hold for a photo, None where it has no row."""
        if self._table is None:
            return {}
        row = self._rows.get(photo)
        if row is None:
            return dict.fromkeys(self._table.others.column_names)
        found: dict[str, Any] = self._table.others.slice(row, 1).to_pylist()[0]
        return found

    def match(self, photos: Collection[str], *, partial: bool) -> list[str]:
        """What photos and table do not have in common, as sentences; none where they match.

        Raises
        ------
        InvalidInput
            They do not match, and ``partial`` does not allow it; or not one name is in both.
        """
        if self._table is None:
            return []
        without, first = _some(photo for photo in photos if photo not in self._rows)
        surplus, others = _some(row for row in self._rows if row not in photos)
        found = []
        if without:
            found.append(
                say_many(
                    "{count} photo has no row: {named}",
                    "{count} photos have no row: {named}",
                    without,
                    named=named(first, of=without),
                )
            )
        if surplus:
            found.append(
                say_many(
                    "{count} row names no photo: {named}",
                    "{count} rows name no photo: {named}",
                    surplus,
                    named=named(others, of=surplus),
                )
            )
        if found and (not partial or without == len(photos)):
            example = next(iter(photos))
            raise InvalidInput(
                (MISMATCH if partial else MISMATCH_OR_PARTIAL).format(
                    table=self._table.name, found=joined("; ", found), example=example
                )
            )
        return found


def _some(names: Iterable[str]) -> tuple[int, list[str]]:
    """How many names there are, and the first of them."""
    rest = iter(names)
    first = list(islice(rest, SHOWN))
    return len(first) + sum(1 for _ in rest), first
