"""A film of one cycle on the visit's page: chosen, measured, shown, kept as a visit.

It stands beside the photos and not among them: a film is answered by itself. The file lies on
the disk for as long as it is measured, and is not kept.
"""

from __future__ import annotations

import base64
import hashlib
import os
import re
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from html import escape
from pathlib import Path
from typing import Any

import streamlit as st

from knee_angle.clip.answer import ClipAnswer, ClipOutcome
from knee_angle.clip.measure import Readings, measure_clip
from knee_angle.clip.numbers import typed_numbers
from knee_angle.errors import KneeAngleError, NoStoreYet
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.language import tell
from knee_angle.machine.prescribed import LegSettings
from knee_angle.page import answer, memory
from knee_angle.page import asked as ask
from knee_angle.page.film_at_work import AtWork
from knee_angle.page.keeping import the_store
from knee_angle.page.visit import Visit
from knee_angle.page.ward.here import may
from knee_angle.page.whose import Known, Whose
from knee_angle.records import NotMeasured
from knee_angle.report.clip_plots import clip_svg
from knee_angle.report.clip_words import clip_first_lines, ends_cells, rest_text
from knee_angle.settings import Settings, changed
from knee_angle.store import PhotoToKeep, SetUp, checked_code, new_id

__all__ = ["film_area"]

KINDS = ["mp4", "mov", "webm"]
SHOWN, AT_WORK = "film-shown", "film-at-work"
LOOK_EVERY_S = 0.3


@dataclass(frozen=True)
class _Shown:
    """A film's answer with what it was measured by, whether to its end, and the save of it."""

    fingerprint: str
    outcome: ClipOutcome
    settings: Settings
    visit_id: str
    stopped: bool = False
    kept: bool = False

    @property
    def unfinished(self) -> bool:
        """Whether it may be measured again, to its end; what was kept would be kept twice."""
        return self.stopped and not self.kept


def film_area(visit: Visit, given: Whose, known: Known) -> None:
    """Choose a film of one cycle, measure it, look at the answer, keep it."""
    opened = visit.own("film-open")
    if not st.session_state.get(opened):
        st.button(
            tell("A film of one cycle"), icon=":material/videocam:", width="stretch",
            key=f"{opened}-tap", on_click=st.session_state.__setitem__, args=(opened, True),
        )  # fmt: skip
        return
    with st.expander(tell("A film of one cycle"), icon=":material/videocam:", expanded=True):
        st.caption(
            tell(
                "Film one whole cycle from where the photo would be taken, the whole leg in the "
                "picture: both ends, arc, and the display over the range. At most 40 MB."
            )
        )
        file = st.file_uploader(tell("Film"), type=KINDS, key=visit.own("film"))
        numbers = memory.text(
            tell("Numbers on the display: seconds and number, such as 0 12; 5 30; 10 48"),
            visit.own("film-numbers"),
        )
        reading = st.toggle(
            tell("Read the numbers in the film (those typed count)"), key=visit.own("film-read")
        )
        values = {"read_display": True} if reading else {}
        values |= {} if known.prescribed else ask.limits(visit.own)
        if file is not None:
            _answered(file.getvalue(), file.name, numbers, values, given, known)


def _answered(
    content: bytes, name: str, numbers: str, values: dict[str, Any], given: Whose, known: Known
) -> None:
    told = repr(
        (hashlib.sha256(content).hexdigest(), numbers, values, given.person, known.prescribed)
    )
    fingerprint = hashlib.sha256(told.encode()).hexdigest()
    shown: _Shown | None = st.session_state.get(SHOWN)
    if shown is not None and shown.fingerprint != fingerprint:
        shown = None  # an answer to something else is none
    work: AtWork | None = st.session_state.get(AT_WORK)
    if work is not None and work.fingerprint != fingerprint:
        work.stop()
        del st.session_state[AT_WORK]
        work = None
    place, beneath = st.empty(), st.container()
    if work is not None:
        with place.container():
            _watched(work, changed(None, values))
        if work.trouble is not None:
            beneath.error(tell(str(work.trouble)))
    if (shown is None or shown.unfinished) and place.button(
        tell("Measure the film"), type="primary", width="stretch", icon=":material/play_arrow:",
        key="film-measure",
    ):  # fmt: skip
        try:
            settings = changed(None, values)
            legs = _legs(settings, given, known)
            readings = typed_numbers(numbers, counts=settings.counts)
        except KneeAngleError as error:
            st.error(tell(str(error)))
            return
        st.session_state.pop(SHOWN, None)
        st.session_state[AT_WORK] = AtWork(
            fingerprint, partial(_measured, content, name, settings, legs, readings)
        )
        st.rerun()  # without the button
    if shown is not None:
        _show(shown, known)
        _keep(shown, given)


def _legs(settings: Settings, given: Whose, known: Known) -> LegSettings | None:
    """The limits of both knees, where something is prescribed for the patient."""
    if not known.prescribed:
        return None
    return the_store().leg_settings(
        given.person, date.today(), over=lambda limits: changed(settings, dict(limits))
    )


