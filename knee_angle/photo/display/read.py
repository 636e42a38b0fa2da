"""What a line says and how sure that is: several looks, from either end.

A line is read in the direction that the finder saw and from the other end; which of them stands
on its head the reader says itself (`line.TURNED`), so that a 69 that may be a 69 turned, or a
68 that may be an 89, shares its probability among them. What is read must stay when the line
is cut out a little differently: probabilities are means over those looks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.decode import texts_of
from knee_angle.photo.display.line import NOTHING, SEGMENT_NEIGHBOURS, TURNED, said
from knee_angle.photo.display.networks import Networks
from knee_angle.photo.display.rectify import LineBox, normalised, straightened
from knee_angle.records.shown import NumberSeen

__all__ = ["as_calibrated", "as_seen", "one_segment_apart", "read_lines", "read_texts"]

Rgb = NDArray[np.uint8]
Texts = dict[str, float]
LEAST = 0.35
"""A line is told of where its likeliest text is at least so probable."""


@dataclass(frozen=True, slots=True)
class _Look:
    """How a line is cut out once more: longer and higher by a share of a digit, and shifted."""

    longer: float = 0.0
    higher: float = 0.0
    shifted: tuple[float, float] = (0.0, 0.0)


LOOKS = (_Look(0.45, 0.0), _Look(0.1, -0.08, (0.03, 0.05)), _Look(0.0, 0.12, (-0.05, -0.04)))
"""Cut out anew: with room for a digit that was left out, smaller, and larger."""


def read_lines(picture: Rgb, boxes: Sequence[LineBox], networks: Networks) -> list[NumberSeen]:
    """The numbers that lines of a picture show; a line without one is left out."""
    seen = [
        as_seen(texts, box, networks.temperature)
        for box, texts in read_texts(picture, boxes, networks)
    ]
    return [number for number in seen if number is not None]


def read_texts(
    picture: Rgb, boxes: Sequence[LineBox], networks: Networks
) -> list[tuple[LineBox, Texts]]:
    """The likelier direction of each line, and what it says there with probabilities."""
    lines = []
    for box, (here, there) in zip(boxes, _both_ways(picture, boxes, networks), strict=True):
        up, turned = _share_up(here, there)
        texts = _mixed([(here, up), (there, turned)])
        lines.append((box if up >= turned else box.turned(), texts))
    again = [i for i, (_, texts) in enumerate(lines) if _promising(texts)]
    looks = [_moved(lines[i][0], look) for i in again for look in LOOKS]
    pairs = _both_ways(picture, looks, networks)
    for n, i in enumerate(again):
        box, texts = lines[i]
        every = [texts]
        for here, there in pairs[n * len(LOOKS) : (n + 1) * len(LOOKS)]:
            up, turned = _share_up(here, there)
            every.append(_mixed([(here, up), (there, turned)]))
        lines[i] = (box, _mixed([(each, 1 / len(every)) for each in every]))
    return lines


def _promising(texts: Texts) -> bool:
    """Whether a line is looked at again: its likeliest text has a number."""
    best = max(texts, key=lambda text: texts[text], default="")
    return said(best) is not None and texts[best] >= LEAST


def _both_ways(
    picture: Rgb, boxes: Sequence[LineBox], networks: Networks
) -> list[tuple[Texts, Texts]]:
    """What the reader says of each box, upright and turned."""
    if not boxes:
        return []
    crops = [straightened(picture, one) for box in boxes for one in (box, box.turned())]
    answers = networks.read(np.stack([normalised(crop, columns) for crop, columns in crops]))
    texts = [texts_of(answer) for answer in answers]
    return list(zip(texts[::2], texts[1::2], strict=True))


def _share_up(here: Texts, there: Texts) -> tuple[float, float]:
    """Probability that the line is upright as cut out, and that it is when turned."""
    as_is = (1 - here.get(TURNED, 0.0)) * (there.get(TURNED, 0.0) + 1e-6)
    other = (1 - there.get(TURNED, 0.0)) * (here.get(TURNED, 0.0) + 1e-6)
    whole = as_is + other
    if whole <= 0:
        return 0.5, 0.5
    return as_is / whole, other / whole


def _mixed(parts: Sequence[tuple[Texts, float]]) -> Texts:
    """Texts of several answers by their shares, each given that its line stands upright."""
    mixed: Texts = {}
    for texts, share in parts:
        upright = max(1 - texts.get(TURNED, 0.0), 1e-6)
        for text, p in texts.items():
            if TURNED not in text:
                mixed[text] = mixed.get(text, 0.0) + share * min(1.0, p / upright)
    return mixed


def _moved(box: LineBox, look: _Look) -> LineBox:
    """The box of another look."""
    c, u, v = (np.array(p) for p in (box.centre, box.along, box.down))
    along = u / np.linalg.norm(u)
    digit = box.digit_px
    c = c + look.shifted[0] * digit * along + look.shifted[1] * 2 * v
    u, v = u + along * digit * look.longer, v * (1 + look.higher)
    return LineBox(*((float(p[0]), float(p[1])) for p in (c, u, v)))


def one_segment_apart(one: str, other: str) -> bool:
    """Whether two texts differ in one digit that one segment turns into the other's.

    Examples
    --------
    >>> one_segment_apart("93°", "83°"), one_segment_apart("93", "33"), one_segment_apart("9", "4")
    (True, True, False)
    """
    if len(one) != len(other):
        return False
    apart = [(a, b) for a, b in zip(one, other, strict=True) if a != b]
    return len(apart) == 1 and apart[0][1] in SEGMENT_NEIGHBOURS.get(apart[0][0], "")


def as_calibrated(probability: float, temperature: float) -> float:
    """A probability with its odds raised to 1 / temperature."""
    p = min(max(probability, 1e-9), 1 - 1e-9)
    odds = (p / (1 - p)) ** (1 / temperature)
    return float(odds / (1 + odds))


def as_seen(texts: Mapping[str, float], box: LineBox, temperature: float) -> NumberSeen | None:
    """A line's number with its probability; None where it most likely is none.

    What the texts that say the same number have is added up. The probability of numbers one
    segment apart is taken off once more: a segment that does not light, or that a reflection
    lights, is the usual way in which a display is misread.
    """
    ways: dict[float | str | None, dict[str, float]] = {}
    for text, p in texts.items():
        what = said(text)
        key = NOTHING if what is None else text if what.number is None else what.number
        ways.setdefault(key, {})[text] = p
    ranked = sorted(ways.items(), key=lambda item: -sum(item[1].values()))
    if not ranked or ranked[0][0] == NOTHING or sum(ranked[0][1].values()) < LEAST:
        return None
    number, best = ranked[0]
    text = max(best, key=lambda way: best[way])
    what = said(text)
    close = sum(p for other, p in texts.items() if one_segment_apart(text, other))
    others = [max(w, key=lambda way: w[way]) for key, w in ranked[1:] if key != NOTHING]
    return NumberSeen(
        number=number if isinstance(number, float) else None,
        kind="other" if what is None else what.kind,
        text=text,
        probability=max(0.0, as_calibrated(sum(best.values()), temperature) - close),
        quad=box.quad,
        digit_px=box.digit_px,
        instead=others[0] if others else None,
    )
