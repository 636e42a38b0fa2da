"""Whose rows: people and machines by code, and what is prescribed for a person's knees."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from datetime import date, timedelta

from sqlalchemy.engine import Connection

from knee_angle.angle.words import ENDS_WORDS
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine.prescribed import LegSettings
from knee_angle.records import Side
from knee_angle.settings import Settings
from knee_angle.store import reading, schema
from knee_angle.store.codec import to_json
from knee_angle.store.records import End, MachineCard, Prescription, Subject, checked_code
from knee_angle.store.writing import Json, Writer, new_id

__all__ = ["PeopleAndMachines"]


class PeopleAndMachines(Writer):
    """The part of a store that knows codes, prescriptions and machine cards."""

    def add_person(self, code: str) -> str:
        """Make a person's code known; its checked form. Knowing it already is fine."""
        return self._add_subject(schema.people, checked_code(code))

    def add_machine(self, code: str) -> str:
        """Make a machine's code known; its checked form. Knowing it already is fine."""
        return self._add_subject(schema.machines, checked_code(code, what="machine"))

    def knows_person(self, code: str) -> bool:
        """Whether a person's code was added before."""
        return self._knows(schema.people, checked_code(code))

    def knows_machine(self, code: str) -> bool:
        """Whether a machine's code was added before."""
        return self._knows(schema.machines, checked_code(code, what="machine"))

    def people(self) -> tuple[Subject, ...]:
        """Every person's code with the number and last time of its measurements."""
        with self._reads() as connection:
            return reading.subjects(connection, table=schema.people, rows=schema.measurements)

    def machines(self) -> tuple[Subject, ...]:
        """Every machine's code with the number and last time of its checks."""
        with self._reads() as connection:
            return reading.subjects(connection, table=schema.machines, rows=schema.checks)

    def prescribe(
        self,
        person: str,
        *,
        from_day: date,
        flexion_deg: float | None,
        extension_deg: float | None,
        lifted: Collection[End] = (),
        side: Side | None = None,
    ) -> Prescription:
        """Enter prescribed limits from a day on. Earlier rows stay as they are.

        Parameters
        ----------
        person : str
            A known code.
        from_day : date
            First day.
        flexion_deg, extension_deg : float or None
            The limits, degrees of flexion. One that is None stands as it did before.
        lifted : collection of {"flexion", "extension"}
            Limits that are no longer prescribed from that day on.
        side : {"left", "right"} or None
            The knee that they are for; None: each.

        Returns
        -------
        Prescription
            What is in force from that day on.

        Raises
        ------
        InvalidInput
            Nothing or a contradiction was entered, also one with a limit that stands.
        """
        _check_limits(flexion_deg=flexion_deg, extension_deg=extension_deg, lifted=lifted)
        _check_side(side)
        code, now = checked_code(person), self._now()
        row: Json = {
            "person": code, "from_day": from_day,
            "flexion_deg": flexion_deg, "extension_deg": extension_deg,
            "lifted": " ".join(sorted(lifted)), "side": side or "",
        }  # fmt: skip

        def enter(connection: Connection) -> Prescription:
            self._known(connection, schema.people, code)
            rows = reading.prescriptions(connection, code, side=None)
            before = [p.entered_at for p in rows]
            # The later entry counts, also where the clock was set back in between.
            entered_at = max([now, *(at + timedelta(microseconds=1) for at in before)])
            self._insert(connection, schema.prescriptions, {"id": new_id(), **row}, entered_at)
            self._note(connection, "prescribed", code, now)
            for knee in reading.SIDES:
                for later in reading.prescriptions(connection, code, side=knee):
                    if later.from_day >= from_day:
                        _check_order(later)
            rows = reading.prescriptions(connection, code, side=side)
            return next(p for p in rows if p.entered_at == entered_at)

        return self._write(enter)

    def prescriptions(self, person: str, *, side: Side | None = None) -> tuple[Prescription, ...]:
        """What was prescribed for a person's knee, in the order in which it comes into force.

        With no side every entry, each with the tighter of the two knees' limits: for where it
        is not known which knee it is.
        """
        with self._reads() as connection:
            return reading.prescriptions(connection, checked_code(person), side=side)

    def prescription_on(
        self, person: str, day: date, *, side: Side | None = None
    ) -> Prescription | None:
        """The prescription in force on a day; the side as in `prescriptions`."""
        return reading.prescription_on(self.prescriptions(person, side=side), day)

    def leg_settings(
        self, person: str, day: date, *, over: Callable[[Mapping[str, float | None]], Settings]
    ) -> LegSettings:
        """The settings of a person's two knees, each with the limits in force on a day.

        Parameters
        ----------
        person : str
            A code.
        day : date
        over : callable
            Gives the settings that hold these limits, by the names of their settings.
        """
        return reading.leg_settings(
            {side: self.prescription_on(person, day, side=side) for side in reading.SIDES}, over
        )

    def note_machine(self, card: MachineCard) -> MachineCard:
        """Keep a machine's section lengths and check interval; older cards stay."""
        for name in ("thigh_section_mm", "shank_section_mm"):
            length = getattr(card, name)
            if length is not None and not 100 <= length <= 800:
                raise InvalidInput(
                    say(
                        "{name} must be between 100 and 800, but got {length:g}",
                        name=name,
                        length=length,
                    )
                )
        days = card.check_every_days
        if days is not None and not 1 <= days <= 3660:
            raise InvalidInput(
                say("check_every_days must be between 1 and 3660, but got {days}", days=days)
            )
        kept = replace(card, machine=checked_code(card.machine, what="machine"))
        now = self._now()

        def enter(connection: Connection) -> None:
            self._known(connection, schema.machines, kept.machine)
            entered = self._entered(connection, schema.machine_cards, kept.machine, now)
            card = {"id": new_id(), **to_json(kept)}
            self._insert(connection, schema.machine_cards, card, entered)
            self._note(connection, "noted machine", kept.machine, now)

        self._write(enter)
        return kept

    def machine_card(self, machine: str) -> MachineCard:
        """What was last noted about a machine."""
        with self._reads() as connection:
            return reading.machine_card(connection, checked_code(machine, what="machine"))


