"""Sets of patches of one pigment about where a witness sees the leg's and the machine's points.

Weighed all six together in `together`. Dots that glare, are half hidden or lie in a shadow are
looked for by the pigment of the others; what has neither its outline nor its colour is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from knee_angle.landmarks.dots.candidates import (
    Candidates,
    company_of,
    examine,
    half_length,
    square_on,
)
from knee_angle.landmarks.dots.colour import (
    CLOSE_PIGMENT2,
    NEAR_PIGMENT2,
    SAME_PIGMENT2,
    Box,
    colour_distance2,
    spots_of_colour,
)
from knee_angle.landmarks.dots.expected import LIMIT2, Expected
from knee_angle.landmarks.dots.glare import without_glare
from knee_angle.landmarks.dots.picture import Picture, inside
from knee_angle.landmarks.dots.quality import (
    CLEAN,
    LEAST_PIGMENT,
    pigment_prior,
    quality,
    vivid_colour,
)

__all__ = [
    "BLURRED",
    "FEWEST_CLEAN",
    "LEAST_DOTS",
    "may_be_sets",
    "pigment_of",
    "plain_in",
    "plain_of",
    "sets_of",
    "tail",
    "unlike",
    "usual_radius",
    "wrong_size",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

NEAR2 = 25.0
"""A patch this far (squared ±) from a point that a witness sees tells nothing of a pigment."""
SIZE_RATIO = 4.0
"""Nearest against farthest dot of a leg seen obliquely from close by: 11.8 against 3.4 px in a
rendered photo (our own)."""
MOST_PIGMENTS, LEAST_SEEDS = 3, 2
LEAST_DOTS, MOST_DOTS = 5, 12
"""Six dots and as many buttons (as in `unused`); of a pattern the most telling ones."""
POOR_COUNTS = 0.25
"""By how many whole outlines fewer a patch without one makes a group look like dots (our own): in
six of 87 photos that had failed a pattern of 24 to 30 patches stood before six dots."""
WORST_SEED, PLAIN, PLAIN_UNLIKE = -1.2, -0.3, 0.5
"""Least quality of what tells a pigment and of its dots where no witness sees a leg, and most that
speaks against its colour (our own)."""
ANYWHERE = 3.0
"""Most that a place counts against a dot there: a witness may see no machine, and a whole dot tells
more than texture at the hip (our own)."""
UNLIKE_TELLS, SIZE_SPREAD, SIZE_TELLS = 2.0, 0.5, 2.0
"""What another colour counts there, how far dots of one photo differ in size (logarithm), and the
most that another size counts (our own)."""
LARGE, TINY, LARGE_COST = 0.6, 1.1, 20.0
"""From which logarithm of size against the best outlines a patch is rather a boss or cap of the
dots' colour, 1.8 times as large, or a speck, a third as large (of 3,774 dots of 630 rendered photos
three were smaller), and what each unit more or less costs (our own)."""
LARGEST, WHOLE_SET = 1.6, 6
"""The largest dot, in radii of the best outlines': a boss or bar of their colour is no measure of
what a dot is; and how many clear outlines leave none to look for (our own)."""
FEW_LARGER = 1.4
"""How much larger a dot may be than the largest of few: one of 3.4 px by its outline lay among five
of some 4.7 px that showed none, too large then for its pigment's patches (our own)."""
BOX_SEGMENTS = 0.7
"""How far around the points dots of their pigment are looked for, mean segments."""
SMALL_SHARE = 0.05
"""Least area of a half seen dot, of the largest (`SIZE_RATIO`, a part of it hidden)."""
SHADE, LEAST_LIGHTNESS = 0.65, 15.0
"""How dark a shadow makes a dot, and below which lightness all colours look black (our own)."""
WORST_HALF_SEEN = -5.0
"""Of patches that colour alone shows: least quality."""
BLURRED, OTHER_COLOUR = -2.0, 1.0
"""What has no outline of a dot must have its colour: most that speaks against it (`UNLIKE`)."""
WHOLE, UNLIKE = 4, 0.5
"""How many of the best outlines tell the pigment, and what each squared spread from it costs:
glare may show in the middle of a dot (our own)."""
WHITE, GLARE_SHARES = np.array([97.0, 0.0, 0.0]), np.array([[0.3], [0.6], [0.9]])
GLARE_COST2 = 2.0
"""Glare mixes white into a dot's colour; this much (squared spreads) a mixture costs anyway."""
TAIL = 6.0
"""Degrees of freedom of the witness's error: one in a hundred is 4 ± off (our own)."""
FEWEST_CLEAN = 3
"""Whole outlines among black or white dots: fewer are not even said (our own)."""


