"""Dots that are plainly there and not used: kept with their places, named in words, usable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.words import POINT_WORDS
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.colour import NEAR_PIGMENT2, SAME_PIGMENT2, colour_distance2
from knee_angle.landmarks.dots.quality import (
    CLEAN,
    STRONG_CHROMA,
    VOUCHED,
    pigment_prior,
    quality,
    vivid_colour,
)
from knee_angle.language import capital, joined, say, say_many
from knee_angle.records import (
    LEG_POINTS,
    MACHINE_POINTS,
    Landmark,
    Landmarks,
    NotMeasured,
    PointName,
    UnusedDot,
)

__all__ = [
    "OPTION",
    "alike_dots",
    "colour_word",
    "not_seen",
    "plain_set",
    "told",
    "usable_dots",
    "use_dots",
    "with_unused",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

SIZE_LIMIT = 0.7
"""Logarithm of size among dots of one set: half of it or twice it is another thing."""
MOST_DOTS = 12
"""Six dots and as many buttons; more of one kind are a pattern (our own)."""
LEAST_SET, CLEAR = 5, 1.0
"""Dots of a set; and how clear an outline black or white ones must have: screws, buttons and moles
are dark too (our own)."""
DARK_LIGHTNESS = 30.0
BLACK_CHROMA = 12.0
HUES = (
    (15.0, "magenta"), (50.0, "red"), (75.0, "orange"), (108.0, "yellow"), (165.0, "green"),
    (240.0, "cyan"), (300.0, "blue"), (328.0, "purple"), (361.0, "magenta"),
)  # fmt: skip
"""Up to which angle in CIE a*b*, degrees, a hue has this name (from the sRGB primaries)."""

OPTION = say(
    "give --use-dots where the dots that were not used are of this leg and machine: each then "
    "counts as what it most probably is"
)
"""For those without the page's button."""

COLOUR_WORDS = {
    f"{word}": word
    for word in (
        say("black"),
        say("white"),
        say("grey"),
        say("magenta"),
        say("red"),
        say("orange"),
        say("yellow"),
        say("green"),
        say("cyan"),
        say("blue"),
        say("purple"),
        say("dark magenta"),
        say("dark red"),
        say("dark orange"),
        say("dark yellow"),
        say("dark green"),
        say("dark cyan"),
        say("dark purple"),
    )
}
"""Every name that `colour_word` gives, as a sentence."""


def colour_word(lab: Floats) -> str:
    """A colour in CIE L*a*b*, as one says it: "dark magenta"."""
    chroma = float(np.hypot(lab[1], lab[2]))
    if chroma < BLACK_CHROMA:
        return "black" if lab[0] < 35.0 else "white" if lab[0] > 80.0 else "grey"
    turn = float(np.degrees(np.arctan2(lab[2], lab[1]))) % 360.0
    hue = next(name for most, name in HUES if turn < most)
    return f"dark {hue}" if lab[0] < DARK_LIGHTNESS and hue != "blue" else hue


def alike_dots(found: Candidates, members: Sequence[int], *, reach: float) -> Ints:
    """Dots of the same pigment and size as some known ones, and not these.

    Parameters
    ----------
    found : Candidates
    members : sequence of int
        Known dots.
    reach : float
        Farthest from the nearest known one, px.

    Returns
    -------
    ndarray of int
        Empty where the pigment is dull, or more are found than anybody sticks.
    """
    known = np.asarray(members, dtype=np.intp)
    lab, size = np.median(found.lab[known], axis=0), np.median(found.radius[known])
    gap = np.linalg.norm(found.xy[:, None] - found.xy[known][None], axis=2)
    alike = (colour_distance2(found.lab, lab) < NEAR_PIGMENT2) & (quality(found) > VOUCHED)
    alike &= np.abs(np.log(found.radius / size)) < SIZE_LIMIT
    alike &= (gap.min(axis=1) < reach) & (gap > found.radius[known]).all(axis=1)
    more = np.nonzero(alike)[0]
    strong = float(np.hypot(lab[1], lab[2])) > STRONG_CHROMA
    return more if strong and len(more) + len(known) <= MOST_DOTS else more[:0]


def plain_set(found: Candidates, *, least: float = CLEAN, sizes: float = SIZE_LIMIT / 2.0) -> Ints:
    """The largest set of plain dots of one pigment and one size, if there is any.

    For pictures in which no reading is a leg: five such discs (`LEAST_SET`) are a set that
    somebody stuck on, whatever they make together; buttons and screws are fewer or more.

    Parameters
    ----------
    found : Candidates
    least : float
        Quality from which a patch of a vivid colour is plain; black and white ones need
        `CLEAR`.
    sizes : float
        How far they differ in size at most, natural logarithm.
    """
    own = quality(found)
    dull = (own > max(CLEAR, least)) & (pigment_prior(found.lab) > -CLEAN)
    clean = np.nonzero(np.where(vivid_colour(found.lab), own > least, dull))[0]
    best = clean[:0]
    for one in clean:
        like = colour_distance2(found.lab[clean], found.lab[one]) < SAME_PIGMENT2
        like &= np.abs(np.log(found.radius[clean] / found.radius[one])) < sizes
        if like.sum() > len(best):
            best = clean[like]
    return best if LEAST_SET <= len(best) <= MOST_DOTS else best[:0]


