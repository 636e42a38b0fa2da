"""The store itself: measurements and machine checks kept, listed, corrected and withdrawn."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from sqlalchemy.engine import Connection

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.check import Checked
from knee_angle.records import CropJpeg, Measurement, Outcome
from knee_angle.settings import Settings
from knee_angle.store import backup, opening, reading, schema
from knee_angle.store.codec import outcome_to_json, to_json
from knee_angle.store.jpeg import refuse_metadata
from knee_angle.store.people import PeopleAndMachines
from knee_angle.store.pictures import PictureCheck, recheck_pictures
from knee_angle.store.records import (
    AuditLine,
    KeptCheck,
    KeptMeasurement,
    Overview,
    SetUp,
    StoredCheck,
    StoredMeasurement,
    WithdrawalReason,
    checked_code,
    utc,
)
from knee_angle.store.rows import (
    check_columns,
    check_photo_columns,
    check_sha256,
    measurement_columns,
    photo_columns,
    renamed,
    unnamed,
)
from knee_angle.store.visits import Visits
from knee_angle.store.writing import Clock, Json, new_id

__all__ = ["Store", "new_id", "open_store", "utc_now"]

LIST_LIMIT = 1000
"""Rows a list returns unless asked for more: no page shows more."""


def utc_now() -> datetime:
    """The clock that is used where none is handed over."""
    return datetime.now(UTC)


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
        raise InvalidInput(say("who must have 1 to 64 letters, but got {who!r}", who=who))
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
class Store(PeopleAndMachines, Visits):
    """An open store; made by `open_store`, closed by `close` or as a context manager.

    One store may be shared by threads. Reading shows rows that stand (neither corrected
    nor withdrawn) unless asked for all.
    """

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
        measurement, settings
            As `knee_angle.pipeline` gave them.
        photo_sha256 : str
            `Photo.sha256`, the seed of what was drawn at random.
        person, machine : str, optional
            Codes that the store knows (`add_person`, `add_machine`).
        setup : SetUp, optional
            How the machine was set.
        taken_at : datetime, optional
            When the photo was taken, with its zone; the time of saving by default.
        photo : CropJpeg, optional
            Only where keeping it was asked for.
        corrects : str, optional
            The row that this one replaces: it stays, but no longer counts.
        row_id : str, optional
            From `new_id`, where a save may be repeated (a second tap): it keeps one row.

        Raises
        ------
        InvalidInput, StoreError
            Nothing was kept; the text says why and what to do.
        """
        if photo is not None:
            refuse_metadata(photo.jpeg)
        now = self._now()
        row: Json = {
            "id": row_id or new_id(),
            "corrects": corrects,
            "taken_at": now if taken_at is None else utc(taken_at, what="taken_at"),
            "taken_at_given": taken_at is not None,
            **measurement_columns(measurement, photo_sha256, settings, setup or SetUp()),
        }

        def keep(connection: Connection) -> KeptMeasurement:
            row["person"] = person and self._known(connection, schema.people, person)
            row["machine"] = machine and self._known(connection, schema.machines, machine)
            if self._keep(connection, schema.measurements, row, now) and photo is not None:
                picture = photo_columns(photo, row["id"])
                self._insert_picture(connection, schema.photos, picture, now)
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
        begins: str | None = None,
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
        begins : str, optional
            Only rows whose identifier begins so.
        """
        with self._reads() as connection:
            return reading.measurements(
                connection,
                person=person and checked_code(person),
                machine=machine and checked_code(machine, what="machine"),
                since=None if since is None else utc(since, what="since"),
                limit=limit,
                all_rows=all_rows,
                begins=begins,
            )

    def first_taken(self) -> dict[str, datetime]:
        """When each person's first measurement that stands was taken."""
        with self._reads() as connection:
            return reading.first_taken(connection)

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
            raise InvalidInput(
                say("the store holds no measurement {row_id!r}: list them first", row_id=row_id)
            )
        return found

    def photo(self, row_id: str) -> CropJpeg | None:
        """The kept picture of a measurement, where one was kept."""
        with self._reads() as connection:
            return reading.photo(connection, row_id)

    def of_photo(self, sha256: str) -> tuple[KeptMeasurement, ...]:
        """Measurements of one photo that stand, newest first: whether it was kept before."""
        with self._reads() as connection:
            return reading.of_photo(connection, sha256)

    def withdraw_measurement(self, row_id: str, reason: WithdrawalReason) -> None:
        """Let a measurement no longer count; it stays in the store."""
        self._withdraw(schema.measurements, schema.measurement_withdrawals, row_id, reason)

    # Machine checks --------------------------------------------------------------

    def save_check(
        self,
        result: Checked,
        *,
        machine: str,
        outcomes: Mapping[str, Outcome],
        settings: Settings,
        photo_sha256: Mapping[str, str],
        person: str | None = None,
        taken_at: datetime | None = None,
        corrects: str | None = None,
        row_id: str | None = None,
        pictures: Mapping[str, CropJpeg] | None = None,
    ) -> KeptCheck:
        """Keep one machine check with every photo's outcome; see `save_measurement`.

        Parameters
        ----------
        result : MachineCheck or EmptyCheck
            As `check_machine` gave it.
        outcomes, settings
            What it was computed from.
        photo_sha256 : Mapping of photo name to hash
            Of every photo in `outcomes` that could be read.
        pictures : Mapping of photo name to CropJpeg, optional
            Only where keeping them was asked for.

        Photo names are replaced by ``photo 1``, ``photo 2``: a file name can hold a name.
        """
        for digest in photo_sha256.values():
            check_sha256(digest)
        names = {name: f"photo {number}" for number, name in enumerate(outcomes, start=1)}
        now = self._now()
        row: Json = {
            "id": row_id or new_id(),
            "corrects": corrects,
            "taken_at": now if taken_at is None else utc(taken_at, what="taken_at"),
            "photos": len(result.photos),
            "settings": to_json(settings),
            "outcomes": {
                names[n]: outcome_to_json(unnamed(o, names[n])) for n, o in outcomes.items()
            },
            "photo_sha256": {names[n]: digest for n, digest in photo_sha256.items()},
            "result": to_json(renamed(result, names)),
            **check_columns(result),
        }
        shown = _check_pictures(row["id"], pictures or {}, names)

        def keep(connection: Connection) -> KeptCheck:
            row["machine"] = self._known(connection, schema.machines, machine)
            row["person"] = person and self._known(connection, schema.people, person)
            entered = self._entered(connection, schema.checks, row["machine"], now)
            if taken_at is None:
                row["taken_at"] = entered
            if self._keep(connection, schema.checks, row, now, entered=entered):
                for columns in shown:
                    self._insert_picture(connection, schema.check_photos, columns, now)
            return reading.kept_check(connection, row["id"])

        return self._write(keep)

    def checks(
        self,
        *,
        machine: str | None = None,
        limit: int = LIST_LIMIT,
        all_rows: bool = False,
        begins: str | None = None,
    ) -> tuple[KeptCheck, ...]:
        """Machine checks that stand, newest first; see `measurements`."""
        with self._reads() as connection:
            code = machine and checked_code(machine, what="machine")
            return reading.checks(
                connection, machine=code, limit=limit, all_rows=all_rows, begins=begins
            )

    def latest_checks(self) -> tuple[KeptCheck, ...]:
        """Every machine's newest check that stands, by machine's code."""
        with self._reads() as connection:
            return reading.latest_checks(connection)

    def check(self, row_id: str) -> StoredCheck:
        """One machine check in full."""
        with self._reads() as connection:
            found = reading.stored_check(connection, row_id)
        if found is None:
            raise InvalidInput(
                say("the store holds no machine check {row_id!r}: list them first", row_id=row_id)
            )
        return found

    def check_pictures(self, row_id: str) -> dict[str, CropJpeg]:
        """The kept pictures of a check's photos, by the photos' names in it."""
        with self._reads() as connection:
            return reading.check_pictures(connection, row_id)

    def withdraw_check(self, row_id: str, reason: WithdrawalReason) -> None:
        """Let a machine check no longer count; it stays in the store."""
        self._withdraw(schema.checks, schema.check_withdrawals, row_id, reason)

    # The store as a whole ----------------------------------------------------------

    def audit(
        self, *, limit: int = LIST_LIMIT, who: str | None = None, about: str | None = None
    ) -> tuple[AuditLine, ...]:
        """Who did what, when; newest first; of one account, about one code or row."""
        with self._reads() as connection:
            return reading.audit_lines(connection, limit=limit, who=who, about=about)

    def note(self, what: str, about: str) -> None:
        """A line in the audit trail for what leaves the store: an export, a backup."""
        now = self._now()
        self._write(lambda connection: self._note(connection, what, about, now))

    def note_paper(self, about: str) -> None:
        """A line in the audit trail for a paper that was made of kept rows."""
        now = self._now()
        self._write(lambda connection: self._note(connection, "report", about, now))

    def overview(self) -> Overview:
        """Where the store is and how much it holds."""
        with self._reads() as connection:
            return Overview(
                opening.shown(self.engine.url),
                str(opening.revision_of(connection)),
                reading.counts(connection),
            )

    def stored_measurements(
        self, *, person: str | None = None, nobodys: bool = False, all_rows: bool = False
    ) -> Iterator[StoredMeasurement]:
        """Every measurement in full, oldest first, read in pieces: for exports and rechecks.

        Of one person, or (``nobodys``) those of no person alone.
        """
        code = person and checked_code(person)
        with self._reads() as connection:
            yield from reading.stored_measurements(
                connection, person=code, nobodys=nobodys, all_rows=all_rows
            )

    def check_pages(self) -> None:
        """Look at every page of an SQLite file: before what leaves the store is relied on.

        Raises
        ------
        StoreError
            The file is damaged.
        """
        opening.check_pages(self.engine)

    def rechecked_pictures(self) -> Iterator[PictureCheck]:
        """Every kept picture, opened and compared with its hash; see `recheck_pictures`."""
        with self._reads() as connection:
            yield from recheck_pictures(connection)

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


def _check_pictures(
    check: str, pictures: Mapping[str, CropJpeg], names: Mapping[str, str]
) -> list[Json]:
    """The rows of a check's pictures; one that holds more than the picture is refused."""
    for picture in pictures.values():
        refuse_metadata(picture.jpeg)
    return [check_photo_columns(one, check, names[name]) for name, one in pictures.items()]
