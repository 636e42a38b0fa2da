"""``knee-angle batch``: thousands of photos, one row each."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import app
from knee_angle.cli.options import Megapixels, OverlayFolder, PoseModel, positive
from knee_angle.cli.settings import MEASURING, takes_settings
from knee_angle.errors import InvalidInput
from knee_angle.language import say, say_many, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.batch.run import Progress, Summary

__all__ = ["batch", "photos_done"]

Source = Annotated[
    str,
    typer.Argument(
        help="Folder, pattern in quotes, list (.txt) or address (s3://...) of photos.",
        show_default=False,
    ),
]
Out = Annotated[Path, typer.Option(help="Table to write: .parquet and .csv, both.")]
Known = Annotated[
    str | None,
    typer.Option(help="CSV or Parquet: photo, displayed_deg and any columns to join."),
]
Points = Annotated[
    Path | None,
    typer.Option(help="Points by hand: a table, or a folder with a JSON file a photo."),
]
PartialTable = Annotated[
    bool, typer.Option("--partial-table", help="Photos and rows need not all match.")
]
Workers = Annotated[
    int | None, typer.Option(help="Measuring processes; one a core by default.", min=1)
]
Scheduler = Annotated[
    str | None, typer.Option(help="Dask scheduler (tcp://..., tls://...) to measure on.")
]
PhotoSeconds = Annotated[float, typer.Option(help="Longest time for one photo.")]
Resume = Annotated[bool, typer.Option("--resume", help="Go on with a stopped run.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Begin again where a table is there.")]
RetryFailed = Annotated[
    bool, typer.Option("--retry-failed", help="With --resume: try crashes and time-outs again.")
]


@app.command()
@takes_settings(*MEASURING)
def batch(
    source: Source,
    out: Out,
    table: Known = None,
    partial_table: PartialTable = False,
    points: Points = None,
    pose_model: PoseModel = None,
    overlay: OverlayFolder = None,
    limit_megapixels: Megapixels = 120.0,
    workers: Workers = None,
    scheduler: Scheduler = None,
    photo_seconds: PhotoSeconds = 120.0,
    resume: Resume = False,
    overwrite: Overwrite = False,
    retry_failed: RetryFailed = False,
    *,
    settings: Settings,
) -> None:
    """Measure every photo of a folder, list or storage into one table; safe to stop."""
    from knee_angle.batch.run import BatchPlan, cores, run_batch

    if resume and overwrite:
        raise InvalidInput(say("--resume and --overwrite exclude each other: name one"))
    if retry_failed and not resume:
        raise InvalidInput(say("--retry-failed belongs to --resume: name both"))
    if scheduler is not None and workers is not None:
        raise InvalidInput(say("--workers counts processes on this machine: leave out --scheduler"))
    plan = BatchPlan(
        source=source,
        out=out,
        table=table,
        partial_table=partial_table,
        settings=settings,
        limit_megapixels=positive("--limit-megapixels", limit_megapixels),
        pose_model=pose_model,
        overlay=overlay,
        points=points,
        workers=cores() if workers is None else workers,
        scheduler=scheduler,
        photo_seconds=positive("--photo-seconds", photo_seconds),
        resume=resume,
        overwrite=overwrite,
        retry_failed=retry_failed,
    )
    try:
        with photos_done() as progress:
            summary = run_batch(plan, progress)
    except KeyboardInterrupt:
        print(
            tell("knee-angle: stopped; what is done is kept: go on with --resume"), file=sys.stderr
        )
        raise typer.Exit(130) from None
    _print(summary)
    raise typer.Exit(int(summary.failed > 0))


STATUS = {
    "measured": say("measured"),
    "not_measured": say("not measured"),
    "unreadable": say("unreadable"),
}


def _print(summary: Summary) -> None:
    if summary.left_out:
        print(tell("knee-angle: {left_out}", left_out=summary.left_out), file=sys.stderr)
    for note in summary.notes:
        print(tell(note))
    for photo, status, reason in summary.failures:
        print(f"  {photo}: {tell(STATUS[status])}: {tell(reason)}")
    if summary.failed > len(summary.failures):
        print(
            tell(
                "  and {n_failures} more without a number, each with its reason",
                n_failures=summary.failed - len(summary.failures),
            )
        )
    counts = ", ".join(f"{n} {tell(STATUS[status])}" for status, n in summary.counts.items())
    n = summary.photos
    print(tell(say_many("{count} photo: {counts}", "{count} photos: {counts}", n, counts=counts)))
    print(tell("written: {files}", files=", ".join(map(str, summary.files))))


@contextmanager
def photos_done() -> Iterator[Progress]:
    """A bar with rate and time left on a terminal's stderr; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _done, _all: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("photos  {task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("", total=None, rate="")

        def show(done: int, of: int) -> None:
            speed = bar.tasks[0].speed
            rate = "" if speed is None else say("{speed:.1f}/s  left", speed=speed)
            bar.update(task, completed=done, total=of, rate=rate)

        yield show
