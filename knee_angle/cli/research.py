"""``knee-angle store research`` and ``store columns``: kept measurements for a study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.store import Where, opened_store, store_app
from knee_angle.errors import InvalidInput
from knee_angle.files import naming, whole_file
from knee_angle.language import say, tell

if TYPE_CHECKING:
    from knee_angle.report.columns import Column
    from knee_angle.store import Store
    from knee_angle.store.research import Dates, Pseudonyms

__all__ = ["all_tables", "dictionary_text"]


class DatesAs(StrEnum):
    """How days are told."""

    DAYS = "days"
    SHIFTED = "shifted"


@store_app.command("research")
def store_research(
    out: Annotated[Path, typer.Argument(help="New file to write: .csv or .parquet.")],
    key: Annotated[
        Path, typer.Option(help="The study's key, in another folder; made where there is none.")
    ],
    dates: Annotated[
        DatesAs, typer.Option(help="Days since each person's first, or dates moved for each.")
    ] = DatesAs.DAYS,
    store: Where = None,
) -> None:
    """Write measurements under pseudonyms for a study, with their data dictionary beside."""
    from knee_angle.store.research import key_from

    if out.suffix not in (".csv", ".parquet"):
        raise InvalidInput(
            say("a table must be named .csv or .parquet, but got {name}: add one", name=out.name)
        )
    with opened_store(store) as opened:
        opened.check_pages()
        pseudonyms = key_from(key, beside=out)
        count = _research(opened, out, pseudonyms, dates.value)
        opened.note("export", f"{count} measurements, research")
    print(tell("{out}: {count} measurements under pseudonyms", out=out, count=count))
    print(tell("{key} leads them back: keep it apart, and safe", key=key))


def _research(store: Store, out: Path, pseudonyms: Pseudonyms, dates: Dates) -> int:
    """Write table and dictionary; how many rows."""
    from knee_angle.report.contract import csv_lines
    from knee_angle.report.schemas import dictionary_csv, schema_of, write_rows
    from knee_angle.store.research import (
        RESEARCH_COLUMNS,
        by_pseudonym,
        first_days,
        research_rows,
    )
    from knee_angle.visit.zone import LocalZone

    zone = LocalZone()
    rows = research_rows(
        by_pseudonym(store, pseudonyms),
        (one.row for one in store.stored_visits()),
        pseudonyms=pseudonyms,
        firsts=first_days(store, zone=zone),
        dates=dates,
        zone=zone,
    )
    columns = RESEARCH_COLUMNS.values()
    with naming(out, new=True):
        with whole_file(out, new=True) as file:
            if out.suffix == ".parquet":
                count = write_rows(file, rows, schema_of(columns, about={"table": "research"}))
            else:
                count = 0
                file.write(csv_lines([], tuple(RESEARCH_COLUMNS), header=True).encode())
                for row in rows:
                    text = csv_lines([row], tuple(RESEARCH_COLUMNS), header=False)
                    file.write(text.encode())
                    count += 1
        with whole_file(out.with_suffix(".columns.csv")) as file:
            file.write(dictionary_csv({"research": columns}).encode())
    return count


@store_app.command("columns")
def store_columns() -> None:
    """Print the data dictionary of every table, as CSV: column, type, unit, meaning."""
    print(dictionary_text(), end="")


def dictionary_text() -> str:
    """The data dictionary of every table that is written."""
    from knee_angle.report.schemas import dictionary_csv

    return dictionary_csv(all_tables())


def all_tables() -> Mapping[str, Sequence[Column]]:
    """The columns of every table that is written, by the command that writes it."""
    from knee_angle.batch import review
    from knee_angle.batch.outputs import COLUMNS as BATCH_COLUMNS
    from knee_angle.batch.rating import covers
    from knee_angle.batch.rating.measured import RATED
    from knee_angle.report.clip_contract import FRAME_COLUMNS
    from knee_angle.report.columns import COLUMNS
    from knee_angle.report.schemas import DICTIONARY
    from knee_angle.store.research import RESEARCH_COLUMNS
    from knee_angle.store.table import flat_columns

    batch = [COLUMNS[name] for name in BATCH_COLUMNS]
    return {
        "measure": list(COLUMNS.values()),
        "batch": batch,
        "batch review": list(review.COLUMNS.values()),
        "clip frames": list(FRAME_COLUMNS.values()),
        "rating begin covers": list(covers.COLUMNS.values()),
        "rating measure": [*batch, *RATED.values()],
        "store export": flat_columns(),
        "store research": list(RESEARCH_COLUMNS.values()),
        "store columns": list(DICTIONARY.values()),
    }
