"""Whether the printed tags are seen through the lens that the photo states.

A flat strip of known make shows more than its direction: how fast its tags grow along it, and
how its edges run together, tells focal length, middle and pixel shape of the camera. A photo
that was stretched, cropped, zoomed, or taken from a screen shows the strip as no camera with
the stated lens can. The corners are fitted twice, by one model with other priors: the stated
lens within its ±, and any lens (`LENS_ANY`). The first may be worse by what noise explains.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    LENS_ANY,
    LENS_DOUBT_CHI2,
    LENS_MOST_CHI2,
    LENS_SURE,
    MOST_CROPPED,
    U_CENTRE,
    U_CORNER_PX,
    U_OFF_CENTRE,
    U_PIXEL_SHAPE,
)
from knee_angle.language import say
from knee_angle.photo.as_taken import ADVICE, maybe_panorama
from knee_angle.photo.plane_fit import (
    Layout,
    first_guess,
    flat_corners,
    gauss_newton,
    starts_of,
    strip_residuals,
)
from knee_angle.photo.strips import strips_of
from knee_angle.photo.tags import Tag, strip_of
from knee_angle.records import Lens, NotMeasured

__all__ = ["LensSeen", "lens_seen", "perhaps_a_part", "seen_through"]

Floats = NDArray[np.float64]

OTHER_LENS = say(
    "the printed tags are not seen as a camera with this focal length sees a "
    "flat strip: the picture was stretched, cropped, zoomed or photographed "
    "from a screen, or the strip is bent"
)
LENSES = 4
"""Log focal length, middle (x, y), log pixel shape."""
LEAST_GAIN = 0.1
"""Far below what chi-squared is judged by (our own)."""


@dataclass(frozen=True, slots=True)
class LensSeen:
    """What the tags of one strip say of the lens.

    Parameters
    ----------
    chi2 : float
        By how much any other lens explains the corners better than the stated one.
    focal, u_focal : float
        Focal length as a multiple of the stated one, and its relative ±, with the statement.
    aspect, u_aspect : float
        A pixel's width against its height (logarithm) and its ±, likewise.
    off_px : (float, float)
        Where its middle lies, seen from the stated one, likewise.
    u_off_px : float
        Its ± per axis.
    """

    chi2: float
    focal: float
    u_focal: float
    aspect: float
    u_aspect: float
    off_px: tuple[float, float]
    u_off_px: float


@lru_cache(maxsize=8)  # a point that is moved by hand changes nothing of it
def seen_through(tags: tuple[Tag, ...], lens: Lens, *, tag_mm: float) -> Lens | NotMeasured:
    """The lens with what the strip's tags say of it, or why the picture cannot be measured."""
    rows = strips_of(strip_of(tags)).rows
    if not rows:
        return lens
    seen = lens_seen(rows[0].tags, rows[0].steps, lens, tag_mm=tag_mm)
    if LENS_DOUBT_CHI2 < seen.chi2 <= LENS_MOST_CHI2 and lens.u_centre == lens.u_aspect == 0.0:
        lens = perhaps_a_part(lens)
        seen = lens_seen(rows[0].tags, rows[0].steps, lens, tag_mm=tag_mm)
    stretched = lens.u_aspect > 0.0 and abs(seen.aspect) > 3.0 * math.hypot(
        seen.u_aspect, U_PIXEL_SHAPE
    )
    if seen.chi2 > LENS_MOST_CHI2 or stretched:
        return NotMeasured(OTHER_LENS, ADVICE)
    if maybe_panorama(lens.width_px, lens.height_px) is not None:
        return lens  # its columns lie by angle: what the strip shows holds at its own place alone
    sure = lens.trusted or seen.u_aspect < LENS_SURE
    if lens.u_centre > 0.0:
        lens = replace(lens, off_centre_px=seen.off_px, u_centre=seen.u_off_px / lens.diagonal_px)
    return replace(
        lens,
        focal_px=lens.focal_px * seen.focal,
        u_relative=min(lens.u_relative, seen.u_focal),
        # A bent picture is no worse at the strip than elsewhere: its ± stays.
        u_aspect=lens.u_aspect if lens.trusted else math.hypot(seen.aspect, seen.u_aspect),
        trusted=sure,
    )


def perhaps_a_part(lens: Lens) -> Lens:
    """A lens whose picture may be a part of the one that was taken, as `as_taken` has it."""
    log_focal = math.log(MOST_CROPPED) / 2.0
    return replace(
        lens,
        focal_px=lens.focal_px * math.exp(log_focal),
        u_relative=math.hypot(lens.u_relative, log_focal),
        u_centre=U_OFF_CENTRE * (MOST_CROPPED - 1.0),
    )