def told(dots: Sequence[UnusedDot], why: str) -> str:
    """One sentence on dots that were seen and not used, and what to do."""
    colour = dots[0].colour
    places = ", ".join(f"({d.point.x_px:.0f}, {d.point.y_px:.0f})" for d in dots)
    return say_many(
        "{count} dot was seen and not used ({colour}, at {places} px). {why} Look at the "
        "picture; place by hand what is a dot of this leg or of the machine.",
        "{count} dots were seen and not used ({colour}, at {places} px). {why} Look at the "
        "picture; place by hand what is a dot of this leg or of the machine.",
        len(dots),
        colour=COLOUR_WORDS.get(colour, colour),
        places=places,
        why=capital(why),
    )


def not_seen(names: Sequence[PointName]) -> str:
    """What is said where a machine has dots, and not all of them were used."""
    points = joined(say(" and "), [POINT_WORDS[name] for name in names])
    return say_many(
        "The machine's {points} dot was not seen clearly and is not used: place it by hand, or "
        "photograph so that it is seen whole.",
        "The machine's {points} dots were not seen clearly and are not used: place them by hand, "
        "or photograph so that they are seen whole.",
        len(names),
        points=points,
    )


def with_unused(
    found: Landmarks | NotMeasured, dots: tuple[UnusedDot, ...], why: str
) -> Landmarks | NotMeasured:
    """An answer that keeps, and says, which dots were seen and not used."""
    if not dots:
        return found
    dots = tuple(replace(dot, why=why) for dot in dots)
    if isinstance(found, NotMeasured):
        return replace(found, reason=told(dots, why), unused_dots=dots)
    return replace(found, unused_dots=dots, cautions=(*found.cautions, told(dots, why)))


def usable_dots(found: Landmarks | NotMeasured) -> tuple[UnusedDot, ...]:
    """Dots that were seen and not used, and of which it is known what each most likely is."""
    named = tuple(dot for dot in found.unused_dots if dot.name is not None)
    return named if named and isinstance(use_dots(found), Landmarks) else ()


def use_dots(
    found: Landmarks | NotMeasured, names: Mapping[PointName, int] | None = None
) -> Landmarks | NotMeasured:
    """An answer with its unused dots in use, as a person confirms them.

    Parameters
    ----------
    found : Landmarks or NotMeasured
        With `unused_dots`.
    names : Mapping of point name to int, optional
        Which of them is what; by default what each most probably is.

    Returns
    -------
    Landmarks or NotMeasured
        Points of source "dot" in place of others of their names; ``NotMeasured``, as
        before, where hip, knee and ankle are not complete then.
    """
    dots = found.unused_dots
    if names is None:
        names = {dot.name: k for k, dot in enumerate(dots) if dot.name is not None}
    if not names:
        return found
    given: dict[PointName, Landmark] = {name: dots[k].point for name, k in names.items()}
    left = tuple(dot for k, dot in enumerate(dots) if k not in names.values())
    said: tuple[str, ...] = (_as_said({name: dots[k] for name, k in names.items()}),)
    said += (told(left, left[0].why),) if left else ()
    if isinstance(found, NotMeasured):
        if not set(LEG_POINTS) <= set(given):
            return found
        size = float(np.median([dots[k].diameter_px for k in names.values()]))
        return Landmarks(given, diameter_px=size, unused_dots=left, cautions=said)
    points = {**found.points, **given}
    lacking = [name for name in MACHINE_POINTS if name not in points]
    still = [not_seen(lacking)] if 0 < len(lacking) < len(MACHINE_POINTS) else []
    cautions = tuple(c for c in found.cautions if "not used" not in c)
    return replace(found, points=points, unused_dots=left, cautions=(*cautions, *said, *still))


def _as_said(dots: Mapping[PointName, UnusedDot]) -> str:
    """Which dots count because a person asked for it, and as what."""
    each = [
        say(
            "{point} ({colour})",
            point=POINT_WORDS[name],
            colour=COLOUR_WORDS.get(dot.colour, dot.colour),
        )
        for name, dot in dots.items()
    ]
    return say(
        "Dots used because that was asked for, each as what it most probably is: {names}. Look "
        "whether each lies right.",
        names=joined(", ", each),
    )
