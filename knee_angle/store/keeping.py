"""The store itself: every write is one transaction with its line in the audit trail."""

from __future__ import annotations

import re
import uuid
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, TypeVar, get_args

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Engine

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.machine.check import MachineCheck
from knee_angle.machine.prescribed import LegSettings
from knee_angle.records import CropJpeg, Measurement, Outcome, Side
from knee_angle.report import contract
from knee_angle.settings import Settings
from knee_angle.store import backup, opening, reading, schema
from knee_angle.store.codec import outcome_to_json, to_json
from knee_angle.store.jpeg import refuse_metadata
from knee_angle.store.records import (
    AuditLine,
    End,
    KeptCheck,
    KeptMeasurement,
    MachineCard,
    Overview,
    Prescription,
    SetUp,
    StoredCheck,
    StoredMeasurement,
    Subject,
    WithdrawalReason,
    checked_code,
    utc,
)

__all__ = ["Store", "new_id", "open_store", "utc_now"]

Json = dict[str, Any]
Clock = Callable[[], datetime]
T = TypeVar("T")

LIST_LIMIT = 1000
"""Rows a list returns unless asked for more: no page shows more."""


def utc_now() -> datetime:
    """The clock that is used where none is handed over."""
    return datetime.now(UTC)


def new_id() -> str:
    """An identifier for a row that is about to be kept."""
    return uuid.uuid4().hex


def open_store(
    url: str | Path | None = None,
    *,
    who: str = "local",
    clock: Clock = utc_now,
    create: bool = True,
) -> Store:
    """Open a store, bring its tables to this version.

    Parameters
    ----------
    url : str or path, optional
        A SQLite file or a ``postgresql://`` URL. By default the environment variable
        ``KNEE_ANGLE_STORE``, else a file in the user's data folder.
    who : str
        Who writes, for the audit trail: a role or a code, no name.
    clock : callable
        Gives the present moment, timezone-aware.
    create : bool
        Whether a store is made where there is none: where something is about to be kept.

    Raises
    ------
    InvalidInput
        A URL that cannot be one; no store there, where none may be made.
    StoreError
        The store cannot be reached, is damaged, locked, another program's or newer than
        this software.
    """
    if not who.strip() or len(who) > 64:
        raise InvalidInput(f"who must have 1 to 64 letters, but got {who!r}")
    place = opening.default_url(url)
    opening.look_first(place, create=create)
    engine = opening.opened_engine(place)
    try:
        opening.check_pages(engine, at_opening=True)
        opening.migrate(engine)
    except BaseException:
        engine.dispose()
        raise
    return Store(engine, who.strip(), clock)


