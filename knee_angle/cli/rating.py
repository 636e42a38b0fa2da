"""``knee-angle rating``: a rater study, from the drawn order to how far raters agree."""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict, replace
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knee_angle.cli.app import app, for_programs
from knee_angle.cli.batch import photos_done
from knee_angle.cli.options import Format, Output
from knee_angle.cli.settings import MEASURING, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.files import naming, write_whole
from knee_angle.language import current, say, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.agreement import Reliability
    from knee_angle.files.tables import Table
    from knee_angle.report.paper.raters_words import AboutRaters

__all__ = ["rating_app"]

rating_app = typer.Typer(
    help="A rater study: points placed blind by several raters, measured and compared.",
    no_args_is_help=True,
)
app.add_typer(rating_app, name="rating")

Folder = Annotated[Path, typer.Argument(help="The study's folder.")]


@rating_app.command("begin")
def rating_begin(
    folder: Annotated[Path, typer.Argument(help="New folder for the study.")],
    photos: Annotated[list[Path], typer.Argument(help="The photos.")],
    rater: Annotated[list[str], typer.Option(help="A rater's code, such as R1; repeatable.")],
    repeats: Annotated[int, typer.Option(help="How often each rater sees each photo.")] = 2,
    seed: Annotated[int, typer.Option(help="What the raters' orders are drawn from.")] = 1,
    covers: Annotated[
        Path | None,
        typer.Option(
            help="Table of what raters must not see: photo, left_px, top_px, right_px, bottom_px; "
            "without numbers: nothing. In photos that it does not name, displays are looked for."
        ),
    ] = None,
) -> None:
    """Begin a study: orders are drawn from the seed, and displays that are found are covered."""
    from knee_angle.batch.rating import RatingPlan, begin_study, found_covers, read_covers
    from knee_angle.files.tables import named
    from knee_angle.records.code import checked_code

    # Refused before every photo is searched for displays.
    codes = tuple(checked_code(one, what="rater") for one in rater)
    RatingPlan(len(photos), codes, repeats, seed)
    if folder.exists():
        raise InvalidInput(say("{folder} is there already: name a new folder", folder=folder))
    told_covers = {} if covers is None else read_covers(covers)
    with photos_done() as progress:
        hidden = found_covers(photos, told_covers, progress=progress)
    study = begin_study(folder, photos, raters=rater, repeats=repeats, seed=seed, covers=hidden)
    plan = study.plan
    told = [
        say(
            "{folder}: {photos} photos, raters {raters}, {repeats} times each, seed {seed}",
            folder=folder,
            photos=plan.photos,
            raters=", ".join(plan.raters),
            repeats=plan.repeats,
            seed=plan.seed,
        ),
        say(
            "displays covered in {covered} of {photos} photos",
            covered=study.covered,
            photos=plan.photos,
        ),
        say(
            "before anybody rates, look at {folder}/as_seen, which is what raters see; where a "
            "cover is wrong, correct {folder}/covers.csv and begin another folder with --covers",
            folder=folder,
        ),
        say("go on with: knee-angle rating page {folder}", folder=folder),
    ]
    print("\n".join(map(tell, told)))
    if study.bare:
        print(
            tell(
                "nothing to cover was found in {names}: a display that can be read there is seen "
                "by the raters",
                names=named(study.bare),
            ),
            file=sys.stderr,
        )


@rating_app.command("page")
def rating_page(
    folder: Folder,
    port: Annotated[int, typer.Option(help="Port on this machine.", min=1, max=65535)] = 8501,
) -> None:
    """Serve the raters' page to this machine: blind, one photo after the other."""
    from knee_angle.batch.rating import open_study
    from knee_angle.cli.serving import serve

    open_study(folder)
    os.environ["KNEE_ANGLE_RATING"] = str(folder.absolute())
    serve(port=port)