def _watched(work: AtWork, settings: Settings) -> None:
    """How far the film is, and a button that ends it there, until it is measured."""
    told = tell("Following the leg through the film ...")
    bar = st.progress(0.0, text=told)
    st.button(
        tell("Stop, and answer what was seen so far"), icon=":material/stop:", width="stretch",
        key="film-stop", on_click=work.stop,
    )  # fmt: skip
    while (share := work.look(wait_s=LOOK_EVERY_S)) is not None:
        bar.progress(share, text=told)
    del st.session_state[AT_WORK]
    if work.outcome is not None:
        st.session_state[SHOWN] = _Shown(
            work.fingerprint, work.outcome, settings, new_id(), stopped=work.stopped
        )
        st.rerun()


def _measured(
    content: bytes,
    name: str,
    settings: Settings,
    legs: LegSettings | None,
    readings: Readings | None,
    progress: Callable[[float, float | None], None],
    stop: Callable[[], bool],
) -> ClipOutcome:
    """The film measured; nothing here asks the page."""
    with _on_disk(content) as path:
        return measure_clip(
            path, detectors=shared_detectors(), settings=settings, legs=legs, readings=readings,
            name=name, progress=progress, stop=stop,
        )  # fmt: skip


@contextmanager
def _on_disk(content: bytes) -> Iterator[Path]:
    """A file for the owner's eyes alone, gone at the end."""
    handle, place = tempfile.mkstemp(prefix="knee-angle-film-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        yield Path(place)
    finally:
        Path(place).unlink(missing_ok=True)


def _show(shown: _Shown, known: Known) -> None:
    """What is said first, the lines, the plots, every figure."""
    outcome = shown.outcome
    if known.unknown is not None and not isinstance(known.unknown, NoStoreYet):
        st.error(tell("The prescribed limits are not known: {why}", why=known.unknown))
    if outcome.alarms:
        st.html(answer.alarms(outcome.alarms))
    if isinstance(outcome, NotMeasured):
        st.warning(
            tell(
                "Not measured: {reason}. Next: {advice}.",
                reason=outcome.reason,
                advice=outcome.advice,
            )
        )
        return
    st.html(f'<div class="answer">{"".join(map(_line, clip_first_lines(outcome)))}</div>')
    picture = base64.b64encode(clip_svg(outcome).encode()).decode()
    alt = escape(tell("Angle against time; the figures stand beneath."))
    st.html(f'<img alt="{alt}" src="data:image/svg+xml;base64,{picture}">')
    with st.expander(tell("All figures"), icon=":material/info:"):
        st.html(_table(ends_cells(outcome)))
        st.text("\n".join(tell(line).strip() for line in rest_text(outcome)))


def _table(ends: list[tuple[str, ...]]) -> str:
    """A column for each end: a phone is too narrow for all that stands beside one."""
    rows = [
        f'<tr><th scope="row">{escape(name)}</th>'
        f"{''.join(f'<td>{escape(one)}</td>' for one in of_ends)}</tr>"
        for name, *of_ends in zip(*ends, strict=True)
    ]
    return f'<table class="followed">{"".join(rows)}</table>'


NAMED = re.compile(r"([A-ZÄÖÜ]{2,} +)?(.*)", re.DOTALL)
"""A line's name with the room behind it, and the rest."""


def _line(line: str) -> str:
    """A line of the answer, its name quieter than what it says."""
    name, rest = NAMED.fullmatch(escape(tell(line))).groups("")  # type: ignore[union-attr]
    return f'<p><span class="name">{name}</span>{rest}</p>'


def _keep(shown: _Shown, given: Whose) -> None:
    """One tap keeps both ends and some pictures between as a visit."""
    outcome = shown.outcome
    if not isinstance(outcome, ClipAnswer) or not may("keep"):
        return
    if shown.kept:
        st.success(tell("Kept as a visit: both ends and some pictures between."))
        return
    if not given.person:
        st.info(tell("Type the patient's code above to keep it."))
        return
    if not st.button(tell("Keep the film's numbers"), width="stretch"):
        return
    photos = [
        PhotoToKeep(one.measurement.photo, one.measurement, SetUp(end=one.end, setting=one.setting))
        for one in outcome.chosen
    ]
    try:
        store = the_store(create=True)
        # Both codes are checked before either is made known.
        person = checked_code(given.person)
        machine = checked_code(given.machine, what="machine") if given.machine else None
        if not store.knows_person(person):
            store.add_person(person)
        if machine is not None and not store.knows_machine(machine):
            store.add_machine(machine)
        store.save_visit(
            outcome.visit, photos, visit_id=shown.visit_id, settings=shown.settings,
            person=person, machine=machine,
        )  # fmt: skip
    except KneeAngleError as error:
        st.error(tell("It was not kept: {trouble}", trouble=str(error)))
        return
    st.session_state[SHOWN] = replace(shown, kept=True)
    st.rerun()
