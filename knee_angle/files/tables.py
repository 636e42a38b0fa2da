"""Tables that people make: one reader with one set of rules, for every command.

CSV columns are separated by commas, semicolons or tabs. A decimal comma is read where it
can mean nothing else; where it could also separate thousands, the number is refused. In
every table, ``photo`` names each photo once and ``displayed_deg`` is an angle that a knee
can have. What is wrong is told at once, with the place of each (`problems`).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import InvalidInput
from knee_angle.files import reading, words_of
from knee_angle.files.extras import needs as needs_package
from knee_angle.files.parquet import bounded_parquet
from knee_angle.files.problems import SHOWN, THOUSANDS, Problems, check_header, named, no_number
from knee_angle.files.spreadsheet import as_given
from knee_angle.language import joined, say
from knee_angle.records.displayed import checked, display_range
from knee_angle.settings import Counting, flexion_of_display

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["SHOWN", "Problems", "Table", "named", "read_table", "separator_of"]

PHOTO, DISPLAYED = "photo", "displayed_deg"
WRITTEN = "displayed_source"
"""A column that only tables of this program have: they hold flexion."""
MOST_FILE_BYTES = 150 * 2**20
"""A larger file is refused: it is read as a whole, and takes four times as much (our own)."""
ROWS_AT_ONCE = 1000
SEPARATORS = ",;\t"
"""Spreadsheets write semicolons where the comma is the decimal sign."""
NUMBER = r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?"
"""A number as a spreadsheet writes it, with a point."""

INTEGER = r"-?(0|[1-9][0-9]{0,14})"
"""A whole number that is no code: 007 keeps its zeros as text."""


def separator_of(text: str) -> str:
    """What separates the columns: of comma, semicolon and tab the most frequent in the header.

    >>> separator_of("photo;displayed_deg")
    ';'
    """
    return max(SEPARATORS, key=text.partition("\n")[0].count)


@dataclass(frozen=True, eq=False)
class Table:
    """A table that was read once and found in order.

    Parameters
    ----------
    name : str
        The file's name, for messages.
    cells : pyarrow.Table
        Its columns; text where it was CSV.
    where : Places
        Where each row stands, for messages.
    comma_is_free : bool
        Whether commas separate no columns: a comma is then the decimal sign.
    counts : {"flexion", "straight-is-180", "negative"}
        How the display counts whose numbers ``displayed_deg`` holds.
    """

    name: str
    cells: pa.Table
    where: Places
    comma_is_free: bool = False
    counts: Counting = "flexion"

    def __len__(self) -> int:
        return int(self.cells.num_rows)

    @property
    def names(self) -> list[str]:
        """Names of its columns."""
        return list(self.cells.column_names)

    def has(self, column: str) -> bool:
        """Whether there is such a column."""
        return column in self.cells.column_names

    def numbers(self, column: str) -> NDArray[np.float64]:
        """A column as numbers, NaN where empty; (rows,). ``displayed_deg`` is then flexion.

        Raises
        ------
        InvalidInput
            There is no such column, or what it holds are no numbers.
        """
        problems = Problems()
        numbers = self._numbers(column, problems)
        problems.refuse(self.name)
        if column == DISPLAYED and self.counts != "flexion":
            return np.array([flexion_of_display(one, counting=self.counts) for one in numbers])
        return numbers

    def labels(self, column: str) -> list[str | None]:
        """A column as text, None where empty; raises as `numbers`."""
        return list(self.each(column))

    def each(self, column: str) -> Iterator[str | None]:
        """The column's texts, few of them in memory at a time; raises as `numbers`."""
        values = self._texts(column)
        for begin in range(0, len(values), ROWS_AT_ONCE):
            yield from values.slice(begin, ROWS_AT_ONCE).to_pylist()

    def _texts(self, column: str) -> Any:
        import pyarrow as pa

        try:
            return _trimmed(self._column(column).cast(pa.string()))
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            raise InvalidInput(
                f"the table {self.name}: the column {column} must hold single values, "
                "but holds lists or the like: name another"
            ) from None

    @cached_property
    def photos(self) -> tuple[str, ...]:
        """Names in the column ``photo``, in the order of the rows, each once."""
        return tuple(name or "" for name in self.labels(PHOTO))

    @cached_property
    def displayed_deg(self) -> Mapping[str, float]:
        """The machine's numbers by photo, degrees of flexion, where there is one."""
        if not self.has(DISPLAYED):
            return {}
        numbers = self.numbers(DISPLAYED)
        there = np.flatnonzero(~np.isnan(numbers))
        return {self.photos[row]: float(numbers[row]) for row in there}

    @cached_property
    def others(self) -> pa.Table:
        """Every column but these two. A CSV's become numbers where every filled cell is one."""
        others = self.cells.select([n for n in self.names if n not in {PHOTO, DISPLAYED}])
        for place, name in enumerate(others.column_names):
            if _is_text(others.column(place)) and isinstance(self.where, _Lines):
                typed = _typed(others.column(place), comma_is_free=self.comma_is_free)
                others = others.set_column(place, name, typed)
        return others

    def check(self, problems: Problems, *, repeats: bool = False) -> None:
        """Tell what is wrong with names of photos and displayed numbers, where it has them."""
        import pyarrow.compute as pc

        if self.has(PHOTO):
            photos = self._texts(PHOTO)
            again = not repeats and pc.count_distinct(photos).as_py() < len(photos)
            if photos.null_count or again:
                self._check_names(self.each(PHOTO), problems)
        if self.has(DISPLAYED):
            numbers = self._numbers(DISPLAYED, problems)
            low, high = display_range(self.counts)
            for place in np.flatnonzero((numbers < low) | (numbers > high)):
                try:
                    checked(float(numbers[place]), self.counts)
                except InvalidInput as error:
                    problems.add(f"{self.where[int(place)]}: {error}")

    def _check_names(self, photos: Iterable[str | None], problems: Problems) -> None:
        seen: set[str] = set()
        for row, photo in enumerate(photos):
            if photo is None:
                problems.add(say("{where}: names no photo", where=self.where[row]))
            elif photo in seen:
                problems.add(
                    say("{where}: {photo} is named twice", where=self.where[row], photo=photo)
                )
            else:
                seen.add(photo)

    def _numbers(self, column: str, problems: Problems) -> NDArray[np.float64]:
        """The column's numbers, NaN where a cell is empty or, as is then told, no number."""
        values = self._column(column)
        numbers, wrong = _as_numbers(values, comma_is_free=self.comma_is_free)
        told = (
            joined(": ", [self.where[int(row)], no_number(column, values[int(row)].as_py())])
            for row in wrong
        )
        problems.add_all(told, count=len(wrong))
        return numbers

    def _column(self, column: str) -> Any:
        import pyarrow as pa

        if not self.has(column):
            raise InvalidInput(
                say(
                    "the table {name} has no column {column}, but {names}: name one of these",
                    name=self.name, column=column, names=named(self.names) or say("none"),
                )
            )  # fmt: skip
        values = self.cells.column(column).combine_chunks()
        if isinstance(values, pa.ChunkedArray):  # as some versions leave it
            values = pa.concat_arrays(values.chunks)
        if pa.types.is_dictionary(values.type):
            values = values.cast(values.type.value_type)
        return _trimmed(values) if _is_text(values) else values


