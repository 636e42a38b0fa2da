"""``knee-angle store``: kept measurements, machine checks and prescriptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import StrEnum
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, BinaryIO

import typer

from knee_angle.angle import words
from knee_angle.cli.app import Commands, app
from knee_angle.cli.kept import rows_holding, say_held_before, say_kept
from knee_angle.cli.photos import shown
from knee_angle.cli.settings import given_settings, refused
from knee_angle.errors import InvalidInput, KneeAngleError, StoreError
from knee_angle.files import naming, whole_file
from knee_angle.language import figure, joined, say, say_many, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.machine.prescribed import LegSettings
    from knee_angle.records import CropJpeg, Measurement, Outcome, Side
    from knee_angle.store import End, Prescription, Store

__all__ = [
    "Keeper",
    "Knee",
    "Where",
    "check_machine_code",
    "limits_not_known",
    "opened_store",
    "store_app",
    "with_prescription",
]

store_app = typer.Typer(
    cls=Commands, help="Kept measurements, machine checks and prescriptions.", no_args_is_help=True
)
app.add_typer(store_app, name="store")

Where = Annotated[
    str | None,
    typer.Option(
        "--store",
        help="SQLite file or postgresql:// URL.",
        envvar="KNEE_ANGLE_STORE",
        show_default=say("a file in the user's data folder"),
    ),
]


class Knee(StrEnum):
    """Which knee."""

    LEFT = "left"
    RIGHT = "right"


class KeptTable(StrEnum):
    """How kept measurements are written out."""

    CSV = "csv"
    JSON = "json"
    PARQUET = "parquet"
    VISITS = "visits"


@contextmanager
def opened_store(where: str | None, *, create: bool = False) -> Iterator[Store]:
    """The store, closed at the end; the account's name goes to the audit trail.

    Only a command that keeps something may ``create`` one: elsewhere the path is mistyped.
    """
    import getpass

    from knee_angle.store import open_store

    try:
        who = getpass.getuser()
    except (KeyError, OSError):  # an account without a name, as in some containers
        who = "local"
    with open_store(where, who=who, create=create) as store:
        yield store


def with_prescription(
    settings: Settings, person: str | None, where: str | None
) -> tuple[LegSettings, str]:
    """The settings with each limit prescribed for each knee today that was not given.

    The second is empty, or why the store could not be asked: the limits that were given
    are then all that is known, and that has to be said with every answer.

    Raises
    ------
    InvalidInput
        Nobody is known by that code: a mistyped one would go without its limits.
    """
    from knee_angle.machine.prescribed import LegSettings

    if person is None:
        return LegSettings(settings, settings), ""
    try:
        with opened_store(where) as store:
            if not store.knows_person(person):
                raise InvalidInput(
                    say(
                        "the store knows no patient {person}: add it first (`knee-angle store "
                        "person {person}`), or correct the code",
                        person=person,
                    )
                )
            return store.leg_settings(person, date.today(), over=partial(_over, settings)), ""
    except StoreError as error:
        return LegSettings(settings, settings), str(error)


def limits_not_known(person: str | None, why: str) -> str:
    """The alarm where a person's limits could not be read."""
    return say("THE PRESCRIBED LIMITS OF {person} ARE NOT KNOWN: {why}", person=person, why=why)


def _over(settings: Settings, limits: Mapping[str, float | None]) -> Settings:
    """The settings with the prescribed limits that no option gave."""
    given = {name: getattr(settings, name) for name in limits}
    return given_settings(
        {name: limits[name] if own is None else own for name, own in given.items()}, settings
    )


