"""``knee-angle demo``: the sample photos, the truth beside the result."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from knee_angle.cli.app import app
from knee_angle.cli.photos import measured, shown
from knee_angle.language import say, tell
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

    from knee_angle.angle import words
    from knee_angle.cli.samples import sample_folder, sample_rows
    from knee_angle.records import Measurement

    photos, displayed, truths = sample_rows(sample_folder(folder))
    outcomes = measured(photos, displayed=displayed, settings=Settings(), overlay=overlay)
    photo, truth, knee, error = tell("photo"), tell("truth"), tell("knee"), tell("error")
    print(f"{photo:<18}{truth:>8}{knee:>16}{error:>8}  {tell('points'):<24}{tell('plane')}")
    errors, refused = [], 0
    for path, outcome in outcomes:
        true = truths[path]
        if isinstance(outcome, Measurement):
            off = outcome.knee.deg - true
            errors.append(abs(off))
            print(
                f"{shown(path):<18}{tell(words.degrees(true)):>8}"
                f"{tell(words.with_u(outcome.knee.deg, outcome.knee.u_deg)):>16}"
                f"{tell(words.degrees(off, sign=True)):>8}  "
                f"{tell(words.sources(outcome.landmarks)):<24}{outcome.plane}",
                flush=True,
            )
        else:
            refused += 1
            print(
                tell(
                    "{shown:<18}{truth:>8}  not measured: {reason}",
                    shown=shown(path),
                    truth=words.degrees(true),
                    reason=words.phrase(outcome.reason),
                )
            )
    middle = say(", middle error {median:.1f}°", median=statistics.median(errors)) if errors else ""
    print(
        tell(
            "\nmeasured: {n_errors}{middle}; not measured: {refused}. The ± is 95 % and "
            "holds the placement of the points on the skin too.\n{caution}",
            n_errors=len(errors),
            middle=middle,
            refused=refused,
            caution=words.CAUTION,
        )
    )
    raise typer.Exit(int(refused > 0))