def read_table(
    address: str | Path,
    *,
    needs: Sequence[str] = (),
    counts: Counting = "flexion",
    repeats: bool = False,
) -> Table:
    """A CSV (UTF-8, names in its first line) or Parquet table, checked.

    Parameters
    ----------
    address : str or Path
        A path or any fsspec address.
    needs : sequence of str
        Columns that must be there.
    counts : {"flexion", "straight-is-180", "negative"}
        How the display counts whose numbers ``displayed_deg`` holds.
    repeats : bool
        Whether a photo may have several rows, as where several raters measured it.

    Raises
    ------
    InvalidInput
        Every problem of the file in one message.
    """
    needs_package("pyarrow")
    name = str(address).rsplit("/", 1)[-1]
    content = _content(address, name)
    problems = Problems()
    if name.lower().endswith((".parquet", ".pq")):
        table = _parquet(name, content, problems)
    else:
        table = _csv(name, content, problems)
    _check_needs(table, needs)
    if len(table) == 0:
        problems.refuse(name)
        raise InvalidInput(
            say("the table {name} has no rows: give one with a row for each photo", name=name)
        )
    if counts != "flexion" and table.has(DISPLAYED) and table.has(WRITTEN):
        raise InvalidInput(
            say(
                "the table {name} was written by this program: its displayed_deg is flexion "
                "already, so leave out counts",
                name=name,
            )
        )
    table = replace(table, counts=counts)
    table.check(problems, repeats=repeats)
    problems.refuse(name)
    return table


