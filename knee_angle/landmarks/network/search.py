"""Where the leg is: the whole photo, then closer, until the views agree or do not.

It looks at the whole photo, then closer at where it saw a leg. Where that shows the same leg, and
surely, it is enough; else it looks closer once or twice more, first at the mirror image. Only views
that agree make an answer. At last it covers that leg
and looks at the whole photo once more: where it sees another one of about the same size,
nobody can know which is meant, and it refuses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    DOUBTFUL_SHARE,
    FAR_SPREAD,
    LEAST_PRESENCE,
    MOST_SPREAD,
    MOST_U_DEG,
    NETWORK_LEAST_SEGMENT,
    NETWORK_SEGMENT_RATIO,
    OTHER_LEG_APART,
    OTHER_LEG_FAR,
    OTHER_LEG_FAR_PRESENCE,
    OTHER_LEG_PRESENCE,
    OTHER_LEG_SIZE,
)
from knee_angle.landmarks.network.looks import Look, direction_of, landmarks_of, see, see_in
from knee_angle.landmarks.network.model import Model
from knee_angle.landmarks.network.windows import Window, cut, whole_photo
from knee_angle.language import say
from knee_angle.photo.reading import Photo
from knee_angle.records import (
    MACHINE_POINTS,
    POINT_NAMES,
    Direction,
    Landmarks,
    NotMeasured,
    PointName,
    Side,
)

__all__ = ["NetworkView", "flat_u_deg", "search"]

Floats = NDArray[np.float64]
Rgb = NDArray[np.uint8]

COVER = 0.8
"""Breadth of the leg's cover, in mean segments."""
ROUNDS = 3
"""How often three views are taken at most until they agree and show a leg's proportions."""
SURE_SPREAD = 0.04
"""A look and a mirrored one closer together than this, in mean segments, need no third: on 240
renders and 117 real crops it moved the angle by 0.6° rms and lessened no error (rms of the flat
angle there 3.8° with and without, of the direction 6.7 and 6.8° in the median). With the weights
shipped now, 650 renders: by 0.5°, rms in bed 3.5 and 3.4°, direction 5.7° with and without."""
SAME_APART, SAME_SHARE, SAME_PRESENCE = 0.06, 0.035, 0.95
"""A whole photo and the look that it aimed, closer together than this in mean segments, or than
this share of the whole photo's window (9 of its 256 px: a small leg is not seen more finely), and
with every point of the leg as surely present, need no mirrored one, unless they leave the angle
in doubt (`DOUBTFUL_SHARE`). The share was chosen among 0.015 to 0.07 on 400 renders: the rms
error was 4.6° by each, as before; beyond it hardly a look is saved. How each was judged on others
stands in the model card."""

ADVICE = say(
    "photograph the leg from its outer side with hip, knee and ankle in the "
    "picture, in good light and nobody else close to it; or stick dots on hip, "
    "knee and ankle"
)
NO_LEG = say("the leg network sees no leg with hip, knee and ankle in the photo")
DISAGREE = say("the leg network finds another leg when it looks again more closely")
ODD_SHAPE = say("what the leg network finds does not have the proportions of a leg")
OUTSIDE = say("the leg network places a point of the leg outside the photo")
UNSURE = say("the leg network is too unsure of where the points are")
TWO_LEGS = say("the photo shows two legs about equally near")
ONE_LEG = say(
    "photograph one leg alone: nobody else close to it, the other leg flat or "
    "covered; or stick dots on hip, knee and ankle of the leg that is meant"
)
MACHINE = slice(-len(MACHINE_POINTS), None)
"""The machine's points, the last of `records.POINT_NAMES`."""
BADLY_AIMED = (DISAGREE, ODD_SHAPE)
CHECK = say("The points come from a network trained on rendered pictures: check them.")


@dataclass(frozen=True)
class NetworkView:
    """Everything that the network says of one photo.

    Parameters
    ----------
    landmarks : Landmarks
    direction : Direction
    presence : float
        The least presence of hip, knee and ankle.
    spread : float
        How far the views lie from their common answer, as a share of the mean segment; where
        a look confirms what the whole photo aimed, how far that look does.
    u_deg : float
        Standard uncertainty of the flat angle, from the points' covariances.
    """

    landmarks: Landmarks
    direction: Direction
    presence: float
    spread: float
    u_deg: float