def _check_limits(
    *, flexion_deg: float | None, extension_deg: float | None, lifted: Collection[str]
) -> None:
    given = {"flexion": flexion_deg, "extension": extension_deg}
    problems = [
        say(
            "the prescribed {name} must be between -30 and 180, but got {value:g}",
            name=ENDS_WORDS[name],
            value=value,
        )
        for name, value in given.items()
        if value is not None and not -30 <= value <= 180
    ]
    for name in lifted:
        if name not in given:
            problems.append(
                say("a lifted limit must be flexion or extension, but got {name!r}", name=name)
            )
        elif given[name] is not None:
            problems.append(
                say("{name} is both given and lifted: which is prescribed?", name=ENDS_WORDS[name])
            )
    if not lifted and flexion_deg is None and extension_deg is None:
        problems.append(say("nothing was prescribed: give a limit, or name the one that is lifted"))
    if problems:
        raise InvalidInput(joined("; ", problems))


def _check_side(side: str | None) -> None:
    if side is not None and side not in reading.SIDES:
        raise InvalidInput(
            say(
                "side must be left or right, but got {side!r}: name the knee, or leave it "
                "out where the limits are for each",
                side=side,
            )
        )


def _check_order(row: Prescription) -> None:
    """Refuse two limits that no knee can keep at once."""
    high, low = row.flexion_deg, row.extension_deg
    if high is not None and low is not None and high <= low:
        raise InvalidInput(
            say(
                "the flexion limit must lie above the extension limit, but from {from_day} "
                "they would be {high:g} and {low:g}: were they exchanged, or does one no "
                "longer stand?",
                from_day=row.from_day,
                high=high,
                low=low,
            )
        )