@dataclass(frozen=True)
class Store:
    """An open store; made by `open_store`, closed by `close` or as a context manager.

    One store may be shared by threads. Reading shows rows that stand (neither corrected
    nor withdrawn) unless asked for all.
    """

    engine: Engine
    who: str
    clock: Clock

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()

    def as_user(self, who: str) -> Store:
        """The same store, writing under another name in the audit trail."""
        return replace(self, who=who)

    # People and machines ---------------------------------------------------------

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
            "person": code,
            "from_day": from_day,
            "flexion_deg": flexion_deg,
            "extension_deg": extension_deg,
            "lifted": " ".join(sorted(lifted)),
            "side": side or "",
        }

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
                raise InvalidInput(f"{name} must be between 100 and 800, but got {length:g}")
        days = card.check_every_days
        if days is not None and not 1 <= days <= 3660:
            raise InvalidInput(f"check_every_days must be between 1 and 3660, but got {days}")
        kept = replace(card, machine=checked_code(card.machine, what="machine"))
        now = self._now()

        def enter(connection: Connection) -> None:
            self._known(connection, schema.machines, kept.machine)
            self._insert(connection, schema.machine_cards, {"id": new_id(), **to_json(kept)}, now)
            self._note(connection, "noted machine", kept.machine, now)

        self._write(enter)
        return kept

    def machine_card(self, machine: str) -> MachineCard:
        """What was last noted about a machine."""
        with self._reads() as connection:
            return reading.machine_card(connection, checked_code(machine, what="machine"))

    # Measurements ----------------------------------------------------------------

    def save_measurement(
        self,
        measurement: Measurement,
        *,
        settings: Settings,
        photo_sha256: str,
        person: str | None = None,
        machine: str | None = None,
        setup: SetUp | None = None,
        taken_at: datetime | None = None,
        photo: CropJpeg | None = None,
        corrects: str | None = None,
        row_id: str | None = None,
    ) -> KeptMeasurement:
        """Keep one measurement; when this returns it survives a power cut.

        Parameters
        ----------
        measurement : Measurement
            As `knee_angle.pipeline` gave it.
        settings : Settings
            The settings that it was measured with.
        photo_sha256 : str
            `Photo.sha256`, the seed of what was drawn at random.
        person, machine : str, optional
            Codes that the store knows (`add_person`, `add_machine`).
        setup : SetUp, optional
            How the machine was set.
        taken_at : datetime, optional
            When the photo was taken, with its zone; the time of saving by default.
        photo : CropJpeg, optional
            The picture, only where keeping it was asked for.
        corrects : str, optional
            The row that this one replaces. That row stays, but no longer counts.
        row_id : str, optional
            From `new_id`. Saving again with the same identifier keeps one row: give it
            where a save may be repeated (a second tap, no answer in time).

        Raises
        ------
        InvalidInput
            Unknown codes, a row that cannot be corrected, a photo with metadata.
        StoreError
            Nothing was kept; the text says why and what to do.
        """
        if photo is not None:
            refuse_metadata(photo.jpeg)
        _check_sha256(photo_sha256)
        now = self._now()
        row: Json = {
            "id": row_id or new_id(),
            "corrects": corrects,
            "taken_at": now if taken_at is None else utc(taken_at, what="taken_at"),
            "taken_at_given": taken_at is not None,
            "photo_sha256": photo_sha256,
            "setup": to_json(setup or SetUp()),
            "settings": to_json(settings),
            **_measurement_columns(measurement, photo_sha256),
        }

        def keep(connection: Connection) -> KeptMeasurement:
            row["person"] = person and self._known(connection, schema.people, person)
            row["machine"] = machine and self._known(connection, schema.machines, machine)
            if self._keep(connection, schema.measurements, row, now) and photo is not None:
                picture = {name: getattr(photo, name) for name in CropJpeg.__slots__}
                self._insert(connection, schema.photos, {"measurement": row["id"], **picture}, now)
            return reading.kept_measurement(connection, row["id"])

        return self._write(keep)

    def measurements(
        self,
        *,
        person: str | None = None,
        machine: str | None = None,
        since: datetime | None = None,
        limit: int = LIST_LIMIT,
        all_rows: bool = False,
    ) -> tuple[KeptMeasurement, ...]:
        """Measurements that stand, newest first.

        Parameters
        ----------
        person, machine : str, optional
            Only of these.
        since : datetime, optional
            Only those taken at or after this moment.
        limit : int
            At most so many.
        all_rows : bool
            Corrected and withdrawn rows too.
        """
        with self._reads() as connection:
            return reading.measurements(
                connection,
                person=person and checked_code(person),
                machine=machine and checked_code(machine, what="machine"),
                since=None if since is None else utc(since, what="since"),
                limit=limit,
                all_rows=all_rows,
            )

    def measurement(self, row_id: str) -> StoredMeasurement:
        """One measurement in full.

        Raises
        ------
        InvalidInput
            No such row.
        """
        with self._reads() as connection:
            found = reading.stored_measurement(connection, row_id)
        if found is None:
            raise InvalidInput(f"the store holds no measurement {row_id!r}: list them first")
        return found

    def photo(self, row_id: str) -> CropJpeg | None:
        """The kept picture of a measurement, where one was kept."""
        with self._reads() as connection:
            return reading.photo(connection, row_id)

    def withdraw_measurement(self, row_id: str, reason: WithdrawalReason) -> None:
        """Let a measurement no longer count; it stays in the store."""
        self._withdraw(schema.measurements, schema.measurement_withdrawals, row_id, reason)

    # Machine checks --------------------------------------------------------------

    def save_check(
        self,
        result: MachineCheck,
        *,
        machine: str,
        outcomes: Mapping[str, Outcome],
        settings: Settings,
        photo_sha256: Mapping[str, str],
        person: str | None = None,
        taken_at: datetime | None = None,
        corrects: str | None = None,
        row_id: str | None = None,
    ) -> KeptCheck:
        """Keep one machine check with every photo's outcome; see `save_measurement`.

        Parameters
        ----------
        result : MachineCheck
            As `check_machine` gave it.
        outcomes, settings
            What it was computed from.
        photo_sha256 : Mapping of photo name to hash
            Of every photo in `outcomes` that could be read.

        Photo names are replaced by ``photo 1``, ``photo 2``: a file name can hold a name.
        """
        for digest in photo_sha256.values():
            _check_sha256(digest)
        names = {name: f"photo {number}" for number, name in enumerate(outcomes, start=1)}
        now = self._now()
        row: Json = {
            "id": row_id or new_id(),
            "corrects": corrects,
            "taken_at": now if taken_at is None else utc(taken_at, what="taken_at"),
            "photos": len(result.photos),
            "settings": to_json(settings),
            "outcomes": {
                names[n]: outcome_to_json(_unnamed(o, names[n])) for n, o in outcomes.items()
            },
            "photo_sha256": {names[n]: digest for n, digest in photo_sha256.items()},
            "result": to_json(_renamed(result, names)),
            **_check_columns(result),
        }

        def keep(connection: Connection) -> KeptCheck:
            row["machine"] = self._known(connection, schema.machines, machine)
            row["person"] = person and self._known(connection, schema.people, person)
            self._keep(connection, schema.checks, row, now)
            return reading.kept_check(connection, row["id"])

        return self._write(keep)

    def checks(
        self, *, machine: str | None = None, limit: int = LIST_LIMIT, all_rows: bool = False
    ) -> tuple[KeptCheck, ...]:
        """Machine checks that stand, newest first; see `measurements`."""
        with self._reads() as connection:
            code = machine and checked_code(machine, what="machine")
            return reading.checks(connection, machine=code, limit=limit, all_rows=all_rows)

    def latest_checks(self) -> tuple[KeptCheck, ...]:
        """Every machine's newest check that stands, by machine's code."""
        with self._reads() as connection:
            return reading.latest_checks(connection)

    def check(self, row_id: str) -> StoredCheck:
        """One machine check in full."""
        with self._reads() as connection:
            found = reading.stored_check(connection, row_id)
        if found is None:
            raise InvalidInput(f"the store holds no machine check {row_id!r}: list them first")
        return found

    def withdraw_check(self, row_id: str, reason: WithdrawalReason) -> None:
        """Let a machine check no longer count; it stays in the store."""
        self._withdraw(schema.checks, schema.check_withdrawals, row_id, reason)

    # The store as a whole ----------------------------------------------------------

    def audit(self, *, limit: int = LIST_LIMIT) -> tuple[AuditLine, ...]:
        """Who did what, when; newest first."""
        with self._reads() as connection:
            return reading.audit_lines(connection, limit=limit)

    def note(self, what: str, about: str) -> None:
        """A line in the audit trail for what leaves the store: an export, a backup."""
        now = self._now()
        self._write(lambda connection: self._note(connection, what, about, now))

    def overview(self) -> Overview:
        """Where the store is and how much it holds."""
        with self._reads() as connection:
            return Overview(
                opening.shown(self.engine.url),
                str(opening.revision_of(connection)),
                reading.counts(connection),
            )

    def stored_measurements(
        self, *, person: str | None = None, all_rows: bool = False
    ) -> Iterator[StoredMeasurement]:
        """Every measurement in full, oldest first, read in pieces: for exports and rechecks."""
        code = person and checked_code(person)
        with self._reads() as connection:
            yield from reading.stored_measurements(connection, person=code, all_rows=all_rows)

    def check_pages(self) -> None:
        """Look at every page of an SQLite file: before what leaves the store is relied on.

        Raises
        ------
        StoreError
            The file is damaged.
        """
        opening.check_pages(self.engine)

    def backup(self, path: Path) -> dict[str, int]:
        """Write every row of every table to a new file; rows of each table.

        Raises
        ------
        InvalidInput
            The file exists already or cannot be written.
        """
        self.check_pages()
        counts = backup.write_backup(self.engine, path, software=__version__)
        self.note("backup", f"{counts['measurements']} measurements")
        return counts

    def restore(self, path: Path) -> dict[str, int]:
        """Put a backup's rows into this store, which must be empty; rows of each table.

        Raises
        ------
        InvalidInput
            The file is no whole backup.
        StoreError
            The store is not empty, or the backup's tables are of another version.
        """
        counts = backup.restore_rows(self.engine, backup.read_backup(path))
        self.note("restored", f"{counts['measurements']} measurements")
        return counts

    # Steps ---------------------------------------------------------------------------

    def _now(self) -> datetime:
        return utc(self.clock(), what="the clock")

    @contextmanager
    def _reads(self) -> Iterator[Connection]:
        url = self.engine.url
        with opening.in_words(url), opening.rows_in_words(url), self.engine.connect() as connection:
            yield connection

    def _write(self, step: Callable[[Connection], T]) -> T:
        """Run a step in a transaction of its own: all of it is kept, or nothing."""
        try:
            return self._write_once(step)
        except opening.AlreadyThereError:
            # Another program kept the same row at this moment: the step sees it now.
            return self._write_once(step)

    def _write_once(self, step: Callable[[Connection], T]) -> T:
        with opening.in_words(self.engine.url), opening.writing(self.engine) as connection:
            return step(connection)

    def _insert(self, connection: Connection, table: sa.Table, row: Json, now: datetime) -> None:
        connection.execute(sa.insert(table).values(**row, saved_at=now, who=self.who))

    def _note(self, connection: Connection, what: str, about: str, now: datetime) -> None:
        line = {"at": now, "who": self.who, "what": what, "about": about}
        connection.execute(sa.insert(schema.audit).values(**line))

    def _add_subject(self, table: sa.Table, code: str) -> str:
        now = self._now()

        def add(connection: Connection) -> None:
            if connection.execute(sa.select(table).where(table.c.code == code)).first() is None:
                self._insert(connection, table, {"code": code}, now)
                self._note(connection, f"added to {table.name}", code, now)

        self._write(add)
        return code

    def _knows(self, table: sa.Table, code: str) -> bool:
        with self._reads() as connection:
            found = connection.execute(sa.select(table.c.code).where(table.c.code == code)).first()
        return found is not None

    def _known(self, connection: Connection, table: sa.Table, code: str) -> str:
        what = "person" if table is schema.people else "machine"
        checked = checked_code(code, what=what)
        if connection.execute(sa.select(table.c.code).where(table.c.code == checked)).first():
            return checked
        raise InvalidInput(
            f"the store knows no {what} {checked}: add it first "
            f"(`knee-angle store {what} {checked}`), or correct the code"
        )

    def _keep(self, connection: Connection, table: sa.Table, row: Json, now: datetime) -> bool:
        """Add a measurement or check with its audit line; False where it is there already."""
        if self._is_there(connection, table, row):
            return False
        self._check_correctable(connection, table, row["corrects"])
        self._insert(connection, table, row, now)
        verb = "kept" if row["corrects"] is None else "corrected"
        self._note(connection, f"{verb} {table.name[:-1]}", row["id"], now)
        return True

    def _is_there(self, connection: Connection, table: sa.Table, row: Json) -> bool:
        """Whether the same row is kept already; another one of that identifier is refused."""
        kept = connection.execute(sa.select(table).where(table.c.id == row["id"])).one_or_none()
        if kept is None:
            return False
        repeatable = {"taken_at", "software"}
        differs = [n for n, v in row.items() if n not in repeatable and getattr(kept, n) != v]
        if differs:
            raise InvalidInput(
                f"the row {row['id']} is kept already with other values ({', '.join(differs)}): "
                "keep a change as a correction"
            )
        return True

    def _check_correctable(
        self, connection: Connection, table: sa.Table, corrects: str | None
    ) -> None:
        """A row can be corrected once, by the row that then counts."""
        if corrects is None:
            return
        if connection.execute(sa.select(table.c.id).where(table.c.id == corrects)).first() is None:
            raise InvalidInput(f"the store holds no row {corrects!r} to correct")
        later = connection.execute(
            sa.select(table.c.id).where(table.c.corrects == corrects)
        ).scalar_one_or_none()
        if later is not None:
            raise InvalidInput(f"the row {corrects} was corrected by {later}: correct that one")

    def _withdraw(
        self, table: sa.Table, withdrawals: sa.Table, row_id: str, reason: WithdrawalReason
    ) -> None:
        if reason not in get_args(WithdrawalReason):
            raise InvalidInput(
                f"reason must be one of {', '.join(get_args(WithdrawalReason))}, but got {reason!r}"
            )
        now = self._now()

        def withdraw(connection: Connection) -> None:
            if (
                connection.execute(sa.select(table.c.id).where(table.c.id == row_id)).first()
                is None
            ):
                raise InvalidInput(f"the store holds no row {row_id!r} to withdraw")
            there = sa.select(withdrawals.c.withdrawn).where(withdrawals.c.withdrawn == row_id)
            if connection.execute(there).first() is None:
                self._insert(connection, withdrawals, {"withdrawn": row_id, "reason": reason}, now)
                self._note(connection, f"withdrew {table.name[:-1]}", row_id, now)

        self._write(withdraw)