def sets_of(picture: Picture, expected: Expected, *, closely: bool = False) -> Iterator[Candidates]:
    """Sets of patches of one pigment about where a witness sees the points, most telling first.

    ``closely``: also spots of it that are no patch by themselves (`spots_of_colour`).
    """
    found = picture.square_on()
    own = quality(found)
    far2 = expected.distance2(found.xy)
    near = np.nonzero((far2.min(axis=1) < NEAR2) & (own > -1.0))[0]
    near = near[pigment_prior(found.lab[near]) > LEAST_PIGMENT]
    if len(near) < LEAST_SEEDS:
        return
    colours: list[Floats] = []
    used: Bools = np.zeros(len(found), dtype=bool)
    for seed in near[np.argsort(-_covered(found, own, far2, near), kind="stable")]:
        if len(colours) == MOST_PIGMENTS:
            break
        if used[seed]:
            continue  # of a set that was there
        if all(colour_distance2(found.lab[seed], c) > SAME_PIGMENT2 / 2.0 for c in colours):
            colours.append(found.lab[seed])
            members = near[_alike(found, near, int(seed))]
            one = None
            if _hopeful(found, members):
                one = _whole_set(picture, found, expected, members, closely=closely)
            if one is not None and _may_be_dots(one):
                gap = np.linalg.norm(found.xy[:, None] - one.xy, axis=2)
                used |= (gap < found.radius[:, None]).any(axis=1)
                yield one


def may_be_sets(picture: Picture) -> bool:
    """Whether any patches of a picture may be a set's, wherever the leg is."""
    found = picture.square_on()
    some = np.nonzero((quality(found) > -1.0) & (pigment_prior(found.lab) > LEAST_PIGMENT))[0]
    return any(_hopeful(found, some[_alike(found, some, int(seed))]) for seed in some)


def plain_in(picture: Picture) -> Candidates | None:
    """Dots of one vivid pigment anywhere in the picture, where five to `MOST_DOTS` show themselves.

    For pictures in which no witness sees a leg: how far the dots reach says where to look again.
    Asked up to three times of such a picture, looked for once.
    """
    if not picture.plain:
        picture.plain.append(_plain_in(picture))
    return picture.plain[0]


def _plain_in(picture: Picture) -> Candidates | None:
    found = picture.square_on()
    vivid = np.nonzero(vivid_colour(found.lab) & (quality(found) > WORST_SEED))[0]
    groups = [vivid[_alike(found, vivid, int(seed))] for seed in vivid]
    for members in _different_groups(found, groups)[:MOST_PIGMENTS]:
        whole = _whole_set(picture, found, None, members)
        if whole is None:
            continue
        plain = plain_of(whole)
        if LEAST_DOTS <= len(plain) <= MOST_DOTS:
            return plain
    return None


def plain_of(whole: Candidates) -> Candidates:
    """Those of a vivid pigment's patches that show an outline and its colour."""
    return whole.take((quality(whole) > PLAIN) & (unlike(whole) < PLAIN_UNLIKE))


def _different_groups(found: Candidates, groups: list[Ints]) -> list[Ints]:
    """The groups of two and more, the most whole outlines first; one of each pigment."""
    whole = np.where(quality(found) > CLEAN, 1.0, -POOR_COUNTS)
    kept: list[Ints] = []
    for group in sorted(groups, key=lambda group: -float(whole[group].sum())):
        if len(group) < LEAST_SEEDS:
            continue
        if not any(np.isin(group, other).any() for other in kept):
            kept.append(group)
    return kept


