"""Photos named on the command line: their displayed numbers, results and pictures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.records import Measurement, Outcome, Settings, Unreadable

if TYPE_CHECKING:
    from knee_angle.photo import Photo

__all__ = ["measured", "read_displayed_table"]


def measured(
    photos: Sequence[Path],
    *,
    displayed: Mapping[Path, float | None],
    manual: Mapping[str, Any] | None,
    settings: Settings,
    pose_model: Path | None,
    overlay: Path | None,
    limit_megapixels: float,
) -> Iterator[tuple[Path, Outcome]]:
    """Each photo's result, as soon as it is there; every file is read once."""
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.measure import measure_photo
    from knee_angle.photo import read_photo

    if overlay is not None:
        made_folder(overlay)
    with opened_detectors(pose_model) as detectors:
        for path in photos:
            outcome: Outcome
            try:
                photo = read_photo(path, limit_megapixels=limit_megapixels)
                outcome = measure_photo(
                    photo,
                    detectors=detectors,
                    displayed_deg=displayed[path],
                    manual=manual,
                    settings=settings,
                )
            except UnreadablePhoto as error:
                outcome = Unreadable(error.reason)
            else:
                if overlay is not None and isinstance(outcome, Measurement):
                    _save_overlay(photo, outcome, overlay / f"{path.stem}_overlay.jpg")
            yield path, outcome


def made_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidInput(
            f"the folder {folder} for pictures cannot be made ({error.strerror}): name another"
        ) from None


def _save_overlay(photo: Photo, outcome: Measurement, target: Path) -> None:
    from knee_angle.draw import overlay as draw_overlay

    try:
        draw_overlay(photo, outcome).save(target, quality=90)
    except OSError as error:
        raise InvalidInput(
            f"the picture {target} cannot be written ({error.strerror}): name another folder"
        ) from None


def read_displayed_table(path: Path | None, photos: Sequence[Path]) -> Mapping[str, float]:
    """Displayed numbers by photo name; every problem of the file in one message."""
    if path is None:
        return {}
    from knee_angle.batch.table import read_table

    table = read_table(str(path), needs=("photo", "displayed_deg"))
    given = {photo.name for photo in photos}
    surplus = sorted(table.displayed_deg.keys() - given)
    if surplus and given.isdisjoint(table.displayed_deg):
        raise InvalidInput(
            f"the table {table.name}: names {', '.join(surplus[:5])}, but no such photo was given"
        )
    return table.displayed_deg
