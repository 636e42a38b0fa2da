"""What a followed film gives the joint estimate, or why it gives nothing."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry, scale
from knee_angle.angle.side import side_of
from knee_angle.assumptions import FOUND_ANEW, PRIOR_VIEW_DEG, U_FLOW_PX
from knee_angle.clip import said
from knee_angle.clip.following import FOLLOWED, Followed, Sample, looks_of
from knee_angle.clip.model import Seen
from knee_angle.clip.standing import Sights, lean_of, rows_of, sights_of
from knee_angle.clip.weighing import doubted_together, weighed_together
from knee_angle.photo import boards, camera
from knee_angle.photo.lens_seen import seen_through
from knee_angle.records import (
    LEG_POINTS,
    Landmark,
    Landmarks,
    LegInView,
    Lens,
    NotMeasured,
    Plane,
    PointName,
    Source,
)
from knee_angle.settings import Settings

__all__ = ["Gathered", "gathered"]

Floats = NDArray[np.float64]

LEAST_LOOKS = 3
STRIP_LOOKS = 8
"""So many looks, spread over the film, are asked whether the strip counts and for the lens."""
LEAST_SHARE = 0.5
"""Of the looks that see a leg so many must agree on a strip, a side, a source (our own)."""
ALIKE = {"dot": 0.5, "network": 0.25, "pose": 0.25, "manual": 0.5}
"""Share of a point's variance that all pictures have in common; of points found anew as in a
visit (`visit.sharing.FOUND_ALIKE`), of a dot its flank's (our own)."""
U_ALIKE = 0.7
"""Share of a typical picture's ± of the direction that no number of pictures averages away:
the same tags err alike from the same place (our own)."""
OTHER_LENS_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """What was seen, ready to be estimated.

    Parameters
    ----------
    seen : Seen
        For the estimate.
    samples : tuple of Sample
        The pictures that it is of.
    seconds : ndarray, shape (n,)
        Their times.
    plane : str
        Where the camera's direction comes from.
    source : str
        Who found the leg.
    cautions : tuple of str
        What to keep in mind.
    """

    seen: Seen
    samples: tuple[Sample, ...]
    seconds: Floats
    plane: Plane
    source: Source
    cautions: tuple[str, ...]


def gathered(followed: Followed, lens: Lens, settings: Settings) -> Gathered | NotMeasured:
    """Everything that counts of a film.

    Parameters
    ----------
    followed : Followed
        The film.
    lens : Lens
        Its camera, as stated.
    settings : Settings
        Sizes of dots and tags, placement of the marks.
    """
    looks = list(looks_of(followed.samples))
    if len(looks) < LEAST_LOOKS:
        return _too_few(looks, followed)
    source = _source_of(looks)
    looks = [one for one in looks if one[1].points["knee"].source == source]
    sides = Counter(side_of(found) for _, found in looks)
    side, count = sides.most_common(1)[0]
    if count < 0.75 * len(looks):
        return said.TWO_LEGS
    samples = followed.samples
    if source != "dot":
        samples = tuple(_with_points(one, found) for one, found in looks)
    weighed = [one.look.weighed for one, _ in looks if one.look is not None and one.look.weighed]
    doubted = doubted_together(weighed)
    names = LEG_POINTS if doubted else _names(samples)
    points = np.array([one.points_px for one in samples])[:, : len(names)]
    whole = ~np.isnan(points[:, :3]).any(axis=(1, 2))
    if whole.sum() < max(2 * LEAST_LOOKS, 0.3 * len(samples)):
        return _with_reasons(said.NO_LEG, followed)
    strip_lens, use_strip, cautions = _strip(looks, lens, settings)
    if isinstance(strip_lens, NotMeasured):
        return strip_lens
    sights = sights_of(
        samples, strip_lens, tag_mm=settings.tag_mm, hip_px=points[:, 0], use_strip=use_strip
    )
    plane: Plane = "tag" if use_strip else "estimated"
    if not use_strip and not _by_looks(sights, samples):
        plane = "image"
        _by_prior(sights)
    leg = _leg(looks, strip_lens, names, side, settings)
    u_px, alike = _finding(looks, names, points, source)
    placement_mm, tilt_deg, doubts = weighed_together(weighed, settings)
    if source != "dot":
        u_px[:, :3] = np.hypot(u_px[:, :3], _anew_px(leg, placement_mm))
        placement_mm = _lasting_mm(placement_mm)
    leg = replace(leg, placement_mm=placement_mm, doubted=doubted)
    u_common_deg = math.hypot(U_ALIKE * _usual_u_deg(sights), tilt_deg)
    by_leg = 0.0 if use_strip else _by_leg(looks, settings)
    seen = Seen(leg, points, u_px, alike, sights, use_strip, u_common_deg, by_leg)
    seconds = np.array([one.seconds for one in samples])
    doubts += (said.not_the_machines(doubted),) if doubted else ()
    told = (*doubts, *cautions, *_usual([found.cautions for _, found in looks]))
    return Gathered(seen, tuple(samples), seconds, plane, source, tuple(dict.fromkeys(told)))


