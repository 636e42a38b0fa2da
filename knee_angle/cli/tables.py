"""Columns of a CSV or Parquet table, for the commands that read one."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from knee_angle import tables
from knee_angle.errors import InvalidInput

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["Table", "read_table"]

SHOWN = 12
"""So many columns are named in an error."""


class Table:
    """A table that is read once; its columns come as numbers or as labels.

    Parameters
    ----------
    name : str
        What to call it in errors.
    columns : pyarrow.Table
        Its columns; text where it was CSV.
    comma : bool
        Whether a comma is the decimal sign in text.
    """

    def __init__(self, name: str, columns: pa.Table, *, comma: bool = False) -> None:
        self.name = name
        self._columns = columns
        self._comma = comma

    def __len__(self) -> int:
        return int(self._columns.num_rows)

    def has(self, column: str) -> bool:
        """Whether there is such a column."""
        return column in self._columns.column_names

    def numbers(self, column: str) -> NDArray[np.float64]:
        """A column as numbers, NaN where empty; (rows,)."""
        import pyarrow as pa
        import pyarrow.compute as pc

        given = values = self._column(column)
        if pa.types.is_dictionary(values.type):
            values = values.cast(values.type.value_type)
        if pa.types.is_string(values.type) or pa.types.is_large_string(values.type):
            values = pc.utf8_trim_whitespace(values)
            values = pc.if_else(pc.equal(values, ""), None, values)
            if self._comma or column == "displayed_deg":  # as `batch` reads it
                thousands = pc.match_substring_regex(values, f"^{tables.THOUSANDS.pattern}$")
                if not self._comma and pc.any(thousands).as_py():
                    raise InvalidInput(self._no_number(column, given.to_pylist()))
                values = pc.replace_substring(values, ",", ".")
            plain = pc.match_substring_regex(values, f"^({tables.NUMBER})$")
            if pc.all(plain).as_py() is False:
                raise InvalidInput(self._no_number(column, given.to_pylist()))
        elif pa.types.is_boolean(values.type):
            raise InvalidInput(self._no_number(column, given.to_pylist()))
        try:
            numbers = values.cast(pa.float64())
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            raise InvalidInput(self._no_number(column, given.to_pylist())) from None
        return np.asarray(numbers.to_numpy(zero_copy_only=False), dtype=float)

    def labels(self, column: str) -> list[str | None]:
        """A column as text, None where empty."""
        import pyarrow as pa

        try:
            values = self._column(column).cast(pa.string()).to_pylist()
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            raise InvalidInput(
                f"the table {self.name}: the column {column} must hold single values, "
                "but holds lists or the like: name another"
            ) from None
        return [None if value is None or not value.strip() else value.strip() for value in values]

    def _column(self, column: str) -> Any:
        if not self.has(column):
            names = self._columns.column_names
            more = ", ..." if len(names) > SHOWN else ""
            raise InvalidInput(
                f"the table {self.name} has no column {column}, but {', '.join(names[:SHOWN])}"
                f"{more}: name one of these"
            )
        return self._columns.column(column).combine_chunks()

    def _no_number(self, column: str, values: Sequence[object]) -> str:
        commas = self._comma or column == "displayed_deg"
        for row, value in enumerate(values, start=1):
            cell = value.strip() if isinstance(value, str) else value
            if cell is None or cell == "":
                continue
            try:
                if isinstance(cell, str) and "," in cell and not commas:
                    raise ValueError(cell)
                tables.plain_number(cell, comma_is_free=self._comma)
            except (TypeError, ValueError):
                return f"the table {self.name}, row {row}: {tables.no_number(column, cell)}"
        return f"the table {self.name}: the column {column} does not hold numbers"


def read_table(path: Path) -> Table:
    """A CSV (UTF-8, names in its first line) or Parquet table.

    Columns of a CSV are separated by commas, semicolons or tabs, as in the other commands'
    tables; where the comma separates none, it may be the decimal sign.

    Raises
    ------
    InvalidInput
        A table that is missing, empty or no table.
    """
    import pyarrow as pa

    try:
        separator = ","
        if path.suffix.lower() in {".parquet", ".pq"}:
            columns = _parquet(path)
        else:
            with path.open(encoding="utf-8-sig", errors="replace") as file:
                separator = tables.separator_of(file.readline())
            columns = _csv(path, separator)
    except (OSError, pa.ArrowInvalid) as error:
        said = str(error).splitlines()[0].rstrip(".")
        raise InvalidInput(f"the table {path} cannot be read ({said}): check its name") from None
    names = [name.strip() for name in columns.column_names]
    columns = columns.rename_columns(names)
    problems = tables.Problems()
    tables.check_header(names, problems)
    problems.refuse(path.name)
    if columns.num_rows == 0:
        raise InvalidInput(f"the table {path.name} has no rows: give one with a row for each photo")
    return Table(path.name, columns, comma=separator != ",")


def _parquet(path: Path) -> pa.Table:
    import pyarrow.parquet as pq

    return pq.read_table(path)


def _csv(path: Path, separator: str) -> pa.Table:
    """Every column as text: whether it is a number is asked of the columns that are used."""
    import pyarrow as pa
    from pyarrow import csv

    parse = csv.ParseOptions(delimiter=separator, newlines_in_values=True)
    with path.open("rb") as file:
        names = csv.open_csv(file, parse_options=parse).schema.names
    return csv.read_csv(
        path,
        parse_options=parse,
        convert_options=csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True,
            null_values=[""],
        ),
    )  # fmt: skip
