"""The package's doors, for one photo, several and tables; `knee_angle` hands them on.

Each does what the command of that job does, by the same functions. A displayed number is
what stands on the display; behind these doors all numbers are degrees of flexion.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from knee_angle import pipeline
from knee_angle.agreement import Study, StudySettings
from knee_angle.batch.run import BatchPlan, cores, run_batch
from knee_angle.batch.study import study_of
from knee_angle.clip.answer import ClipAnswer
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.machine import check
from knee_angle.machine.check import MachineCheck
from knee_angle.machine.empty import EmptyCheck
from knee_angle.records import NotMeasured, Outcome
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings, changed

__all__ = ["check_machine", "compare_methods", "measure", "measure_clip", "measure_folder"]


def measure(
    photo: str | Path | bytes,
    *,
    displayed_deg: float | None = None,
    manual: Mapping[str, Any] | None = None,
    name: str | None = None,
    limit_megapixels: float = 120.0,
    settings: Settings | None = None,
    **changes: Any,
) -> Outcome:
    """One photo, from the file to the answer.

    Parameters
    ----------
    photo : path or bytes
        The photo.
    displayed_deg : float, optional
        The number on the machine's display, which counts as the setting ``counts`` says:
        by default degrees of flexion.
    manual : Mapping, optional
        Points placed by hand (see :mod:`knee_angle.landmarks.manual`).
    name : str, optional
        What to call the photo; its file name by default.
    limit_megapixels : float
        Larger photos are refused before they are decoded.
    settings : Settings, optional
        The site's tolerances and sizes; the usual ones by default.
    **changes
        Single settings by name (``tag_mm=40, limit_flexion_deg=95``), over `settings`.

    Returns
    -------
    Measurement, NotMeasured or Unreadable
        What is wrong with a photo is its result; its ``displayed`` number is flexion.

    Raises
    ------
    InvalidInput
        A displayed number, setting or hand-placed point that cannot be.

    Examples
    --------
    >>> import knee_angle
    >>> knee_angle.measure("sample_images/bed_01.jpg", displayed_deg=93).comparison.verdict
    'within'
    """
    given = changed(settings, changes)
    return pipeline.measure(
        photo,
        displayed_deg=_flexion(displayed_deg, given),
        manual=manual,
        settings=given,
        name=name,
        limit_megapixels=limit_megapixels,
    )


def measure_folder(
    folder: str | Path,
    *,
    table: str | Path | None = None,
    partial_table: bool = False,
    out: str | Path | None = None,
    overwrite: bool = False,
    workers: int | None = None,
    settings: Settings | None = None,
    **changes: Any,
) -> list[dict[str, Any]]:
    """Every photo of a folder, pattern, list or storage address: one row each.

    Parameters
    ----------
    folder : path
        Folder, pattern (``ward/*.jpg``), list file (``.txt``) or address of the photos.
    table : path, optional
        CSV or Parquet with the columns ``photo`` and ``displayed_deg``, and any to join.
    partial_table : bool
        Whether photos and rows need not all match.
    out : path, optional
        Table to write, ``.parquet`` or ``.csv``: both are.
    overwrite : bool
        Whether to begin again where a table is there.
    workers : int, optional
        Measuring processes; one a core by default.
    settings : Settings, optional
        The site's tolerances and sizes; the usual ones by default.
    **changes
        Single settings by name, over `settings`.

    Returns
    -------
    list of dict
        The columns of ``knee-angle batch`` (angles in degrees, lengths in mm), failures too,
        with their reason.

    Raises
    ------
    InvalidInput
        What cannot be measured or written as asked.

    Examples
    --------
    >>> rows = measure_folder("sample_images/bed_0[12].jpg", workers=1)
    >>> [(row["photo"], row["status"]) for row in rows]
    [('bed_01.jpg', 'measured'), ('bed_02.jpg', 'measured')]
    """
    with TemporaryDirectory(prefix="knee-angle-") as scratch:
        plan = BatchPlan(
            source=str(folder),
            out=Path(scratch, "rows.parquet") if out is None else Path(out),
            table=None if table is None else str(table),
            partial_table=partial_table,
            settings=changed(settings, changes),
            workers=cores() if workers is None else workers,
            overwrite=overwrite,
        )
        return run_batch(plan).rows


def measure_clip(
    clip: str | Path,
    *,
    displayed_deg: Mapping[float, float] | None = None,
    f35_mm: float | None = None,
    settings: Settings | None = None,
    **changes: Any,
) -> ClipAnswer | NotMeasured:
    """A film of one cycle: knee, bars and display against time, both ends, gain and lag.

    Parameters
    ----------
    clip : path
        MP4, MOV or WebM, of at most five minutes.
    displayed_deg : Mapping of float to float, optional
        The number on the machine's display by the seconds after the clip's first picture, as
        the setting ``counts`` says: by default degrees of flexion.
    f35_mm : float, optional
        The camera's focal length for a 36 mm x 24 mm picture, where it is known.
    settings, **changes
        The site's tolerances and sizes; single ones by name, over `settings`.

    Returns
    -------
    ClipAnswer or NotMeasured
        ``frames`` holds every picture that was measured; ``alarms`` first.

    Raises
    ------
    UnreadableClip
        A film that cannot be read.
    InvalidInput
        A displayed number or setting that cannot be; the package ``av`` is missing.
    """
    from knee_angle.clip import measure as clips

    given = changed(settings, changes)
    readings = None
    if displayed_deg is not None:
        numbers = [_flexion(number, given) for number in displayed_deg.values()]
        readings = clips.Readings(
            np.array(list(displayed_deg)), np.array([n for n in numbers if n is not None])
        )
    return clips.measure_clip(
        clip, detectors=shared_detectors(), settings=given, readings=readings, f35_mm=f35_mm
    )


def check_machine(
    photos: Sequence[str | Path],
    displayed_deg: Sequence[float | None] | Mapping[str, float | None],
    *,
    empty: bool = False,
    settings: Settings | None = None,
    **changes: Any,
) -> MachineCheck | EmptyCheck | NotMeasured:
    """One machine by photos at three or more of its settings.

    Parameters
    ----------
    photos : sequence of path
        Photos of one machine, each at another setting.
    displayed_deg : sequence or Mapping of photo's file name to float
        The machine's number in each, as the setting ``counts`` says: by default degrees of
        flexion.
    empty : bool
        Whether there is no leg in the machine: then dots show its bars as well as tags do.
    settings, **changes
        The site's tolerances and sizes; single ones by name, over `settings`.

    Returns
    -------
    MachineCheck, EmptyCheck or NotMeasured
        Offset and gain of the display, where the hinge lies, and the cause that is proven;
        `EmptyCheck` (the display alone) of an empty machine, or where no photo shows a leg
        but tags on the bars; ``alarms`` first.

    Raises
    ------
    InvalidInput
        A photo that is given twice or under the name of another, numbers that do not belong
        to the photos, settings that cannot be.

    Examples
    --------
    >>> photos = [f"sample_images/series_a_{number}.jpg" for number in (1, 3, 4, 6)]
    >>> check_machine(photos, [18, 62, 88, 126]).kind
    'both'
    """
    given = changed(settings, changes)
    paths, shown = _together(photos, displayed_deg)
    numbers = {name: _flexion(number, given) for name, number in shown.items()}
    outcomes = pipeline.measure_apart(
        paths, numbers, settings=given, detectors=shared_detectors(), empty=empty
    )
    return check.check_machine(outcomes, given)


def compare_methods(
    table: str | Path,
    *,
    compared: str = "displayed_deg",
    reference: str = "flexion_deg",
    person: str | None = None,
    rater: str | None = None,
    by: Sequence[str] = (),
    drop_missing: bool = False,
    settings: Settings | None = None,
    **changes: Any,
) -> Study:
    """How far two columns of a table agree: bias, limits of agreement, coefficients.

    Parameters
    ----------
    table : path
        CSV or Parquet, a row for each photo (as `measure_folder` writes it).
    compared, reference : str
        The columns; a difference is compared minus reference.
    person, rater : str, optional
        Column of the persons' codes, where some have several rows; with `rater`, who measured.
    by : sequence of str
        Columns of subgroups.
    drop_missing : bool
        Whether rows without both values are left out, and listed, instead of refused.
    settings, **changes
        For the ± of a displayed number: its step, and movement.

    Returns
    -------
    Study
        Every figure with its 95 % confidence interval.

    Raises
    ------
    InvalidInput
        A table or column that cannot be compared.

    Examples
    --------
    >>> study = compare_methods("sample_images/agreement.csv", person="person")
    >>> study.limits.lower.value < study.limits.bias.value < study.limits.upper.value
    True
    """
    study, _ = study_of(
        Path(table),
        compared=compared,
        reference=reference,
        person=person,
        rater=rater,
        by=by,
        missing="drop" if drop_missing else "refuse",
        u_reference=None,
        u_compared=None,
        settings=changed(settings, changes),
        chosen=StudySettings(),
    )
    return study


def _flexion(shown: float | None, settings: Settings) -> float | None:
    """The number on a display as degrees of flexion; refused where no knee can have it."""
    return None if shown is None else checked(shown, settings.counts).deg


def _together(
    photos: Sequence[str | Path],
    displayed_deg: Sequence[float | None] | Mapping[str, float | None],
) -> tuple[dict[str, Path], dict[str, float | None]]:
    """Photos and displayed numbers by file name, where they belong to each other."""
    paths = {Path(photo).name: Path(photo) for photo in photos}
    if len(paths) < len(photos):
        raise InvalidInput(
            f"each photo must be given once, under a file name of its own, but {len(photos)} "
            f"photos have {len(paths)} names: leave out, or rename"
        )
    if isinstance(displayed_deg, Mapping):
        numbers = dict(displayed_deg)
        if unknown := sorted(numbers.keys() - paths.keys()):
            raise InvalidInput(
                f"displayed_deg names {', '.join(unknown)}, but no such photo is given: "
                f"the names are {', '.join(paths)}"
            )
    elif len(displayed_deg) == len(photos):
        numbers = dict(zip(paths, displayed_deg, strict=True))
    else:
        raise InvalidInput(
            f"displayed_deg must have a number for each photo, but has {len(displayed_deg)} for "
            f"{len(photos)}: None stands for a display that was not seen"
        )
    return paths, numbers