def _too_few(looks: Sequence[tuple[Sample, Landmarks]], followed: Followed) -> NotMeasured:
    """Why so few looks saw a leg: they saw none, or there were no more."""
    if followed.stopped:
        return said.NOTHING
    if looks and len(looks) == len(followed.looks):
        return said.too_short(followed.samples[-1].seconds)
    return _with_reasons(said.NO_LEG, followed)


def _with_reasons(refusal: NotMeasured, followed: Followed) -> NotMeasured:
    """With what the detectors said most often."""
    said = Counter(
        look.landmarks.reason for look in followed.looks if isinstance(look.landmarks, NotMeasured)
    )
    if not said:
        return refusal
    return replace(refusal, reason=f"{refusal.reason}: {said.most_common(1)[0][0]}")


def _source_of(looks: Sequence[tuple[Sample, Landmarks]]) -> Source:
    """Dots, where a good part of the looks found them; else the network."""
    found = Counter(one.points["knee"].source for _, one in looks)
    if found["dot"] >= max(LEAST_LOOKS, 0.3 * len(looks)):
        return "dot"
    return max(found, key=lambda source: (found[source], source))


def _with_points(sample: Sample, found: Landmarks) -> Sample:
    points = np.full((len(FOLLOWED), 2), np.nan)
    for k, name in enumerate(LEG_POINTS):
        points[k] = found.points[name].x_px, found.points[name].y_px
    return replace(sample, points_px=points)


def _names(samples: Sequence[Sample]) -> tuple[PointName, ...]:
    """The leg's points, and the machine's where they were seen in a good part of the film."""
    points = np.array([one.points_px for one in samples])
    bars = ~np.isnan(points[:, 3:]).any(axis=(1, 2))
    return FOLLOWED if bars.sum() >= max(LEAST_LOOKS, 0.2 * len(samples)) else LEG_POINTS