@dataclass
class Keeper:
    """Keeps measurements after they were printed; the store's trouble costs no answer.

    What cannot be kept waits, and is tried once more at the end: by its identifier a
    row that was kept after all stays one row. Each photo's picture is taken from `crops`.
    """

    settings: Settings
    person: str | None
    machine: str | None
    where: str | None
    crops: dict[Path, CropJpeg] = field(default_factory=dict)
    waiting: list[tuple[Path, Measurement, CropJpeg | None, str]] = field(default_factory=list)
    kept: list[str] = field(default_factory=list)
    held_before: list[str] = field(default_factory=list)
    measured: int = 0
    trouble: str = ""

    def keep(self, photo: Path, outcome: Outcome) -> None:
        """Keep one outcome; what was not measured is not kept."""
        from knee_angle.records import Measurement
        from knee_angle.store import new_id

        if not isinstance(outcome, Measurement):
            return
        self.measured += 1
        self.waiting.append((photo, outcome, self.crops.pop(photo, None), new_id()))
        if not self.trouble:  # else every further photo would wait for the lock in turn
            self._try()

    def finish(self) -> str:
        """Try once more what waits, say what is kept; what was not and why, empty where all was."""
        if self.waiting:
            self._try()
        say_kept(self.kept, self.where)
        say_held_before(self.held_before)
        if not self.waiting:
            return ""
        names = ", ".join(shown(photo) for photo, *_ in self.waiting)
        return say(
            "{n_waiting} of {measured} measurements were not kept ({names}): {trouble}",
            n_waiting=len(self.waiting),
            measured=self.measured,
            names=names,
            trouble=self.trouble,
        )

    def _try(self) -> None:
        try:
            with opened_store(self.where, create=True) as store:
                while self.waiting:
                    _, measurement, picture, row_id = self.waiting[0]
                    photo = measurement.photo_sha256 or ""
                    before = rows_holding(store, [photo], self.person)
                    store.save_measurement(
                        measurement,
                        settings=measurement.settings or self.settings,
                        photo_sha256=photo,
                        person=self.person,
                        machine=self.machine,
                        photo=picture,
                        row_id=row_id,
                    )
                    self.kept.append(row_id)
                    self.held_before += [
                        row for row in before if row not in (row_id, *self.held_before)
                    ]
                    del self.waiting[0]
        except KneeAngleError as error:
            self.trouble = str(error)


def check_machine_code(machine: str | None, where: str | None) -> None:
    """Refuse a machine that the store does not know, before a photo is measured.

    Raises
    ------
    InvalidInput
        Nothing could be kept under that code. A store that cannot be asked is told later.
    """
    if machine is None:
        return
    try:
        with opened_store(where) as store:
            known = store.knows_machine(machine)
    except StoreError:
        return
    if not known:
        raise InvalidInput(
            say(
                "the store knows no machine {machine}: add it first (`knee-angle store "
                "machine {machine}`), or correct the code",
                machine=machine,
            )
        )


@store_app.command("where")
def store_where(store: Where = None) -> None:
    """Where the store is, its version, and how many rows it holds."""
    with opened_store(store) as opened:
        overview = opened.overview()
    print(tell("{url}\ntables of version {revision}", url=overview.url, revision=overview.revision))
    for table, rows in overview.counts.items():
        print(f"  {table.replace('_', ' '):<24}{rows:>8}")


@store_app.command("person")
def store_person(
    code: Annotated[str, typer.Argument(help="A code such as P-017, never a name.")],
    limit_flexion: Annotated[
        float | None, typer.Option(help="Prescribed flexion limit, degrees.")
    ] = None,
    limit_extension: Annotated[
        float | None, typer.Option(help="Prescribed extension limit, degrees of flexion.")
    ] = None,
    no_limit_flexion: Annotated[
        bool, typer.Option("--no-limit-flexion", help="The flexion limit is lifted.")
    ] = False,
    no_limit_extension: Annotated[
        bool, typer.Option("--no-limit-extension", help="The extension limit is lifted.")
    ] = False,
    side: Annotated[
        Knee | None, typer.Option(help="The knee that these limits are for; else each.")
    ] = None,
    from_day: Annotated[
        datetime | None,
        typer.Option(help="First day of these limits; today by default.", formats=["%Y-%m-%d"]),
    ] = None,
    store: Where = None,
) -> None:
    """Add a person's code, and enter prescribed limits: each stands until it is lifted by name."""
    flexion, extension = limit_flexion, limit_extension
    refused("limit_flexion_deg", flexion)
    refused("limit_extension_deg", extension)
    lifted = _lifted(
        flexion=no_limit_flexion, flexion_deg=flexion,
        extension=no_limit_extension, extension_deg=extension,
    )  # fmt: skip
    entered = bool(lifted) or flexion is not None or extension is not None
    if from_day is not None and not entered:
        raise InvalidInput(say("--from-day belongs to a limit: give --limit-flexion too"))
    if side is not None and not entered:
        raise InvalidInput(say("--side belongs to a limit: give --limit-flexion too"))
    today = date.today()
    with opened_store(store, create=True) as opened:
        known = opened.add_person(code)
        if entered:
            opened.prescribe(
                known,
                from_day=today if from_day is None else from_day.date(),
                flexion_deg=flexion,
                extension_deg=extension,
                lifted=lifted,
                side=None if side is None else side.value,
            )
        _print_prescribed(opened, known, today)
    print(tell("{known} is known to the store", known=known))