@rating_app.command("measure")
@takes_settings(*MEASURING)
def rating_measure(
    source: Annotated[
        Path, typer.Argument(help="The study's folder; or a table of points, with --photos.")
    ],
    out: Annotated[Path, typer.Option(help="Table to write: .csv or .parquet.")],
    photos: Annotated[
        Path | None, typer.Option(help="Folder of the photos that a table of points names.")
    ] = None,
    *,
    settings: Settings,
) -> None:
    """Measure every rating; a row each, with rater and repeat. Exit 1 while some are missing."""
    from knee_angle.batch.rating import RatingStudy, open_study
    from knee_angle.batch.rating.measured import check_out, rated_rows, write_rated
    from knee_angle.batch.rating.table import study_of_table
    from knee_angle.landmarks.standard import opened_detectors

    check_out(out)
    if photos is None and source.is_file():
        raise InvalidInput(
            say(
                "{source} is a table of points: name the folder of its photos too (--photos)",
                source=source,
            )
        )
    study = open_study(source) if photos is None else study_of_table(source, photos)
    if not study.ratings():
        raise InvalidInput(
            say(
                "nothing was rated yet in {folder}: raters place points by knee-angle rating page "
                "{folder}",
                folder=source,
            )
        )
    with opened_detectors() as detectors, photos_done() as progress:
        rows = list(rated_rows(study, detectors=detectors, settings=settings, progress=progress))
    wanted = len(rows)
    if isinstance(study, RatingStudy):
        wanted = study.plan.photos * study.plan.repeats * len(study.plan.raters)
    write_rated(out, rows, settings=settings, planned=wanted)
    whole = _told(rows, wanted, out)
    if photos is None and len(rows) == wanted:
        more = say(
            "go on with: knee-angle rating report {out} --study {study}", out=out, study=source
        )
        print(tell(more))
    raise typer.Exit(int(not whole))


def _told(rows: list[dict[str, Any]], wanted: int, out: Path) -> bool:
    """Say what was measured; whether all of it was."""
    failed = [row for row in rows if row["status"] != "measured"]
    for row in failed:
        print(
            f"  {row['photo']}, {row['rater']}, {row['repeat']}: {tell(row['reason'])}",
            file=sys.stderr,
        )
    print(
        tell(
            "{out}: {n} of {wanted} ratings, {failed} without an angle",
            out=out,
            n=len(rows),
            wanted=wanted,
            failed=len(failed),
        )
    )
    return len(rows) == wanted and not failed


class Missing(StrEnum):
    """What to do with targets that are not whole."""

    REFUSE = "refuse"
    DROP = "drop"


@rating_app.command("report")
def rating_report(
    table: Annotated[Path, typer.Argument(help="CSV or Parquet, a row for each rating.")],
    value: Annotated[str, typer.Option(help="Column that is compared.")] = "flexion_deg",
    target: Annotated[str, typer.Option(help="Column of what was rated.")] = "photo",
    rater: Annotated[str, typer.Option(help="Column of the raters' codes.")] = "rater",
    missing: Annotated[
        Missing,
        typer.Option(help="Targets that are not whole: refuse, or drop and list."),
    ] = Missing.REFUSE,
    study: Annotated[
        Path | None, typer.Option(help="Folder of the study, to tell how it was done.")
    ] = None,
    out: Annotated[
        list[Path] | None, typer.Option(help="Report to write: .pdf or .html; repeatable.")
    ] = None,
    output: Output = Format.TEXT,
) -> None:
    """Agreement within and between raters, of two or more, over any number of repeats."""
    from knee_angle.agreement import reliability, select_ratings
    from knee_angle.files.tables import read_table

    for path in out or ():
        if path.suffix.lower() not in (".pdf", ".html"):
            raise InvalidInput(
                say("a report must be named .pdf or .html, but got {name}", name=path.name)
            )
    rows = read_table(table, needs=(value, target, rater), repeats=True)
    ratings = select_ratings(**_columns(rows, value, target, rater), missing=missing.value)
    found = reliability(ratings)
    about = _about(table, rows, (value, target, rater), missing.value, study)
    for path in out or ():
        _write(path, found, about)
    if output is Format.JSON:
        print(json.dumps(for_programs(_as_json(found, about)), allow_nan=False))
        return
    _print(found, about)
    if out:
        print(tell("written: {files}", files=", ".join(map(str, out))))


def _columns(rows: Table, value: str, target: str, rater: str) -> dict[str, Any]:
    """The columns of a table of ratings, as `select_ratings` takes them."""
    found = {"values": rows.numbers(value), "target": rows.labels(target)}
    found["rater"] = rows.labels(rater)
    if rows.has("repeat"):
        found["repeat"] = rows.numbers("repeat")
    if rows.has("reason"):
        found["reasons"] = rows.labels("reason")
    return found


