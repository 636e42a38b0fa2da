"""Whose knee, in which machine: chosen, typed or skipped; and what is known of both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from html import escape

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import InvalidInput, KneeAngleError, NoStoreYet
from knee_angle.language import say, tell
from knee_angle.page import memory
from knee_angle.page.keeping import the_store
from knee_angle.page.visit import Visit
from knee_angle.page.ward.here import may
from knee_angle.photo.codes import Code, codes_in
from knee_angle.photo.kinds import ENDINGS
from knee_angle.photo.reading import read_photo
from knee_angle.records import Side
from knee_angle.report.visit_words import prescribed_text
from knee_angle.settings import Settings
from knee_angle.store import KeptCheck, Prescription, Subject, checked_code
from knee_angle.store.access.roles import NotAllowed

__all__ = ["Known", "Whose", "known_of", "strip", "whose"]

SCANNING, SCANNED = "scanning", "scan-said"
OFFERED = 8
"""Codes that are offered by name: the last ones used."""


@dataclass(frozen=True, slots=True)
class Whose:
    """Codes as typed: whose knee, in which machine; empty where none was given."""

    person: str
    machine: str


@dataclass(frozen=True, slots=True)
class Known:
    """What the store says of both.

    Parameters
    ----------
    prescribed : Mapping of side to Prescription
        Empty where nothing is prescribed.
    unknown : KneeAngleError or None
        Why the prescription cannot be told.
    new : tuple of str
        Codes that nobody knows yet.
    check : KeptCheck or None
        The machine's last check.
    """

    prescribed: Mapping[Side, Prescription | None]
    unknown: KneeAngleError | None
    new: tuple[str, ...]
    check: KeptCheck | None


FROM_BARS = say(
    "on {day:%-d %b %Y}: its display is up to {size} from its bars. Do not go by its number; have "
    "it serviced."
)
FROM_KNEE = say(
    "on {day:%-d %b %Y}: its display is up to {size} from the knee. Do not go by its number; have "
    "it serviced."
)
KNEE = {"left": say("left knee {text}"), "right": say("right knee {text}")}


def whose(visit: Visit) -> Whose:
    """Ask for the two codes; they stay for the whole visit."""
    person, machine = (memory.recall(visit.own(name), "") for name in ("person", "machine"))
    given = " · ".join(code.upper() for code in (person, machine) if code)
    if visit.tray.entries and person:
        with st.expander(tell("{given}: change", given=given), icon=":material/badge:"):
            return _codes(visit)
    return _codes(visit)


def _codes(visit: Visit) -> Whose:
    people, machines = _offered()
    left, right = memory.pair("whose")
    with left:
        person = memory.text(say("Patient (code)"), visit.own("person"), placeholder="P-017")
        _offer(say("Known patients"), people, person, visit.own("person"))
    with right:
        machine = memory.text(say("Machine (code)"), visit.own("machine"), placeholder="M-03")
        _offer(say("Known machines"), machines, machine, visit.own("machine"))
    if not (person and machine):
        _scan(visit)
    return Whose(person, machine)


def _scan(visit: Visit) -> None:
    """A photo of a code instead of typing it; the photo is let go of at once."""
    turn = st.session_state.setdefault("scans", 0)

    def taken() -> None:
        file = st.session_state.get(f"scan-{turn}")
        if file is not None:
            st.session_state["scans"] = turn + 1
            st.session_state[SCANNED] = said = _scanned(visit, file.getvalue())
            st.session_state[SCANNING] = bool(said)

    if not st.session_state.get(SCANNING, False):
        st.button(
            tell("Scan a code"), icon=":material/qr_code_scanner:", width="stretch",
            on_click=st.session_state.__setitem__, args=(SCANNING, True),
        )  # fmt: skip
        return
    if said := st.session_state.pop(SCANNED, ""):
        st.warning(tell(said))
    st.file_uploader(
        tell("Photo of the code of a patient or machine"), type=ENDINGS, key=f"scan-{turn}",
        on_change=taken,
    )  # fmt: skip


def _scanned(visit: Visit, content: bytes) -> str:
    """Put what a photo's codes say into the fields; what to say where they say nothing."""
    try:
        codes = codes_in(read_photo(content, name=say("The photo")))
    except KneeAngleError as error:
        return str(error)
    for code in codes:
        name = visit.own("person" if _is_of(code, visit) == "patient" else "machine")
        memory.put(name, code.code)
    if codes:
        return ""
    return say(
        "No code was read. It must be a QR code (or a bar code of goods) that holds a code such "
        "as M-03: closer, in focus, without glare; or type it."
    )


def _is_of(code: Code, visit: Visit) -> str:
    """What a code names: as printed, else as known here, else what is still open."""
    if code.whose is not None:
        return code.whose
    with suppress(KneeAngleError):
        store = the_store()
        if store.knows_machine(code.code):
            return "machine"
        if may("see patients") and store.knows_person(code.code):
            return "patient"
    return "machine" if memory.recall(visit.own("person"), "") else "patient"