def _print_prescribed(opened: Store, person: str, today: date) -> None:
    """What was prescribed and what is in force: once, or for each knee where they differ."""
    legs: dict[str, Side | None] = {person: None}
    if any(row.side is not None for row in opened.prescriptions(person)):
        legs = {
            say("{person}, left knee", person=person): "left",
            say("{person}, right knee", person=person): "right",
        }
    for name, side in legs.items():
        for row in opened.prescriptions(person, side=side):
            by_name = (
                say(
                    " ({lifted} lifted)",
                    lifted=joined(say(" and "), [words.ENDS_WORDS[end] for end in row.lifted]),
                )
                if row.lifted
                else ""
            )
            print(
                tell(
                    "{name} from {from_day}: {limits}{by_name}",
                    name=name,
                    from_day=row.from_day,
                    limits=_limits(row),
                    by_name=by_name,
                )
            )
        now = opened.prescription_on(person, today, side=side)
        stands = (
            say("no limit is prescribed")
            if now is None
            else say("in force today: {limits}", limits=_limits(now))
        )
        print(f"{tell(name)}: {tell(stands)}")


def _lifted(
    *, flexion: bool, flexion_deg: float | None, extension: bool, extension_deg: float | None
) -> list[End]:
    """Names of the limits that are lifted; one that is given as well is refused."""
    ends: list[tuple[End, bool, float | None]] = [
        ("flexion", flexion, flexion_deg), ("extension", extension, extension_deg)
    ]  # fmt: skip
    for name, is_lifted, deg in ends:
        if is_lifted and deg is not None:
            raise InvalidInput(
                say(
                    "--limit-{name} and --no-limit-{name} contradict each other: give one of them",
                    name=name,
                )
            )
    return [name for name, is_lifted, _ in ends if is_lifted]


def _limits(row: Prescription) -> str:
    extension = row.extension_deg
    straight = say("not limited") if extension is None else words.from_straight(extension)
    return say(
        "flexion {limit}, extension {straight}", limit=_limit(row.flexion_deg), straight=straight
    )


def _limit(value: float | None) -> str:
    return say("not limited") if value is None else figure(f"{value:g}°")


@store_app.command("machine")
def store_machine(
    code: Annotated[str, typer.Argument(help="The machine's own code, such as M-03.")],
    check_every_days: Annotated[int | None, typer.Option(help="Days between two checks.")] = None,
    store: Where = None,
) -> None:
    """Add a machine's code, and how often it is checked."""
    with opened_store(store, create=True) as opened:
        known = opened.add_machine(code)
        if check_every_days is not None:
            card = opened.machine_card(known)
            opened.note_machine(replace(card, check_every_days=check_every_days))
    print(tell("{known} is known to the store", known=known))