def _check_limits(
    *, flexion_deg: float | None, extension_deg: float | None, lifted: Collection[str]
) -> None:
    given = {"flexion": flexion_deg, "extension": extension_deg}
    problems = [
        f"the prescribed {name} must be between -30 and 180, but got {value:g}"
        for name, value in given.items()
        if value is not None and not -30 <= value <= 180
    ]
    for name in lifted:
        if name not in given:
            problems.append(f"a lifted limit must be flexion or extension, but got {name!r}")
        elif given[name] is not None:
            problems.append(f"{name} is both given and lifted: which is prescribed?")
    if not lifted and flexion_deg is None and extension_deg is None:
        problems.append("nothing was prescribed: give a limit, or name the one that is lifted")
    if problems:
        raise InvalidInput("; ".join(problems))


def _check_side(side: str | None) -> None:
    if side is not None and side not in reading.SIDES:
        raise InvalidInput(
            f"side must be left or right, but got {side!r}: name the knee, or leave it out where "
            "the limits are for each"
        )


def _check_order(row: Prescription) -> None:
    """Refuse two limits that no knee can keep at once."""
    high, low = row.flexion_deg, row.extension_deg
    if high is not None and low is not None and high <= low:
        raise InvalidInput(
            f"the flexion limit must lie above the extension limit, but from {row.from_day} they "
            f"would be {high:g} and {low:g}: were they exchanged, or does one no longer stand?"
        )


