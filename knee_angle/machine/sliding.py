"""The leg in the machine as a planar linkage: what a misplaced hinge does to the knee.

Conventions
-----------
All lengths in the sagittal plane, mm; all angles flexion in degrees, 0 straight.
The thigh lies fixed along the thigh bar. The **knee is the origin**, x runs along the
thigh (distal positive), y points anterior (positive). The machine's hinge lies at
``(distal_mm, anterior_mm)`` seen from the knee. The shank's support sits ``support_mm``
below the knee and slides along the shank bar. The **fit part** is frame minus knee:
positive where the frame bends more than the knee.

Derivation
----------
Write d for the frame's flexion, k for the knee's, delta = d - k, (ex, ey) for the hinge
and L for the support's distance. Flexion takes the foot to -y, so that the shank points
along ``s = (cos k, -sin k)`` with its anterior normal ``n = (sin k, cos k)``, and the shank
bar's normal is ``m = (sin d, cos d)``. With the leg straight the bars run parallel to it
at the height ey; the support therefore stands off the shank by ey, rigidly, at
``p = L s + ey n``. Sliding means that p stays on the bar through the hinge h = (ex, ey)::

    (p - h) . m = 0,   s . m = sin delta,   n . m = cos delta
    L sin delta + ey cos delta = ex sin d + ey cos d                     (loop)

With R = hypot(L, ey) and phi = atan2(ey, L) the left side is R sin(delta + phi), so::

    delta = asin((ex sin d + ey cos d) / R) - phi                        (forward)

Backwards, the bar runs from the hinge to the support, p - h, and its direction is d::

    d = atan2(L sin k + ey (1 - cos k), L cos k + ey sin k - ex)         (inverse)

With D = R cos(delta + phi) = L cos delta - ey sin delta the derivatives of delta are::

    d/dd  = (ex cos d - ey sin d) / D      d/dex = sin d / D
    d/dey = (cos d - cos delta) / D        d/dL  = -sin delta / D

For small offsets delta is about ``(ex sin d - ey (1 - cos d)) / L``: a distal hinge is a
sine of the angle, an anterior one a versine, a slack (a constant) neither.

Validity
--------
Where the hinge is nearer to the knee than the support, hypot(ex, ey) < L, the loop
has one solution for every frame angle: then |ex sin d + ey cos d| < R, the support stays
at a distance t > 0 from the hinge, and dk/dd = t / D > 0, so that forward and inverse
are each other's. Outside, and for frame angles beyond -30 to 180 degrees, the functions
refuse. Out of plane motion, soft tissue and a moving knee axis are not in the model.

Source: the model is the project's own; no paper is known that gives degrees per mm.
That the knee turns about a nearly fixed axis in the femur: Freeman MAR, Pinskerova V
2005, J Biomech 38:197-208.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from knee_angle.assumptions import FLEXION_RANGE_DEG
from knee_angle.errors import InvalidInput

__all__ = [
    "ExplainedFit",
    "FitDerivatives",
    "Sensitivity",
    "explained_fit",
    "fit_derivatives",
    "fit_part_deg",
    "knee_flexion_deg",
    "sensitivity",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class FitDerivatives:
    """Derivatives of the fit part (frame minus knee), each of the broadcast shape (...).

    The knee's own derivatives are ``1 - per_frame`` and minus the others.

    Parameters
    ----------
    per_frame : ndarray
        Degrees per degree of the frame.
    per_distal, per_anterior, per_support : ndarray
        Degrees per mm.
    """

    per_frame: Floats
    per_distal: Floats
    per_anterior: Floats
    per_support: Floats


@dataclass(frozen=True, slots=True)
class ExplainedFit:
    """How much of a fit part the hinge's offset explains, degrees, and its u."""

    explained_deg: float
    u_explained_deg: float


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Degrees of fit part per mm of each setting over a range, for a plot.

    Parameters
    ----------
    frame_deg : ndarray, shape (n,)
        The range.
    fit_deg : ndarray, shape (n,)
        Fit part at the given hinge offset.
    per_distal_deg_mm, per_anterior_deg_mm, per_support_deg_mm : ndarray, shape (n,)
        Its change per mm.
    """

    frame_deg: Floats
    fit_deg: Floats
    per_distal_deg_mm: Floats
    per_anterior_deg_mm: Floats
    per_support_deg_mm: Floats


def fit_part_deg(
    frame_deg: ArrayLike, *, distal_mm: ArrayLike, anterior_mm: ArrayLike, support_mm: ArrayLike
) -> Floats:
    """Frame minus knee for a hinge offset; positive where the frame bends more.

    Parameters
    ----------
    frame_deg : array_like, shape (...)
        Flexion of the bars, -30 to 180 degrees.
    distal_mm, anterior_mm : array_like, shape (...)
        Hinge seen from the knee.
    support_mm : array_like, shape (...)
        Distance of the shank's support below the knee.

    Returns
    -------
    ndarray, shape (...)
        Degrees.

    Raises
    ------
    InvalidInput
        Outside the validity limits of the module.

    Examples
    --------
    >>> round(float(fit_part_deg(90, distal_mm=20, anterior_mm=0, support_mm=250)), 2)
    4.59
    """
    d, ex, ey, length = _checked(frame_deg, distal_mm, anterior_mm, support_mm)
    return np.degrees(_delta(np.radians(d), ex, ey, length))


def knee_flexion_deg(
    frame_deg: ArrayLike, *, distal_mm: ArrayLike, anterior_mm: ArrayLike, support_mm: ArrayLike
) -> Floats:
    """Forward: flexion of the knee for a flexion of the frame; shapes (...), degrees.

    Parameters, limits and errors as for :func:`fit_part_deg`.
    """
    return np.asarray(frame_deg, dtype=float) - fit_part_deg(
        frame_deg, distal_mm=distal_mm, anterior_mm=anterior_mm, support_mm=support_mm
    )


def fit_derivatives(
    frame_deg: ArrayLike, *, distal_mm: ArrayLike, anterior_mm: ArrayLike, support_mm: ArrayLike
) -> FitDerivatives:
    """Derivatives of :func:`fit_part_deg`, same parameters, shapes and errors."""
    d, ex, ey, length = _checked(frame_deg, distal_mm, anterior_mm, support_mm)
    d = np.radians(d)
    delta = _delta(d, ex, ey, length)
    lever = length * np.cos(delta) - ey * np.sin(delta)
    return FitDerivatives(
        per_frame=(ex * np.cos(d) - ey * np.sin(d)) / lever,
        per_distal=np.degrees(np.sin(d) / lever),
        per_anterior=np.degrees((np.cos(d) - np.cos(delta)) / lever),
        per_support=np.degrees(-np.sin(delta) / lever),
    )


def sensitivity(
    *,
    low_deg: float,
    high_deg: float,
    support_mm: float,
    distal_mm: float = 0.0,
    anterior_mm: float = 0.0,
    points: int = 101,
) -> Sensitivity:
    """How much each setting matters over a range of frame angles, ready to plot.

    Parameters
    ----------
    low_deg, high_deg : float
        Range of the frame, both ends included.
    support_mm, distal_mm, anterior_mm : float
        The setting about which it is taken.
    points : int
        Number of angles.

    Raises
    ------
    InvalidInput
        Outside the validity limits, or an empty range.
    """
    if not (low_deg < high_deg and points >= 2):
        raise InvalidInput(
            "low_deg must be below high_deg with at least 2 points, "
            f"but got {low_deg:g}, {high_deg:g} and {points}"
        )
    frame = np.linspace(low_deg, high_deg, points)
    place = {"distal_mm": distal_mm, "anterior_mm": anterior_mm, "support_mm": support_mm}
    slopes = fit_derivatives(frame, **place)
    return Sensitivity(
        frame_deg=frame,
        fit_deg=fit_part_deg(frame, **place),
        per_distal_deg_mm=slopes.per_distal,
        per_anterior_deg_mm=slopes.per_anterior,
        per_support_deg_mm=slopes.per_support,
    )


def explained_fit(
    frame_deg: float,
    *,
    distal_mm: float,
    anterior_mm: float,
    offset_cov_mm2: tuple[float, float, float],
    support_mm: float,
    u_support_mm: float,
    u_frame_deg: float = 0.0,
) -> ExplainedFit:
    """The fit part that a measured hinge offset explains.

    Linear propagation (GUM, 5.2) through the model's derivatives.

    Parameters
    ----------
    frame_deg, u_frame_deg : float
        Flexion of the bars.
    distal_mm, anterior_mm : float
        Hinge seen from the knee.
    offset_cov_mm2 : (float, float, float)
        Covariance of the two as (dd, da, aa), mm².
    support_mm, u_support_mm : float
        Distance of the shank's support below the knee.

    Raises
    ------
    InvalidInput
        Outside the validity limits, or a covariance that none can be.
    """
    place = {"distal_mm": distal_mm, "anterior_mm": anterior_mm, "support_mm": support_mm}
    slopes = fit_derivatives(frame_deg, **place)
    dd, da, aa = offset_cov_mm2
    cov = np.zeros((4, 4))
    cov[0, 0], cov[3, 3] = u_frame_deg**2, u_support_mm**2
    cov[1:3, 1:3] = [[dd, da], [da, aa]]
    _require_covariance(cov, "offset_cov_mm2")
    s = np.array([slopes.per_frame, slopes.per_distal, slopes.per_anterior, slopes.per_support])
    return ExplainedFit(
        explained_deg=float(fit_part_deg(frame_deg, **place)),
        u_explained_deg=math.sqrt(max(float(s @ cov @ s), 0.0)),
    )


def _delta(d: Floats, ex: Floats, ey: Floats, length: Floats) -> Floats:
    """The loop's closed form; radians."""
    reach = np.hypot(length, ey)
    return np.asarray(np.arcsin((ex * np.sin(d) + ey * np.cos(d)) / reach) - np.arctan2(ey, length))


