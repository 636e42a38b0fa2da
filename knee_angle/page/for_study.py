"""The table for a study, handed over by the page: pseudonyms whose key stays on this computer."""

from __future__ import annotations

import os
from pathlib import Path

import streamlit as st

from knee_angle.errors import InvalidInput
from knee_angle.language import tell
from knee_angle.report.contract import csv_lines
from knee_angle.report.schemas import dictionary_csv
from knee_angle.store import Store
from knee_angle.store.research import (
    RESEARCH_COLUMNS,
    Pseudonyms,
    by_pseudonym,
    first_days,
    key_from,
    research_rows,
)
from knee_angle.visit.zone import LocalZone

__all__ = ["KEY_VARIABLE", "study_button"]

KEY_VARIABLE = "KNEE_ANGLE_STUDY_KEY"
"""Names the file of the study's key; without it the page hands over no such table."""


def study_button(store: Store) -> None:
    """The way to the table of everybody's measurements and to its columns, for who may export."""
    path = os.environ.get(KEY_VARIABLE, "").strip()
    if not path:
        return
    try:
        pseudonyms = key_from(Path(path), beside=None)
    except InvalidInput as error:
        st.error(tell(str(error)))
        return
    st.download_button(
        tell("Table for a study, under pseudonyms (CSV)"),
        data=lambda: table_of(store, pseudonyms).encode(),
        file_name="study.csv",
        mime="text/csv",
        icon=":material/science:",
        on_click="ignore",
        width="stretch",
    )
    st.download_button(
        tell("What the columns of that table mean (CSV)"),
        data=lambda: dictionary_csv({"research": RESEARCH_COLUMNS.values()}).encode(),
        file_name="study.columns.csv",
        mime="text/csv",
        icon=":material/menu_book:",
        on_click="ignore",
        width="stretch",
    )


def table_of(store: Store, pseudonyms: Pseudonyms) -> str:
    """Every measurement that stands, in the columns of `store research`; noted in the trail."""
    zone = LocalZone()
    rows = list(
        research_rows(
            by_pseudonym(store, pseudonyms),
            (one.row for one in store.stored_visits()),
            pseudonyms=pseudonyms,
            firsts=first_days(store, zone=zone),
            dates="days",
            zone=zone,
        )
    )
    store.note("export", f"{len(rows)} measurements, research")
    return csv_lines(rows, tuple(RESEARCH_COLUMNS), header=True)
