"""Keeping a visit with one tap, and saying plainly whether it was kept.

A save is announced in the visit's draft before it is begun: after a kill in the middle the
store is asked by the announced identifier, and the page says what was kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import InvalidInput, KneeAngleError, NoStoreYet, StoreError
from knee_angle.language import joined, say, tell, without_stop
from knee_angle.machine.answer import VisitAnswer
from knee_angle.page import memory
from knee_angle.page.judged import Judged
from knee_angle.page.paper import paper_button, paper_choice
from knee_angle.page.visit import Visit, next_visit
from knee_angle.page.ward.here import for_session, may
from knee_angle.photo.crop import crop_jpeg
from knee_angle.pipeline import judged_alone
from knee_angle.store import (
    End,
    KeptTogether,
    PhotoToKeep,
    SetUp,
    Store,
    checked_code,
    new_id,
    open_store,
    papers,
)
from knee_angle.store.access.roles import NotAllowed
from knee_angle.store.visits import row_of

__all__ = [
    "Wanted",
    "keep_area",
    "kept_before",
    "no_store_yet",
    "recovered",
    "the_store",
    "with_store",
]

NEW_PERSON = say(
    "**New person {code} added**: this code was not known before. Mistyped? Correct it above and "
    "keep the correction, and this row no longer counts; or take it back under People."
)
NEW_MACHINE = say(
    "**New machine {code} added**: this code was not known before. Mistyped? Correct it above and "
    "keep the correction, and this row no longer counts; or take it back under Machines."
)
ASKED = "keep-asked"


def the_store(*, create: bool = False) -> Store:
    """The store as whoever asks may use it: see `_opened`, and `ward.here` for a network.

    Raises
    ------
    NotAllowed
        A ward's page, and the session has ended.
    """
    return for_session(_opened(_create=create))


# Where the cache is emptied the connections are closed, not left to whoever collects them.
@st.cache_resource(show_spinner=False, on_release=lambda store: store.close())
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
        st.info(
            tell(
                "{no_store} The first code or measurement kept makes it.",
                no_store=no_store_yet(none),
            )
        )
        first_code(lambda: the_store(create=True))
    except (InvalidInput, StoreError) as error:
        st.error(tell(str(error)))


def no_store_yet(none: NoStoreYet) -> str:
    """What to say where records may be expected and there are none."""
    return say(
        "No store is at {place} yet. Are records expected here? Then nothing is known of them now: "
        "correct KNEE_ANGLE_STORE and start the page again.",
        place=none.place,
    )


@dataclass(frozen=True, slots=True)
class Wanted:
    """All that will be kept besides the answer.

    Parameters
    ----------
    person, machine : str
        Codes as typed; empty where none was given.
    setup : SetUp
        How the machine is set.
    ends : dict of hash to End or None
        The end of the range at which each photo was taken, where that was said.
    repeats : dict of hash to hash
        A photo and the one whose place it repeats.
    new : tuple of str
        Codes that nobody knows yet.
    with_photo : bool
        Whether the pictures are kept.
    """

    person: str
    machine: str
    setup: SetUp
    ends: dict[str, End | None]
    repeats: dict[str, str]
    new: tuple[str, ...] = ()
    with_photo: bool = False

    def named(self, fingerprint: str) -> str:
        """Names all of it, the same after the server was started anew."""
        words = repr((fingerprint, replace(self, new=())))
        return hashlib.sha256(words.encode()).hexdigest()[:16]


def recovered(visit: Visit) -> str:
    """What became of a save that broke off; empty where none did."""
    pending = visit.pending
    if pending is None:
        return ""
    try:
        found = the_store().kept_under(pending["id"], pending["hashes"])
    except KneeAngleError as error:
        return say("Whether this visit was kept cannot be told: {error}", error=error)
    visit.pending = None
    if found is None:
        visit.write_down()
        return say(
            "The saving broke off and nothing was kept. Nothing here is lost: keep it again."
        )
    _done(visit, pending, found)
    return say("The connection broke while this visit was kept: it was kept, once and whole.")


def kept_before(visit: Visit, sha256: str) -> str:
    """Whether a photo was kept before, by another visit; asked once a photo."""
    if sha256 not in visit.before:
        rows = []
        if may("see patients"):
            try:
                rows = list(the_store().of_photo(sha256))
            except KneeAngleError:  # no store yet, or one that keeping will tell of
                rows = []
        visit.before[sha256] = tuple(
            (
                row.id,
                say(
                    "This photo was kept before, for {codes} on {at:%-d %b %Y, %H:%M}.",
                    codes=joined(say(" and "), [c for c in (row.person, row.machine) if c]),
                    at=row.saved_at.astimezone(),
                ),
            )
            for row in rows
        )
    own = set() if visit.kept is None else set(visit.kept["rows"].values())
    told = [said for row_id, said in visit.before[sha256] if row_id not in own]
    return told[0] if told else ""


def keep_area(visit: Visit, judged: Judged, wanted: Wanted) -> None:
    """The button, and what became of the last tap on it.

    A tap keeps the answer that was on the screen. Where a number or a point changed in the
    same moment, nothing is kept until the new answer has been seen.
    """
    if not judged.measured:
        return
    if not may("keep"):
        st.caption(tell("Your role may measure here, and keep nothing."))
        return
    shown = st.session_state.pop(ASKED, None)
    if unused := memory.unused():
        st.info(tell("To keep this answer, first correct: {inputs}.", inputs=", ".join(unused)))
        return
    with_photo = memory.tick(say("Keep the photo too (cut to the leg)"), visit.own("photo"))
    wanted = replace(wanted, with_photo=with_photo)
    name = wanted.named(judged.fingerprint)
    problem = None
    if shown is not None:
        problem = _kept(visit, judged, wanted, shown=shown)
    if visit.kept is not None and visit.kept["of"] == name:
        _told(visit)
        return
    st.button(
        tell(_label(visit, judged, wanted)),
        type="primary",
        width="stretch",
        key=f"keep-{visit.token[:8]}",
        on_click=_ask,
        args=(judged.fingerprint,),
    )
    if problem is not None:
        st.error(tell(problem))
    elif visit.kept is not None:
        st.info(
            tell("Something changed since this was kept. The earlier row stays in the records.")
        )


def _label(visit: Visit, judged: Judged, wanted: Wanted) -> str:
    if visit.kept is not None:
        return say("Keep the correction")
    several = len(judged.measured) > 1
    if wanted.new:
        codes = joined(say(" and "), wanted.new)
        if several:
            return say("Keep this visit, and add {codes} as new", codes=codes)
        return say("Keep this measurement, and add {codes} as new", codes=codes)
    return say("Keep this visit") if several else say("Keep this measurement")


def _ask(fingerprint: str) -> None:
    st.session_state[ASKED] = fingerprint


def _kept(visit: Visit, judged: Judged, wanted: Wanted, *, shown: str) -> str | None:
    """Keep the visit; what went wrong, else None."""
    if shown != judged.fingerprint:
        return say("Not kept: the answer has changed. Look at the new one, then keep it.")
    if not wanted.person and not wanted.machine:
        return say("Not kept: give the code of the patient or of the machine, to find it again.")
    name = wanted.named(judged.fingerprint)
    if visit.pending is None or visit.pending["of"] != name:
        hashes = list(judged.measured)
        visit.pending = {"id": new_id(), "of": name, "hashes": hashes}
        visit.write_down()
    try:
        store = the_store(create=True)
        found = store.kept_under(visit.pending["id"], visit.pending["hashes"])
        if found is None:
            found = _saved(store, visit, judged, wanted)
    except KneeAngleError as error:
        if isinstance(error, InvalidInput | NotAllowed):  # refused before anything was begun
            visit.pending = None
        return say(
            "Not kept: {why}. Nothing here is lost: correct it and keep it again.",
            why=without_stop(str(error)),
        )
    _done(visit, visit.pending, found)
    return None


def _saved(store: Store, visit: Visit, judged: Judged, wanted: Wanted) -> KeptTogether:
    # Both codes are checked before either is made known.
    person = wanted.person and checked_code(wanted.person)
    machine = wanted.machine and checked_code(wanted.machine, what="machine")
    if person and not store.knows_person(person):
        visit.new_codes.append(store.add_person(person))
    if machine and not store.knows_machine(machine):
        visit.new_codes.append(store.add_machine(machine))
    before = (visit.kept or {}).get("rows", {})
    photos = [_photo(visit, judged, wanted, sha, before.get(sha)) for sha in judged.measured]
    pending = visit.pending or {}
    return store.save_visit(
        judged.answer if isinstance(judged.answer, VisitAnswer) else None,
        photos,
        visit_id=pending["id"],
        settings=judged.settings,
        person=person or None,
        machine=machine or None,
        corrects=visit.kept["id"] if visit.kept is not None and visit.kept["joint"] else None,
        gone=[row for sha, row in before.items() if sha not in judged.measured],
    )


def _photo(
    visit: Visit, judged: Judged, wanted: Wanted, sha256: str, corrects: str | None
) -> PhotoToKeep:
    entry, measured, shot = (
        visit.tray.entries[sha256], judged.measured[sha256], judged.shots[sha256]
    )  # fmt: skip
    several, name = len(judged.measured) > 1, measured.photo
    if several:  # each photo's row has its own finding
        measured, name = judged_alone(measured)[0], shot.name
    return PhotoToKeep(
        name,
        measured,
        replace(
            wanted.setup,
            end=wanted.ends.get(sha256),
            setting=shot.setting if several and sha256 in _named(wanted) else None,
            adjusted=shot.adjusted,
        ),
        taken_at=entry.looked.taken_at,
        picture=crop_jpeg(entry.photo, measured) if wanted.with_photo else None,
        corrects=corrects,
    )


def _named(wanted: Wanted) -> set[str]:
    """Photos whose place was named by hand; of the others the displayed number tells."""
    return {*wanted.repeats, *wanted.repeats.values()}


def _done(visit: Visit, pending: dict[str, Any], found: KeptTogether) -> None:
    """Write down what was kept."""
    rows = {store_row.id: store_row for store_row in found.measurements}
    hashes = {sha: row_id for sha in pending["hashes"] if (row_id := _row(pending, sha)) in rows}
    first = found.measurements[0]
    knees = [[first.flexion_deg, first.u_deg]]
    if found.visit is not None and len(rows) > 1:
        knees = [[one.deg, one.u_deg] for one in (found.visit.knees[0], found.visit.knees[-1])]
    visit.pending = None
    visit.kept = {
        "id": pending["id"],
        "of": pending["of"],
        "rows": hashes,
        "joint": found.visit is not None,
        "person": first.person,
        "machine": first.machine,
        "knees": knees,
        "display_deg": first.displayed_deg,
        "has_photo": first.has_photo,
        "saved_at": first.saved_at.isoformat(),
        "at": datetime.now(UTC).isoformat(),
    }
    visit.write_down()


def _kept_words(kept: dict[str, Any]) -> str:
    """What was kept, for whom and when."""
    said = say("knee {knee}", knee=words.with_u(*kept["knees"][0]))
    if kept["display_deg"] is not None:
        shown = words.degrees(kept["display_deg"])
        said = say("{knee}, display {shown}", knee=said, shown=shown)
    if len(kept["knees"]) > 1:
        low, high = (words.with_u(*knee) for knee in kept["knees"])
        said = say(
            "a visit of {count} photos, knee {low} to {high}",
            count=len(kept["rows"]), low=low, high=high,
        )  # fmt: skip
    elif len(kept["rows"]) > 1:
        said = say(
            "{count} photos, each by itself (they could not be judged together)",
            count=len(kept["rows"]),
        )
    template = say("Kept for {codes}: {said}, without the photo, at {at:%H:%M}.")
    if len(kept["rows"]) > 1:
        template = say("Kept for {codes}: {said}, without the photos, at {at:%H:%M}.")
    if kept["has_photo"]:
        template = say("Kept for {codes}: {said}, with the photo, at {at:%H:%M}.")
        if len(kept["rows"]) > 1:
            template = say("Kept for {codes}: {said}, with the photos, at {at:%H:%M}.")
    codes = [code for code in (kept["person"], kept["machine"]) if code is not None]
    at = datetime.fromisoformat(kept["saved_at"]).astimezone()
    return template.format(codes=joined(say(" and "), codes), said=said, at=at)


def _row(pending: dict[str, Any], sha256: str) -> str:
    return row_of(str(pending["id"]), sha256)


def _told(visit: Visit) -> None:
    """What was kept, and where it is found again."""
    kept = visit.kept or {}
    st.success(tell(_kept_words(kept)))
    for new, code in ((NEW_PERSON, kept["person"]), (NEW_MACHINE, kept["machine"])):
        if code in visit.new_codes:
            st.warning(tell(new.format(code=code)))
    _paper(kept)
    _links(kept)
    if st.button(
        tell("Next patient"), width="stretch", icon=":material/person_add:", type="primary"
    ):
        next_visit()
        st.rerun()


def _paper(kept: dict[str, Any]) -> None:
    """What was kept, as paper: the visit, or the one photo that was kept alone."""
    row = kept["id"] if kept["joint"] else next(iter(kept["rows"].values()), None)
    if row is None:
        return
    store = the_store()
    paper_choice()
    paper_button(
        say("This visit as paper"),
        lambda: papers.of_visit(store, row=row),
        store=store, about=f"visit {row[:12]}", name=f"visit-{row[:12]}",
    )  # fmt: skip


def _links(kept: dict[str, Any]) -> None:
    pages = st.session_state.get("pages", {})
    for name, code in (("people", kept["person"]), ("machines", kept["machine"])):
        if code is not None and name in pages:
            what = "person" if name == "people" else "machine"
            with st.container(key="kept"):
                st.page_link(
                    pages[name],
                    label=tell("Open {code}", code=code),
                    icon=":material/arrow_forward:",
                    query_params={what: code},
                    width="stretch",
                )
            return
