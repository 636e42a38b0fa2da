"""Letting a kept row no longer count, with the reason; it stays in the records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import streamlit as st

from knee_angle import words
from knee_angle.errors import KneeAngleError
from knee_angle.page.visit import the_visit
from knee_angle.store import KeptMeasurement, KeptVisit, Store, WithdrawalReason

__all__ = ["TAKEN_BACK", "take_back", "take_measurement_back"]

TAKEN_BACK = 50
"""The newest rows and visits that can be taken back from the page."""
WITHDRAWN_WORDS: dict[WithdrawalReason, str] = {
    "wrong_person": "it belongs to another patient",
    "wrong_machine": "it belongs to another machine",
    "wrong_photo": "the photo was the wrong one",
    "entered_twice": "it was kept twice",
    "other": "another reason",
}


def take_measurement_back(
    store: Store, rows: Sequence[KeptMeasurement], visits: Sequence[KeptVisit] = ()
) -> None:
    """Let a measurement or a whole visit no longer count; a photo still here is as before."""
    whole = {visit.id: visit for visit in visits[:TAKEN_BACK]}

    def withdraw(row_id: str, reason: WithdrawalReason) -> None:
        if row_id in whole:
            store.withdraw_visit(row_id, reason)
        else:
            store.withdraw_measurement(row_id, reason)
        if (visit := the_visit()) is not None:
            visit.no_longer_kept(row_id)

    choices = {
        visit.id: f"{visit.taken_at.astimezone():%-d %b %H:%M}, {visit.side}, visit of "
        f"{len(visit.measurements)} photos, "
        f"{' to '.join(words.degrees(knee.deg) for knee in (visit.knees[0], visit.knees[-1]))}"
        for visit in whole.values()
    }
    joint = {row_id for visit in whole.values() for row_id in visit.measurements}
    choices |= {
        row.id: f"{row.taken_at.astimezone():%-d %b %H:%M}, {row.side}, "
        f"{words.degrees(row.flexion_deg)}{', one photo of a visit' if row.id in joint else ''}"
        for row in rows[:TAKEN_BACK]
    }
    take_back("measurement", choices, withdraw)


def take_back(
    what: str, choices: Mapping[str, str], withdraw: Callable[[str, WithdrawalReason], None]
) -> None:
    """Let one of several rows no longer count; it stays in the records."""
    with st.expander(f"Take a {what} back", icon=":material/undo:"):
        row_id = st.selectbox(what.capitalize(), list(choices), format_func=choices.__getitem__)
        reason = st.radio(
            "Because",
            list(WITHDRAWN_WORDS),
            format_func=WITHDRAWN_WORDS.__getitem__,
            key=f"because-{what}",
        )
        st.caption("It no longer counts, but stays in the records with the reason.")
        # Named by its row: a second tap cannot reach the row that then stands first.
        if st.button("Take it back", width="stretch", key=f"take-back-{row_id}"):
            try:
                withdraw(row_id, reason)
            except KneeAngleError as error:
                st.error(str(error))
                return
            st.rerun()
