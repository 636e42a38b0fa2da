"""``knee-angle demo``: the sample photos, the truth beside the result."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from knee_angle.cli.app import app
from knee_angle.cli.photos import measured, shown
from knee_angle.settings import Settings

__all__ = ["demo"]


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of photos with their truth.", show_default=False)
    ] = None,
    overlay: Annotated[Path | None, typer.Option(help="Folder for pictures with points.")] = None,
) -> None:
    """Measure the sample photos and show the truth beside the result."""
    import statistics

    from knee_angle import words
    from knee_angle.cli.samples import sample_folder, sample_rows
    from knee_angle.records import Measurement

    photos, displayed, truths = sample_rows(sample_folder(folder))
    outcomes = measured(photos, displayed=displayed, settings=Settings(), overlay=overlay)
    print(f"{'photo':<18}{'truth':>8}{'knee':>16}{'error':>8}  {'points':<24}plane")
    errors, refused = [], 0
    for photo, outcome in outcomes:
        truth = truths[photo]
        if isinstance(outcome, Measurement):
            error = outcome.knee.deg - truth
            errors.append(abs(error))
            print(
                f"{shown(photo):<18}{words.degrees(truth):>8}"
                f"{words.with_u(outcome.knee.deg, outcome.knee.u_deg):>16}"
                f"{words.degrees(error, sign=True):>8}  "
                f"{words.sources(outcome.landmarks):<24}{outcome.plane}",
                flush=True,
            )
        else:
            refused += 1
            print(
                f"{shown(photo):<18}{words.degrees(truth):>8}  not measured: "
                f"{words.phrase(outcome.reason)}"
            )
    middle = f", middle error {statistics.median(errors):.1f}°" if errors else ""
    print(
        f"\nmeasured: {len(errors)}{middle}; not measured: {refused}. "
        f"The ± is 95 % and holds the placement of the points on the skin too.\n{words.CAUTION}"
    )
    raise typer.Exit(int(refused > 0))
