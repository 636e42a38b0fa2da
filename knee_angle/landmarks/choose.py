"""Which point counts: all detectors' answers become one set of landmarks, here only.

A point placed by hand stands above all. Below it the order is dot, network, pose.
A detector further down is asked only while hip, knee or ankle is still missing, and
the leg is never put together from two automatic detectors: they mark different
things (skin, joint centre), and a mixture would be neither.
"""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.landmarks.base import Detector
from knee_angle.photo import Photo
from knee_angle.records import LEG_POINTS, Landmarks, NotMeasured, Quad, Source

__all__ = ["ORDER", "choose_landmarks"]

ORDER: tuple[Source, ...] = ("dot", "network", "pose")
"""Automatic sources, best first."""

NOTHING_FOUND = NotMeasured(
    reason="hip, knee and ankle were not found",
    advice="stick dots on hip, knee and ankle, photograph the whole leg from its outer side, "
    "or place the points by hand",
)


def choose_landmarks(
    photo: Photo,
    *,
    detectors: Sequence[Detector],
    manual: Landmarks | None = None,
    masked: tuple[Quad, ...] = (),
) -> Landmarks | NotMeasured:
    """One set of landmarks from the detectors and the hand.

    Parameters
    ----------
    photo : Photo
        The upright photo.
    detectors : sequence of Detector
        Asked in the order of `ORDER`.
    manual : Landmarks, optional
        Points placed by hand; each replaces the automatic one of its name.
    masked : tuple of Quad
        Regions that are printed tags.

    Returns
    -------
    Landmarks or NotMeasured
        With hip, knee and ankle; else the refusals of all that were asked.
    """
    if manual is not None and manual.has(*LEG_POINTS):
        return manual
    refusals: list[NotMeasured] = []
    for source in ORDER:
        for detector in detectors:
            if detector.source != source:
                continue
            found = detector.find(photo, masked=masked)
            if isinstance(found, NotMeasured):
                refusals.append(found)
            else:
                return _with_manual(found, manual)
    return _refusal(refusals, manual)


def _with_manual(found: Landmarks, manual: Landmarks | None) -> Landmarks:
    if manual is None:
        return found
    return Landmarks(
        points={**found.points, **manual.points},
        side=manual.side or found.side,
        diameter_px=found.diameter_px,
        cautions=found.cautions,
    )


def _refusal(refusals: Sequence[NotMeasured], manual: Landmarks | None) -> NotMeasured:
    """What to tell the person when nobody found the leg."""
    if manual is not None and manual.points:
        missing = [name for name in LEG_POINTS if name not in manual.points]
        return NotMeasured(
            reason=f"{' and '.join(missing)} {'was' if len(missing) == 1 else 'were'} neither "
            "found nor placed by hand",
            advice="place hip, knee and ankle by hand",
        )
    if not refusals:
        return NOTHING_FOUND
    reasons = dict.fromkeys(refusal.reason.rstrip(".") for refusal in refusals)
    advice = dict.fromkeys(refusal.advice.rstrip(".") for refusal in refusals)
    return NotMeasured(reason="; ".join(reasons), advice="; or ".join(advice))
