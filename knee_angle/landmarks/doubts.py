"""Dots and strip against what the leg network sees in the same photo.

A dot on the wrong place and a strip stuck out of parallel look like good ones: nothing in
them tells. The network's points, and the direction by it and by the outlines of the machine's
dots (`facing`), are coarser, but they know nothing of where dots and strip should sit. So both
are weighed: how probable is it, with the difference seen, that the dot (the strip) is one of
the few that sit wrongly? A strip's direction is drawn to what the picture shows by as much, and
what is left is added to the ±; a dot that may well be wrong is named, and its ± then reaches
the far side of its other place.

With S the covariance of a well-placed one against the network and M that of a misplaced one
beside it, a difference d speaks for misplaced with odds P N(d; 0, S + M) : (1 - P) N(d; 0, S),
and what is misplaced then is m = M (S + M)^-1 d, with covariance M - M (S + M)^-1 M.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle import geometry
from knee_angle.angle.words import POINT_WORDS
from knee_angle.assumptions import (
    COVERAGE,
    MISFIT_U,
    MOST_APART_CHI2,
    MOST_MISFIT_MM,
    P_MISPLACED,
    P_MISPLACED_SAID,
    P_SLANTED,
    P_SLANTED_SAID,
    U_BESIDE_MM,
    U_FACES_DEG,
    U_MISPLACED_MM,
    U_SLANTED_DEG,
)
from knee_angle.landmarks.base import Detector, DirectionDetector, Witness
from knee_angle.landmarks.facing import by_outlines, faces_seen, seen_through
from knee_angle.language import capital, say
from knee_angle.photo.as_taken import ADVICE, as_taken
from knee_angle.photo.lens_seen import perhaps_a_part
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Direction,
    Landmarks,
    LegInView,
    PointName,
    View,
)

__all__ = ["MAYBE_MIRRORED", "Odds", "misplaced", "slanted", "with_doubts"]

Floats = NDArray[np.float64]

DOT_ELSEWHERE = say(
    "The {point} dot lies {apart_mm:.0f} mm from where the leg network sees the {point}: feel "
    "for the bony point again. Until then the ± is wide."
)
MACHINE_DOT_ELSEWHERE = say(
    "What was taken for the machine's {point} dot lies {apart_mm:.0f} mm from where the leg "
    "network sees it, so the machine's dots prove nothing: look whether it is a dot."
)
STRIP_SLANTED = say(
    "The strip's plane and the leg as the picture shows it are {apart_deg:.0f}° apart: "
    "check that the strip is stuck parallel to the machine's bars. The ± "
    "allows for it."
)
OTHER_LENS = say(
    "The printed tags are seen better through another lens than through the stated one: the "
    "picture may be cropped or zoomed, and the ± allows for it. Use the photo as the camera saved "
    "it."
)
CONTRADICTED = say(
    "The strip's plane and the leg as the picture shows it are {apart_deg:.0f}° apart and cannot "
    "both be right: the picture may be cropped, or the strip is not on this machine, so nothing "
    "counts as proven. {advice}"
)
MAYBE_MIRRORED = say(
    "The photo was taken with the front camera, whose pictures some phones mirror: then left and "
    "right are exchanged. Check the side, or photograph with the camera at the back."
)


@dataclass(frozen=True, slots=True)
class Odds:
    """How probably something sits wrongly, and by how much if it does.

    Parameters
    ----------
    p : float
        Probability.
    mean : ndarray, shape (2,)
        By how much, if so.
    cov : ndarray, shape (2, 2)
        Its covariance.
    apart2 : float
        How far the difference is from what either explains: chi-squared, 2 degrees of freedom.
    """

    p: float
    mean: Floats
    cov: Floats
    apart2: float

    @property
    def added(self) -> Floats:
        """Mean square error that this leaves, shape (2, 2)."""
        return self.p * (self.cov + np.outer(self.mean, self.mean))


def misplaced(away: Floats, cov: Floats, *, prior: float, u: float) -> Odds:
    """Weigh a difference ``away`` (2,), whose covariance is ``cov`` where nothing is wrong.

    Parameters
    ----------
    away, cov : ndarray, shapes (2,) and (2, 2)
        The difference and its covariance.
    prior : float
        Share of those that sit wrongly.
    u : float
        By how much they do, per coordinate, in the unit of ``away``.
    """
    wide = cov + u**2 * np.eye(2)
    gain = u**2 * np.linalg.inv(wide)
    log_odds = math.log(prior / (1.0 - prior))
    log_odds += 0.5 * float(away @ np.linalg.solve(cov, away) - away @ np.linalg.solve(wide, away))
    log_odds -= 0.5 * math.log(np.linalg.det(wide) / np.linalg.det(cov))
    p = 1.0 / (1.0 + math.exp(-max(-50.0, min(50.0, log_odds))))
    apart2 = float(away @ np.linalg.solve(wide, away))
    return Odds(p, gain @ away, u**2 * (np.eye(2) - gain), apart2)


def slanted(view: View, seen: Direction) -> Odds:
    """How probably the tags' plane is not the leg's, by the direction seen; degrees."""
    right, down = geometry.plane_axes(np.array(view.normal))
    other = np.array(seen.normal)
    away = np.degrees(np.array([right @ other, down @ other]))
    cov = _matrix(seen.tilt_cov_deg2) + _matrix(view.tilt_cov_deg2)
    cov += _matrix(view.leg_turn_cov_deg2)
    return misplaced(away, cov, prior=P_SLANTED, u=U_SLANTED_DEG)


def with_doubts(
    photo: Photo, landmarks: Landmarks, leg: LegInView, detectors: Sequence[Detector]
) -> tuple[LegInView, tuple[str, ...]]:
    """The leg with ± that allow for a misplaced dot or strip, and what is said of them.

    What the picture itself leaves open (`as_taken`) is said first, then strip, dots of the leg,
    and of the machine: where one of these cannot be the machine's, its points are left out.
    """
    dots = [name for name, point in landmarks.points.items() if point.source == "dot"]
    dotted = [name for name in LEG_POINTS if name in dots]
    taken = as_taken(photo)
    cautions = [*taken.cautions]
    if leg.lens.u_centre > 0.0 == taken.u_centre:
        cautions.append(OTHER_LENS)
    if photo.told.front and leg.view.plane != "tag":  # of tags one sees which way round they are
        cautions.append(MAYBE_MIRRORED)
    for detector in detectors:
        if leg.view.plane == "tag" and isinstance(detector, DirectionDetector):
            leg, said = _strip_weighed(photo, landmarks, leg, detector)
            cautions += said
        if dots and detector.source == "network" and isinstance(detector, Witness):
            near = detector.near(photo, landmarks)
            leg, said = _dots_weighed(leg, dotted, near)
            cautions += said
            if near is not None:
                leg, said = _machine_weighed(leg, near)
                cautions += said
    return leg, tuple(cautions)


def _strip_weighed(
    photo: Photo, landmarks: Landmarks, leg: LegInView, detector: DirectionDetector
) -> tuple[LegInView, list[str]]:
    """The direction by strip and picture, each as far as it is probably right.

    Where the network alone sees it the ± grows and the direction stays the strip's: the network
    is far off more often than strips are.
    """
    network = detector.direction(photo, landmarks)
    if network is None:
        return leg, []
    found = faces_seen(photo, landmarks, leg.lens)
    network = seen_through(network, photo, landmarks, leg.lens)
    seen = by_outlines(network, found, leg.lens, u_faces_deg=U_FACES_DEG)
    odds = slanted(leg.view, seen)
    normal, added = np.array(leg.view.normal), odds.added
    if found:
        normal = geometry.tilt_normal(normal, odds.p * odds.mean)
        added = added - np.outer(odds.p * odds.mean, odds.p * odds.mean)
    x, y, z = normal.tolist()
    aa, ab, bb = leg.view.tilt_cov_deg2
    (add_aa, add_ab), (_, add_bb) = added.tolist()
    cov = (aa + add_aa, ab + add_ab, bb + add_bb)
    view = replace(leg.view, normal=(x, y, z), tilt_cov_deg2=cov)
    apart = float(geometry.tilt_between_deg(np.array(leg.view.normal), np.array(seen.normal)))
    if odds.apart2 > MOST_APART_CHI2:
        lens = leg.lens if leg.lens.u_centre > 0.0 else perhaps_a_part(leg.lens)
        both = CONTRADICTED.format(apart_deg=apart, advice=capital(ADVICE))
        return replace(leg, view=view, lens=replace(lens, trusted=False)), [both]
    said = [STRIP_SLANTED.format(apart_deg=apart)] if odds.p > P_SLANTED_SAID else []
    return replace(leg, view=view), said


def _dots_weighed(
    leg: LegInView, names: Sequence[PointName], seen: Landmarks | None
) -> tuple[LegInView, list[str]]:
    if seen is None or not seen.has(*LEG_POINTS):
        return leg, []
    mm_per_px = leg.view.knee_distance_mm / leg.lens.focal_px
    placement: dict[str, float] = dict(zip(LEG_POINTS, leg.placement_mm, strict=True))
    said = []
    for name in names:
        dot, skin = leg.points[name], seen.points[name]
        away = np.array([dot.x_px - skin.x_px, dot.y_px - skin.y_px]) * mm_per_px
        beside2 = U_BESIDE_MM**2 + placement[name] ** 2
        cov = _matrix(skin.cov_px2) * mm_per_px**2 + beside2 * np.eye(2)
        odds = misplaced(away, cov, prior=P_MISPLACED, u=U_MISPLACED_MM)
        if odds.p > P_MISPLACED_SAID:
            # Either of two places: the ± reaches from the one to the far side of the other.
            spread_mm = math.sqrt(float(np.trace(odds.cov)) / 2.0)
            reach_mm = float(np.linalg.norm(odds.mean)) + COVERAGE * spread_mm
            placement[name] = math.hypot(placement[name], reach_mm / COVERAGE)
            said.append(
                DOT_ELSEWHERE.format(point=POINT_WORDS[name], apart_mm=float(np.linalg.norm(away)))
            )
    return replace(leg, placement_mm=_three(placement)), said


def _machine_weighed(leg: LegInView, seen: Landmarks) -> tuple[LegInView, list[str]]:
    """The leg without the machine's points where a dot among them cannot be the machine's.

    One patch in a hidden dot's place would turn the bars by 10 to 20 degrees, and accuse a right
    display with a ± of one.
    """
    mm_per_px = leg.view.knee_distance_mm / leg.lens.focal_px
    said: list[str] = []
    doubted: list[PointName] = []
    for name in MACHINE_POINTS:
        dot, there = leg.points.get(name), seen.points.get(name)
        if dot is None or there is None or dot.source != "dot":
            continue
        apart_mm = math.hypot(dot.x_px - there.x_px, dot.y_px - there.y_px) * mm_per_px
        if apart_mm > MOST_MISFIT_MM + MISFIT_U * there.u_px * mm_per_px:
            doubted.append(name)
            said.append(MACHINE_DOT_ELSEWHERE.format(point=POINT_WORDS[name], apart_mm=apart_mm))
    if not said:
        return leg, []
    kept = {name: point for name, point in leg.points.items() if name not in MACHINE_POINTS}
    return replace(leg, points=kept, doubted=tuple(doubted)), said


def _three(of: Mapping[str, float]) -> tuple[float, float, float]:
    hip, knee, ankle = (of[name] for name in LEG_POINTS)
    return hip, knee, ankle


def _matrix(cov: tuple[float, float, float]) -> Floats:
    return np.array([[cov[0], cov[1]], [cov[1], cov[2]]])