def lens_seen(tags: Sequence[Tag], steps: Sequence[int], lens: Lens, *, tag_mm: float) -> LensSeen:
    """Fit the corners of one strip through the stated lens and through any.

    Parameters
    ----------
    tags : sequence of Tag
        Tags of one flat strip.
    steps : sequence of int
        Each one's whole step along it.
    lens : Lens
        The stated lens; its ± are those of the statement.
    tag_mm : float
        Edge of a tag, mm.
    """
    diagonal = lens.diagonal_px
    middle = diagonal * (U_CENTRE if lens.trusted else LENS_ANY[1] / 2.0)
    aspect = math.hypot(lens.u_aspect, U_PIXEL_SHAPE)
    stated = np.array([lens.u_relative, middle, middle, aspect])
    wide = np.array([LENS_ANY[0], LENS_ANY[1] * diagonal, LENS_ANY[1] * diagonal, LENS_ANY[2]])
    strip = _Strip(np.array([tag.corners_px for tag in tags]), np.array(steps), lens, tag_mm)
    first, second = strip.starts()
    told = strip.fitted(first, stated)
    if told.cost > strip.seen.size:  # worse than noise: perhaps the mirrored solution
        told = min(told, strip.fitted(second, stated), key=lambda fit: fit.cost)
    free = strip.fitted(told.start, wide, first=told.onto(wide, anew=True))
    if lens.u_centre > 0.0 and lens.trusted:
        stated = stated * [1.0, 0.0, 0.0, 1.0]
        stated[1:3] = math.hypot(middle, diagonal * lens.u_centre)
        # The search can lose its way to a middle far off, so it begins at several places.
        ways = [told.onto(stated), told.onto(stated, anew=True), free.onto(stated)]
        fits = [strip.fitted(told.start, stated, first=way) for way in ways]
        told = min(fits, key=lambda fit: fit.cost)
        again = strip.fitted(told.start, wide, first=told.onto(wide))
        free = min(free, again, key=lambda fit: fit.cost)
    # Blurred or bent tags are noisier than usual: nothing is told from what noise explains.
    noise2 = max(1.0, strip.rms_px(free) / U_CORNER_PX) ** 2
    cov = np.linalg.pinv(told.slopes.T @ told.slopes)[-LENSES:, -LENSES:]
    z, u = told.x[-LENSES:] * stated, np.sqrt(np.diag(cov)) * stated
    return LensSeen(
        chi2=max(0.0, told.cost - free.cost) / noise2,
        focal=math.exp(float(z[0])),
        u_focal=float(u[0]),
        aspect=float(z[3]),
        u_aspect=float(u[3]),
        off_px=(float(z[1]), float(z[2])),
        u_off_px=math.hypot(float(u[1]), float(u[2])) / math.sqrt(2.0),
    )


@dataclass(frozen=True, slots=True)
class _Fitted:
    """A fit: starting normal, ± of the lens, parameters, residuals in their ±, their slopes."""

    start: Floats
    u_lens: Floats
    x: Floats
    off: Floats
    slopes: Floats

    @property
    def cost(self) -> float:
        return float(self.off @ self.off)

    def onto(self, u_lens: Floats, *, anew: bool = False) -> Floats:
        """The parameters where the lens's ± are others; ``anew`` with the lens as stated."""
        z = np.zeros(LENSES) if anew else self.x[-LENSES:] * self.u_lens / u_lens
        return np.concatenate([self.x[:-LENSES], z])


@dataclass(frozen=True, slots=True)
class _Strip:
    """Corners (n, 4, 2) of a strip's tags with their steps, to be fitted through some lens."""

    seen: Floats
    steps: NDArray[np.int_]
    lens: Lens
    tag_mm: float

    def starts(self) -> list[Floats]:
        """Both solutions of a flat target."""
        tags = tuple(Tag(0, corners) for corners in self.seen)
        return starts_of(tags, self.lens, tag_mm=self.tag_mm)

    def rms_px(self, found: _Fitted) -> float:
        """Rms of the corners that is left, for its freedom."""
        corners = found.off[: self.seen.size] * U_CORNER_PX
        return float(np.sqrt(np.sum(corners**2) / (self.seen.size - 4 - LENSES)))

    def fitted(self, start: Floats, u_lens: Floats, first: Floats | None = None) -> _Fitted:
        """The best plane, places and lens, from a plane (or parameters) near them."""
        guess, far = first_guess(self.seen, self.lens, tag_mm=self.tag_mm, normal=start)

        def residuals(x: Floats) -> Floats:
            return self._off(x, start, far, u_lens)

        x = np.concatenate([guess, np.zeros(LENSES)])
        if first is not None:
            x = first
        x, off, slopes = gauss_newton(residuals, x, least_gain=LEAST_GAIN)
        return _Fitted(start, u_lens, x, off, slopes)

    def _off(self, x: Floats, start: Floats, far: float, u_lens: Floats) -> Floats:
        """Residuals (..., m) in their ±: corners, the lens's inputs, places on the strip."""
        z = x[..., -LENSES:]
        one = Layout.of(x[..., :-LENSES], tags=len(self.seen), distance0=far)
        flat = flat_corners(one, start=start, tag_mm=self.tag_mm)
        focal = self.lens.focal_px * np.exp(z[..., 0] * u_lens[0])
        aspect = z[..., 3] * u_lens[3]
        both = np.exp(np.stack([-aspect, aspect], axis=-1) / 2.0) * focal[..., None]
        middle = np.array(self.lens.centre_px) + z[..., 1:3] * u_lens[1:3]
        drawn = flat * both[..., None, None, :] + middle[..., None, None, :]
        parts = [(drawn - self.seen).reshape(*x.shape[:-1], -1) / U_CORNER_PX, z]
        if len(self.seen) > 1:
            turn = one.turns_deg[..., 0]
            off = strip_residuals(one.places_mm, turn, self.steps, tag_mm=self.tag_mm)
            parts.append(off / U_CORNER_PX)
        return np.concatenate(parts, axis=-1)
