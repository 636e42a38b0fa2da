"""What is kept, as frozen values: what goes in and what is read back.

Times are timezone-aware and kept in UTC. People and machines are codes, never names.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Literal

from knee_angle.angle.bounds import Standing
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.machine.calibration import settings_at_one_place
from knee_angle.machine.check import Checked
from knee_angle.records import CropJpeg, FindingKind, Measurement, Outcome, Plane, Side, Verdict
from knee_angle.records.code import checked_code
from knee_angle.settings import Settings
from knee_angle.store.checklist import CARE, CHECKLIST

__all__ = [
    "CARE",
    "CHECKLIST",
    "AuditLine",
    "End",
    "KeptCheck",
    "KeptKnee",
    "KeptMeasurement",
    "KeptTogether",
    "KeptVisit",
    "MachineCard",
    "Overview",
    "PhotoToKeep",
    "Prescription",
    "SetUp",
    "StoredCheck",
    "StoredMeasurement",
    "StoredVisit",
    "Subject",
    "WithdrawalReason",
    "checked_code",
    "utc",
]

End = Literal["flexion", "extension"]
WithdrawalReason = Literal["wrong_person", "wrong_machine", "wrong_photo", "entered_twice", "other"]
"""Why a kept row no longer counts; a fixed list, so that nobody writes a name there."""


def utc(moment: datetime, *, what: str = say("a time")) -> datetime:
    """The same moment in UTC; a time without its zone is refused."""
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise InvalidInput(
            say(
                "{what} must name its time zone, but got {isoformat}",
                what=what, isoformat=moment.isoformat(),
            )
        )  # fmt: skip
    return moment.astimezone(UTC)


@dataclass(frozen=True, slots=True)
class SetUp:
    """How the machine was set when the photo was taken; whatever was noted.

    Parameters
    ----------
    end : {"flexion", "extension"} or None
        The end of the range at which the machine was paused.
    flexion_deg, extension_deg : float or None
        Limits set on the machine, degrees of flexion.
    speed : float or None
        Speed as the machine names it, its own unit.
    bed_head_deg : float or None
        Angle of the head of the bed.
    hours_of_use : float or None
        Hours in the machine since the last measurement.
    ticks : tuple of str
        Keys of `CHECKLIST` that were ticked.
    visit : str or None
        Shared by all photos of one visit, from `new_id`.
    setting : str or None
        Number of the place at which the machine was paused, counted in that visit: photos of
        one setting are repeats. None where the displayed number tells.
    adjusted : int
        How often the machine's sections had been moved in that visit before the photo.
    """

    end: End | None = None
    flexion_deg: float | None = None
    extension_deg: float | None = None
    speed: float | None = None
    bed_head_deg: float | None = None
    hours_of_use: float | None = None
    ticks: tuple[str, ...] = ()
    visit: str | None = None
    setting: str | None = None
    adjusted: int = 0

    def __post_init__(self) -> None:
        rules: list[tuple[str, float | None, float, float]] = [
            ("flexion_deg", self.flexion_deg, -30, 180),
            ("extension_deg", self.extension_deg, -30, 180),
            ("speed", self.speed, 0, 1000),
            ("bed_head_deg", self.bed_head_deg, -20, 90),
            ("hours_of_use", self.hours_of_use, 0, 1000),
            ("adjusted", self.adjusted, 0, 99),
        ]
        problems = [
            say(
                "{name} must be between {low:g} and {high:g}, but got {value:g}",
                name=name,
                low=low,
                high=high,
                value=value,
            )
            for name, value, low, high in rules
            if value is not None and not low <= value <= high
        ]
        problems += [
            say("no such set-up point: {tick!r}", tick=tick)
            for tick in self.ticks
            if tick not in CHECKLIST
        ]
        if self.visit is not None and not re.fullmatch("[0-9a-f]{32}", self.visit):
            problems.append(say("visit must come from new_id, but got {visit!r}", visit=self.visit))
        if self.setting is not None and not re.fullmatch("[0-9]{1,4}", self.setting):
            problems.append(
                say(
                    "setting must be a number of at most 4 digits, got {setting!r}",
                    setting=self.setting,
                )
            )
        if problems:
            raise InvalidInput(joined("; ", problems))


@dataclass(frozen=True, slots=True)
class Prescription:
    """Limits in force for a person's knee from a day on, until the next row.

    A limit of None means that none is in force. Each limit stands until a row names it
    again or lifts it. Where two rows begin on the same day the one entered later counts.
    """

    person: str
    from_day: date
    flexion_deg: float | None
    extension_deg: float | None
    entered_at: datetime
    who: str
    lifted: tuple[End, ...] = ()
    """Limits that this row lifted by name."""
    side: Side | None = None
    """The knee that this row was entered for; None: each."""


@dataclass(frozen=True, slots=True)
class MachineCard:
    """What was last noted about a machine; a new card replaces the older as a new row."""

    machine: str
    thigh_section_mm: float | None = None
    shank_section_mm: float | None = None
    check_every_days: int | None = None


@dataclass(frozen=True, slots=True)
class KeptMeasurement:
    """One kept measurement as lists and trends need it: no points, no camera.

    Parameters
    ----------
    id : str
        Its own identifier.
    taken_at : datetime
        When the photo was taken where that was given, else when it was kept; UTC.
    taken_at_given : bool
        Which of the two.
    saved_at : datetime
        When it was kept; UTC.
    who : str
        Who kept it.
    person, machine : str or None
        Codes.
    side, plane, flexion_deg, u_deg, low_deg, high_deg
        The knee, as measured, with the ends of its 95 % interval.
    displayed_deg, discrepancy_deg, discrepancy_u_deg, tolerance_deg, verdict, finding
        The comparison; None where no number was displayed.
    setup : SetUp
        How the machine was set.
    corrects : str or None
        The row that this one replaces.
    corrected_by : str or None
        The row that replaces this one; such a row no longer counts.
    withdrawn : bool
        Whether it was withdrawn; such a row no longer counts.
    has_photo : bool
        Whether the picture was kept.
    """

    id: str
    taken_at: datetime
    taken_at_given: bool
    saved_at: datetime
    who: str
    person: str | None
    machine: str | None
    side: Side
    plane: Plane
    flexion_deg: float
    u_deg: float
    low_deg: float
    high_deg: float
    displayed_deg: float | None
    discrepancy_deg: float | None
    discrepancy_u_deg: float | None
    tolerance_deg: float | None
    verdict: Verdict | None
    finding: FindingKind | None
    setup: SetUp
    corrects: str | None
    corrected_by: str | None
    withdrawn: bool
    has_photo: bool
    software: str

    @property
    def interval_deg(self) -> tuple[float, float]:
        """The knee's 95 % interval."""
        return self.low_deg, self.high_deg

    @property
    def counts(self) -> bool:
        """Whether it stands: neither corrected nor withdrawn."""
        return self.corrected_by is None and not self.withdrawn


