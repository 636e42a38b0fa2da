"""Parquet read within bounds: a file of some kilobytes can unpack to more than any memory.

Values that repeat are stored once (in a dictionary, with runs of places in it), so that neither
a file's size nor its pages' tell what its columns take. Texts are therefore read as their
dictionaries, and written out only where they then fit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from knee_angle.errors import InvalidInput
from knee_angle.files import words_of
from knee_angle.language import say

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["MOST_BYTES", "bounded_parquet"]

MOST_BYTES = 400 * 2**20
"""What a table may take in memory; a million rows of 50 numbers do (our own)."""


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

    Asked of the schema and the groups where that is enough: pyarrow ends the process where the
    piece of a column tells its sizes wrongly. Only of lists no one else says how many values
    they hold.
    """
    metadata = told.metadata
    columns = [told.schema.column(place) for place in range(metadata.num_columns)]
    lists = [n for n, column in enumerate(columns) if column.max_repetition_level > 0]
    texts = {column.path for column in columns if column.physical_type == "BYTE_ARRAY"}
    # Eight bytes a value or place, a bit whether it is there, and what stands in pages.
    needed = 9 * max(0, metadata.num_rows) * metadata.num_columns
    for group in range(metadata.num_row_groups):
        rows = metadata.row_group(group)
        needed += max(0, rows.total_byte_size)
        needed += 9 * sum(max(0, rows.column(place).num_values) for place in lists)
    return needed, sorted(texts)


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