def _check_sha256(digest: str) -> None:
    if len(digest) != 64 or not set(digest) <= set("0123456789abcdef"):
        raise InvalidInput(f"photo_sha256 must be 64 hexadecimal digits, but got {digest!r}")


def _unnamed(outcome: Outcome, name: str) -> Outcome:
    """The outcome without the photo's file name, which can hold a person's."""
    return replace(outcome, photo=name) if isinstance(outcome, Measurement) else outcome


def _renamed(result: MachineCheck, names: Mapping[str, str]) -> MachineCheck:
    return replace(
        result,
        photos=tuple(names[n] for n in result.photos),
        left_out=tuple((names[n], _renamed_text(why, names)) for n, why in result.left_out),
        outliers=tuple(names[n] for n in result.outliers),
        alarms=(),  # they name photos; each photo's own alarms are in its outcome
        cautions=tuple(_renamed_text(caution, names) for caution in result.cautions),
    )


def _renamed_text(text: str, names: Mapping[str, str]) -> str:
    """A sentence that may name photos, by their new names; no name within a longer one."""
    either = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    return re.sub(rf"(?<![\w.-])({either})(?![\w-])", lambda found: names[found[0]], text)


def _measurement_columns(measurement: Measurement, sha256: str) -> Json:
    """The row's own columns and the two records in full."""
    name = sha256[:12]
    unnamed = replace(measurement, photo=name)
    compared, finding = measurement.comparison, measurement.finding
    low, high = measurement.knee.interval_deg
    return {
        "side": measurement.side,
        "plane": measurement.plane,
        "flexion_deg": measurement.knee.deg,
        "u_deg": measurement.knee.u_deg,
        "low_deg": low,
        "high_deg": high,
        "displayed_deg": measurement.displayed and measurement.displayed.deg,
        "discrepancy_deg": compared and compared.discrepancy_deg,
        "discrepancy_u_deg": compared and compared.u_deg,
        "tolerance_deg": compared and compared.tolerance_deg,
        "verdict": compared and compared.verdict,
        "finding": finding and finding.kind,
        "software": __version__,
        "measurement": to_json(unnamed),
        "contract": contract.as_json(name, unnamed, version=__version__),
    }


def _check_columns(result: MachineCheck) -> Json:
    line, verdict, against = result.knee_line, result.knee_verdict, "knee"
    if result.reading is not None and result.reading_verdict is not None:
        line, verdict, against = result.reading, result.reading_verdict, "frame"
    return {
        "against": against,
        "offset_deg": line.offset,
        "gain": line.gain,
        "cov": list(line.cov),
        "low_deg": verdict.low_deg,
        "high_deg": verdict.high_deg,
        "largest_deg": verdict.largest_deg,
        "largest_u_deg": verdict.u_deg,
        "tolerance_deg": verdict.tolerance_deg,
        "verdict": verdict.verdict,
        "finding": result.kind,
        "software": __version__,
    }
