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
from typing import TYPE_CHECKING, Any

from knee_angle.angle.verdict import checked
from knee_angle.batch.sources import reading
from knee_angle.errors import InvalidInput

if TYPE_CHECKING:
    import pyarrow

__all__ = ["PhotoTable", "match", "named", "plain_number", "read_table", "separator_of"]

SHOWN = 20
"""So many names of one kind stand in a message; the rest is counted."""

SEPARATORS = ",;\t"
"""Spreadsheets write semicolons where the comma is the decimal sign."""
INTEGER = re.compile(r"-?(0|[1-9][0-9]{0,14})")
NUMBER = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?")


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
    if name.lower().endswith((".parquet", ".pq")):
        table, problems = _parquet(name, content), list[str]()
        lines: Sequence[str] = [f"row {n}" for n in range(1, table.num_rows + 1)]
    else:
        table, lines, problems = _csv(name, content)
    if not set(needs) <= set(table.column_names):
        raise InvalidInput(
            f"the table {name} must have the columns {', '.join(needs)}, but has "
            f"{', '.join(table.column_names) or 'none'}: name them in its first line"
        )
    photos = [str(value or "").strip() for value in table["photo"].to_pylist()]
    displayed, wrong = _displayed(table, photos, lines)
    problems += [*_names(photos, lines), *wrong]
    if problems:
        raise InvalidInput(f"the table {name}: {'; '.join(problems)}")
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


def named(names: Sequence[str]) -> str:
    """The first names, and how many more there are."""
    more = len(names) - SHOWN
    return ", ".join(names[:SHOWN]) + (f" and {more} more" if more > 0 else "")


def _parquet(name: str, content: bytes) -> pyarrow.Table:
    import pyarrow
    from pyarrow import parquet

    try:
        return parquet.read_table(pyarrow.BufferReader(content))
    except (pyarrow.ArrowException, OSError) as error:
        raise InvalidInput(f"the table {name} is no readable Parquet file ({error})") from None


def _csv(name: str, content: bytes) -> tuple[pyarrow.Table, list[str], list[str]]:
    """Columns, the line of each row, and rows that do not fit the header."""
    import pyarrow

    try:
        text = content.decode("utf-8-sig")
        separator = separator_of(text)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        header = [cell.strip() for cell in next(reader, [])]
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except (UnicodeDecodeError, csv.Error) as error:
        raise InvalidInput(
            f"the table {name} cannot be read as UTF-8 CSV ({error}): save it as CSV UTF-8"
        ) from None
    twice = sorted({column for column in header if header.count(column) > 1})
    problems = [f"the column {column!r} is there twice" for column in twice]
    problems += [
        f"line {line}: has {len(row)} cells, but the header has {len(header)}: "
        "decimals need a point, or quotes"
        for line, row in rows
        if len(row) != len(header)
    ]
    if twice:
        raise InvalidInput(f"the table {name}: {'; '.join(problems)}")
    cells = [
        [row[n].strip() if n < len(row) else "" for _, row in rows] for n in range(len(header))
    ]
    columns = {
        column: values if column == "photo" else _typed(values, comma=separator != ",")
        for column, values in zip(header, cells, strict=True)
    }
    return pyarrow.table(columns), [f"line {line}" for line, _ in rows], problems


def separator_of(text: str) -> str:
    """What separates the columns: of comma, semicolon and tab the most frequent in the header.

    Examples
    --------
    >>> separator_of("photo;displayed_deg")
    ';'
    """
    return max(SEPARATORS, key=text.partition("\n")[0].count)


def plain_number(text: str) -> float:
    """A number as a spreadsheet writes it, with a decimal point or comma, and nothing else.

    Raises
    ------
    ValueError
        Anything else: a thousands separator, a unit, an underscore, infinity.
    """
    pointed = text.replace(",", ".")
    if not NUMBER.fullmatch(pointed):
        raise ValueError(text)
    return float(pointed)


def _typed(cells: list[str], *, comma: bool) -> list[Any]:
    """Whole numbers, numbers or text: one kind a column, None for an empty cell.

    ``comma``: the separator leaves the comma free to be the decimal sign.
    """
    filled = [cell.replace(",", ".") if comma else cell for cell in cells if cell]
    kind: Callable[[str], Any] = str
    if filled and all(INTEGER.fullmatch(cell) for cell in filled):
        kind = int
    elif filled and all(NUMBER.fullmatch(cell) for cell in filled):
        kind = plain_number
    return [kind(cell) if cell else None for cell in cells]


def _number(value: Any) -> float:
    """A displayed number, of text or of a Parquet column."""
    return plain_number(value) if isinstance(value, str) else float(value)


def _names(photos: Sequence[str], lines: Sequence[str]) -> list[str]:
    seen: set[str] = set()
    problems = []
    for photo, line in zip(photos, lines, strict=True):
        if not photo:
            problems.append(f"{line}: names no photo")
        elif photo in seen:
            problems.append(f"{line}: {photo} is named twice")
        seen.add(photo)
    return problems


def _displayed(
    table: pyarrow.Table, photos: Sequence[str], lines: Sequence[str]
) -> tuple[dict[str, float], list[str]]:
    """The displayed numbers, each checked, and what is wrong with the others."""
    displayed: dict[str, float] = {}
    problems: list[str] = []
    if "displayed_deg" not in table.column_names:
        return displayed, problems
    for photo, line, value in zip(photos, lines, table["displayed_deg"].to_pylist(), strict=True):
        if value is None or value == "":
            continue
        try:
            displayed[photo] = checked(_number(value)).deg
        except InvalidInput as error:
            problems.append(f"{line}: {error}")
        except (TypeError, ValueError):
            problems.append(f"{line}: displayed_deg must be a number, but got {value!r}")
    return displayed, problems
