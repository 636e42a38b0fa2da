"""Parquet read within bounds: a file of some kilobytes can unpack to more than any memory.

Values that repeat are stored once (in a dictionary, with runs of places in it), so that neither
a file's size nor its pages' tell what its columns take. Texts are therefore read as their
dictionaries, and written out only where they then fit. pyarrow ends its process where the piece
of a column tells its sizes wrongly; only of lists must it be asked for them. A table with lists
is therefore read in a process of its own first.
"""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Any

from knee_angle.errors import InvalidInput
from knee_angle.files import words_of
from knee_angle.language import say

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["MOST_BYTES", "bounded_parquet"]

MOST_BYTES = 400 * 2**20
"""What a table may take in memory; a million rows of 50 numbers do (our own)."""
LONGEST_S = 60.0
"""For reading a table with lists apart (our own)."""


def bounded_parquet(name: str, content: bytes) -> pa.Table:
    """The columns of a Parquet file; texts as texts.

    Raises
    ------
    InvalidInput
        It is none, or takes too much memory.
    """
    import pyarrow as pa
    from pyarrow import parquet

    try:
        told = parquet.ParquetFile(pa.BufferReader(content))
        if _lists(told) and __name__ != "__main__":
            _read_apart(content)
        needed, texts = _needed(told)
        _refuse_large(name, needed)
        file = parquet.ParquetFile(pa.BufferReader(content), read_dictionary=texts)
        columns = [_written_out(name, one) for one in file.read().itercolumns()]
    except (pa.ArrowException, OSError, ValueError, LookupError) as error:
        if isinstance(error, InvalidInput):
            raise
        raise InvalidInput(
            say(
                "the table {name} is no readable Parquet file ({error})",
                name=name,
                error=words_of(error),
            )
        ) from None
    _refuse_large(name, sum(column.nbytes for column in columns))
    return pa.table(columns, names=told.schema_arrow.names)


def _needed(told: Any) -> tuple[int, list[str]]:
    """Bytes that the columns take as they are read, and the paths of those that hold texts.

    Asked of the schema and the groups where that is enough; only of lists no one else than the
    piece of a column says how many values they hold.
    """
    metadata, lists = told.metadata, _lists(told)
    columns = [told.schema.column(place) for place in range(metadata.num_columns)]
    texts = {column.path for column in columns if column.physical_type == "BYTE_ARRAY"}
    # Eight bytes a value or place, a bit whether it is there, and what stands in pages.
    needed = 9 * max(0, metadata.num_rows) * metadata.num_columns
    for group in range(metadata.num_row_groups):
        rows = metadata.row_group(group)
        needed += max(0, rows.total_byte_size)
        needed += 9 * sum(max(0, rows.column(place).num_values) for place in lists)
    return needed, sorted(texts)


def _lists(told: Any) -> list[int]:
    """Places of the columns that hold lists or the like."""
    places = range(told.metadata.num_columns)
    return [n for n in places if told.schema.column(n).max_repetition_level > 0]


def _read_apart(content: bytes) -> None:
    """Read it once in another process; raises ValueError where that one ends of it."""
    command = (sys.executable, "-P", "-m", __name__)
    try:
        done = subprocess.run(  # noqa: S603  our own program, no shell
            command, input=content, capture_output=True, timeout=LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise ValueError(say("reading its lists takes too long")) from None
    if done.returncode != 0:
        raise ValueError(say("its lists are not told rightly"))


def _written_out(name: str, column: Any) -> Any:
    """A column of a dictionary's places as its values, where these fit."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pa.types.is_dictionary(column.type):
        return column
    kind = column.type.value_type
    if pa.types.is_string(kind) or pa.types.is_binary(kind) or pa.types.is_large_string(kind):
        total = 0
        for chunk in column.chunks:
            lengths = pc.binary_length(chunk.dictionary).take(chunk.indices)
            total += pc.sum(lengths).as_py() or 0
        _refuse_large(name, total)
    return column.cast(kind)


def _refuse_large(name: str, needed: int) -> None:
    if needed > MOST_BYTES:
        raise InvalidInput(
            say(
                "the table {name} must need at most {most:.0f} MB of memory, but needs about "
                "{needed:.0f}: leave out columns that are not needed, or split it",
                name=name,
                most=MOST_BYTES / 2**20,
                needed=needed / 2**20,
            )
        )


if __name__ == "__main__":
    try:
        bounded_parquet("table", sys.stdin.buffer.read())
    except InvalidInput:
        sys.exit(0)  # whoever asked finds the same, in words
