"""Which point counts: all detectors' answers become one set of landmarks, here only.

A point placed by hand stands above all. Below it the order is dot, network, pose.
A detector further down is asked only while hip, knee or ankle is still missing, and
the leg is never put together from two automatic detectors: they mark different
things (skin, joint centre), and a mixture would be neither.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import zip_longest

from knee_angle.angle.words import POINT_WORDS, THE_POINT_WORDS
from knee_angle.assumptions import SHORTEST_IN_U
from knee_angle.landmarks.base import Detector, Witness, WitnessedDetector
from knee_angle.landmarks.dots.unused import OPTION, usable_dots, use_dots
from knee_angle.language import capital, joined, phrase, say, without_stop
from knee_angle.photo.reading import Photo
from knee_angle.records import LEG_POINTS, Landmarks, NotMeasured, PointName, Quad, Source

__all__ = [
    "ORDER",
    "choose_landmarks",
    "found_landmarks",
    "with_manual",
    "with_option_told",
    "without_direction",
]

ORDER: tuple[Source, ...] = ("dot", "network", "pose")
"""Automatic sources, best first."""

NOTHING_FOUND = NotMeasured(
    reason=say("hip, knee and ankle were not found"),
    advice=say(
        "stick dots on hip, knee and ankle, photograph the whole leg from its "
        "outer side, or place the points by hand"
    ),
)
LEG_ALONE = say("photograph the leg alone, whole, from its outer side in good light")
_ADVISED: dict[str | None, str] = {
    "no_leg": say(
        "photograph the leg from its outer side with hip, knee and ankle in the picture, in good "
        "light and nobody else close to it"
    ),
    "two_legs": say(
        "photograph one leg alone from its outer side, nobody else close to it, the other leg "
        "flat or covered"
    ),
}
"""What to do without dots, by what was seen without them."""


def choose_landmarks(
    photo: Photo,
    *,
    detectors: Sequence[Detector],
    manual: Landmarks | None = None,
    masked: tuple[Quad, ...] = (),
    dots_used: bool = False,
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
    dots_used : bool
        Whether dots that were seen and would not be used are, each as what it most probably is.

    Returns
    -------
    Landmarks or NotMeasured
        With hip, knee and ankle; else the refusals of all that were asked.
    """
    if manual is not None and manual.has(*LEG_POINTS):
        return manual
    found = found_landmarks(photo, detectors=detectors, masked=masked)
    return with_manual(use_dots(found) if dots_used else with_option_told(found), manual)


def found_landmarks(
    photo: Photo, *, detectors: Sequence[Detector], masked: tuple[Quad, ...] = ()
) -> Landmarks | NotMeasured:
    """What the best detector that sees a leg found; parameters as in `choose_landmarks`."""
    refusals: list[NotMeasured] = []
    asked = sorted(detectors, key=lambda detector: ORDER.index(detector.source))
    for detector, witness in zip_longest(asked, asked[1:]):
        if isinstance(witness, Witness) and isinstance(detector, WitnessedDetector):
            found = detector.find_with(photo, witness=witness, masked=masked)
        else:
            found = detector.find(photo, masked=masked)
        if not isinstance(found, NotMeasured):
            return _with_dots_told(found, refusals)
        refusals.append(found)
    return _refusal(refusals)


def with_option_told(found: Landmarks | NotMeasured) -> Landmarks | NotMeasured:
    """With the option that uses dots which were not used, where it can."""
    if not usable_dots(found):
        return found
    if isinstance(found, NotMeasured):
        return replace(found, advice=joined(say("; or "), [without_stop(found.advice), OPTION]))
    return replace(found, cautions=(*found.cautions, capital(OPTION)))


def with_manual(
    found: Landmarks | NotMeasured, manual: Landmarks | None
) -> Landmarks | NotMeasured:
    """Automatic points with those placed by hand in their stead.

    Parameters
    ----------
    found : Landmarks or NotMeasured
        What the detectors said.
    manual : Landmarks or None
        Points placed by hand.

    Returns
    -------
    Landmarks or NotMeasured
        With hip, knee and ankle; else why there is no leg.
    """
    if manual is None or not manual.points:
        return found
    if isinstance(found, NotMeasured):
        missing = [name for name in LEG_POINTS if name not in manual.points]
        return _missing(missing) if missing else manual
    return replace(
        found,
        points={**found.points, **manual.points},
        side=manual.side or found.side,
        cautions=(*found.cautions, *manual.cautions),
    )


def _with_dots_told(found: Landmarks, refusals: Sequence[NotMeasured]) -> Landmarks:
    """Landmarks of one detector, with the dots that another one saw and could not name."""
    for refusal in refusals:
        if refusal.unused_dots:
            return replace(
                found,
                unused_dots=refusal.unused_dots,
                cautions=(*found.cautions, refusal.reason),
            )
    return found


def _missing(names: Sequence[str]) -> NotMeasured:
    neither = say("{names} were neither found nor placed by hand")
    if len(names) == 1:
        neither = say("{names} was neither found nor placed by hand")
    return NotMeasured(
        reason=neither.format(
            names=joined(say(" and "), [THE_POINT_WORDS[name] for name in names])
        ),
        advice=say("place hip, knee and ankle by hand"),
    )


def _refusal(refusals: Sequence[NotMeasured]) -> NotMeasured:
    """What to tell the person when nobody found the leg."""
    if not refusals:
        return NOTHING_FOUND
    reasons = dict.fromkeys(without_stop(refusal.reason) for refusal in refusals)
    advice = dict.fromkeys(without_stop(refusal.advice) for refusal in refusals)
    of_dots = next((refusal for refusal in refusals if refusal.unused_dots), None)
    kinds = {refusal.kind for refusal in refusals}
    if kinds >= {"no_dots"} and kinds & _ADVISED.keys():
        # Each says to stick dots on; one word of it is enough.
        of_leg = _ADVISED["two_legs" if "two_legs" in kinds else "no_leg"]
        own = [one.advice for one in refusals if one.kind not in _ADVISED]
        advice = dict.fromkeys((of_leg, *map(phrase, own)))
    elif of_dots is not None and len(refusals) > 1:
        # Who stuck dots on is not told to stick dots on; what was seen may be none, too.
        advice = dict.fromkeys((without_stop(of_dots.advice), LEG_ALONE))
    return NotMeasured(
        joined("; ", reasons),
        joined(say("; or "), advice),
        unused_dots=() if of_dots is None else of_dots.unused_dots,
        kind="maybe_empty" if any(one.kind == "maybe_empty" for one in refusals) else None,
    )


def without_direction(landmarks: Landmarks) -> NotMeasured | None:
    """A thigh or shank so short against the ± of its ends that it has no direction."""
    bones: tuple[tuple[PointName, PointName], ...] = (("hip", "knee"), ("knee", "ankle"))
    for one, other in bones:
        a, b = landmarks.points[one], landmarks.points[other]
        apart = math.dist((a.x_px, a.y_px), (b.x_px, b.y_px))
        if apart < SHORTEST_IN_U * math.hypot(a.u_px, b.u_px):
            return NotMeasured(
                say(
                    "{one} and {other} lie {apart:.0f} px apart, too close to give a direction",
                    one=POINT_WORDS[one],
                    other=POINT_WORDS[other],
                    apart=apart,
                ),
                say(
                    "place {one} and {other} by hand where they belong, or go closer",
                    one=THE_POINT_WORDS[one],
                    other=THE_POINT_WORDS[other],
                ),
            )
    return None
