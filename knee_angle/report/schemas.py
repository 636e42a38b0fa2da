"""Columns as a Parquet schema with units, and as a data dictionary: both made from the columns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, BinaryIO

from knee_angle.report.columns import Column
from knee_angle.report.contract import csv_lines

if TYPE_CHECKING:
    import pyarrow

__all__ = [
    "CONVENTION",
    "DICTIONARY",
    "ROWS_AT_ONCE",
    "dictionary_csv",
    "field_metadata",
    "schema_of",
    "write_rows",
]

UCUM = {"degrees": "deg", "millimetres": "mm", "pixels": "{pixel}", "seconds": "s", "days": "d",
        "hours": "h"}  # fmt: skip
"""Codes of the Unified Code for Units of Measure for our units in words."""
CONVENTION = (
    "Angles are degrees of flexion: 0 is straight, hyperextension is negative. u is a standard "
    "uncertainty; an interval covers 95 %. Pixels count from the upright photo's top left corner."
)
CELLS = (
    "CSV is UTF-8 without a byte order mark, with commas between columns. A number has a point; an "
    "empty cell says that there is no value; a flag is TRUE or FALSE; in CSV an apostrophe stands "
    "before a = + - @ that a spreadsheet would run (the first sign of a cell, or after ; | or a "
    "tab). codes: all that a text may be, with a space between."
)
ROWS_AT_ONCE = 1000
_OWN = {
    "table": "name of the table: the command that writes it",
    "column": "name of the column",
    "type": "what the column holds: text, number, count or flag",
    "unit": "unit in words",
    "ucum": "unit in the Unified Code for Units of Measure",
    "codes": "all that a text may be, with a space between",
    "meaning": "what the column says",
}
DICTIONARY: Mapping[str, Column] = MappingProxyType(
    {name: Column(name, "text", None, meaning, ()) for name, meaning in _OWN.items()}
)
"""Columns of the data dictionary itself."""


def field_metadata(column: Column) -> dict[str, str]:
    """What a Parquet file says of a column: its meaning, its unit in words and in UCUM."""
    told = {"meaning": column.meaning}
    if column.codes:
        told["codes"] = " ".join(column.codes)
    if column.unit is not None:
        told |= {"unit": column.unit, "ucum": UCUM[column.unit]}
    return told


def schema_of(
    columns: Iterable[Column], *, more: Sequence[pyarrow.Field] = (), about: Mapping[str, str]
) -> pyarrow.Schema:
    """One type a column, whatever the rows hold, with meaning and unit in the metadata.

    Parameters
    ----------
    columns : iterable of Column
    more : sequence of pyarrow.Field
        Columns from elsewhere, as they are.
    about : Mapping of str to str
        Of the whole table; the convention of its angles is added.
    """
    import pyarrow

    types = {
        "text": pyarrow.string(),
        "number": pyarrow.float64(),
        "count": pyarrow.int64(),
        "flag": pyarrow.bool_(),
    }
    own = [pyarrow.field(c.name, types[c.kind], metadata=field_metadata(c)) for c in columns]
    return pyarrow.schema([*own, *more], metadata={**about, "convention": CONVENTION})


def dictionary_csv(tables: Mapping[str, Iterable[Column]]) -> str:
    """The data dictionary of tables: a line a column, as RFC 4180 text."""
    rows = [
        {
            "table": table,
            "column": column.name,
            "type": column.kind,
            "unit": column.unit,
            "ucum": None if column.unit is None else UCUM[column.unit],
            "codes": " ".join(column.codes),
            "meaning": column.meaning,
        }
        for table, columns in tables.items()
        for column in columns
    ]
    every = {"table": "every table", "column": "every column", "meaning": f"{CONVENTION} {CELLS}"}
    return csv_lines([every, *rows], tuple(DICTIONARY), header=True)


def write_rows(file: BinaryIO, rows: Iterable[Mapping[str, Any]], schema: pyarrow.Schema) -> int:
    """Rows as Parquet, a thousand in memory at a time; how many there were."""
    import pyarrow
    from pyarrow import parquet

    count, rest = 0, iter(rows)
    with parquet.ParquetWriter(file, schema) as writer:
        while some := list(islice(rest, ROWS_AT_ONCE)):
            writer.write_table(pyarrow.Table.from_pylist(some, schema=schema))
            count += len(some)
    return count
