"""What a line says and how sure that is: several looks, from either end.

A line is read in the direction that was seen and, where that is not certain, from the other end.
How it stands the reader says itself (`line.STATES`), so that a 69 that may be a 69 turned, or a 68
that may be an 89, shares its probability among them. What is read must stay when the line is cut
out a little differently: probabilities are means over those looks.

Photos mostly stand upright, and so do displays in them (`PHOTO_UPRIGHT`): of two directions that
chooses the likelier, but the probability that is told is the one without it, so that it never
makes an unclear reading clear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.decode import texts_of
from knee_angle.photo.display.find import FoundLine
from knee_angle.photo.display.line import NOTHING, SEGMENT_NEIGHBOURS, said
from knee_angle.photo.display.networks import Networks, Weighing
from knee_angle.photo.display.rectify import LineBox, normalised, straightened
from knee_angle.records.shown import NumberSeen

__all__ = ["LineRead", "as_seen", "one_sign_apart", "read_lines", "read_texts", "weighed"]

Rgb = NDArray[np.uint8]
Texts = dict[str, float]
LEAST = 0.35
"""A line is told of where its likeliest number is at least so probable, if it shows one..."""
LEAST_LINE = 0.15
"""... and where it shows one at all with at least this; print looks much like a display."""
PHOTO_UPRIGHT = 9.0
"""Odds that a level line stands upright in the photo, before anything is seen of it (our own)."""
LEAST_TOLD = 0.1
"""A number less likely than this, all in all, is none: bolts and knobs look like a 0."""
AGAIN = 0.3
"""A line that shows a number with this probability, at a first look, is looked at again..."""
MOST_AGAIN = 2
"""... if it is among so many, the likeliest first."""
CLEAR_ODDS = 5.0
"""Logarithm of the odds of a direction from which the other one is not read."""


@dataclass(frozen=True, slots=True)
class LineRead:
    """What a line says.

    Parameters
    ----------
    box : LineBox
        The line in its likelier reading direction.
    texts : dict of str to float
        The likeliest texts and their probabilities; `line.NOTHING` for none.
    unaided : dict of str to float
        The same without `PHOTO_UPRIGHT`.
    odds : float
        Logarithm of the odds that a display is there, by finder and fitter, who see what stands
        around it: print is told from a display by that.
    """

    box: LineBox
    texts: Texts
    unaided: Texts
    odds: float


@dataclass(frozen=True, slots=True)
class _Look:
    """How a line is cut out once more: longer and higher by a share of a digit, and shifted."""

    longer: float = 0.0
    higher: float = 0.0
    shifted: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class _Seen:
    """One look: what it says were it upright, the odds of that, and the chance of no number."""

    columns: NDArray[np.float64]
    up: float
    nothing: float


LOOKS = (_Look(0.45, 0.0), _Look(0.1, -0.08, (0.03, 0.05)), _Look(0.0, 0.12, (-0.05, -0.04)))
"""Cut out anew: with room for a digit that was left out, smaller, and larger."""


def read_lines(picture: Rgb, lines: Sequence[FoundLine], networks: Networks) -> list[NumberSeen]:
    """The numbers that lines of a picture show; a line without one is left out."""
    seen = [as_seen(one, networks.weighing) for one in read_texts(picture, lines, networks)]
    return [number for number in seen if number is not None]


def read_texts(picture: Rgb, lines: Sequence[FoundLine], networks: Networks) -> list[LineRead]:
    """What each line says in its likelier direction, with probabilities."""
    first = _seen(picture, [line.box for line in lines], networks)
    asked: list[LineBox] = []
    plans: list[tuple[LineBox, bool, slice, slice]] = []
    chances = [line.there * (1 - one.nothing) for line, one in zip(lines, first, strict=True)]
    again = _looked_at_again(lines, chances)
    for k, (line, one) in enumerate(zip(lines, first, strict=True)):
        odds = one.up + _upright_odds(line.box)
        box, up = (line.box, one.up) if odds >= 0 else (line.box.turned(), -one.up)
        looks = [_moved(box, look) for look in LOOKS] if k in again else []
        other: list[LineBox] = []
        if odds < 0 and chances[k] >= AGAIN:  # what was read was read on its head
            looks.insert(0, box)
        elif looks and up < CLEAR_ODDS:
            other = [box.turned()]
        start, middle = len(asked), len(asked) + len(looks)
        asked += looks + other
        plans.append((box, odds >= 0, slice(start, middle), slice(middle, len(asked))))
    more = _seen(picture, asked, networks)
    read = []
    for line, one, (box, as_found, here, there) in zip(lines, first, plans, strict=True):
        ahead = [one, *more[here]] if as_found else more[here]
        back = more[there] if as_found else [one, *more[there]]
        read.append(_mixed(box, ahead, back, line))
    return read


def _looked_at_again(lines: Sequence[FoundLine], chances: Sequence[float]) -> list[int]:
    """The likeliest lines of those that may show a number, by all that is known of them."""
    likely = [k for k, chance in enumerate(chances) if chance >= AGAIN]

    def odds(k: int) -> float:
        chance = min(chances[k], 1 - 1e-6)
        return lines[k].odds + log(chance / (1 - chance))

    return sorted(likely, key=odds, reverse=True)[:MOST_AGAIN]


def _mixed(
    box: LineBox, main: Sequence[_Seen], other: Sequence[_Seen], line: FoundLine
) -> LineRead:
    """All looks at a line, each by the share of its direction."""
    looks = main or other
    up = float(np.mean([one.up for one in main] + [-one.up for one in other]))
    number = line.there * float(np.mean([1 - one.nothing for one in looks]))
    if number < LEAST_LINE:
        return LineRead(box, {NOTHING: 1 - number}, {NOTHING: 1 - number}, line.odds)
    every = [[texts_of(one.columns) for one in side] for side in (main, other)]

    def shared(odds: float) -> Texts:
        chance = 1 / (1 + exp(-min(max(odds, -60.0), 60.0)))
        texts: Texts = {NOTHING: 1 - number}
        for side, share in zip(every, (chance, 1 - chance), strict=True):
            for one in side:
                for text, p in one.items():
                    texts[text] = texts.get(text, 0.0) + number * share * p / len(side)
        return texts

    return LineRead(box, shared(up + _upright_odds(box)), shared(up), line.odds)


def _upright_odds(box: LineBox) -> float:
    """Logarithm of the odds that a line stands upright, by how it lies in the photo."""
    return log(PHOTO_UPRIGHT) * box.along[0] / max(float(np.hypot(*box.along)), 1e-9)


def _seen(picture: Rgb, boxes: Sequence[LineBox], networks: Networks) -> list[_Seen]:
    """What the reader says of each box as it is cut out."""
    if not boxes:
        return []
    crops = [straightened(picture, box) for box in boxes]
    columns, states = networks.read(np.stack([normalised(crop, n) for crop, n in crops]))
    return [
        _Seen(one, float(up - turned), exp(nothing))
        for one, (up, turned, nothing) in zip(columns, states, strict=True)
    ]


def _moved(box: LineBox, look: _Look) -> LineBox:
    """The box of another look."""
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    along = u / np.linalg.norm(u)
    digit = box.digit_px
    c = c + look.shifted[0] * digit * along + look.shifted[1] * 2 * v
    u, v = u + along * digit * look.longer, v * (1 + look.higher)
    return LineBox(*((float(p[0]), float(p[1])) for p in (c, u, v)))


def one_sign_apart(one: str, other: str) -> bool:
    """Whether two texts differ in one digit that one segment turns into the other's, or in a point.

    Examples
    --------
    >>> one_sign_apart("93°", "83°"), one_sign_apart("93", "33"), one_sign_apart("9", "4")
    (True, True, False)
    >>> one_sign_apart("9.3", "93")
    True
    """
    if len(one) != len(other):
        return one.replace(".", "") == other.replace(".", "")
    apart = [(a, b) for a, b in zip(one, other, strict=True) if a != b]
    return len(apart) == 1 and apart[0][1] in SEGMENT_NEIGHBOURS.get(apart[0][0], "")


def weighed(probability: float, odds: float, weighing: Weighing) -> float:
    """The probability of a text and the odds of its place as one probability."""
    p = min(max(probability, 1e-6), 1 - 1e-6)
    both = weighing.text * log(p / (1 - p)) + weighing.place * odds + weighing.offset
    return 1 / (1 + exp(-min(max(both, -60.0), 60.0)))


def as_seen(line: LineRead, weighing: Weighing) -> NumberSeen | None:
    """A line's number with its probability; None where it most likely is none.

    What the texts that say the same number have is added up. The probability of numbers one
    segment or one decimal point apart is taken off once more: a segment that does not light, or
    that a reflection lights, is the usual way in which a display is misread.
    """
    ways: dict[float | str | None, dict[str, float]] = {}
    for text, p in line.texts.items():
        if text == NOTHING:
            continue
        what = said(text)
        key = NOTHING if what is None else text if what.number is None else what.number
        ways.setdefault(key, {})[text] = p
    ranked = sorted(ways.items(), key=lambda item: -sum(item[1].values()))
    if not ranked or ranked[0][0] == NOTHING:
        return None
    shows = 1 - line.texts.get(NOTHING, 0.0)
    if shows < LEAST_LINE or sum(ranked[0][1].values()) < LEAST * shows:
        return None
    number, best = ranked[0]
    text = max(best, key=lambda way: best[way])
    what = said(text)
    close = sum(p for other, p in line.unaided.items() if one_sign_apart(text, other))
    unaided = sum(line.unaided.get(way, 0.0) for way in best)
    probability = weighed(unaided, line.odds, weighing) - close
    if probability < LEAST_TOLD:
        return None
    others = [max(w, key=lambda way: w[way]) for key, w in ranked[1:] if key != NOTHING]
    return NumberSeen(
        number=number if isinstance(number, float) else None,
        kind="other" if what is None else what.kind,
        text=text,
        probability=probability,
        quad=line.box.quad,
        digit_px=line.box.digit_px,
        instead=others[0] if others else None,
    )
