"""``knee-angle export``: what is kept, in the forms that a hospital's systems take."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Iterable, Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knee_angle.cli.app import app
from knee_angle.cli.store import Where, opened_store
from knee_angle.errors import InvalidInput
from knee_angle.files import naming, whole_file, write_whole
from knee_angle.language import joined, say, say_many, tell

if TYPE_CHECKING:
    from knee_angle.store import KeptCheck, KeptMeasurement, KeptVisit, Store
    from knee_angle.store.exchange.codes import Codes

__all__ = ["export_app", "written"]

export_app = typer.Typer(
    help="What is kept, for a hospital's systems: FHIR, DICOM.", no_args_is_help=True
)
app.add_typer(export_app, name="export")

MANY = 1_000_000
"""So many rows of one person or machine at most."""


class FhirRelease(StrEnum):
    """Releases of HL7 FHIR."""

    R4B = "R4B"
    R5 = "R5"


CodesFile = Annotated[
    Path | None, typer.Option("--codes", help="TOML file with the site's codes (export codes).")
]
NewFile = Annotated[Path, typer.Argument(help="New file to write.")]
TheRelease = Annotated[FhirRelease, typer.Option("--release", help="Release of FHIR.")]


def written(out: Path, text: str | bytes) -> None:
    """Write a new file, whole or not at all."""
    with naming(out, new=True):
        write_whole(out, text, new=True)


def site_codes(path: Path | None) -> Codes:
    """The site's codes, or the local ones."""
    from knee_angle.store.exchange.codes import Codes, read_codes

    return Codes() if path is None else read_codes(path)


@export_app.command("fhir")
def export_fhir(
    out: NewFile,
    person: Annotated[str | None, typer.Option(help="A person's course.")] = None,
    machine: Annotated[str | None, typer.Option(help="A machine's checks.")] = None,
    release: TheRelease = FhirRelease.R4B,
    codes: CodesFile = None,
    all_rows: Annotated[
        bool, typer.Option("--all", help="Corrected and withdrawn rows too, as entered in error.")
    ] = False,
    store: Where = None,
) -> None:
    """Write a person's course or a machine's checks as a FHIR Bundle, from kept rows alone."""
    if (person is None) == (machine is None):
        raise InvalidInput(say("give --person CODE for a course, or --machine CODE for checks"))
    named = site_codes(codes)
    with opened_store(store) as opened:
        opened.check_pages()
        if person is not None:
            bundle, said = _course(opened, person, release, named, all_rows=all_rows)
        else:
            bundle, said = _checks(opened, machine or "", release, named, all_rows=all_rows)
        written(out, _json(bundle))
        opened.note("export", f"FHIR {release.value}: {said}")
    print(tell("{out}: FHIR {release}, {said}", out=out, release=release.value, said=said))