def _hopeful(found: Candidates, members: Ints) -> bool:
    """Whether the patches about the points may be a set's: most pigments near a leg are none.

    The picture is then looked through for the rest, which takes longer than all before.
    """
    clean = int((quality(found)[members] > CLEAN).sum())
    if vivid_colour(np.median(found.lab[members], axis=0)[None])[0]:
        return clean + len(members) > 1
    return clean >= FEWEST_CLEAN


def _may_be_dots(whole: Candidates) -> bool:
    """Whether a set could be enough, whichever dot is which (`_enough`)."""
    clean = int((quality(whole) > CLEAN).sum())
    return clean >= FEWEST_CLEAN or bool(vivid_colour(pigment_of(whole)[None])[0])


def _alike(found: Candidates, among: Ints, seed: int) -> Bools:
    ratio = np.abs(np.log(found.radius[among] / found.radius[seed]))
    same = colour_distance2(found.lab[among], found.lab[seed]) < SAME_PIGMENT2 / 2.0
    return np.asarray(same & (ratio < np.log(SIZE_RATIO)))


def _covered(found: Candidates, own: Floats, far2: Floats, near: Ints) -> Floats:
    """How many of the points have a patch like each of the near ones beside them."""
    weight = np.exp(np.minimum(own[near], 0.0))[:, None] * np.exp(-far2[near] / 16.0)
    like = np.array([_alike(found, near, int(seed)) for seed in near]).reshape(len(near), -1)
    best = np.where(like[:, :, None], weight[None], 0.0)
    return np.asarray(best.max(axis=1, initial=0.0).sum(axis=1))


def _whole_set(
    picture: Picture, found: Candidates, expected: Expected | None, members: Ints, *,
    closely: bool = False,
) -> Candidates | None:  # fmt: skip
    """All patches of a pigment around the leg, or anywhere, half seen ones too."""
    height, width = picture.photo.small.shape[:2]
    low, high = np.zeros(2), np.array([width, height], dtype=float)
    if expected is not None:
        margin = BOX_SEGMENTS * expected.segment
        low, high = expected.xy.min(axis=0) - margin, expected.xy.max(axis=0) + margin
    box = (
        int(np.clip(low[0], 0, width - 2)), int(np.clip(low[1], 0, height - 2)),
        int(np.clip(high[0] + 1, 2, width)), int(np.clip(high[1] + 1, 2, height)),
    )  # fmt: skip
    there = ((found.xy > low) & (found.xy < high)).all(axis=1)
    lab = found.lab[members]
    colour2 = colour_distance2(found.lab[:, None], lab[None]).min(axis=1)
    # Of their pigment there may be a pattern, too: a hundred specks tell no dot's size.
    ratio = np.abs(np.log(found.radius / usual_radius(found.take(members))))
    alike = found.take(there & (colour2 < SAME_PIGMENT2 / 2.0) & (ratio < np.log(SIZE_RATIO)))
    if len(alike) == 0:
        return None  # a witness that is very unsure: near it by its ±, and outside the box
    radius = min(float(alike.radius.max()), LARGEST * float(np.median(alike.radius[_best(alike)])))
    if len(alike) < LEAST_DOTS:
        radius *= FEW_LARGER
    if expected is not None and not vivid_colour(np.median(lab, axis=0)[None])[0]:
        seen = _on_leg(found.xy[members], expected)
        if not seen and not _parts_on_leg(picture, expected, lab, radius, box):
            return None
    alike = _without_glare(picture, alike, box)
    if len(alike) == 0:
        return None
    xy, size = _places(picture, alike, lab, radius, box, closely=closely)
    gap = np.linalg.norm(xy[:, None] - alike.xy[None], axis=2)
    new = (gap > 0.8 * np.maximum(alike.radius[None], size[:, None])).all(axis=1)
    new &= ~inside(xy, picture.quads) & (size > np.sqrt(SMALL_SHARE) * radius)
    more = examine(picture.photo.small, xy[new], size[new], trusted=True)
    more = square_on(picture.photo.small, more, np.nonzero(quality(more) < CLEAN)[0])
    whole = alike.joined(more)
    whole = whole.joined(_by_paint(picture, whole, xy, size))
    own = quality(whole)
    whole = whole.take(_apart(whole) & (own > WORST_HALF_SEEN))
    whole = whole.take((quality(whole) > BLURRED) | (unlike(whole) < OTHER_COLOUR))
    if len(whole) < LEAST_DOTS:
        return None
    if expected is None:
        return whole
    telling = _telling(whole, quality(whole), expected)
    whole = whole.take(np.sort(np.argsort(-telling, kind="stable")[:MOST_DOTS]))
    return replace(whole, company=company_of(whole, found))


