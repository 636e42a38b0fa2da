"""THE PIPELINE: one photo in, one answer out. Read this first.

    photo -> tags -> lens (or no picture as taken) -> landmarks -> side -> view of the plane
          -> knee angle ± u -> frame angle and hinge ± u -> comparison with the display
          -> finding: calibration or fit, by the photo as a visit of its own

`measure_photo` is the list of these steps, `judged_alone` the last. Everything that they
decide is decided in the module that they call.
"""

from __future__ import annotations

import hashlib
import os
import sys
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from knee_angle.angle import uncertainty, verdict
from knee_angle.angle.side import side_of
from knee_angle.errors import InvalidInput, KneeAngleError, UnreadablePhoto
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.choose import (
    choose_landmarks,
    found_landmarks,
    with_manual,
    without_direction,
)
from knee_angle.landmarks.dots.refusals import IF_EMPTY, may_be_empty
from knee_angle.landmarks.dots.unused import use_dots
from knee_angle.landmarks.doubts import with_doubts
from knee_angle.landmarks.empty_machine import look_at_empty
from knee_angle.landmarks.manual import UNBOUND, manual_landmarks, rater_of
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.landmarks.view import machine_of, scale_of, view_of, with_lens_in_doubt
from knee_angle.language import joined, say, without_stop
from knee_angle.machine import cause, cautions
from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.machine.refused import TWO_NUMBERS, counts_once
from knee_angle.machine.unjudged import cards_wrong, unjudged_of
from knee_angle.photo import boards
from knee_angle.photo.bars_alone import bars_alone
from knee_angle.photo.copies import copies_of
from knee_angle.photo.display.told import counted_deg, display_of, with_display
from knee_angle.photo.gate import lens_through
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.tags import Tag, find_tags
from knee_angle.records import (
    BarsAlone,
    BarTags,
    Landmarks,
    LegInView,
    Lens,
    Measurement,
    NotMeasured,
    Outcome,
    Side,
    Unreadable,
    View,
)
from knee_angle.records.displayed import checked
from knee_angle.settings import Settings
from knee_angle.visit import Shot, VisitPhoto, without_bars, without_guessed_bars

__all__ = [
    "DEBUG",
    "SeenPhoto",
    "Shot",
    "answer_of_photo",
    "answer_of_visit",
    "internal_fault",
    "judged_alone",
    "look",
    "measure",
    "measure_apart",
    "measure_photo",
    "safely",
]

Answer = TypeVar("Answer")

DEBUG = "KNEE_ANGLE_DEBUG"
"""Set in the environment, it has the details of an internal fault printed to stderr."""


def measure(
    photo: str | Path | bytes | Photo,
    *,
    displayed_deg: float | None = None,
    manual: Mapping[str, Any] | None = None,
    settings: Settings | None = None,
    detectors: Sequence[Detector] | None = None,
    name: str | None = None,
    limit_megapixels: float = 120.0,
    seen: SeenPhoto | None = None,
    on_measured: Callable[[Photo, Measurement], None] | None = None,
    judge: bool = True,
) -> Outcome:
    """One photo, from the file to the answer: commands, batch and page all come through here.

    Parameters
    ----------
    photo : path, bytes or Photo
        The photo; one that is already read is not read again.
    displayed_deg : float, optional
        The machine's number, degrees of flexion.
    manual, seen : optional
        Points placed by hand (see `landmarks.manual`), and what `look` saw in this photo.
    settings, detectors, name, limit_megapixels : optional
        The usual ones by default, detectors kept open once opened; the others as in `read_photo`.
    on_measured : callable, optional
        Handed photo and measurement while the photo is in memory, to draw them.
    judge : bool
        Whether the finding is wanted at once; else `judged_alone` gives it later.

    Returns
    -------
    Measurement, NotMeasured or Unreadable
        What is wrong with a photo is its result.

    Raises
    ------
    InvalidInput
        A displayed number or hand-placed point that cannot be.
    """
    given = settings or Settings()
    finders = shared_detectors() if detectors is None else detectors

    def steps() -> Measurement | NotMeasured:
        read = _as_photo(photo, name, limit_megapixels)
        display = display_of(read, given)
        shown = counted_deg(display, displayed_deg, given)
        outcome = measure_photo(
            read, detectors=finders, displayed_deg=shown, manual=manual, settings=given, seen=seen
        )
        outcome = with_display(_with_unbound(outcome, manual), display, displayed_deg, given)
        if judge and isinstance(outcome, Measurement) and outcome.displayed is not None:
            outcome = judged_alone(outcome)[0]
        if on_measured is not None and isinstance(outcome, Measurement):
            on_measured(read, outcome)
        return outcome

    return cause.with_display_alarms(safely(steps), displayed_deg, given)


