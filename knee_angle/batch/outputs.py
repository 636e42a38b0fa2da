"""The table as Parquet and CSV, each written whole, a thousand rows in memory at a time."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from knee_angle.batch.work import Json
from knee_angle.errors import InvalidInput
from knee_angle.files import whole_file, write_whole
from knee_angle.language import say
from knee_angle.report.columns import COLUMNS as ALL_COLUMNS
from knee_angle.report.contract import CSV_COLUMNS, csv_lines
from knee_angle.report.schemas import ROWS_AT_ONCE, schema_of, write_rows

if TYPE_CHECKING:
    import pyarrow

__all__ = ["COLUMNS", "sha256_of", "write_csv", "write_parquet", "write_record"]

COLUMNS = {name: kind for name, kind in CSV_COLUMNS.items() if name != "seconds"}
"""The table's own columns; times differ from run to run, so they stay in the journal."""


def write_parquet(target: Path, rows: Iterable[Json], more: pyarrow.Schema) -> None:
    """The table with one type a column, whatever the rows hold; units stand in its schema.

    Parameters
    ----------
    target : Path
        The file.
    rows : iterable of dict
        Flat rows with the columns `COLUMNS` and those of ``more``.
    more : pyarrow.Schema
        Columns that were joined.

    Raises
    ------
    InvalidInput
        The file cannot be written.
    """
    own = (ALL_COLUMNS[name] for name in COLUMNS)
    schema = schema_of(own, more=list(more), about={"table": "measurements of photos"})
    try:
        with whole_file(target) as file:
            write_rows(file, rows, schema)
    except OSError as error:
        raise _not_written(target, error) from None


def write_csv(target: Path, rows: Iterable[Json], more: pyarrow.Schema) -> None:
    """The same table as CSV (RFC 4180, UTF-8); parameters as in `write_parquet`."""
    columns = (*COLUMNS, *more.names)
    try:
        with whole_file(target) as file:
            file.write(csv_lines([], columns, header=True).encode())
            for some in _batches(rows):
                file.write(csv_lines(some, columns, header=False).encode())
    except OSError as error:
        raise _not_written(target, error) from None


def write_record(target: Path, record: Json) -> None:
    """How the tables were made, as JSON; raises as `write_parquet`."""
    try:
        write_whole(target, json.dumps(record, indent=2) + "\n")
    except OSError as error:
        raise _not_written(target, error) from None


def sha256_of(path: Path) -> str:
    """Hash of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _batches(rows: Iterable[Json]) -> Iterator[list[Json]]:
    rest = iter(rows)
    while some := list(islice(rest, ROWS_AT_ONCE)):
        yield some


def _not_written(target: Path, error: OSError) -> InvalidInput:
    return InvalidInput(
        say(
            "{target} cannot be written ({error}): make room, then go on with --resume",
            target=target,
            error=error.strerror,
        )
    )