def _places(
    picture: Picture, alike: Candidates, lab: Floats, radius: float, box: Box, *, closely: bool
) -> tuple[Floats, Floats]:
    """Where a pigment may be: middles and sizes of patches of its colour, and of spots."""
    # In a shadow's colour a dot may run into dark skin or cloth, in its own it does not.
    places = [picture.of_colour(members, radius, box) for members in (lab, _also_shaded(lab))]
    if _lacks_clear_ones(alike):
        places.append(picture.of_colour(lab, radius, box, CLOSE_PIGMENT2))
    if closely:
        core = _also_shaded(pigment_of(alike)[None])
        places.append(spots_of_colour(picture.paint(box), core, usual_radius(alike), box))
    xy, size = (np.concatenate(parts) for parts in zip(*places, strict=True))
    return xy, size


def _on_leg(xy: Floats, expected: Expected) -> bool:
    """Whether any place lies where the hip or knee is seen (99 %), nearer than at other points.

    Black, grey and white are a machine's knobs and screws too, at its points, and boots. Of 114
    sets of painted black and white dots that an answer hung on, 112 had such a place within 1.1 ±,
    two nowhere within 5: light glared from hip and knee.
    """
    far2 = expected.distance2(xy)
    return bool(((far2.argmin(axis=1) < 2) & (far2.min(axis=1) < LIMIT2)).any())


def _parts_on_leg(
    picture: Picture, expected: Expected, lab: Floats, radius: float, box: Box
) -> bool:
    """Whether a part of a pigment lies there, of a dot that glares or is half hidden, say."""
    for at in range(2):
        # No part that counts (`patches_of_colour`) with its middle there reaches further.
        reach = np.sqrt(LIMIT2 * np.diagonal(expected.cov[at])) + 3.0 * radius + 2.0
        low, high = expected.xy[at] - reach, expected.xy[at] + reach
        left, top = max(int(low[0]), box[0]), max(int(low[1]), box[1])
        right, bottom = min(int(high[0]) + 1, box[2]), min(int(high[1]) + 1, box[3])
        if right - left < 2 or bottom - top < 2:
            continue
        window = (left, top, right, bottom)
        for colours, near2 in (
            (lab, NEAR_PIGMENT2), (_also_shaded(lab), NEAR_PIGMENT2), (lab, CLOSE_PIGMENT2),
        ):  # fmt: skip
            if _on_leg(picture.of_colour(colours, radius, window, near2)[0], expected):
                return True
    return False


def _lacks_clear_ones(found: Candidates) -> bool:
    """Whether some dots show themselves and fewer than six do: then it is worth a closer look."""
    return FEWEST_CLEAN <= int((quality(found) > CLEAN).sum()) < WHOLE_SET


def _telling(whole: Candidates, own: Floats, expected: Expected) -> Floats:
    """How much each patch tells of six dots about the points: alike to those that lie there.

    Of a pattern, or of what is black too, there may be a hundred patches, most of them small and
    of about that colour only.
    """
    telling = own - np.minimum(tail(expected.distance2(whole.xy)).min(axis=1), ANYWHERE)
    best = whole.take(np.argsort(-telling, kind="stable")[:WHOLE])
    size = np.log(whole.radius / np.median(best.radius)) / SIZE_SPREAD
    colour = UNLIKE_TELLS * unlike(whole, np.median(best.lab, axis=0))
    return np.asarray(telling - colour - np.minimum(0.5 * size**2, SIZE_TELLS))


