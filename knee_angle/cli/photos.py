"""Photos named on the command line: their displayed numbers, results and pictures."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from difflib import get_close_matches
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from knee_angle.errors import InvalidInput, one_line
from knee_angle.files import write_whole
from knee_angle.language import joined, say

if TYPE_CHECKING:
    from knee_angle.machine.prescribed import LegSettings
    from knee_angle.photo.reading import Photo
    from knee_angle.records import CropJpeg, Measurement, Outcome
    from knee_angle.settings import Counting, Settings

Result = TypeVar("Result", bound="Outcome")

__all__ = ["measured", "overlay_files", "read_displayed_table", "shown"]


def measured(
    photos: Sequence[Path],
    *,
    displayed: Mapping[Path, float | None],
    settings: Settings,
    manual: Mapping[str, Any] | None = None,
    pose_model: Path | None = None,
    overlay: Path | None = None,
    limit_megapixels: float = 120.0,
    legs: LegSettings | None = None,
    crops: dict[Path, CropJpeg] | None = None,
) -> Iterator[tuple[Path, Outcome]]:
    """Each photo's result, as soon as it is there; every file is read once.

    With the settings of a person's two knees each is judged by those of the knee it shows.
    The finding is left to the caller: a photo alone has its own, a visit one for all. In `crops`
    each measured photo's picture to keep is there before its result is.
    """
    from knee_angle.landmarks.standard import opened_detectors
    from knee_angle.photo.crop import crop_jpeg
    from knee_angle.pipeline import measure

    targets = {} if overlay is None else overlay_files(photos, overlay)
    unwritten: list[str] = []

    def judged(path: Path, outcome: Result) -> Result:
        return outcome if legs is None else legs.judged(outcome, displayed[path])

    def in_memory(path: Path, photo: Photo, outcome: Measurement) -> None:
        if path in targets:
            unwritten.extend(_save_overlay(photo, judged(path, outcome), targets[path]))
        if crops is not None:
            crops[path] = crop_jpeg(photo, outcome)

    with opened_detectors(pose_model) as detectors:
        for path in photos:
            outcome = measure(
                path,
                displayed_deg=displayed[path],
                manual=manual,
                settings=settings,
                detectors=detectors,
                limit_megapixels=limit_megapixels,
                judge=False,
                on_measured=partial(in_memory, path),
            )
            yield path, judged(path, outcome)
    if unwritten:  # said last, so that no result is lost for a picture
        raise InvalidInput(say("{problems}: name another folder", problems=joined("; ", unwritten)))


def overlay_files(photos: Sequence[Path], folder: Path) -> dict[Path, Path]:
    """Where each photo's picture goes: the folder is made, no photo and no picture written over."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidInput(
            say(
                "the folder {folder} for pictures cannot be made ({error}): name another",
                folder=folder,
                error=error.strerror,
            )
        ) from None
    taken = {_place(photo) for photo in photos}
    targets = {}
    for photo in dict.fromkeys(photos):
        target, number = folder / f"{photo.stem}_overlay.jpg", 1
        while _place(target) in taken:
            number += 1
            target = folder / f"{photo.stem}_overlay_{number}.jpg"
        taken.add(_place(target))
        targets[photo] = target
    return targets


def _place(path: Path) -> str:
    """One spelling of a path; letters' case may not matter on this machine."""
    return str(path.resolve()).casefold()


def shown(photo: Path) -> str:
    """A photo's name on one line of text: what cannot be printed as its code point."""
    return one_line(photo.name or str(photo))


def _save_overlay(photo: Photo, outcome: Measurement, target: Path) -> list[str]:
    """Write the picture; what went wrong, if anything did."""
    from knee_angle.pipeline import judged_alone
    from knee_angle.report.overlay import as_jpeg
    from knee_angle.report.overlay import overlay as draw_overlay

    try:
        write_whole(target, as_jpeg(draw_overlay(photo, judged_alone(outcome)[0])))
    except OSError as error:
        return [
            say("the picture {target} cannot be written ({why})", target=target, why=error.strerror)
        ]
    return []


def read_displayed_table(
    path: Path | None, photos: Sequence[Path], counts: Counting = "flexion"
) -> Mapping[str, float | None]:
    """Displayed numbers by photo name, as flexion; every problem of the file in one message.

    A photo that the table names with an empty cell has no displayed number (None). Rows
    for other photos do no harm where every given photo has its row; where one has none, a
    name may be mistyped, and its photo would go without its number: refused.
    """
    if path is None:
        return {}
    from knee_angle.files.tables import named, read_table

    table = read_table(path, needs=("photo", "displayed_deg"), counts=counts)
    given = [photo.name for photo in dict.fromkeys(photos)]
    unclear = sorted({name for name in given if given.count(name) > 1} & set(table.photos))
    if unclear:
        raise InvalidInput(
            say(
                "the table {table_name}: several photos given are called {unclear}: give "
                "them in calls of their own",
                table_name=table.name,
                unclear=", ".join(unclear),
            )
        )
    surplus = [name for name in table.photos if name not in given]
    lacking = [name for name in given if name not in table.photos]
    if surplus and lacking:
        raise InvalidInput(
            say(
                "the table {table_name}: names {named}, but no such photo was given, and "
                "has no row for {named2}: correct the names, or give each photo a row (an "
                "empty cell where the display was not read)",
                table_name=table.name,
                named=named([_hint(n, lacking) for n in surplus]),
                named2=named(lacking),
            )
        )
    return {name: table.displayed_deg.get(name) for name in table.photos if name in given}


def _hint(name: str, given: Sequence[str]) -> str:
    """A name that was not given, with the given one that it may mean."""
    near = [one for one in get_close_matches(name, given, cutoff=0.75) if not _numbered(name, one)]
    return say("{name} (is {near} meant?)", name=name, near=near[0]) if near else name


def _numbered(name: str, other: str) -> bool:
    """Whether two names differ in their number alone: two photos of a series, no slip.

    The same figures in another order are one all the same.
    """
    if re.sub(r"\d+", "0", name) != re.sub(r"\d+", "0", other):
        return False
    return sorted(name) != sorted(other)