@store_app.command("export")
def store_export(
    out: Annotated[Path, typer.Argument(help="New file to write.")],
    output: Annotated[
        KeptTable | None, typer.Option("--format", help="How to write; else as the file is named.")
    ] = None,
    all_rows: Annotated[
        bool, typer.Option("--all", help="Corrected and withdrawn rows too.")
    ] = False,
    store: Where = None,
) -> None:
    """Write kept measurements to a table or JSON lines, or visits with their joint answer."""
    written = _form_of(out, output)
    with opened_store(store) as opened:
        opened.check_pages()
        with naming(out, new=True), whole_file(out, new=True) as file:
            rows = _export(file, opened, written, all_rows=all_rows)
        said = say_many("{count} measurement", "{count} measurements", rows)
        if written is KeptTable.VISITS:
            said = say_many("{count} visit", "{count} visits", rows)
        opened.note("export", said)  # not the file's name: it can hold a person's
    print(f"{out}: {tell(said)}")


NAMED = {
    ".csv": KeptTable.CSV, ".parquet": KeptTable.PARQUET, ".json": KeptTable.JSON,
    ".jsonl": KeptTable.JSON,
}  # fmt: skip
"""How a file is written by its ending."""


def _form_of(out: Path, asked: KeptTable | None) -> KeptTable:
    """How a file is written: as it is named, or as is asked for where its name agrees."""
    named = NAMED.get(out.suffix.lower())
    if asked is None and named is None:
        raise InvalidInput(
            say("a table must be named .csv, .parquet or .jsonl, but got {name}: add one or say "
                "--format", name=out.name)
        )  # fmt: skip
    if asked is None or named is None or asked is named:
        return asked or named or KeptTable.CSV
    if asked is KeptTable.VISITS and named is KeptTable.JSON:
        return asked
    raise InvalidInput(
        say("{name} would be read as something else than {format}: name it by its format, or leave "
            "out --format", name=out.name, format=asked.value)
    )  # fmt: skip


def _export(file: BinaryIO, store: Store, output: KeptTable, *, all_rows: bool) -> int:
    """Write an export; how many rows it has."""
    if output is KeptTable.PARQUET:
        from knee_angle.report.schemas import schema_of, write_rows
        from knee_angle.store.table import flat_columns, flat_rows

        joint = (one.row for one in store.stored_visits())
        rows = flat_rows(store.stored_measurements(all_rows=all_rows), joint)
        return write_rows(file, rows, schema_of(flat_columns(), about={"table": "measurements"}))
    pieces = 0
    for piece in _exported(store, output, all_rows=all_rows):
        file.write(piece.encode())
        pieces += 1
    return pieces - (output is KeptTable.CSV)


def _exported(store: Store, output: KeptTable, *, all_rows: bool) -> Iterator[str]:
    """The text of an export, piece by piece."""
    from knee_angle.store.table import csv_of, json_lines_of, visit_lines_of

    if output is KeptTable.VISITS:
        return visit_lines_of(store.stored_visits(all_rows=all_rows))
    written = csv_of if output is KeptTable.CSV else json_lines_of
    joint = (one.row for one in store.stored_visits())
    return written(store.stored_measurements(all_rows=all_rows), joint)


def _counted(rows: Mapping[str, int]) -> str:
    """How much a backup holds."""
    counted = [
        say_many("{count} measurement", "{count} measurements", rows["measurements"]),
        say_many("{count} machine check", "{count} machine checks", rows["checks"]),
    ]
    return joined(", ", counted)


@store_app.command("backup")
def store_backup(
    out: Annotated[Path, typer.Argument(help="New file to write.")], store: Where = None
) -> None:
    """Write everything that is kept to one file, while the store may be in use."""
    with opened_store(store) as opened:
        counts = opened.backup(out)
    print(tell("{where}: {counted}", where=out, counted=_counted(counts)))


@store_app.command("restore")
def store_restore(
    backup: Annotated[Path, typer.Argument(help="A file from store backup.")], store: Where = None
) -> None:
    """Put a backup into an empty store; checked first, all or nothing."""
    from knee_angle.store.backup import read_backup

    read_backup(backup)  # found whole, before a store is made for it
    with opened_store(store, create=True) as opened:
        counts = opened.restore(backup)
        where = opened.overview().url
    print(tell("{where}: {counted}", where=where, counted=_counted(counts)))