@dataclass(frozen=True, slots=True)
class StoredMeasurement:
    """One measurement in full: everything that its angle was computed from.

    Parameters
    ----------
    row : KeptMeasurement
        Its row in lists.
    measurement : Measurement
        As measured; the photo's name is replaced by the start of its hash, because
        a file name can hold a person's.
    settings : Settings
        The site's settings at that time.
    photo_sha256 : str
        Hash of the photo's bytes, the seed of everything drawn at random.
    contract : dict
        The JSON result as it was handed on.
    """

    row: KeptMeasurement
    measurement: Measurement
    settings: Settings
    photo_sha256: str
    contract: dict[str, Any]


@dataclass(frozen=True, slots=True)
class KeptCheck:
    """One kept machine check as lists and charts need it.

    ``offset_deg`` and ``gain`` are of displayed against frame where the bars were seen
    in every photo (``against == "frame"``), else of displayed against knee; ``cov`` is
    (offset offset, offset gain, gain gain).
    """

    id: str
    taken_at: datetime
    saved_at: datetime
    who: str
    machine: str
    person: str | None
    photos: int
    against: Literal["frame", "knee"]
    offset_deg: float
    gain: float
    cov: tuple[float, float, float]
    range_deg: tuple[float, float]
    largest_deg: float
    largest_u_deg: float
    tolerance_deg: float
    verdict: Verdict
    finding: FindingKind
    corrects: str | None
    corrected_by: str | None
    withdrawn: bool
    software: str

    @property
    def counts(self) -> bool:
        """Whether it stands: neither corrected nor withdrawn."""
        return self.corrected_by is None and not self.withdrawn

    @property
    def at_one_place(self) -> bool:
        """Whether its settings are so close together that offset and gain cannot be told."""
        return settings_at_one_place(math.sqrt(self.cov[2]))


