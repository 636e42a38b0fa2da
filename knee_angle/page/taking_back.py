"""Letting a kept row no longer count, with the reason; it stays in the records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import KneeAngleError
from knee_angle.language import say, tell
from knee_angle.page.visit import the_visit
from knee_angle.store import KeptMeasurement, KeptVisit, Store, WithdrawalReason

__all__ = ["TAKEN_BACK", "take_back", "take_measurement_back"]

TAKEN_BACK = 50
"""The newest rows and visits that can be taken back from the page."""
WITHDRAWN_WORDS: dict[WithdrawalReason, str] = {
    "wrong_person": say("it belongs to another patient"),
    "wrong_machine": say("it belongs to another machine"),
    "wrong_photo": say("the photo was the wrong one"),
    "entered_twice": say("it was kept twice"),
    "other": say("another reason"),
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
        visit.id: say(
            "{at:%-d %b %H:%M}, {side}, visit of {count} photos, {low} to {high}",
            at=visit.taken_at.astimezone(),
            side=words.SIDE_WORDS[visit.side],
            count=len(visit.measurements),
            low=words.degrees(visit.knees[0].deg),
            high=words.degrees(visit.knees[-1].deg),
        )
        for visit in whole.values()
    }
    joint = {row_id for visit in whole.values() for row_id in visit.measurements}
    choices |= {
        row.id: say(
            "{at:%-d %b %H:%M}, {side}, {knee}{joint}",
            at=row.taken_at.astimezone(),
            side=words.SIDE_WORDS[row.side],
            knee=words.degrees(row.flexion_deg),
            joint=say(", one photo of a visit") if row.id in joint else "",
        )
        for row in rows[:TAKEN_BACK]
    }
    take_back("measurement", choices, withdraw)


HEADINGS = {
    "measurement": (say("Take a measurement back"), say("Measurement")),
    "check": (say("Take a check back"), say("Check")),
}


def take_back(
    what: str, choices: Mapping[str, str], withdraw: Callable[[str, WithdrawalReason], None]
) -> None:
    """Let one of several rows no longer count; it stays in the records."""
    heading, label = HEADINGS[what]
    with st.expander(tell(heading), icon=":material/undo:"):
        row_id = st.selectbox(
            tell(label),
            list(choices),
            format_func={one: tell(told) for one, told in choices.items()}.__getitem__,
        )
        reason = st.radio(
            tell("Because"),
            list(WITHDRAWN_WORDS),
            format_func={one: tell(told) for one, told in WITHDRAWN_WORDS.items()}.__getitem__,
            key=f"because-{what}",
        )
        st.caption(tell("It no longer counts, but stays in the records with the reason."))
        # Named by its row: a second tap cannot reach the row that then stands first.
        if st.button(tell("Take it back"), width="stretch", key=f"take-back-{row_id}"):
            try:
                withdraw(row_id, reason)
            except KneeAngleError as error:
                st.error(tell(str(error)))
                return
            st.rerun()