def _content(address: str | Path, name: str) -> bytes:
    """The file, where it is not too large to be read as a whole."""
    import fsspec

    with (
        reading(say("the table {address}", address=address)),
        fsspec.open(str(address), "rb") as file,
    ):
        content = io.BytesIO()  # read(so many) would take that much for the smallest file
        while content.tell() <= MOST_FILE_BYTES and (piece := file.read(2**20)):
            content.write(piece)
    if content.tell() <= MOST_FILE_BYTES:
        return content.getvalue()
    raise InvalidInput(
        say(
            "the table {name} must have at most {most:.0f} MB, but has more: leave out columns "
            "that are not needed, or split it",
            name=name,
            most=MOST_FILE_BYTES / 2**20,
        )
    )


def _check_needs(table: Table, needs: Sequence[str]) -> None:
    """Refuse a table that lacks a column."""
    if not set(needs) <= set(table.names):
        raise InvalidInput(
            say(
                "the table {name} must have the columns {needs}, but has {names}: name them in its "
                "first line",
                name=table.name, needs=", ".join(needs), names=named(table.names) or say("none"),
            )
        )  # fmt: skip


class _Rows:
    """Rows of a Parquet table, counted."""

    def __getitem__(self, row: int) -> str:
        return say("row {number}", number=row + 1)


class _Lines:
    """Lines on which the rows of a CSV end, counted where one is asked for."""

    def __init__(self, text: str, separator: str, *, cells: int) -> None:
        self._text, self._separator, self._cells = text, separator, cells

    def all_rows(self) -> Iterator[tuple[int, int]]:
        """Line and number of cells of each row that is not empty; raises `csv.Error`."""
        source = io.StringIO(self._text, newline="")
        reader = csv.reader(source, delimiter=self._separator, strict=True)
        next(reader)
        return ((reader.line_num, len(row)) for row in reader if "".join(row).strip())

    @cached_property
    def _lines(self) -> list[int]:
        return [line for line, cells in self.all_rows() if cells == self._cells]

    def __getitem__(self, row: int) -> str:
        return say("line {number}", number=self._lines[row])


Places = _Rows | _Lines


def _parquet(name: str, content: bytes, problems: Problems) -> Table:
    cells = bounded_parquet(name, content)
    cells = cells.rename_columns([column.strip() for column in cells.column_names])
    check_header(cells.column_names, problems)
    problems.refuse(name)
    return Table(name, cells, _Rows())


def _csv(name: str, content: bytes, problems: Problems) -> Table:
    """Every column as text; rows that do not fit the header are problems."""
    import pyarrow as pa

    try:
        text = content.decode("utf-8-sig")
        separator = separator_of(text)
        first = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        header = [cell.strip() for cell in next(first, [])]
        where = _Lines(text, separator, cells=len(header))
        if text.count('"') % 2:
            list(where.all_rows())  # a quote that is never closed: say so
        check_header(header, problems)
        problems.refuse(name)
        cells, all_fit = _split(content, header, separator)
        if _longest(cells) > (most := csv.field_size_limit()):
            raise csv.Error(say("a cell has more than {most} letters", most=most))
        if not all_fit:
            for line, count in where.all_rows():
                if count != len(header):
                    problems.add(
                        say(
                            "line {line}: has {count} cells, but the header has {wanted}: decimals "
                            "need a point, or quotes",
                            line=line, count=count, wanted=len(header),
                        )
                    )  # fmt: skip
    except (UnicodeDecodeError, csv.Error, pa.ArrowInvalid) as error:
        raise InvalidInput(
            say(
                "the table {name} cannot be read as UTF-8 CSV ({error}): save it as CSV UTF-8",
                name=name, error=words_of(error),
            )
        ) from None  # fmt: skip
    return Table(name, cells, where, comma_is_free=separator != ",")


