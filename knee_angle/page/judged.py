"""All photos of a visit answered: each alone, and all of one leg and machine together."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from functools import partial

import streamlit as st

from knee_angle.assumptions import END_FROM_DEG
from knee_angle.language import say
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.prescribed import LegSettings
from knee_angle.page.beside import begun, ended
from knee_angle.page.tray import Entry, Tray
from knee_angle.pipeline import Shot, answer_of_visit, judged_alone, safely
from knee_angle.records import Finding, Measurement, NotMeasured, Outcome, Side
from knee_angle.settings import Settings, changed, flexion_of_display
from knee_angle.store import Prescription, leg_settings

__all__ = ["Asked", "Judged", "Prescribed", "end_words", "judged"]

Prescribed = Mapping[Side, Prescription | None]
"""What is prescribed for each knee; empty where nothing is."""

HELD = "judged-answer"
AT_WORK = "judging"


@dataclass(frozen=True)
class Asked:
    """All that goes into an answer besides the photos and their points.

    Parameters
    ----------
    numbers : Mapping of hash to float or None
        The number on the display in each photo, as it stands there.
    repeats : Mapping of hash to hash
        A photo and the one before it whose place it repeats.
    settings : Settings
        With the limits that were typed.
    prescribed : Prescribed
        With what binds instead of them.
    adjusted : Mapping of hash to int
        How often the machine had been adjusted before each photo; 0 where nothing is said.
    """

    numbers: Mapping[str, float | None]
    repeats: Mapping[str, str]
    settings: Settings
    prescribed: Prescribed
    adjusted: Mapping[str, int] = field(default_factory=dict)

    def displayed_deg(self, sha256: str) -> float | None:
        """The display as degrees of flexion."""
        number = self.numbers.get(sha256)
        return None if number is None else flexion_of_display(number, counting=self.settings.counts)

    def setting_of(self, sha256: str) -> object:
        """What photos of one place share: the one they repeat, else the displayed number.

        After the machine was adjusted the same number is another place.
        """
        first = sha256
        while self.repeats.get(first, first) != first:
            first = self.repeats[first]
        number = self.displayed_deg(first)
        return self.adjusted.get(sha256, 0), first if number is None else number


@dataclass(frozen=True)
class Judged:
    """The answers to a visit.

    Parameters
    ----------
    outcomes : dict of hash to Outcome
        Each photo alone, by the limits of the knee that it shows.
    shots : dict of hash to Shot
        What each is called, and its place.
    answer : VisitAnswer, NotMeasured or None
        All that were measured together; None where none was.
    settings : Settings
        Those that it was judged by.
    knees : tuple of Settings
        The knees whose limits may bind: one where a photo shows which.
    fingerprint : str
        Names all that went into it.
    whole : bool
        Whether the machine was judged, too: that takes longest, and is shown a moment later.
    """

    outcomes: dict[str, Outcome]
    shots: dict[str, Shot]
    answer: VisitAnswer | NotMeasured | None
    settings: Settings
    knees: tuple[Settings, ...]
    fingerprint: str
    whole: bool = True

    @property
    def measured(self) -> dict[str, Measurement]:
        """The photos that were measured."""
        return {sha: one for sha, one in self.outcomes.items() if isinstance(one, Measurement)}

    @property
    def alarms(self) -> tuple[str, ...]:
        """Every photo's alarms, each once."""
        return tuple(dict.fromkeys(a for one in self.outcomes.values() for a in one.alarms))


def judged(tray: Tray, asked: Asked, *, first: Callable[[Judged], None]) -> Judged:
    """Judge all photos as they are now.

    Parameters
    ----------
    tray, asked
        The photos, and what goes into the answer besides them.
    first : callable
        Handed the answer without the machine's judgement as soon as that is known.

    Raises
    ------
    KneeAngleError
        A number or setting that cannot be.
    """
    legs = LegSettings(asked.settings, asked.settings)
    if asked.prescribed:
        legs = leg_settings(asked.prescribed, lambda limits: changed(asked.settings, limits))
    outcomes: dict[str, Outcome] = {}
    for sha256, entry in tray.entries.items():
        deg = asked.displayed_deg(sha256)
        outcomes[sha256] = legs.judged(
            entry.measured(displayed_deg=deg, settings=asked.settings), deg
        )
    sides = [one.side for one in outcomes.values() if isinstance(one, Measurement)]
    knees = (legs.of(sides[0]),) if sides else legs.both
    fingerprint = _fingerprint(list(tray.entries.values()), asked, knees)
    shots = _shots(tray, asked)
    if not _is_held(fingerprint):
        quick = _quick(outcomes, shots, knees[0])
        first(Judged(outcomes, shots, quick, knees[0], knees, fingerprint, whole=False))
    findings, answer = _held(outcomes, shots, knees[0], fingerprint)
    return Judged(
        {sha: _with_finding(one, findings.get(sha)) for sha, one in outcomes.items()},
        shots, answer, knees[0], knees, fingerprint,
    )  # fmt: skip