def _as_photo(photo: str | Path | bytes | Photo, name: str | None, limit_mpx: float) -> Photo:
    """The photo; one that is already read is not read again."""
    if isinstance(photo, Photo):
        return photo
    return read_photo(photo, name=name, limit_megapixels=limit_mpx)


def _with_unbound(
    outcome: Measurement | NotMeasured, manual: Mapping[str, Any] | None
) -> Measurement | NotMeasured:
    """With a word where the points of a hand name no photo that they belong to."""
    named = not manual or manual.get("photo_sha256") is not None
    if named or isinstance(outcome, NotMeasured):
        return outcome
    return replace(outcome, cautions=(*outcome.cautions, UNBOUND))


def measure_apart(
    photos: Mapping[str, Path],
    displayed_deg: Mapping[str, float | None],
    *,
    settings: Settings,
    detectors: Sequence[Detector],
    empty: bool = False,
) -> dict[str, Outcome]:
    """Photos that must be different ones, as for a machine check; a copy is not measured.

    Parameters
    ----------
    photos : Mapping of name to path
        What each is called.
    displayed_deg : Mapping of name to float or None
        The machine's number in each, degrees of flexion.
    settings, detectors
        As in `measure`.
    empty : bool
        Whether there is no leg in the machine: its bars alone are looked at.

    Raises
    ------
    InvalidInput
        One picture with two displayed numbers.
    """
    order = sorted(photos, key=lambda name: displayed_deg.get(name) is None)
    copies = copies_of(photos, order=order)
    for name, first in copies.items():
        numbers = (displayed_deg.get(first), displayed_deg.get(name))
        if None not in numbers and numbers[0] != numbers[1]:
            raise InvalidInput(
                TWO_NUMBERS.format(first=first, name=name, one=numbers[0], other=numbers[1])
            )

    def one(path: Path, shown: float | None) -> Outcome:
        if not empty:
            return measure(
                path, displayed_deg=shown, settings=settings, detectors=detectors, judge=False
            )
        seen = safely(partial(look_at_empty, path, settings, displayed_deg=shown))
        return cause.with_display_alarms(seen, shown, settings)

    measured = {
        name: one(path, displayed_deg.get(name))
        for name, path in photos.items()
        if name not in copies
    }
    return measured | {name: counts_once(first) for name, first in copies.items()}


def safely(steps: Callable[[], Answer]) -> Answer | NotMeasured | Unreadable:
    """One photo's steps; whatever goes wrong with that photo becomes its result.

    Raises
    ------
    KneeAngleError
        What is the same for every photo: a value or model that the call cannot use.
    MemoryError
        The machine's memory is full: that is no fault of the photo.
    """
    try:
        return steps()
    except UnreadablePhoto as error:  # also damage that shows at full size only
        return Unreadable(error.reason)
    except (KneeAngleError, MemoryError):
        raise
    except Exception as error:  # noqa: BLE001  a mistake of ours costs one photo, not the rest
        return internal_fault(error)


def internal_fault(error: Exception) -> NotMeasured:
    """A mistake of ours as a photo's result; its details are for those who ask for them."""
    if os.environ.get(DEBUG):
        print("".join(traceback.format_exception(error)), end="", file=sys.stderr)
    if isinstance(error, MemoryError):
        return NotMeasured(
            say("the memory of this machine was full"),
            say("measure fewer photos at the same time"),
            fault=True,
        )
    return NotMeasured(
        say("this software has a fault that this photo shows ({name})", name=type(error).__name__),
        say("please report it; the environment variable {debug}=1 shows the details", debug=DEBUG),
        fault=True,
    )


@dataclass(frozen=True, slots=True)
class SeenPhoto:
    """What the detectors see in one photo: it stays while points are moved by hand.

    Parameters
    ----------
    tags : tuple of Tag
        Printed tags.
    landmarks : Landmarks or NotMeasured
        The automatic points.
    """

    tags: tuple[Tag, ...]
    landmarks: Landmarks | NotMeasured


