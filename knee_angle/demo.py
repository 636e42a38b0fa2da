"""The sample photos and their truth, for the demo and the tests."""

from __future__ import annotations

import json
from pathlib import Path

from knee_angle.errors import InvalidInput

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
        f"the folder of sample photos {places[-1]} is not there: "
        "name one, knee-angle demo FOLDER, or run from a copy of the project"
    )


def sample_rows(
    folder: Path,
) -> tuple[list[Path], dict[Path, float | None], dict[Path, float]]:
    """Photos with a truth file, their displayed number and their true flexion, degrees.

    Raises
    ------
    InvalidInput
        No photo of the folder has a truth file.
    """
    photos: list[Path] = []
    displayed: dict[Path, float | None] = {}
    truths: dict[Path, float] = {}
    for photo in sorted(folder.glob("*.jpg")):
        truth = photo.with_suffix(".json")
        if not truth.is_file():
            continue
        scene = json.loads(truth.read_text(encoding="utf-8"))
        photos.append(photo)
        displayed[photo] = float(scene["machine"]["displayed_angle_int"])
        truths[photo] = float(scene["true_knee_flexion_deg"])
    if not photos:
        raise InvalidInput(
            f"no photo in {folder} has its truth beside it: NAME.jpg needs a NAME.json"
        )
    return photos, displayed, truths