def _by_paint(picture: Picture, found: Candidates, xy: Floats, size: Floats) -> Candidates:
    """Outlines of the paint itself where patches show none: what lies around them differs.

    ``xy`` and ``size`` are the places that have its colour.
    """
    poor = found.take(quality(found) < CLEAN)
    gap = np.linalg.norm(xy[:, None] - poor.xy[None], axis=2)
    near = (gap < np.maximum(poor.radius, size[:, None])).any(axis=1)
    core = _also_shaded(pigment_of(found)[None])
    return examine(picture.photo.small, xy[near], size[near], trusted=True, pigment=core)


def _without_glare(picture: Picture, alike: Candidates, box: Box) -> Candidates:
    """Patches of a pigment with those from which a light glares as whole dots."""
    radius, small = float(alike.radius.max()), picture.photo.small
    close = _lacks_clear_ones(alike)
    healed, discs = without_glare(
        small, picture.paint(box), _best_outlines(alike), radius, box, close=close
    )
    discs = discs[~inside(discs[:, :2], picture.quads)]
    if len(discs) == 0:
        return alike
    whole = examine(healed, discs[:, :2], discs[:, 2], trusted=True)
    # What shows no outline made whole may be the paint about a dot: no reason to drop that.
    sure = whole.take(quality(whole) > BLURRED)
    gap = np.linalg.norm(alike.xy[:, None] - sure.xy[None], axis=2)
    rest = alike.take((gap > sure.radius).all(axis=1))
    return rest.joined(whole)


def _also_shaded(lab: Floats) -> Floats:
    """Colours of a pigment and what a shadow makes of them."""
    dark = SHADE * lab[SHADE * lab[:, 0] > LEAST_LIGHTNESS]
    return np.concatenate([lab, dark])


def _apart(found: Candidates) -> Bools:
    """Without second outlines of one dot: the better stays, and a dot before its boss."""
    keep = np.ones(len(found), dtype=bool)
    own = quality(found) - wrong_size(found)
    half = half_length(found)
    for here in np.argsort(-own, kind="stable"):
        gap = np.linalg.norm(found.xy - found.xy[here], axis=1)
        over = gap < 0.8 * np.maximum(half, half[here])
        over[here] = False
        if keep[here]:
            keep[over] = False
    return keep


def pigment_of(found: Candidates) -> Floats:
    """The colour of the best outlines of a set."""
    return np.asarray(np.median(_best_outlines(found), axis=0))


def _best_outlines(found: Candidates) -> Floats:
    return np.asarray(found.lab[_best(found)])


def _best(found: Candidates) -> Ints:
    return np.argsort(-quality(found), kind="stable")[:WHOLE]


def usual_radius(found: Candidates) -> float:
    """The radius of the best outlines of a set, px."""
    return float(np.median(found.radius[_best(found)]))


def wrong_size(found: Candidates) -> Floats:
    """What speaks against each patch being a dot of the size of the best outlines."""
    size = np.log(found.radius / usual_radius(found))
    return np.asarray(LARGE_COST * np.maximum(np.maximum(size - LARGE, -TINY - size), 0.0))


def unlike(found: Candidates, pigment: Floats | None = None) -> Floats:
    """What speaks against each patch being of the set's pigment, in the sun or a shadow."""
    core = _also_shaded((pigment_of(found) if pigment is None else pigment)[None])
    far2 = colour_distance2(found.lab[:, None], core[None]).min(axis=1)
    glare = core[:1] + GLARE_SHARES * (WHITE - core[:1])
    glare2 = GLARE_COST2 + colour_distance2(found.lab[:, None], glare[None]).min(axis=1)
    return np.asarray(UNLIKE * np.minimum(np.minimum(far2, glare2), SAME_PIGMENT2))


def tail(far2: Floats) -> Floats:
    """Minus logarithm of a long-tailed density, 0 in the middle."""
    return np.asarray(0.5 * (TAIL + 2.0) * np.log1p(far2 / TAIL))