def search(photo: Photo, model: Model) -> NetworkView | NotMeasured:
    """Whole photo, then closer, then once or twice more until the last ones agree, if need be."""
    shown = cut(photo, whole_photo(photo), model.size)
    first = _first_look(photo, model, shown)
    if first is None:
        return NotMeasured(NO_LEG, ADVICE, kind="no_leg")
    window = _around(first, turn_deg=0.0, factor=1.45)
    second = see(photo, model, [window])[0]
    if second.presence[:3].min() < LEAST_PRESENCE / 2:
        return NotMeasured(DISAGREE, ADVICE, kind="no_leg")
    view = _seen_twice(photo, first, second, window) or _closer(photo, model, second)
    if isinstance(view, NetworkView) and _another_leg(photo, model, shown, view.landmarks):
        return NotMeasured(TWO_LEGS, ONE_LEG, kind="two_legs")
    return view


def _seen_twice(photo: Photo, whole: Look, aimed: Look, window: Window) -> NetworkView | None:
    """The answer of the whole photo and of the look that it aimed, where they are surely one.

    Each counts by its pixels for an area of the photo, the aimed one twice at least. What a small
    leg's points are off by in the whole photo is in their covariances, so how far the two lie
    apart is added to the machine's points only, whose errors are less well known.
    """
    side = whole_photo(photo).side
    apart = float(np.linalg.norm(whole.points[:3] - aimed.points[:3], axis=1).max())
    segment = float(np.linalg.norm(np.diff(aimed.points[:3], axis=0), axis=1).mean())
    near = min(max(SAME_APART * segment, SAME_SHARE * side), FAR_SPREAD * segment)
    if apart > near or aimed.presence[:3].min() < SAME_PRESENCE:
        return None
    share = 1.0 / (1.0 + max((side / window.side) ** 2, 2.0))
    points = share * whole.points + (1.0 - share) * aimed.points
    cov = share * whole.cov + (1.0 - share) * aimed.cov
    cov[MACHINE] += _scatter(np.stack([whole.points, aimed.points, aimed.points]))[MACHINE]
    view = _view(photo, [whole, aimed, aimed], points, cov, spread=share * apart / segment)
    if isinstance(view, NotMeasured) or view.u_deg > DOUBTFUL_SHARE * MOST_U_DEG:
        return None
    return view


def _closer(photo: Photo, model: Model, second: Look) -> NetworkView | NotMeasured:
    """What a look and two closer ones, one at the mirror image, agree on.

    Where look and mirror image agree closely the third is not taken. Where the three do not
    agree, or agree on what is no leg, the look itself was perhaps aimed badly: the better
    aimed one of the next two takes its place, `ROUNDS` times at most.
    """
    view: NetworkView | NotMeasured = NotMeasured(DISAGREE, ADVICE, kind="no_leg")
    for _ in range(ROUNDS):
        windows = [
            _around(second, turn_deg=-8.0, factor=1.55, mirrored=True),
            _around(second, turn_deg=0.0, factor=1.35),
        ]
        mirrored = see(photo, model, windows[:1])[0]
        view = _agreed(photo, [second, mirrored])
        if isinstance(view, NetworkView) and view.spread < SURE_SPREAD:
            break
        closer = see(photo, model, windows[1:])[0]
        view = _agreed(photo, [second, closer, mirrored])
        if isinstance(view, NetworkView) or view.reason not in BADLY_AIMED:
            break
        second = closer
    return view


def _another_leg(photo: Photo, model: Model, shown: Rgb, found: Landmarks) -> bool:
    """Whether a second leg is seen where the found one is covered up in the photo as ``shown``."""
    whole = whole_photo(photo)
    names: list[PointName] = [name for name in POINT_NAMES[:5] if name in found.points]
    marks = [found.points[name] for name in names]
    leg = np.array([[p.x_px, p.y_px] for p in marks])
    segment = float(np.linalg.norm(np.diff(leg[:3], axis=0), axis=1).mean())
    picture = shown.copy()
    per_px = whole.side / model.size
    outline = np.round((leg - whole.centre) / per_px + model.size / 2).astype(np.int32)
    hull = cv2.convexHull(outline)
    colour = cv2.mean(picture)[:3]
    cv2.fillConvexPoly(picture, hull, colour)
    cv2.polylines(picture, [hull], True, colour, max(round(COVER * segment / per_px), 1))
    look = see_in(photo, model, [whole], [picture])[0]
    apart = np.linalg.norm(look.points[:3] - leg[:3], axis=1).min() / max(segment, 1e-6)
    size = np.linalg.norm(np.diff(look.points[:3], axis=0), axis=1).mean() / max(segment, 1e-6)
    alike = OTHER_LEG_SIZE[0] < size < OTHER_LEG_SIZE[1]
    least = OTHER_LEG_FAR_PRESENCE if apart > OTHER_LEG_FAR else OTHER_LEG_PRESENCE
    return bool(look.presence[:3].min() > least and apart > OTHER_LEG_APART and alike)