def _json(resource: dict[str, Any]) -> str:
    return json.dumps(resource, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _course(
    store: Store, person: str, release: FhirRelease, codes: Codes, *, all_rows: bool
) -> tuple[dict[str, Any], str]:
    """A person's bundle, and what it holds."""
    from knee_angle.store import utc_now
    from knee_angle.store.exchange.fhir import bundle_of_course
    from knee_angle.store.known import known_person
    from knee_angle.store.table import row_of, written_out

    code = known_person(store, person)
    measurements = tuple(store.stored_measurements(person=code, all_rows=all_rows))
    visits = store.visits(person=code, limit=MANY, all_rows=all_rows)
    with written_out(row_of(code)):
        bundle = bundle_of_course(
            code, measurements, visits, release=release.value, codes=codes, at=utc_now()
        )
    counted = [
        say_many("{count} measurement", "{count} measurements", len(measurements)),
        say_many("{count} visit", "{count} visits", len(visits)),
    ]
    return bundle, joined(", ", [code, *counted])


def _checks(
    store: Store, machine: str, release: FhirRelease, codes: Codes, *, all_rows: bool
) -> tuple[dict[str, Any], str]:
    """A machine's bundle, and what it holds."""
    from knee_angle.store import utc_now
    from knee_angle.store.exchange.fhir import bundle_of_checks
    from knee_angle.store.known import known_machine
    from knee_angle.store.table import row_of, written_out

    code = known_machine(store, machine)
    checks = store.checks(machine=code, limit=MANY, all_rows=all_rows)
    with written_out(row_of(code)):
        lines = {one.id: store.check(one.id).result.line_judged[0] for one in checks}
        bundle = bundle_of_checks(
            code, checks, lines, release=release.value, codes=codes, at=utc_now()
        )
    counted = say_many("{count} check", "{count} checks", len(checks))
    return bundle, joined(", ", [code, counted])


@export_app.command("dicom")
def export_dicom(
    out: Annotated[Path, typer.Argument(help="New folder to write into.")],
    person: Annotated[str, typer.Option(help="Whose measurements.")],
    codes: CodesFile = None,
    store: Where = None,
) -> None:
    """Write a person's kept angles as DICOM: a structured report each, with the kept picture."""
    from knee_angle.store.known import known_person

    named = site_codes(codes)
    with opened_store(store) as opened:
        opened.check_pages()
        code = known_person(opened, person)
        names = _written_folder(out, _dicom(opened, code, named))
        reports, pictures = (sum(kind in name for name in names) for kind in ("-SR", "-XC"))
        said = say(
            "{code}, {reports} reports, {pictures} pictures",
            code=code, reports=reports, pictures=pictures,
        )  # fmt: skip
        opened.note("export", f"DICOM: {said}")
    print(f"{out}: {tell(said)}")


def _dicom(store: Store, person: str, codes: Codes) -> Iterator[tuple[str, bytes]]:
    """A person's files by name, which is the row's identifier."""
    try:
        from knee_angle.store.exchange.dicom import (
            as_bytes,
            begun_of,
            photographic_image,
            structured_report,
        )
    except ImportError as error:
        raise InvalidInput(
            say(
                "DICOM needs the package {error_name}: pip install 'knee-angle[dicom]'",
                error_name=error.name,
            )
        ) from None
    from knee_angle.store.table import kept_row, written_out

    every = {one.id: one for one in store.measurements(person=person, limit=MANY, all_rows=True)}
    begun = begun_of(every.values())
    for stored in store.stored_measurements(person=person):
        row, picture = stored.row, store.photo(stored.row.id)
        at = begun.get(row.setup.visit or "")
        with written_out(kept_row(row.id)):
            image = None if picture is None else photographic_image(row, picture, begun=at)
            report = structured_report(
                stored, codes=codes, image=image, picture=picture, begun=at,
                replaces=every.get(row.corrects or ""),
            )  # fmt: skip
            files = {"SR": as_bytes(report)} | ({} if image is None else {"XC": as_bytes(image)})
        for kind, content in files.items():
            yield f"{row.id}-{kind}.dcm", content


def _written_folder(out: Path, files: Iterable[tuple[str, bytes]]) -> list[str]:
    """A new folder for its owner alone, whole or not at all; one file in memory at a time.

    Returns
    -------
    list of str
        The files' names.
    """
    names = []
    beside = out.with_name(f".{out.name}.part-{os.getpid()}")
    try:
        if os.path.lexists(out):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
        beside.mkdir(mode=0o700)
        try:
            for name, content in files:
                with whole_file(beside / name, new=True) as file:
                    file.write(content)
                names.append(name)
            beside.rename(out)
        finally:
            shutil.rmtree(beside, ignore_errors=True)
    except OSError as error:
        raise InvalidInput(
            say(
                "{out} cannot be written ({error}): name a new folder",
                out=out,
                error=error.strerror,
            )
        ) from None
    return names


@export_app.command("compare")
def export_compare(
    bundle: Annotated[Path, typer.Argument(help="A file of export fhir.")], store: Where = None
) -> None:
    """Read a FHIR Bundle back and compare it with the store; exit 1 where a row differs."""
    from knee_angle.store.exchange.fhir import compare, read_bundle

    rows = read_bundle(bundle)
    with opened_store(store) as opened:
        kept: dict[str, KeptMeasurement | KeptVisit | KeptCheck] = {
            **{one.id: one for one in opened.measurements(limit=MANY, all_rows=True)},
            **{one.id: one for one in opened.visits(limit=MANY, all_rows=True)},
            **{one.id: one for one in opened.checks(limit=MANY, all_rows=True)},
        }
    found = compare(rows, kept)
    for row_id, names in found.different:
        print(f"{row_id}: {', '.join(names) if names else 'not in the store'}")
    for row_id in found.missing:
        print(f"{row_id}: not in the bundle")
    print(
        tell(
            "{equal}, {n_different} differ",
            equal=say_many("{count} row equal", "{count} rows equal", found.same),
            n_different=len(found.different) + len(found.missing),
        )
    )
    raise typer.Exit(int(bool(found.different or found.missing)))


@export_app.command("codes")
def export_codes(out: NewFile, codes: CodesFile = None) -> None:
    """Write the codes that are used to a TOML file to edit, for --codes."""
    from knee_angle.store.exchange.codes import CONCEPTS, table_of

    written(out, table_of(site_codes(codes)))
    print(tell("{out}: {n_concepts} concepts", out=out, n_concepts=len(CONCEPTS)))


@export_app.command("code-system")
def export_code_system(out: NewFile, release: TheRelease = FhirRelease.R4B) -> None:
    """Write the local codes as a FHIR CodeSystem."""
    from knee_angle import __version__
    from knee_angle.store.exchange.fhir import code_system

    made = code_system(version=__version__, release=release.value)
    written(out, _json(made))
    print(tell("{out}: {made} codes", out=out, made=made["count"]))