def _strip(
    looks: Sequence[tuple[Sample, Landmarks]], lens: Lens, settings: Settings
) -> tuple[Lens | NotMeasured, bool, tuple[str, ...]]:
    """The lens as the strip shows it, whether the strip counts, and what is said of it."""
    told, counts, lenses, refused = [], 0, [], []
    tagged = [(sample, found) for sample, found in looks if rows_of(sample.tags) is not None]
    tagged = tagged[:: -(-len(tagged) // STRIP_LOOKS)] if tagged else tagged
    for sample, found in tagged:
        through = seen_through(sample.tags, lens, tag_mm=settings.tag_mm)
        if isinstance(through, NotMeasured):
            refused.append(through)
            continue
        lenses.append(through)
        printed = boards.boards_of(sample.tags, through, found, settings)
        told.append(printed.cautions)
        counts += printed.strip is not None
    if tagged and len(refused) > OTHER_LENS_SHARE * len(tagged):
        return refused[0], False, ()
    use = counts >= max(1.0, LEAST_SHARE * len(tagged))
    if not use:
        return lens, False, _usual(told)
    # The same strip errs alike in all pictures: the surest picture's word, not their mean's ±.
    middle = float(np.median([one.focal_px for one in lenses]))
    surest = min(one.u_relative for one in lenses)
    return replace(lens, focal_px=middle, u_relative=surest), True, _usual(told)


def _usual(told: Sequence[tuple[str, ...]]) -> tuple[str, ...]:
    """Cautions that a good part of the looks gave."""
    told = list(told)
    counted = Counter(one for each in told for one in dict.fromkeys(each))
    return tuple(one for one, count in counted.items() if count > LEAST_SHARE * len(told))


def _by_looks(sights: Sights, samples: Sequence[Sample]) -> bool:
    """Put in the direction as the network sees it at the looks; whether it saw any."""
    found = False
    for k, one in enumerate(samples):
        direction = None if one.look is None else one.look.direction
        if direction is None:
            continue
        found = True
        normal = np.array(direction.normal)
        sights.lean[k] = lean_of(normal, sights.ray[k], sights.across[k])
        aa, ab, bb = direction.tilt_cov_deg2
        scale_ = (1.0 + float(sights.lean[k] @ sights.lean[k])) ** 2
        sights.cov[k] = np.radians(1.0) ** 2 * scale_ * np.array([[aa, ab], [ab, bb]])
    return found


def _by_prior(sights: Sights) -> None:
    """Nothing shows the camera: one word for the whole film, that of people who photograph."""
    (yaw, u_yaw), (pitch, u_pitch) = PRIOR_VIEW_DEG["yaw"], PRIOR_VIEW_DEG["pitch"]
    middle = len(sights.ray) // 2
    normal = geometry.normal_from_view(yaw_deg=yaw, pitch_deg=pitch)
    sights.lean[middle] = lean_of(normal, sights.ray[middle], sights.across[middle])
    sights.cov[middle] = np.diag(np.radians([u_yaw, u_pitch]) ** 2)


def _usual_u_deg(sights: Sights) -> float:
    """± of the direction that a typical picture shows, degrees."""
    known = ~np.isnan(sights.lean[:, 0])
    variance = np.trace(sights.cov[known], axis1=1, axis2=2) / 2.0
    return float(np.degrees(np.sqrt(np.median(variance))))


def _leg(
    looks: Sequence[tuple[Sample, Landmarks]],
    lens: Lens,
    names: tuple[PointName, ...],
    side: str,
    settings: Settings,
) -> LegInView:
    """One picture's leg: for names, side, lens, placement, and the scale where no strip is."""
    found = next((one for _, one in looks if all(n in one.points for n in names)), looks[0][1])
    scales = [
        scale.mm_per_px(one, dot_mm=settings.dot_mm, thigh_mm=settings.thigh_mm) for _, one in looks
    ]
    mm_per_px, u = (float(np.median([one[k] for one in scales])) for k in (0, 1))
    far = mm_per_px * lens.focal_px
    view = camera.view_from_prior(knee_distance_mm=far, u_distance_mm=u * far)
    usual = Landmark.round(0.0, 0.0, u_px=1.0, source="dot")
    return LegInView(
        points={name: found.points.get(name, usual) for name in names},
        side="left" if side == "left" else "right",
        lens=lens,
        view=view,
        placement_mm=settings.placed_mm,
    )


def _by_leg(looks: Sequence[tuple[Sample, Landmarks]], settings: Settings) -> float:
    """Share of the leg's own size, beside that of the dots, in the scale of the looks."""
    given = {"dot_mm": settings.dot_mm, "thigh_mm": settings.thigh_mm}
    shares = [
        scale.mm_per_px(one, **given)[1] ** 2  # weighed by 1 / u^2
        / scale.mm_per_px(replace(one, diameter_px=None), **given)[1] ** 2
        for _, one in looks
    ]  # fmt: skip
    known = settings.dot_mm is not None and looks[0][1].diameter_px is not None
    return 0.0 if known else float(np.median(shares))


def _anew_px(leg: LegInView, placement_mm: Sequence[float]) -> Floats:
    """What of the placement of points found anew is each picture's own, px."""
    px_per_mm = leg.lens.focal_px / leg.view.knee_distance_mm
    return np.asarray(math.sqrt(1.0 - FOUND_ANEW) * px_per_mm * np.array(placement_mm))


def _lasting_mm(placement_mm: Sequence[float]) -> tuple[float, float, float]:
    """What of it all pictures have in common."""
    hip, knee, ankle = (math.sqrt(FOUND_ANEW) * one for one in placement_mm)
    return hip, knee, ankle


def _finding(
    looks: Sequence[tuple[Sample, Landmarks]],
    names: tuple[PointName, ...],
    points: Floats,
    source: Source,
) -> tuple[Floats, Floats]:
    """± of finding each point: a picture's own (n, k), and what is alike in all (k,)."""
    stated = np.array(
        [
            float(np.median([f.points[name].u_px for _, f in looks if name in f.points] or [2.0]))
            for name in names
        ]
    )
    share = ALIKE[source]
    own = np.hypot(math.sqrt(1.0 - share) * stated, U_FLOW_PX if source == "dot" else 0.0)
    return np.tile(own, (len(points), 1)), math.sqrt(share) * stated
