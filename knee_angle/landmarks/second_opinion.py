"""The pose model as a second witness of the leg network's answer.

The rule
--------
The pose model is asked only where it can change something: the network found a leg but is
more than half-way to refusing it (:func:`worth_asking`), and a bundle is on this machine.
A sure answer costs no look of the pose model; a doubtful one costs one, and a second where
the first contradicts (a contradiction is believed only if the mirror image repeats it).
It is heard only where it sees the person up to the head: it was made for whole people.

What the pose model says is weighed with both covariances, point by point
(:func:`weighed`): agreement narrows the network's ellipses, a difference widens them along
it, and one beyond `DENIED2` at hip, knee or ankle refuses the answer. The points stay the
network's own. Silence (no person seen, no believable leg) changes nothing.

The network marks skin points, the pose model joint centres: that difference is part of the
pose model's stated uncertainty (0.30, 0.15 and 0.20 segments at hip, knee and ankle,
``assumptions.POSE_U_SEGMENTS``), so a weak witness moves little.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    DENIED2,
    DOUBTFUL_PRESENCE,
    DOUBTFUL_SHARE,
)
from knee_angle.language import say
from knee_angle.records import LEG_POINTS, Landmark, Landmarks, NotMeasured

__all__ = ["DENIED", "weighed", "worth_asking"]

Floats = NDArray[np.float64]


DENIED = say("the leg network and the pose model see different legs")
ADVICE = say(
    "photograph one leg alone from its outer side, hip, knee and ankle in the "
    "picture; or stick dots on hip, knee and ankle"
)


def worth_asking(*, presence: float, spread_share: float, u_share: float) -> bool:
    """Whether the network is doubtful enough to ask another witness.

    Parameters
    ----------
    presence : float
        The least presence of hip, knee and ankle, 0 to 1.
    spread_share, u_share : float
        Spread of the views and uncertainty of the angle, as shares of their limits.
    """
    return presence < DOUBTFUL_PRESENCE or max(spread_share, u_share) > DOUBTFUL_SHARE


def weighed(found: Landmarks, seen: Landmarks) -> Landmarks | NotMeasured:
    """The network's points with covariances that the second witness has changed.

    Parameters
    ----------
    found : Landmarks
        The network's answer; its points stay where they are.
    seen : Landmarks
        Hip, knee and ankle as the second witness sees them.

    Returns
    -------
    Landmarks or NotMeasured
        ``NotMeasured`` where the witness denies one of the three points.

    Notes
    -----
    With covariances A and B of the two and their difference d, the best estimate would
    lie K d away, K = A (A + B)^-1, with covariance (I - K) A. Since the point stays, its
    mean square error is (I - K) A + K d d^T K^T.
    """
    points = dict(found.points)
    for name in LEG_POINTS:
        ours, theirs = found.points[name], seen.points[name]
        a, b = _matrix(ours), _matrix(theirs)
        away = np.array([theirs.x_px - ours.x_px, theirs.y_px - ours.y_px])
        total = np.linalg.inv(a + b)
        if float(away @ total @ away) > DENIED2:
            return NotMeasured(DENIED, ADVICE, kind="no_leg")
        gain = a @ total
        cov = a - gain @ a + np.outer(gain @ away, gain @ away)
        triple = (float(cov[0, 0]), float(cov[0, 1] + cov[1, 0]) / 2.0, float(cov[1, 1]))
        points[name] = Landmark(ours.x_px, ours.y_px, triple, ours.source)
    return Landmarks(points, found.side, found.diameter_px, found.cautions)


def _matrix(point: Landmark) -> Floats:
    xx, xy, yy = point.cov_px2
    return np.array([[xx, xy], [xy, yy]])