def _with_finding(outcome: Outcome, finding: Finding | None) -> Outcome:
    return replace(outcome, finding=finding) if isinstance(outcome, Measurement) else outcome


def _shots(tray: Tray, asked: Asked) -> dict[str, Shot]:
    """Each photo by its number and the number of its place."""
    places: dict[object, str] = {}
    shots = {}
    for number, sha256 in enumerate(tray.entries, start=1):
        place = places.setdefault(asked.setting_of(sha256), str(len(places) + 1))
        times = asked.adjusted.get(sha256, 0)
        name = say("photo {number}", number=number)
        shots[sha256] = Shot(name, place, asked.displayed_deg(sha256), times)
    return shots


Held = tuple[dict[str, Finding | None], VisitAnswer | NotMeasured | None]
"""Findings of photos, and the answer to all of them."""


def _is_held(fingerprint: str) -> bool:
    held: tuple[str, Held] | None = st.session_state.get(HELD)
    return held is not None and held[0] == fingerprint


def _quick(
    outcomes: Mapping[str, Outcome], shots: Mapping[str, Shot], settings: Settings
) -> VisitAnswer | NotMeasured | None:
    """Knees, limits and displays of all photos; what they say of the machine is left out."""
    pairs = [(shots[sha], one) for sha, one in outcomes.items()]
    if not any(isinstance(one, Measurement) for _, one in pairs):
        return None
    found = safely(lambda: answer_of_visit(pairs, settings, judge=False))
    return found if isinstance(found, VisitAnswer | NotMeasured) else None


def _held(
    outcomes: Mapping[str, Outcome],
    shots: Mapping[str, Shot],
    settings: Settings,
    fingerprint: str,
) -> Held:
    """What `_together` says, judged once while all that goes into it stays."""
    if _is_held(fingerprint):
        held: tuple[str, Held] = st.session_state[HELD]
        return held[1]
    at_work: tuple[str, Future[Held]] | None = st.session_state.get(AT_WORK)
    if at_work is None or at_work[0] != fingerprint:
        at_work = fingerprint, begun(partial(_together, outcomes, shots, settings))
        st.session_state[AT_WORK] = at_work
    try:
        # Each look at the session lets a newer run end this one; it waits for the same work.
        found = ended(at_work[1], look=lambda: AT_WORK in st.session_state)
    except Exception:
        del st.session_state[AT_WORK]  # the next run tries again
        raise
    st.session_state[HELD] = fingerprint, found
    del st.session_state[AT_WORK]
    return found


def _together(
    outcomes: Mapping[str, Outcome], shots: Mapping[str, Shot], settings: Settings
) -> Held:
    """The answer to all photos; of one alone its finding too, of several that is asked later."""
    measured = {sha: one for sha, one in outcomes.items() if isinstance(one, Measurement)}
    if not measured:
        return {}, None
    if len(measured) == 1:
        ((sha, only),) = measured.items()
        told, alone = judged_alone(only)
        return {sha: told.finding}, alone
    pairs = [(shots[sha], one) for sha, one in outcomes.items()]
    found = safely(lambda: answer_of_visit(pairs, settings))
    return {}, found if isinstance(found, VisitAnswer | NotMeasured) else None


def _fingerprint(entries: Sequence[Entry], asked: Asked, knees: tuple[Settings, ...]) -> str:
    """Names everything that goes into an answer; the same after the server was started anew."""
    photos = [
        (
            one.sha256,
            sorted(one.edit.moved.items()),
            one.edit.removed,
            one.dots_used,
            asked.numbers.get(one.sha256),
        )
        for one in entries
    ]
    repeats, adjusted = sorted(asked.repeats.items()), sorted(asked.adjusted.items())
    words = repr((photos, repeats, adjusted, asked.settings, knees))
    return hashlib.sha256(words.encode()).hexdigest()[:16]


def end_words(answer: VisitAnswer) -> list[str]:
    """What each setting of a visit is called, the straightest first, before and after adjusting."""
    found: list[str] = []
    for adjusted in range(answer.adjusted + 1):
        knees = [
            one.estimate.knee.value for one in answer.settings if one.estimate.adjusted == adjusted
        ]
        found += _ends_of(knees)
    return found


def _ends_of(knees: Sequence[float]) -> list[str]:
    low, between, high = say("Extension end"), say("On the way"), say("Flexion end")
    if len(knees) < 2:
        return [high if deg >= END_FROM_DEG else low for deg in knees]
    return [low, *[between] * (len(knees) - 2), high]