def look(photo: Photo, *, detectors: Sequence[Detector]) -> SeenPhoto:
    """Look at a photo once, so that `measure_photo` can answer again and again at once."""
    tags = find_tags(photo)
    masked = tuple(tag.corners_px for tag in tags)
    return SeenPhoto(tags, found_landmarks(photo, detectors=detectors, masked=masked))


def measure_photo(
    photo: Photo,
    *,
    detectors: Sequence[Detector],
    settings: Settings,
    displayed_deg: float | None = None,
    manual: Mapping[str, Any] | None = None,
    seen: SeenPhoto | None = None,
) -> Measurement | NotMeasured:
    """The steps up to the finding, for a photo already read; parameters as in `measure`.

    ``seen`` is what `look` saw in this photo: tags and points are then not searched for
    again, and every automatic point that no hand replaced still counts.
    """
    started = time.perf_counter()
    displayed = None if displayed_deg is None else checked(displayed_deg)
    past = cause.display_alarms(displayed_deg, settings)
    tags = find_tags(photo) if seen is None else seen.tags
    lens = lens_through(photo, tags, tag_mm=settings.tag_mm)
    if isinstance(lens, NotMeasured):
        return replace(lens, alarms=past)
    landmarks = _landmarks(photo, tags, manual, detectors, seen, settings.use_dots)
    rng = np.random.default_rng(int(photo.sha256[:16], 16))
    if isinstance(landmarks, NotMeasured):
        alone = bars_alone(tags, lens, settings, displayed_deg=displayed_deg, rng=rng)
        return replace(_for_a_check(landmarks, alone), alarms=past)
    printed = boards.boards_of(tags, lens, landmarks, settings)
    view, bar_tags = view_of(photo, landmarks, lens, printed, detectors, settings)
    if (oblique := boards.too_oblique(printed, view)) is not None:
        return replace(oblique, alarms=past)
    as_seen = _in_view(landmarks, side_of(landmarks), lens, view, bar_tags, settings)
    doubted, doubts = with_doubts(photo, landmarks, as_seen, detectors)
    leg = with_lens_in_doubt(doubted, tags, landmarks, settings)
    knee, frame, lengths = uncertainty.photo_with_uncertainty(leg, trials=settings.trials, rng=rng)
    # Lengths count where the photo has a scale of its own.
    segments = lengths if scale_of(leg.view, landmarks, settings) else None
    judged = None
    if displayed is not None:
        judged = verdict.compare(displayed, knee, settings, provable=leg.provable)
    return Measurement(
        photo=photo.name, leg=leg, rater=rater_of(manual or {}),
        landmarks=landmarks,
        knee=knee,
        flat_deg=uncertainty.flat_flexion_deg(leg),
        machine=machine_of(landmarks, frame),
        displayed=displayed,
        comparison=judged,
        segments=segments,
        alarms=(*cause.alarms_of(knee, settings), *past),
        tags=tuple(tag.corners_px for tag in tags),
        cautions=(
            *cause.at_limits(knee, settings, camera_seen=leg.provable),
            *landmarks.cautions, *printed.cautions, *doubts,
            *cautions.of_view(knee.interval_deg[0], view, lens),
            *cautions.odd_lengths(segments, settings), *cautions.odd_bars(frame),
        ),
        seconds=time.perf_counter() - started,
        photo_sha256=photo.sha256,
        settings=settings,
    )  # fmt: skip


def judged_alone(result: Measurement) -> tuple[Measurement, VisitAnswer | NotMeasured]:
    """A photo with its finding, and the answer that decides it: one truth for every door.

    Parameters
    ----------
    result : Measurement
        The photo's own result, with the settings that it is judged by.
    """
    alone = answer_of_photo(result)
    if result.displayed is None:
        return replace(result, finding=None), alone
    found = cause.finding_of(
        None if result.machine is None else result.machine.frame,
        result.displayed,
        result.settings or Settings(),
        machine=alone.machine if isinstance(alone, VisitAnswer) else None,
        provable=result.leg.provable,
        unjudged=unjudged_of(result),
    )
    return replace(result, finding=found), alone