def _first_look(photo: Photo, model: Model, shown: Rgb) -> Look | None:
    """The whole photo upright, as it is ``shown``; turned where that shows no leg."""
    upright = see_in(photo, model, [whole_photo(photo)], [shown])[0]
    if upright.presence[:3].min() > LEAST_PRESENCE:
        return upright
    turned = see(photo, model, [whole_photo(photo, t) for t in (90.0, -90.0)])
    best = max([upright, *turned], key=lambda look: float(look.presence[:3].min()))
    return best if best.presence[:3].min() > LEAST_PRESENCE else None


def _around(look: Look, *, turn_deg: float, factor: float, mirrored: bool = False) -> Window:
    """A square around hip, knee, ankle and the foot where it is seen."""
    keep = np.r_[np.ones(3, dtype=bool), look.presence[3:5] > 0.3]
    leg = look.points[:5][keep]
    low, high = leg.min(0), leg.max(0)
    side = max(float((high - low).max()) * factor, 48.0)
    return Window((low + high) / 2, side, turn_deg, mirrored)


def _agreed(photo: Photo, looks: list[Look]) -> NetworkView | NotMeasured:
    """The common answer of views that count alike, or why they have none."""
    points = np.stack([look.points for look in looks])
    mean = points.mean(0)
    segment = float(np.linalg.norm(np.diff(mean[:3], axis=0), axis=1).mean())
    spread = float(np.linalg.norm(points[:, :3] - mean[:3], axis=-1).max()) / max(segment, 1e-6)
    cov = np.stack([look.cov for look in looks]).mean(0) + _scatter(points)
    return _view(photo, looks, mean, cov, spread=spread)


def _view(
    photo: Photo, looks: list[Look], points: Floats, cov: Floats, *, spread: float
) -> NetworkView | NotMeasured:
    """Points (8, 2) and covariances (8, 2, 2) with all else that the views say, or a refusal."""
    presence = np.stack([look.presence for look in looks]).mean(0)
    lengths = np.linalg.norm(np.diff(points[:3], axis=0), axis=1)
    u_deg = flat_u_deg(points, cov)
    reason = _refusal(photo, points, lengths, spread, float(presence[:3].min()), u_deg)
    if reason is not None:
        return NotMeasured(reason, ADVICE, kind="no_leg")
    p_right = float(np.mean([look.p_right for look in looks]))
    side: Side | None = None if 0.2 < p_right < 0.8 else ("right" if p_right > 0.5 else "left")
    found = landmarks_of(points, cov, presence)
    return NetworkView(
        Landmarks(found, side=side, cautions=(CHECK,)),
        direction_of(looks),
        float(presence[:3].min()),
        spread,
        u_deg,
    )


def _scatter(points: Floats) -> Floats:
    """Covariance of each point between views (V, 8, 2), shape (8, 2, 2)."""
    away = points - points.mean(0)
    return np.asarray(np.einsum("vki,vkj->kij", away, away) / (len(points) - 1))


def flat_u_deg(points: Floats, cov: Floats) -> float:
    """Standard uncertainty of the flat angle, degrees, to first order (GUM, 5.1.2).

    ``points`` (n, 2) and ``cov`` (n, 2, 2), hip, knee and ankle first, in one unit.
    """
    thigh, shank = points[1] - points[0], points[2] - points[1]

    def turn(v: Floats) -> Floats:
        return np.array([-v[1], v[0]]) / float(v @ v)

    slopes = (turn(thigh), -turn(thigh) - turn(shank), turn(shank))
    variance = sum(float(s @ c @ s) for s, c in zip(slopes, cov[:3], strict=True))
    return math.degrees(math.sqrt(variance))


def _refusal(
    photo: Photo, mean: Floats, lengths: Floats, spread: float, presence: float, u_deg: float
) -> str | None:
    """Why an answer is not believed; None where it is."""
    if presence < LEAST_PRESENCE:
        return NO_LEG
    if spread > FAR_SPREAD:
        return DISAGREE
    ratio = float(lengths[0] / max(lengths[1], 1e-6))
    tiny = float(lengths.min()) < NETWORK_LEAST_SEGMENT * max(photo.width, photo.height)
    if tiny or not NETWORK_SEGMENT_RATIO[0] < ratio < NETWORK_SEGMENT_RATIO[1]:
        return ODD_SHAPE
    if (mean[:3] < 0).any() or (mean[:3] > [photo.width, photo.height]).any():
        return OUTSIDE
    if u_deg > MOST_U_DEG:
        return UNSURE
    return DISAGREE if spread > MOST_SPREAD else None