def _longest(cells: pa.Table) -> int:
    """Letters of the longest cell."""
    import pyarrow.compute as pc

    return max((pc.max(pc.utf8_length(one)).as_py() or 0 for one in cells.columns), default=0)


def _split(content: bytes, header: Sequence[str], separator: str) -> tuple[pa.Table, bool]:
    """The cells of every row that has as many as the header, and whether all rows have."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    if not header:
        return pa.table({}), True
    unfit = []

    def skip(row: Any) -> str:
        if row.text.strip():
            unfit.append(row.actual_columns)
        return "skip"

    places = [str(place) for place in range(len(header))]
    cells = arrow_csv.read_csv(
        pa.BufferReader(content),
        read_options=arrow_csv.ReadOptions(column_names=places, skip_rows_after_names=1),
        parse_options=arrow_csv.ParseOptions(
            delimiter=separator, newlines_in_values=True, invalid_row_handler=skip
        ),
        convert_options=arrow_csv.ConvertOptions(
            column_types=dict.fromkeys(places, pa.string()),
            strings_can_be_null=True,
            null_values=[""],
        ),
    )
    return _without_empty_rows(as_given(cells).rename_columns(list(header))), not unfit


def _without_empty_rows(cells: pa.Table) -> pa.Table:
    import pyarrow.compute as pc

    empty = None
    for column in cells.columns:
        blank = pc.is_null(_trimmed(column))
        empty = blank if empty is None else pc.and_(empty, blank)
        if not pc.any(empty).as_py():
            return cells
    return cells.filter(pc.invert(empty))


def _is_text(values: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(values.type) or pa.types.is_large_string(values.type))


def _trimmed(texts: Any) -> Any:
    """Text without spaces around it, null where nothing is left."""
    import pyarrow.compute as pc

    texts = pc.utf8_trim_whitespace(texts)
    return pc.if_else(pc.equal(texts, ""), None, texts)


def _as_numbers(
    values: Any, *, comma_is_free: bool
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Numbers as a spreadsheet writes them, and the rows of what is none (NaN there).

    A decimal point or comma, and nothing else: no thousands separator, unit, underscore,
    plus, infinity, yes or no. Where commas separate columns, one in quotes is read too,
    unless it could separate thousands.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    none = np.zeros(len(values), dtype=bool)
    if _is_text(values):
        pointed = pc.replace_substring(values, ",", ".")
        plain = pc.match_substring_regex(pointed, f"^({NUMBER})$")
        if not comma_is_free:
            unclear = pc.match_substring_regex(values, f"^{THOUSANDS.pattern}$")
            plain = pc.and_(plain, pc.invert(unclear))
        none = _flags(pc.invert(plain))
        values = pc.if_else(plain, pointed, None)
    try:
        if pa.types.is_boolean(values.type):
            raise pa.ArrowInvalid("yes and no are no numbers")
        numbers = np.array(values.cast(pa.float64()).to_numpy(zero_copy_only=False), dtype=float)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        none = _flags(pc.is_valid(values))
        numbers = np.full(len(values), np.nan)
    none |= np.isinf(numbers)
    numbers[none] = np.nan
    return numbers, np.flatnonzero(none)


def _flags(values: Any) -> NDArray[np.bool_]:
    import pyarrow.compute as pc

    flags = pc.fill_null(values, fill_value=False).to_numpy(zero_copy_only=False)
    return np.array(flags, dtype=bool)


def _typed(texts: Any, *, comma_is_free: bool) -> Any:
    """Whole numbers, numbers or text: one kind a column, null for an empty cell."""
    import pyarrow as pa
    import pyarrow.compute as pc

    texts = _trimmed(texts)
    pointed = pc.replace_substring(texts, ",", ".") if comma_is_free else texts
    if texts.null_count < len(texts):
        for pattern, kind in ((INTEGER, pa.int64()), (NUMBER, pa.float64())):
            if pc.all(pc.match_substring_regex(pointed, f"^({pattern})$")).as_py():
                return pointed.cast(kind)
    return texts
