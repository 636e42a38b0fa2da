"""The sample photos and their truth, for the demo and the tests."""

from __future__ import annotations

import json
from pathlib import Path

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["sample_folder", "sample_rows"]


def sample_folder(folder: Path | None = None) -> Path:
    """The folder of sample photos: the one named, else beside the package, else here.

    Raises
    ------
    InvalidInput
        None of them is there.
    """
    beside = Path(__file__).resolve().parents[1] / "sample_images"
    places = [folder] if folder is not None else [beside, Path("sample_images")]
    for place in places:
        if place.is_dir():
            return place
    raise InvalidInput(
        say(
            "the folder of sample photos {places} is not there: name one, knee-angle "
            "demo FOLDER, or run from a copy of the project",
            places=places[-1],
        )
    )


def sample_rows(
    folder: Path,
) -> tuple[list[Path], dict[Path, float | None], dict[Path, float]]:
    """Photos with a truth file, their displayed number and their true flexion, degrees.

    Raises
    ------
    InvalidInput
        No photo of the folder has a truth file, or such a file is none.
    """
    photos: list[Path] = []
    displayed: dict[Path, float | None] = {}
    truths: dict[Path, float] = {}
    for photo in sorted(folder.glob("*.jpg")):
        truth = photo.with_suffix(".json")
        if not truth.is_file():
            continue
        photos.append(photo)
        displayed[photo], truths[photo] = _truth(truth)
    if not photos:
        raise InvalidInput(
            say(
                "no photo in {folder} has its truth beside it: NAME.jpg needs a NAME.json",
                folder=folder,
            )
        )
    return photos, displayed, truths


def _truth(path: Path) -> tuple[float, float]:
    """Displayed number and true flexion of one scene, degrees."""
    try:
        scene = json.loads(path.read_text(encoding="utf-8"))
        displayed, truth = scene["machine"]["displayed_angle_int"], scene["true_knee_flexion_deg"]
        return float(displayed), float(truth)
    except (OSError, ValueError, TypeError, KeyError):
        raise InvalidInput(
            say(
                "the truth file {path} must hold the numbers true_knee_flexion_deg and "
                "machine.displayed_angle_int as JSON, but does not: correct or remove it",
                path=path,
            )
        ) from None