def _checked(
    angle_deg: ArrayLike,
    distal_mm: ArrayLike,
    anterior_mm: ArrayLike,
    support_mm: ArrayLike,
) -> tuple[Floats, Floats, Floats, Floats]:
    """Inputs as arrays, refused outside the validity limits."""
    angle, ex, ey, length = (
        np.asarray(v, dtype=float) for v in (angle_deg, distal_mm, anterior_mm, support_mm)
    )
    low, high = FLEXION_RANGE_DEG
    _require(
        (angle >= low) & (angle <= high),
        f"must be between {low:g} and {high:g} degrees",
        "frame_deg",
        angle_deg,
    )
    _require((length > 0) & np.isfinite(length), "must be positive", "support_mm", support_mm)
    offset = np.hypot(ex, ey)
    _require(
        offset < length,
        "(hinge to knee, mm) must be shorter than support_mm",
        "offset",
        offset,
    )
    return angle, ex, ey, length


def _require(holds: NDArray[np.bool_] | np.bool_, rule: str, name: str, came: ArrayLike) -> None:
    if not np.all(holds):
        wrong = np.broadcast_to(np.asarray(came, dtype=float), np.shape(holds))
        first = float(wrong[~np.asarray(holds)].flat[0]) if wrong.shape else float(wrong)
        raise InvalidInput(f"{name} {rule}, but got {first:g}")


def _require_covariance(cov: Floats, name: str) -> None:
    if not (np.all(np.isfinite(cov)) and np.linalg.eigvalsh(cov)[0] >= -1e-9 * np.trace(cov)):
        raise InvalidInput(f"{name} must be a covariance (no negative variance in any direction)")
