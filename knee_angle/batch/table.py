"""What is known about the photos from elsewhere: a CSV or Parquet table, joined by name.

Nothing is guessed: a photo's row is the one that names it exactly, and every duplicate,
missing and surplus name is reported at once.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

from knee_angle import tables
from knee_angle.angle.verdict import checked
from knee_angle.batch.sources import reading
from knee_angle.errors import InvalidInput
from knee_angle.tables import Problems, named

if TYPE_CHECKING:
    import pyarrow

__all__ = ["PhotoTable", "match", "read_table"]

INTEGER = re.compile(r"-?(0|[1-9][0-9]{0,14})")
DECIMAL = re.compile(tables.NUMBER)


@dataclass(frozen=True, slots=True)
class PhotoTable:
    """A table about photos.

    Parameters
    ----------
    name : str
        The file's name, for messages.
    photos : tuple of str
        Names in the order of its rows, each once.
    displayed_deg : Mapping
        The machine's numbers by photo, where there is one.
    columns : pyarrow.Table
        Every other column, a row a photo.
    """

    name: str
    photos: tuple[str, ...]
    displayed_deg: Mapping[str, float]
    columns: pyarrow.Table


def read_table(address: str, *, needs: Sequence[str] = ("photo",)) -> PhotoTable:
    """A CSV or Parquet file with the column ``photo`` and, where known, ``displayed_deg``.

    Columns of a CSV are separated by commas, semicolons or tabs; ``displayed_deg`` may have
    a decimal comma, and where the comma separates no columns, every other one too. Every
    other column is handed on. A CSV column becomes numbers only where every filled cell is
    a plain number: a code such as 007 keeps its zeros.

    Parameters
    ----------
    address : str
        A path or any fsspec address.
    needs : sequence of str
        Columns that must be there.

    Raises
    ------
    InvalidInput
        Every problem of the file in one message.
    """
    import fsspec

    with reading(f"the table {address}"), fsspec.open(address, "rb") as file:
        content: bytes = file.read()
    name = address.rsplit("/", 1)[-1]
    problems = Problems()
    if name.lower().endswith((".parquet", ".pq")):
        rows = _parquet(name, content, problems)
    else:
        rows = _csv(name, content, problems)
    table = rows.columns
    if not set(needs) <= set(table.column_names):
        raise InvalidInput(
            f"the table {name} must have the columns {', '.join(needs)}, but has "
            f"{named(table.column_names) or 'none'}: name them in its first line"
        )
    if table.num_rows == 0:
        raise InvalidInput(f"the table {name} has no rows: give one with a row for each photo")
    photos = [str(value or "").strip() for value in table["photo"].to_pylist()]
    displayed = _checked_rows(rows, photos, problems)
    problems.refuse(name)
    others = [c for c in table.column_names if c not in {"photo", "displayed_deg"}]
    return PhotoTable(name, tuple(photos), displayed, table.select(others))


def match(table: PhotoTable, photos: Collection[str], *, partial: bool) -> list[str]:
    """What photos and table do not have in common, as sentences; none where they match.

    Raises
    ------
    InvalidInput
        They do not match, and ``partial`` does not allow it; or not one name is in both.
    """
    rows, given = set(table.photos), set(photos)
    without = [photo for photo in photos if photo not in rows]
    surplus = [photo for photo in table.photos if photo not in given]
    found = []
    if without:
        found.append(f"{len(without)} photos have no row: {named(without)}")
    if surplus:
        found.append(f"{len(surplus)} rows name no photo: {named(surplus)}")
    if found and (not partial or len(without) == len(photos)):
        example = next(iter(photos))
        raise InvalidInput(
            f"the table {table.name} does not match the photos: {'; '.join(found)}; names must be "
            f"exactly like {example}" + ("" if partial else " (or allow it with --partial-table)")
        )
    return found


@dataclass(frozen=True, slots=True)
class _Rows:
    """Columns as read, where each row stands, and whether the comma is free for decimals."""

    columns: pyarrow.Table
    lines: Sequence[str]
    comma_is_free: bool


def _parquet(name: str, content: bytes, problems: Problems) -> _Rows:
    import pyarrow
    from pyarrow import parquet

    try:
        table = parquet.read_table(pyarrow.BufferReader(content))
    except (pyarrow.ArrowException, OSError) as error:
        raise InvalidInput(f"the table {name} is no readable Parquet file ({error})") from None
    tables.check_header(table.column_names, problems)
    problems.refuse(name)
    lines = [f"row {n}" for n in range(1, table.num_rows + 1)]
    return _Rows(table, lines, comma_is_free=False)


def _csv(name: str, content: bytes, problems: Problems) -> _Rows:
    """Columns and the line of each row; rows that do not fit the header are problems."""
    import pyarrow

    try:
        text = content.decode("utf-8-sig")
        separator = tables.separator_of(text)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        header = [cell.strip() for cell in next(reader, [])]
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except (UnicodeDecodeError, csv.Error) as error:
        raise InvalidInput(
            f"the table {name} cannot be read as UTF-8 CSV ({error}): save it as CSV UTF-8"
        ) from None
    tables.check_header(header, problems)
    twice = len(set(header)) < len(header)
    for line, row in rows:
        if len(row) != len(header):
            problems.add(
                f"line {line}: has {len(row)} cells, but the header has {len(header)}: "
                "decimals need a point, or quotes"
            )
    if twice:
        problems.refuse(name)
    cells = [
        [row[n].strip() if n < len(row) else "" for _, row in rows] for n in range(len(header))
    ]
    comma = separator != ","
    columns = {
        # Checked cell by cell, so that a wrong one is told with what stands there.
        column: values if column in {"photo", "displayed_deg"} else _typed(values, comma=comma)
        for column, values in zip(header, cells, strict=True)
    }
    lines = [f"line {line}" for line, _ in rows]
    return _Rows(pyarrow.table(columns), lines, comma_is_free=comma)


def _typed(cells: list[str], *, comma: bool) -> list[Any]:
    """Whole numbers, numbers or text: one kind a column, None for an empty cell.

    ``comma``: the separator leaves the comma free to be the decimal sign.
    """
    filled = [cell.replace(",", ".") if comma else cell for cell in cells if cell]
    kind: Callable[[str], Any] = str
    if filled and all(INTEGER.fullmatch(cell) for cell in filled):
        kind = int
    elif filled and all(DECIMAL.fullmatch(cell) for cell in filled):
        kind = partial(tables.plain_number, comma_is_free=comma)
    return [kind(cell) if cell else None for cell in cells]


def _checked_rows(rows: _Rows, photos: Sequence[str], problems: Problems) -> dict[str, float]:
    """The displayed numbers, each checked; what is wrong with names and numbers is told."""
    numbers: Sequence[Any] = [None] * len(photos)
    if "displayed_deg" in rows.columns.column_names:
        numbers = rows.columns["displayed_deg"].to_pylist()
    displayed: dict[str, float] = {}
    seen: set[str] = set()
    for photo, line, value in zip(photos, rows.lines, numbers, strict=True):
        if not photo:
            problems.add(f"{line}: names no photo")
        elif photo in seen:
            problems.add(f"{line}: {photo} is named twice")
        seen.add(photo)
        if value is None or value == "":
            continue
        try:
            number = tables.plain_number(value, comma_is_free=rows.comma_is_free)
            displayed[photo] = checked(number).deg
        except InvalidInput as error:
            problems.add(f"{line}: {error}")
        except (TypeError, ValueError):
            problems.add(f"{line}: {tables.no_number('displayed_deg', value)}")
    return displayed