@dataclass(frozen=True, slots=True)
class StoredCheck:
    """One machine check in full: its result, its photos' outcomes, and their hashes."""

    row: KeptCheck
    result: Checked
    outcomes: dict[str, Outcome]
    settings: Settings
    photo_sha256: dict[str, str]


@dataclass(frozen=True, slots=True)
class PhotoToKeep:
    """One photo of a visit that is about to be kept.

    Parameters
    ----------
    name : str
        What the visit's answer calls it; it is not kept.
    measurement : Measurement
        Its own result.
    setup : SetUp
        How the machine was set; `setting` only where the setting was named.
    taken_at : datetime or None
        When it was taken, with its zone.
    picture : CropJpeg or None
        Only where keeping it was asked for.
    corrects : str or None
        The row of the same photo that this one replaces.
    """

    name: str
    measurement: Measurement
    setup: SetUp = SetUp()
    taken_at: datetime | None = None
    picture: CropJpeg | None = None
    corrects: str | None = None


@dataclass(frozen=True, slots=True)
class KeptKnee:
    """The knee at one setting of a kept visit, by all photos together.

    Parameters
    ----------
    setting : str
        The setting's number in the visit.
    measurements : tuple of str
        The rows of its photos.
    displayed_deg : float or None
        The machine's number.
    deg, u_deg, interval_deg
        The joint knee.
    adjusted : int
        How often the machine's sections had been moved by then.
    """

    setting: str
    measurements: tuple[str, ...]
    displayed_deg: float | None
    deg: float
    u_deg: float
    interval_deg: tuple[float, float]
    adjusted: int = 0


@dataclass(frozen=True, slots=True)
class KeptVisit:
    """The joint answer of a visit as lists and courses need it.

    Parameters
    ----------
    id : str
        Its own identifier, `SetUp.visit` of its photos' rows.
    knees : tuple of KeptKnee
        By setting, the straightest first.
    covariance : tuple of tuples
        Of those knees, degrees squared.
    arc_deg, arc_u_deg : float or None
        From the first setting to the last; None with one setting.
    standing, finding : str or None
        The worst limit's standing, and what was found of the machine.
    whole : bool
        Whether the row of every photo still stands: where one was taken back or corrected by
        itself, the joint answer no longer counts, and the other photos count each alone.
    """

    id: str
    taken_at: datetime
    saved_at: datetime
    who: str
    person: str | None
    machine: str | None
    side: Side
    knees: tuple[KeptKnee, ...]
    covariance: tuple[tuple[float, ...], ...]
    arc_deg: float | None
    arc_u_deg: float | None
    standing: Standing | None
    finding: FindingKind | None
    corrects: str | None
    corrected_by: str | None
    withdrawn: bool
    whole: bool
    software: str

    @property
    def counts(self) -> bool:
        """Whether it stands, and every photo's row with it."""
        return self.corrected_by is None and not self.withdrawn and self.whole

    @property
    def measurements(self) -> tuple[str, ...]:
        """The rows of its photos."""
        return tuple(row_id for knee in self.knees for row_id in knee.measurements)


@dataclass(frozen=True, slots=True)
class StoredVisit:
    """One visit in full: the JSON result as it was handed on, and what it was judged by."""

    row: KeptVisit
    contract: dict[str, Any]
    settings: Settings


@dataclass(frozen=True, slots=True)
class KeptTogether:
    """What `Store.save_visit` kept: the photos' rows, and the joint answer where there is one."""

    measurements: tuple[KeptMeasurement, ...]
    visit: KeptVisit | None


@dataclass(frozen=True, slots=True)
class Subject:
    """One person or machine in a list: code, how many rows stand, and the last time."""

    code: str
    rows: int
    last_at: datetime | None


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the audit trail: who did what, when, to which row."""

    at: datetime
    who: str
    what: str
    about: str


@dataclass(frozen=True, slots=True)
class Overview:
    """Where the store is and how much it holds."""

    url: str
    revision: str
    counts: dict[str, int]