def _in_view(
    landmarks: Landmarks,
    side: Side,
    lens: Lens,
    view: View,
    bar_tags: BarTags | None,
    settings: Settings,
) -> LegInView:
    """The leg as the camera saw it, with what its ± comes from."""
    return LegInView(
        points=landmarks.points,
        side=side,
        lens=lens,
        view=view,
        placement_mm=settings.placed_mm,
        thigh_mm=settings.thigh_mm if scale_of(view, landmarks, settings) == "thigh" else None,
        bar_tags=bar_tags,
    )


def _landmarks(
    photo: Photo,
    tags: Sequence[Tag],
    manual: Mapping[str, Any] | None,
    detectors: Sequence[Detector],
    seen: SeenPhoto | None,
    dots_used: bool,
) -> Landmarks | NotMeasured:
    """The points that count, of hand and detectors, where they give thigh and shank a direction."""
    by_hand = None
    if manual is not None:
        by_hand = manual_landmarks(
            manual,
            width_px=photo.width,
            height_px=photo.height,
            photo_sha256=photo.sha256,
            photo=photo.name,
        )
    if seen is None:
        masked = tuple(tag.corners_px for tag in tags)
        found = choose_landmarks(
            photo, detectors=detectors, manual=by_hand, masked=masked, dots_used=dots_used
        )
    else:
        found = with_manual(use_dots(seen.landmarks) if dots_used else seen.landmarks, by_hand)
    if isinstance(found, NotMeasured):
        return found
    return without_direction(found) or found


def _for_a_check(refused: NotMeasured, bars: BarsAlone | None) -> NotMeasured:
    """No leg, but bars by their tags: the machine may be empty, and that is said."""
    if bars is None:
        return refused
    advice = refused.advice
    if not may_be_empty(refused):
        advice = joined(say("; or "), [without_stop(advice), IF_EMPTY])
    return replace(refused, advice=advice, bars=bars)


def answer_of_visit(
    shots: Sequence[tuple[Shot, Outcome]], settings: Settings, *, judge: bool = True
) -> VisitAnswer | NotMeasured:
    """All photos of one leg in one machine judged together; what was not measured is told.

    Parameters
    ----------
    shots : sequence of (Shot, Outcome)
        Each photo of the visit with its own result.
    settings, judge
        Tolerances, limits and the display's step; whether the machine is judged, too.
    """
    if shots and all(isinstance(one, Unreadable) for _, one in shots):
        return NotMeasured(
            say("no photo could be read"),
            say("correct the name or the file, as is said of each photo"),
        )
    measured = [(shot, one) for shot, one in shots if isinstance(one, Measurement)]
    photos = [_of_visit(shot, one) for shot, one in measured]
    hashes = "".join(sorted(one.photo_sha256 or one.photo for _, one in measured))
    seed = int(hashlib.sha256(hashes.encode()).hexdigest()[:16], 16)
    given, rng = [(shot.name, one) for shot, one in shots], np.random.default_rng(seed)
    return answer_visit(photos, settings, rng=rng, outcomes=given, judge=judge)


def _of_visit(shot: Shot, one: Measurement) -> VisitPhoto:
    """A photo for the joint estimate, without bars that cannot be as they look."""
    leg, frame = without_guessed_bars(one.leg), None if one.machine is None else one.machine.frame
    if cards_wrong(frame):
        leg, frame = without_bars(leg), None
    shown = shot.displayed_deg
    if shown is None and one.displayed is not None:
        shown = one.displayed.deg
    return VisitPhoto(
        shot.name, shot.place, leg, shown, adjusted=shot.adjusted, own=(one.knee, frame)
    )


def answer_of_photo(outcome: Measurement) -> VisitAnswer | NotMeasured:
    """A photo alone is a visit of one setting: commands and page say the same of it.

    Parameters
    ----------
    outcome : Measurement
        The photo's own result, with the settings that it is judged by.

    Returns
    -------
    VisitAnswer or NotMeasured
        The latter with its reason, as where its points are none of a leg in a machine; the
        knee still counts.
    """
    shown = None if outcome.displayed is None else outcome.displayed.deg
    alone = [(Shot(outcome.photo, "1", shown), outcome)]
    answer = safely(lambda: answer_of_visit(alone, outcome.settings or Settings()))
    if isinstance(answer, Unreadable):
        return NotMeasured(answer.reason, say("photograph again"))
    return answer
