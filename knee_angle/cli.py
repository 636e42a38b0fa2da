"""The commands. Each one reads its input, calls one function and prints what it says.

Exit status: 0 everything measured, 1 some photos not measured or unreadable,
2 the call itself is wrong. Results go to stdout, everything else to stderr.
"""

from __future__ import annotations

import csv
import json
import math
import sys
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any

import typer

from knee_angle import __version__, exchange, wording
from knee_angle.comparison import checked
from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.records import Measurement, NotMeasured, Outcome, Settings

__all__ = ["app", "main"]

app = typer.Typer(
    name="knee-angle",
    help="Measure from a bedside photo what a knee really does in a CPM machine.\n\n"
    + wording.CAUTION,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
sheet_app = typer.Typer(help="Printed sheets, to scale, as PDF.", no_args_is_help=True)
models_app = typer.Typer(help="Model files that are not part of the package.", no_args_is_help=True)
app.add_typer(sheet_app, name="sheet")
app.add_typer(models_app, name="models")


class Format(StrEnum):
    """How results are printed."""

    TEXT = "text"
    JSON = "json"
    CSV = "csv"


class Paper(StrEnum):
    """Paper sizes of the sheets."""

    A4 = "a4"
    LETTER = "letter"


def main() -> None:
    """Run the command line; every error of ours is one line and exit status 2."""
    try:
        app()
    except KneeAngleError as error:
        print(f"knee-angle: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        print("knee-angle: stopped", file=sys.stderr)
        raise SystemExit(130) from None


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Show the version and stop.")] = False,
) -> None:
    if version:
        print(__version__)
        raise typer.Exit


@app.command()
def measure(
    photos: Annotated[
        list[Path], typer.Argument(help="Photos of one leg each.", show_default=False)
    ],
    displayed: Annotated[
        float | None, typer.Option(help="The machine's number, degrees of flexion, for all photos.")
    ] = None,
    displayed_table: Annotated[
        Path | None, typer.Option(help="CSV with the columns photo, displayed_deg.")
    ] = None,
    landmarks: Annotated[
        Path | None, typer.Option(help="JSON with points placed by hand (one photo).")
    ] = None,
    tolerance: Annotated[float, typer.Option(help="Allowed |displayed - knee|, degrees.")] = 10.0,
    limit_flexion: Annotated[
        float | None, typer.Option(help="Prescribed flexion limit, degrees.")
    ] = None,
    limit_extension: Annotated[
        float | None, typer.Option(help="Prescribed extension limit, degrees of flexion.")
    ] = None,
    stature_mm: Annotated[
        float | None, typer.Option(help="The person's height, mm: checks the lengths.")
    ] = None,
    tag_mm: Annotated[float, typer.Option(help="Printed edge of a tag, mm.")] = 50.0,
    dot_mm: Annotated[float | None, typer.Option(help="Diameter of the dots, mm.")] = None,
    placement_mm: Annotated[
        str, typer.Option(help="± of hip, knee and ankle mark against the bone, mm.")
    ] = "10/5/5",
    not_paused: Annotated[
        float,
        typer.Option(help="Movement between photo and reading, half-width in degrees."),
    ] = 0.0,
    pose_model: Annotated[Path | None, typer.Option(help="Pose model bundle to use.")] = None,
    overlay: Annotated[Path | None, typer.Option(help="Folder for pictures with points.")] = None,
    limit_megapixels: Annotated[float, typer.Option(help="Refuse larger photos.")] = 120.0,
    output: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
) -> None:
    """Measure the knee in photos, and compare it with the machine's display."""
    if landmarks is not None and len(photos) > 1:
        raise InvalidInput(
            f"--landmarks belongs to one photo, but got {len(photos)}: call once per photo"
        )
    settings = Settings(
        tolerance_deg=_positive("--tolerance", tolerance),
        limit_flexion_deg=_limit("--limit-flexion", limit_flexion),
        limit_extension_deg=_limit("--limit-extension", limit_extension),
        stature_mm=None if stature_mm is None else _positive("--stature-mm", stature_mm),
        tag_mm=_positive("--tag-mm", tag_mm),
        dot_mm=None if dot_mm is None else _positive("--dot-mm", dot_mm),
        placement_mm=_placement(placement_mm),
        movement_deg=_positive("--not-paused", not_paused, zero=True),
    )
    if displayed is not None:
        checked(displayed)
    table = _displayed_table(displayed_table, photos)
    outcomes = _measured(
        photos,
        displayed={photo: table.get(photo.name, displayed) for photo in photos},
        manual=_manual(landmarks),
        settings=settings,
        pose_model=pose_model,
        overlay=overlay,
        limit_megapixels=_positive("--limit-megapixels", limit_megapixels),
    )
    raise typer.Exit(_print(outcomes, output))


def _measured(
    photos: Sequence[Path],
    *,
    displayed: Mapping[Path, float | None],
    manual: Mapping[str, Any] | None,
    settings: Settings,
    pose_model: Path | None,
    overlay: Path | None,
    limit_megapixels: float,
) -> Iterator[tuple[Path, Outcome]]:
    """Each photo's result, as soon as it is there."""
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.measure import measure as measure_one

    if overlay is not None:
        _folder(overlay)
    with opened_detectors(pose_model) as detectors:
        for photo in photos:
            outcome = measure_one(
                photo,
                detectors=detectors,
                displayed_deg=displayed[photo],
                manual=manual,
                settings=settings,
                limit_megapixels=limit_megapixels,
            )
            if overlay is not None and isinstance(outcome, Measurement):
                _save_overlay(photo, outcome, overlay)
            yield photo, outcome


def _folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidInput(
            f"the folder {folder} for pictures cannot be made ({error.strerror}): name another"
        ) from None


def _save_overlay(photo: Path, outcome: Measurement, folder: Path) -> None:
    from knee_angle.draw import overlay as draw_overlay
    from knee_angle.photo import read_photo

    target = folder / f"{photo.stem}_overlay.jpg"
    try:
        draw_overlay(read_photo(photo), outcome).save(target, quality=90)
    except OSError as error:
        raise InvalidInput(
            f"the picture {target} cannot be written ({error.strerror}): name another folder"
        ) from None


def _print(outcomes: Iterator[tuple[Path, Outcome]], output: Format) -> int:
    """Print results one by one; 1 where any photo has no number, else 0."""
    failed = False
    for number, (photo, outcome) in enumerate(outcomes):
        failed |= not isinstance(outcome, Measurement)
        row = exchange.as_json(photo.name, outcome, version=__version__)
        match output:
            case Format.JSON:
                print(json.dumps(row, ensure_ascii=False, allow_nan=False), flush=True)
            case Format.CSV:
                print(exchange.as_csv([row], header=number == 0), end="", flush=True)
            case Format.TEXT:
                print(_text(photo.name, outcome), flush=True)
    if output is Format.TEXT:
        print(wording.CAUTION)
    return int(failed)


def _text(photo: str, outcome: Outcome) -> str:
    """One photo for a person: a sentence, and a small table where it was measured."""
    lines = [photo]
    if isinstance(outcome, Measurement):
        lines += [f"  !! {alarm}" for alarm in outcome.alarms]
    lines.append(f"  {wording.sentence(outcome)}")
    if isinstance(outcome, Measurement):
        knee = outcome.knee
        lines += _table(
            [
                ("knee", wording.with_u(knee.deg, knee.u_deg)),
                *_compared(outcome),
                *_frame(outcome),
                *_lengths(outcome),
                ("points", wording.sources(outcome.landmarks)),
                ("plane", wording.PLANE_WORDS[outcome.plane]),
                (
                    "± from",
                    ", ".join(
                        f"{line.replace('_', ' ')} {wording.degrees(u)}"
                        for line, u in knee.budget_deg.items()
                    ),
                ),
            ]
        )
        lines += [f"  caution: {caution}" for caution in outcome.cautions]
    return "\n".join(lines) + "\n"


def _compared(outcome: Measurement) -> list[tuple[str, str]]:
    if outcome.displayed is None or outcome.comparison is None:
        return []
    compared = outcome.comparison
    return [
        ("display", wording.degrees(outcome.displayed.deg)),
        ("difference", wording.with_u(compared.discrepancy_deg, compared.u_deg, sign=True)),
        (
            "verdict",
            f"{wording.VERDICT_WORDS[compared.verdict]} (tolerance {compared.tolerance_deg:g}°, "
            f"probability of being within {compared.p_within:.0%})",
        ),
    ]


def _lengths(outcome: Measurement) -> list[tuple[str, str]]:
    """Thigh and lower leg, where the photo gives a scale."""
    if outcome.segments is None:
        return []
    s = outcome.segments
    return [
        (
            "lengths",
            f"thigh {s.thigh_mm:.0f} ± {wording.plus_minus(s.u_thigh_mm):.0f} mm, "
            f"lower leg {s.shank_mm:.0f} ± {wording.plus_minus(s.u_shank_mm):.0f} mm between the "
            "marks (a start for the machine's sections)",
        )
    ]


def _frame(outcome: Measurement) -> list[tuple[str, str]]:
    """The machine's bars, the hinge and the finding, where there are any."""
    rows = []
    frame = None if outcome.machine is None else outcome.machine.frame
    if frame is not None:
        rows += [
            ("frame", wording.with_u(frame.deg, frame.u_deg)),
            ("hinge", wording.hinge_place(frame)),
        ]
    found = outcome.finding
    if found is not None:
        rows.append(("finding", wording.FINDING_WORDS[found.kind]))
        for name, part in (("calibration", found.calibration), ("fit", found.fit)):
            if part is not None:
                text = wording.with_u(part.discrepancy_deg, part.u_deg, sign=True)
                rows.append(
                    (f"  {name}", f"{text} (tolerance {part.tolerance_deg:g}°: {part.verdict})")
                )
        if found.explained_deg is not None and found.u_explained_deg is not None:
            explained = wording.with_u(found.explained_deg, found.u_explained_deg, sign=True)
            rows.append(("  by hinge", f"{explained} of the fit part, by the planar model"))
        rows.append(("next", found.advice))
    return rows


def _table(rows: list[tuple[str, str]]) -> list[str]:
    return [f"  {name:<14}{text}" for name, text in rows]


def _positive(option: str, value: float, *, zero: bool = False) -> float:
    if math.isfinite(value) and (value > 0 or (zero and value == 0)):
        return value
    raise InvalidInput(f"{option} must be above 0, but got {value:g}")


def _limit(option: str, value: float | None) -> float | None:
    if value is None or -30 <= value <= 180:
        return value
    raise InvalidInput(f"{option} must be between -30 and 180, but got {value:g}")


def _placement(text: str) -> tuple[float, float, float]:
    try:
        hip, knee, ankle = (float(part) for part in text.split("/"))
    except ValueError:
        raise InvalidInput(
            f"--placement-mm must be three numbers like 10/5/5 (hip/knee/ankle), but got {text!r}"
        ) from None
    for value in (hip, knee, ankle):
        _positive("--placement-mm", value, zero=True)
    return hip, knee, ankle


def _manual(path: Path | None) -> Mapping[str, Any] | None:
    from knee_angle.landmarks.manual import read_manual

    return None if path is None else read_manual(path)


def _displayed_table(path: Path | None, photos: Sequence[Path]) -> dict[str, float]:
    """Displayed numbers by photo name; every problem of the file in one message."""
    if path is None:
        return {}
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InvalidInput(f"the table {path} cannot be read ({error}): check its name") from None
    if not rows or not {"photo", "displayed_deg"} <= set(rows[0]):
        raise InvalidInput(f"the table {path.name} must have the columns photo, displayed_deg")
    table: dict[str, float] = {}
    problems = []
    given = {photo.name for photo in photos}
    for line, row in enumerate(rows, start=2):
        name, text = str(row["photo"]).strip(), str(row["displayed_deg"] or "").strip()
        if not text:
            continue
        if name in table:
            problems.append(f"line {line}: {name} is named twice")
            continue
        try:
            table[name] = checked(float(text)).deg
        except InvalidInput as error:
            problems.append(f"line {line}: {error}")
        except ValueError:
            problems.append(f"line {line}: displayed_deg must be a number, but got {text!r}")
    surplus = sorted(set(table) - given)
    if given.isdisjoint(table) and surplus:
        problems.append(f"names {', '.join(surplus[:5])}, but no such photo was given")
    if problems:
        raise InvalidInput(f"the table {path.name}: " + "; ".join(problems))
    return table


@app.command()
def check(
    photos: Annotated[
        list[Path],
        typer.Argument(
            help="Photos of one machine at several settings; or the word plan.", show_default=False
        ),
    ],
    displayed_table: Annotated[
        Path | None, typer.Option(help="CSV with the columns photo, displayed_deg.")
    ] = None,
    tolerance: Annotated[float, typer.Option(help="Allowed |displayed - knee|, degrees.")] = 10.0,
    frame_tolerance: Annotated[
        float, typer.Option(help="Allowed |displayed - frame|, degrees.")
    ] = 5.0,
    fit_tolerance: Annotated[float, typer.Option(help="Allowed |frame - knee|, degrees.")] = 10.0,
    tag_mm: Annotated[float, typer.Option(help="Printed edge of a tag, mm.")] = 50.0,
    dot_mm: Annotated[float | None, typer.Option(help="Diameter of the dots, mm.")] = None,
    wanted_u: Annotated[float, typer.Option(help="With plan: wanted u, degrees.")] = 1.0,
    photo_u: Annotated[float, typer.Option(help="With plan: u of one photo's frame.")] = 0.9,
    low: Annotated[float, typer.Option(help="With plan: lowest setting, degrees.")] = 10.0,
    high: Annotated[float, typer.Option(help="With plan: highest setting, degrees.")] = 90.0,
    output: Annotated[Format, typer.Option("--format", help="How to print.")] = Format.TEXT,
) -> None:
    """Check one machine by several photos; "check plan" says how many, at which angles."""
    if photos == [Path("plan")]:
        print(_plan(wanted_u=wanted_u, photo_u=photo_u, low=low, high=high))
        return
    if output is Format.CSV:
        raise InvalidInput("check prints text or json, but got csv: use --format json")
    from knee_angle.check import check_machine
    from knee_angle.check_words import check_text

    settings = Settings(
        tolerance_deg=_positive("--tolerance", tolerance),
        frame_tolerance_deg=_positive("--frame-tolerance", frame_tolerance),
        fit_tolerance_deg=_positive("--fit-tolerance", fit_tolerance),
        tag_mm=_positive("--tag-mm", tag_mm),
        dot_mm=None if dot_mm is None else _positive("--dot-mm", dot_mm),
    )
    table = _displayed_table(displayed_table, photos)
    outcomes = _measured(
        photos,
        displayed={photo: table.get(photo.name) for photo in photos},
        manual=None,
        settings=settings,
        pose_model=None,
        overlay=None,
        limit_megapixels=120.0,
    )
    result = check_machine({str(photo): outcome for photo, outcome in outcomes}, settings)
    if output is Format.JSON:
        print(json.dumps(exchange.check_as_json(result, version=__version__), allow_nan=False))
    else:
        print(check_text(result, settings))
    left = isinstance(result, NotMeasured) or bool(result.left_out)
    raise typer.Exit(int(left))


def _plan(*, wanted_u: float, photo_u: float, low: float, high: float) -> str:
    """How many photos at which settings, in words."""
    from knee_angle.calibration import plan_check
    from knee_angle.check import FRAME_COMMON_U_DEG
    from knee_angle.comparison import u_display_deg

    plan = plan_check(
        wanted_u_deg=wanted_u,
        u_photo_deg=photo_u,
        u_display_deg=u_display_deg(Settings()),
        low_deg=low,
        high_deg=high,
        common_u_deg=FRAME_COMMON_U_DEG,
    )
    angles = ", ".join(f"{angle:g}°" for angle in plan.angles_deg)
    return (
        f"{plan.photos} photos at {angles} reach u = {plan.u_deg:.2f}° over {low:g}° to {high:g}° "
        f"(offset {plan.u_offset_deg:.2f}°, gain {plan.u_gain:.4f}). Stay within the prescribed "
        f"limits, or run the machine empty.\n{wording.CAUTION}"
    )


@app.command()
def demo(
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of photos with their truth.", show_default=False)
    ] = None,
    overlay: Annotated[Path | None, typer.Option(help="Folder for pictures with points.")] = None,
) -> None:
    """Measure the sample photos and show the truth beside the result."""
    from knee_angle.demo import sample_folder, sample_rows

    photos, displayed, truths = sample_rows(sample_folder(folder))
    outcomes = _measured(
        photos,
        displayed=displayed,
        manual=None,
        settings=Settings(),
        pose_model=None,
        overlay=overlay,
        limit_megapixels=120.0,
    )
    print(f"{'photo':<18}{'truth':>8}{'knee':>16}{'error':>8}  {'points':<24}plane")
    errors, refused = [], 0
    for photo, outcome in outcomes:
        truth = truths[photo]
        if isinstance(outcome, Measurement):
            error = outcome.knee.deg - truth
            errors.append(abs(error))
            print(
                f"{photo.name:<18}{wording.degrees(truth):>8}"
                f"{wording.with_u(outcome.knee.deg, outcome.knee.u_deg):>16}"
                f"{wording.degrees(error, sign=True):>8}  "
                f"{wording.sources(outcome.landmarks):<24}{outcome.plane}",
                flush=True,
            )
        else:
            refused += 1
            print(
                f"{photo.name:<18}{wording.degrees(truth):>8}  not measured: "
                f"{wording.phrase(outcome.reason)}"
            )
    middle = sorted(errors)[len(errors) // 2] if errors else math.nan
    print(
        f"\n{len(errors)} photos measured, middle error {middle:.1f}°; {refused} not measured. "
        f"The ± is 95 % and holds the placement of the points on the skin too.\n{wording.CAUTION}"
    )


@sheet_app.command("tags")
def sheet_tags(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    tag_mm: Annotated[float, typer.Option(help="Edge of a tag, mm.")] = 50.0,
    first_id: Annotated[int, typer.Option(help="Number of the first tag.")] = 0,
) -> None:
    """A strip of tags to fix on the machine, parallel to its bars."""
    from knee_angle.sheet import tag_sheet

    _write(out, tag_sheet(paper.value, tag_mm=tag_mm, first_id=first_id))


@sheet_app.command("dots")
def sheet_dots(
    out: Annotated[Path, typer.Argument(help="PDF to write.")],
    paper: Annotated[Paper, typer.Option(help="Paper size.")] = Paper.A4,
    dot_mm: Annotated[float, typer.Option(help="Diameter of a dot, mm.")] = 16.0,
    colour: Annotated[str, typer.Option(help="Colour of the dots.")] = "green",
) -> None:
    """Dots for hip, knee, ankle and the machine, for adhesive paper."""
    from knee_angle.sheet import dot_sheet

    _write(out, dot_sheet(paper.value, dot_mm=dot_mm, colour=colour))


def _write(out: Path, content: bytes) -> None:
    try:
        out.write_bytes(content)
    except OSError as error:
        raise InvalidInput(
            f"{out} cannot be written ({error.strerror}): name another file"
        ) from None
    print(f"{out}: print at 100 %, then check the 100 mm rule with a ruler")


@models_app.command("list")
def models_list() -> None:
    """Which model files are on this machine."""
    from knee_angle.landmarks.bundles import describe_models

    for model in describe_models():
        print(model)


@models_app.command("build")
def models_build(
    archive: Annotated[Path, typer.Argument(help="The archive from npm pack @mediapipe/pose.")],
    out: Annotated[Path | None, typer.Option(help="Where to put the bundle.")] = None,
) -> None:
    """Build the pose model bundle from the published npm archive."""
    from knee_angle.landmarks.bundles import build_pose_bundle

    print(build_pose_bundle(archive, out))


@app.command()
def page(
    port: Annotated[int, typer.Option(help="Port on this machine.", min=1, max=65535)] = 8501,
) -> None:
    """Open the bedside page in a browser; it answers on this machine only."""
    from knee_angle.serve import serve

    raise typer.Exit(serve(port=port))