def _offer(what: str, codes: Sequence[str], typed: str, name: str) -> None:
    """The codes last used, each to be chosen with one tap."""
    if not codes or typed:
        return

    def chosen() -> None:
        picked = st.session_state.get(f"offer-{name}")
        if picked:
            memory.put(name, picked)

    st.pills(
        tell(what), codes, key=f"offer-{name}", on_change=chosen,
        label_visibility="collapsed",
    )  # fmt: skip


def _offered() -> tuple[list[str], list[str]]:
    """Patients and machines that the store knows, the last used first."""
    try:
        store = the_store()
        subjects = (store.people() if may("see patients") else (), store.machines())
    except KneeAngleError:
        return [], []
    people, machines = (
        [one.code for one in sorted(found, key=_last_used, reverse=True)][:OFFERED]
        for found in subjects
    )
    return people, machines


def _last_used(subject: Subject) -> float:
    return 0.0 if subject.last_at is None else subject.last_at.timestamp()


def known_of(given: Whose) -> Known:
    """What the store knows of both codes, read anew at each run."""
    prescribed: dict[Side, Prescription | None] = {}
    unknown: KneeAngleError | None = None
    new: list[str] = []
    check = None
    if given.person and not may("see patients"):
        unknown = NotAllowed(say("your role may not see what is prescribed"))
    elif given.person:
        try:
            prescribed = _prescribed_for(given.person, new)
        except KneeAngleError as error:
            unknown = error
    if given.machine:
        try:
            check = _last_check(given.machine, new)
        except KneeAngleError:
            check = None  # keeping says what is wrong with the code or the store
    if not any(prescribed.values()):
        prescribed = {}
    return Known(prescribed, unknown, tuple(new), check)


def _prescribed_for(person: str, new: list[str]) -> dict[Side, Prescription | None]:
    """What is prescribed today for each knee of a person.

    Raises
    ------
    InvalidInput, StoreError
        There is no store, or it cannot be read: whether anything is prescribed is not known.
    """
    try:
        code = checked_code(person)
    except InvalidInput:
        return {}  # no code: keeping the visit says so
    try:
        store = the_store()
    except NoStoreYet:
        new.append(code)
        raise
    if not store.knows_person(code):
        new.append(code)
    sides: tuple[Side, ...] = ("left", "right")
    return {side: store.prescription_on(code, date.today(), side=side) for side in sides}


def _last_check(machine: str, new: list[str]) -> KeptCheck | None:
    code = checked_code(machine, what="machine")
    try:
        store = the_store()
    except NoStoreYet:
        new.append(code)
        raise
    if not store.knows_machine(code):
        new.append(code)
        return None
    return next(iter(store.checks(machine=code, limit=1)), None)


def strip(given: Whose, known: Known) -> str:
    """Prescription and the machine's last check, on top of everything, as HTML."""
    lines = [*_person_lines(given, known), *_machine_lines(given, known)]
    if not lines:
        return ""
    label = tell("Patient and machine")
    return f'<section class="who" aria-label="{label}">{"".join(lines)}</section>'


def _is_code(person: str) -> bool:
    try:
        checked_code(person)
    except InvalidInput:
        return False
    return True


def _person_lines(given: Whose, known: Known) -> list[str]:
    if not given.person:
        return []
    code = escape(given.person.upper())
    rows = {side: row for side, row in known.prescribed.items() if row is not None}
    if known.unknown is not None or not _is_code(given.person):
        return [f"<p><b>{code}</b> {tell('what is prescribed is not known')}</p>"]
    if not rows:
        return [f"<p><b>{code}</b> {tell('no limits are prescribed here')}</p>"]
    told = []
    same = len(set(rows.values())) == 1 and len(rows) == 2
    for side, row in list(rows.items())[: 1 if same else 2]:
        limits = Settings(limit_flexion_deg=row.flexion_deg, limit_extension_deg=row.extension_deg)
        text = prescribed_text(limits) or say("no limit is prescribed")
        if not same:
            text = KNEE[side].format(text=text)
        said = tell("{text}, from {day:%-d %b}", text=text, day=row.from_day)
        told.append(f"<p><b>{code}</b> {escape(said)}</p>")
    return told


def _machine_lines(given: Whose, known: Known) -> list[str]:
    if not given.machine:
        return []
    code, check = escape(given.machine.upper()), known.check
    if check is None:
        return [f"<p><b>{code}</b> {tell('no check is kept of this machine')}</p>"]
    day = check.taken_at.astimezone()
    if check.verdict == "outside":
        failed = tell("{code} failed its last check", code=given.machine.upper())
        off = (FROM_BARS if check.against == "frame" else FROM_KNEE).format(
            day=day, size=words.degrees(abs(check.largest_deg))
        )
        return [f'<p class="failed" role="alert"><b>{escape(failed)}</b> {escape(tell(off))}</p>']
    by_bars = check.against == "frame"
    finding = words.check_finding(check.finding, display=check.verdict, by_bars=by_bars)
    shape = words.VERDICT_SHAPES[check.verdict]
    said = tell(
        "last check {day:%-d %b %Y}: {verdict}; {finding}",
        day=day,
        verdict=words.VERDICT_WORDS[check.verdict],
        finding=finding,
    )
    return [
        f'<p><b>{code}</b> <span class="shape {shape}" aria-hidden="true"></span> '
        f"{escape(said)}</p>"
    ]
