"""Keeping a measurement with one tap, and saying plainly whether it was kept."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date

import streamlit as st

from knee_angle import words
from knee_angle.angle.verdict import display_range, flexion_of_display
from knee_angle.errors import InvalidInput, KneeAngleError, NoStoreYet, StoreError
from knee_angle.page import memory
from knee_angle.page.tray import Entry
from knee_angle.page.ward.here import for_session
from knee_angle.photo.crop import crop_jpeg
from knee_angle.records import Measurement, NotMeasured, Side
from knee_angle.settings import Settings
from knee_angle.store import (
    CARE,
    CHECKLIST,
    End,
    KeptMeasurement,
    Prescription,
    SetUp,
    Store,
    checked_code,
    new_id,
    open_store,
)

__all__ = [
    "Whose",
    "keep_area",
    "no_store_yet",
    "prescribed_for",
    "set_up",
    "the_store",
    "whose",
    "with_store",
]

ASKED = "keep-asked"

ENDS = {"none": "not said", "flexion": "full flexion", "extension": "full extension"}
END: dict[str, End | None] = {"none": None, "flexion": "flexion", "extension": "extension"}
"""The end of the range at which the machine was paused: words, and what is kept."""


def the_store(*, create: bool = False) -> Store:
    """The store as whoever asks may use it: see `_opened`, and `ward.here` for a network.

    Raises
    ------
    NotAllowed
        A ward's page, and the session has ended.
    """
    return for_session(_opened(_create=create))


@st.cache_resource(show_spinner=False)
def _opened(*, _create: bool = False) -> Store:
    """The store of this machine, opened at the first need; the same one for whoever asks.

    Parameters
    ----------
    _create : bool
        Whether it is made where there is none: only where something is about to be kept,
        so that a mistyped path is told. (Streamlit tells calls apart by what has no
        underscore.)

    Raises
    ------
    NoStoreYet
        There is none; asked again at the next need, as below.
    InvalidInput, StoreError
        It cannot be used.
    """
    return open_store(create=_create)


def with_store(
    draw: Callable[[Store], None], first_code: Callable[[Callable[[], Store]], None]
) -> None:
    """Draw a page from the store; where there is none yet, say so and ask for a first code."""
    try:
        draw(the_store())
    except NoStoreYet as none:
        st.info(f"{no_store_yet(none)} The first code or measurement kept makes it.")
        first_code(lambda: the_store(create=True))
    except (InvalidInput, StoreError) as error:
        st.error(str(error))


def no_store_yet(none: NoStoreYet) -> str:
    """What to say where records may be expected and there are none."""
    return (
        f"No store is at {none.place} yet. Are records expected here? Then nothing is known of "
        "them now: correct KNEE_ANGLE_STORE and start the page again."
    )


@dataclass(frozen=True, slots=True)
class Whose:
    """Codes as typed: whose knee, in which machine; empty where none was given."""

    person: str
    machine: str


@dataclass(frozen=True, slots=True)
class Wanted:
    """All that one row will hold besides the answer."""

    answer: str
    whose: Whose
    setup: SetUp
    with_photo: bool


def whose(entry: Entry) -> Whose:
    """Ask for the two codes. They stay with photos that came together, and no longer."""
    left, right = memory.pair("whose")
    with left:
        person = memory.text("Patient (code)", entry.own("person"), placeholder="P-017")
    with right:
        machine = memory.text("Machine (code)", entry.own("machine"), placeholder="M-03")
    return Whose(person, machine)


def prescribed_for(person: str) -> dict[Side, Prescription | None]:
    """What is prescribed today for each knee of a person; nothing where nobody is known by it.

    Raises
    ------
    InvalidInput, StoreError
        There is no store, or it cannot be read: whether anything is prescribed is not known.
    """
    try:
        code = checked_code(person)
    except InvalidInput:
        return {}  # no code: keeping the measurement says so
    sides: tuple[Side, ...] = ("left", "right")
    return {s: the_store().prescription_on(code, date.today(), side=s) for s in sides}


def _ticks(entry: Entry, points: Mapping[str, str]) -> tuple[str, ...]:
    """The points that are ticked, each with its box."""
    return tuple(key for key, item in points.items() if memory.tick(item, entry.own(f"tick-{key}")))


def set_up(entry: Entry) -> SetUp:
    """How the machine is set, folded away: whatever is noted is kept with the measurement."""
    with st.expander("Set-up of the machine", icon=":material/checklist:"):
        st.caption("Common practice. Whatever you fill in is kept with the measurement.")
        end = memory.choice("Photographed at", f"end-{entry.key}", ENDS, horizontal=True)
        ticks = _ticks(entry, {key: CHECKLIST[key] for key in CHECKLIST if key not in CARE})
        st.caption(
            "With an epidural or a nerve block pain does not warn. Local protocol rules; stop the "
            "machine at pain or resistance."
        )
        ticks += _ticks(entry, CARE)
        left, right = memory.pair("set-up")
        with left:
            extension = _set_deg("Extension set, degrees", entry.own("set-extension"))
            speed = memory.number("Speed, as it is named there", entry.own("speed"), low=0.0)
            head = memory.number(
                "Head of the bed, degrees", entry.own("head"), low=-20.0, high=90.0, step=5.0
            )
        with right:
            flexion = _set_deg("Flexion set, degrees", entry.own("set-flexion"))
            hours = memory.number("Hours of use since last time", entry.own("hours"), low=0.0)
    return SetUp(
        end=END[end],
        flexion_deg=flexion,
        extension_deg=extension,
        speed=speed,
        bed_head_deg=head,
        hours_of_use=hours,
        ticks=ticks,
    )


def _set_deg(label: str, name: str) -> float | None:
    """What the machine is set to, as its display counts; handed on as degrees of flexion."""
    counting = memory.recall("counting", "flexion")
    low, high = display_range(counting)
    shown = memory.number(label, name, low=low, high=high)
    return None if shown is None else flexion_of_display(shown, counting=counting)


def keep_area(
    entry: Entry,
    result: Measurement | NotMeasured,
    *,
    settings: Settings,
    setup: SetUp,
    whose: Whose,
    fingerprint: str,
) -> None:
    """The button, and what became of the last tap on it.

    A tap keeps the answer that was on the screen. Where the number or a point changed in
    the same moment, nothing is kept until the new answer has been seen.
    """
    if isinstance(result, NotMeasured):
        return
    shown = st.session_state.pop(ASKED, None)
    if unused := memory.unused():
        st.info(f"To keep this answer, first correct: {', '.join(unused)}.")
        return
    with_photo = memory.tick("Keep the photo too (cut to the leg)", entry.own("photo"))
    wanted = Wanted(fingerprint, whose, setup, with_photo)
    problem = None
    if shown is not None:
        problem = _kept(entry, result, settings, wanted, shown)
    if entry.kept is not None and entry.kept_as == wanted:
        _told(entry.kept, new_codes=entry.new_codes, with_photo=with_photo)
        return
    label = "Keep this measurement" if entry.kept is None else "Keep the correction"
    st.button(
        label,
        type="primary",
        width="stretch",
        key=f"keep-{entry.key}",
        on_click=_ask,
        args=(fingerprint,),
    )
    if problem is not None:
        st.error(problem)
    elif entry.kept is not None:
        st.info("Something changed since this was kept. The earlier row stays in the records.")


def _ask(fingerprint: str) -> None:
    st.session_state[ASKED] = fingerprint


def _kept(
    entry: Entry, result: Measurement, settings: Settings, wanted: Wanted, shown: str
) -> str | None:
    """Keep the measurement; what went wrong, else None."""
    if shown != wanted.answer:
        return "Not kept: the answer has changed. Look at the new one, then keep it."
    if not wanted.whose.person and not wanted.whose.machine:
        return "Not kept: give the code of the patient or of the machine, to find it again."
    if entry.pending is None or entry.pending[0] != wanted:
        entry.pending = (wanted, new_id())
    try:
        entry.kept = _saved(entry, result, settings, wanted, row_id=entry.pending[1])
    except KneeAngleError as error:
        why = str(error).rstrip(".")
        return f"Not kept: {why}. Nothing here is lost: correct it and keep it again."
    entry.kept_as = wanted
    return None


def _saved(
    entry: Entry, result: Measurement, settings: Settings, wanted: Wanted, *, row_id: str
) -> KeptMeasurement:
    store = the_store(create=True)
    person, machine = wanted.whose.person, wanted.whose.machine
    # Both codes are checked before either is made known.
    person = person and checked_code(person)
    machine = machine and checked_code(machine, what="machine")
    if person and not store.knows_person(person):
        entry.new_codes.add(store.add_person(person))
    if machine and not store.knows_machine(machine):
        entry.new_codes.add(store.add_machine(machine))
    return store.save_measurement(
        result,
        settings=settings,
        photo_sha256=entry.photo.sha256,
        person=person or None,
        machine=machine or None,
        setup=wanted.setup,
        photo=crop_jpeg(entry.photo, result) if wanted.with_photo else None,
        corrects=None if entry.kept is None else entry.kept.id,
        row_id=row_id,
    )


def _told(kept: KeptMeasurement, *, new_codes: set[str], with_photo: bool) -> None:
    """What was kept, and where it is found again."""
    of = " and ".join(code for code in (kept.person, kept.machine) if code is not None)
    display = "" if kept.displayed_deg is None else f", display {words.degrees(kept.displayed_deg)}"
    st.success(
        f"Kept for {of}: knee {words.with_u(kept.flexion_deg, kept.u_deg)}{display}, "
        f"{'with' if with_photo else 'without'} the photo, at {kept.saved_at.astimezone():%H:%M}."
    )
    for what, code, where in (
        ("person", kept.person, "People"),
        ("machine", kept.machine, "Machines"),
    ):
        if code in new_codes:
            st.warning(
                f"**New {what} {code} added**: this code was not known before. Mistyped? Correct "
                "it above and keep the correction, and this row no longer counts; or take it back "
                f"under {where}."
            )
    pages = st.session_state.get("pages", {})
    for name, code in (("people", kept.person), ("machines", kept.machine)):
        if code is not None and name in pages:
            what = "person" if name == "people" else "machine"
            with st.container(key="kept"):
                st.page_link(
                    pages[name],
                    label=f"Open {code}",
                    icon=":material/arrow_forward:",
                    query_params={what: code},
                    width="stretch",
                )
            return
