"""``knee-angle sensitivity``: what a millimetre of each setting does to the knee."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import app
from knee_angle.cli.settings import takes_settings
from knee_angle.files import naming, write_whole
from knee_angle.language import figure, say, tell
from knee_angle.settings import Settings

if TYPE_CHECKING:
    from knee_angle.machine.sliding import Sensitivity

__all__ = ["sensitivity"]

TABLE_STEP_DEG = 10.0


@app.command()
@takes_settings("support_mm")
def sensitivity(
    out: Annotated[
        Path | None, typer.Argument(help="SVG picture to write.", show_default=False)
    ] = None,
    low: Annotated[float, typer.Option(help="Lowest flexion of the bars, degrees.")] = 0.0,
    high: Annotated[float, typer.Option(help="Highest flexion of the bars, degrees.")] = 110.0,
    distal_mm: Annotated[float, typer.Option(help="Hinge distal of the knee, mm.")] = 20.0,
    anterior_mm: Annotated[float, typer.Option(help="Hinge anterior of the knee, mm.")] = 0.0,
    *,
    settings: Settings,
) -> None:
    """Degrees of fit error per mm of hinge place and support, over the machine's range."""
    from knee_angle.angle import words
    from knee_angle.assumptions import SUPPORT_MM
    from knee_angle.machine import sliding

    held_mm = settings.support_mm or SUPPORT_MM[0]
    steps = max(1, round((high - low) / TABLE_STEP_DEG))

    def over_range(points: int) -> Sensitivity:
        return sliding.sensitivity(
            low_deg=low, high_deg=high, points=points,
            distal_mm=distal_mm, anterior_mm=anterior_mm, support_mm=held_mm,
        )  # fmt: skip

    table = over_range(steps + 1)
    assumed = "" if settings.support_mm else say(" (assumed: --support-mm)")
    print(
        tell(
            "Degrees of bars minus knee per mm, hinge {distal_mm:g} mm distal and "
            "{anterior_mm:g} mm anterior of the knee, lower leg held {held_mm:g} mm "
            "below it{assumed}:",
            distal_mm=distal_mm,
            anterior_mm=anterior_mm,
            held_mm=held_mm,
            assumed=assumed,
        )
    )
    print(tell("  bars   fit part   hinge distal   hinge anterior   support lower"))
    for row in zip(
        table.frame_deg, table.fit_deg, table.per_distal_deg_mm, table.per_anterior_deg_mm,
        table.per_support_deg_mm, strict=True,
    ):  # fmt: skip
        bars, fit, distal, anterior, support = (float(value) + 0.0 for value in row)
        line = (
            f"  {bars:4.0f}°  {words.degrees(fit, sign=True):>8}   {distal:+12.3f}   "
            f"{anterior:+14.3f}   {support:+13.3f}"
        )
        print(tell(figure(line)))
    if out is not None:
        from knee_angle.report.sensitivity import sensitivity_svg

        picture = sensitivity_svg(
            over_range(101), support_mm=held_mm, place=(distal_mm, anterior_mm)
        )
        _write(out, picture)
    print(tell(words.CAUTION))


def _write(out: Path, picture: str) -> None:
    with naming(out):
        write_whole(out, picture)
    print(tell("{out}: the picture, for a browser", out=out))