def _about(
    table: Path, rows: Table, columns: tuple[str, str, str], missing: str, study: Path | None
) -> AboutRaters:
    from knee_angle.batch.rating import open_study
    from knee_angle.batch.rating.times import times_of
    from knee_angle.batch.versions import sources_of, versions_of
    from knee_angle.report.paper.raters_words import AboutRaters

    seconds, minutes = times_of(rows, columns[1], columns[2])
    about = AboutRaters(
        table.name, *columns, missing, len(rows), datetime.now(UTC).date().isoformat(),
        versions_of(table), sources=sources_of(rows), seconds=seconds, minutes=minutes,
    )  # fmt: skip
    if study is None:
        return about
    opened = open_study(study)
    plan = opened.plan
    known = {one.name for one in opened.photos}
    strange = [one for one in rows.labels(columns[1]) if one not in known]
    strange += [one for one in rows.labels(columns[2]) if one not in plan.raters]
    if strange:
        raise InvalidInput(
            say(
                "{table} is not of the study in {folder}, which has no {what}: name its own study, "
                "or leave out --study",
                table=table.name,
                folder=study,
                what=repr(strange[0]),
            )
        )
    return replace(
        about, blind=True, seed=plan.seed, covered=(opened.covered, plan.photos),
        found=opened.found, unsure=len(opened.bare), between=opened.between,
        planned=(plan.photos, len(plan.raters), plan.repeats),
    )  # fmt: skip


def _write(path: Path, found: Reliability, about: AboutRaters) -> None:
    from knee_angle.report.paper.html import html_of
    from knee_angle.report.paper.pdf import pdf_of
    from knee_angle.report.paper.raters import raters_paper

    paper = raters_paper(found, about)
    spoken = current().code
    pdf = path.suffix.lower() == ".pdf"
    content = pdf_of(paper, language=spoken) if pdf else html_of(paper, spoken).encode()
    with naming(path):
        write_whole(path, content)


def _print(found: Reliability, about: AboutRaters) -> None:
    """The answer, the figures and the flow; a report holds the rest."""
    from knee_angle.report.paper.blocks import Banner, Heading, Picture, Table, Words
    from knee_angle.report.paper.raters import METHODS, raters_paper

    for block in raters_paper(found, about).blocks:
        match block:
            case Picture() if not block.caption:
                print("  " + tell(block.alt).replace("; ", "\n  "))
            case Banner():
                print(f"{tell(block.head)}\n{tell(block.text)}")
            case Heading() if block.text == METHODS:
                return
            case Heading():
                print(f"\n{tell(block.text)}")
            case Words():
                print(f"{tell(block.lead)} {tell(block.text)}".strip())
            case Table():
                for row in block.rows:
                    cells = [tell(cell if isinstance(cell, str) else cell.text) for cell in row]
                    print(
                        "  "
                        + "  ".join(
                            f"{cell:<{20 if at else 44}}" for at, cell in enumerate(cells)
                        ).rstrip()
                    )
            case _:
                pass


def _as_json(found: Reliability, about: AboutRaters) -> dict[str, Any]:
    from knee_angle.report.raters_json import raters_as_json

    return raters_as_json(found, about)


@rating_app.command("plan")
def rating_plan(
    icc: Annotated[float, typer.Option(help="Expected intraclass correlation.")] = 0.9,
    raters: Annotated[int, typer.Option(help="How many raters.")] = 3,
    width: Annotated[
        float | None, typer.Option(help="Wanted width of its 95 % interval. [0.1]")
    ] = None,
    above: Annotated[
        float | None, typer.Option(help="Instead: prove that it is above this one.")
    ] = None,
    power: Annotated[float, typer.Option(help="With --above: probability to prove it.")] = 0.8,
    output: Output = Format.TEXT,
) -> None:
    """How many targets (photos, persons) an intraclass correlation needs."""
    from knee_angle.agreement import plan_icc, plan_icc_above

    if width is not None and above is not None:
        raise InvalidInput(say("--width and --above are two questions: give one of them"))
    if above is not None:
        plan = plan_icc_above(icc=icc, above=above, raters=raters, power=power)
        said = say(
            "{n} targets, each rated by {raters} raters, prove a coefficient of {icc:g} above "
            "{above:g} with a probability of {power:.0%} (one-sided, 5 %; Walter et al. 1998)",
            n=plan.n,
            raters=raters,
            icc=icc,
            above=above,
            power=power,
        )
    else:
        plan = plan_icc(icc=icc, raters=raters, width=0.1 if width is None else width)
        said = say(
            "{n} targets, each rated by {raters} raters, give a coefficient of {icc:g} a 95 % "
            "interval {width:g} wide (Bonett 2002)",
            n=plan.n,
            raters=raters,
            icc=icc,
            width=plan.width,
        )
    if output is Format.JSON:
        print(json.dumps(asdict(plan), allow_nan=False))
        return
    print(tell(said))
