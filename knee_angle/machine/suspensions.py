"""The ways a machine may hold a leg, each fitted to a visit.

The **chain** (`chain`) seats the heel and holds the hip, the pelvis giving way by a share,
or against **slings**, or the knee keeping **between** chain and bars; the **sliding** model
(`mechanism`) fixes the thigh and lets the lower leg slide. Each is fitted to the same estimate,
with several shares of give, slings tight or slack; `holding` weighs them.

The fit
-------
Unknown are the knee and the bars of every setting, the leg's lengths, the faults and the
slack. They are found by least squares with the estimate's whole covariance (Gauss-Newton
by Levenberg's and Marquardt's steps), every fault with the prior of `MACHINE_PRIORS`. Knee and
bars close the chain to within `U_CLOSURE_MM`, as miss of the reach and not of the angle: near
a straight leg a millimetre is several degrees, and says nothing of a section. The hinge's
place follows the linkage to within `HINGE_MM`. The posterior of each model is its normal
approximation there, its weight the prior weight times the evidence by Laplace's method.

Source: our own; priors and the model's own doubt are common practice and our own, stated
with each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import (
    HEEL_MM,
    LOOSE_SLINGS_DEG,
    LOOSE_SLINGS_WEIGHT,
    MACHINE_PRIORS,
    SHANK_MM,
    SUPPORT_MM,
    THIGH_MM,
    U_CLOSURE_MM,
)
from knee_angle.machine.chain import (
    SLING_MM,
    Chain,
    between_mm,
    closure_mm,
    hinge_mm,
    off_slings_deg,
)
from knee_angle.machine.evidence import Entry, SettingsOfMachine

__all__ = [
    "FAULTS",
    "GIVES",
    "HINGE_MM",
    "Data",
    "Name",
    "Suspension",
    "data_of",
    "fit_suspension",
    "log_prior",
    "sliding_knee_deg",
]

Floats = NDArray[np.float64]

FAULTS = ("thigh_fault_mm", "lower_fault_mm", "place_mm", "slack_deg", "height_mm", "support_log")
"""Unknowns of the machine, in the order of their vector. ``height_mm`` and ``support_log``
(log of the support's distance over `SUPPORT_MM`) belong to the sliding model alone."""

HINGE_MM = 2.0
"""Standard doubt of the hinge's place by either model, per coordinate (our own)."""
SLIDING_DEG = 0.6
"""Standard doubt of the sliding model's knee (our own; a few mm at the support)."""
FLATTEST_DEG = 20.0
"""Near a straight leg the closure's doubt counts as no more than so many degrees of knee."""

Name = Literal["chain", "slings", "between", "sliding"]
GIVES: dict[Name, tuple[float, ...]] = {
    "chain": (0.0, 0.25, 0.5, 0.75, 1.0),
    "slings": (0.2, 0.5, 0.8),
    "between": (0.25, 0.5, 0.75),
    "sliding": (0.0,),
}
WEIGHTS: dict[Name, float] = {"chain": 0.3, "slings": 0.25, "between": 0.15, "sliding": 0.3}
"""Prior weights, shared evenly by the gives (our own: in use the heel is seated)."""


@dataclass(frozen=True, slots=True, eq=False)
class Suspension:
    """One model's fit.

    Parameters
    ----------
    name : {"chain", "slings", "between", "sliding"}
    give : float
        Share of give; 0 for the sliding model, which has none.
    slack : bool
        Whether the slings were taken to hang through.
    weight : float
        Posterior probability among all.
    mean, cov : ndarray, shape (8,) and (8, 8)
        Of `FAULTS` and, last, the leg's two lengths (hip to knee, knee to heel).
    chi2 : float
        Of the data, the closure and the priors at the fit: with as many degrees of freedom as
        there are data beyond one a setting, where a leg in a machine made them.
    """

    name: Name
    give: float
    slack: bool
    weight: float
    mean: Floats
    cov: Floats
    chi2: float


def sliding_knee_deg(
    bars: Floats, along: Floats, height: Floats, support_log: Floats, slack: Floats
) -> Floats:
    """The sliding model's knee, where the support's distance is in no doubt of its sign."""
    length = SUPPORT_MM[0] * np.exp(support_log)
    bend = np.radians(bars)
    reach = np.hypot(length, height)
    sine = (along * np.sin(bend) + height * np.cos(bend)) / reach
    delta = np.arcsin(np.clip(sine, -1.0, 1.0)) - np.arctan2(height, length)
    return np.asarray(bars - np.degrees(delta) - slack)


@dataclass(frozen=True, slots=True, eq=False)
class Data:
    """The visit's estimate, arranged for the fit.

    `order` names the entries; `bars` where each used setting's bars stand in the
    original; `hinge` the used settings whose hinge was seen; `whiten` makes misses
    independent with unit variance.
    """

    order: list[Entry]
    y: Floats
    whiten: Floats
    used: tuple[int, ...]
    bars: tuple[int, ...]
    hinge: tuple[int, ...]
    lengths: tuple[bool, bool]
    place: bool

    @property
    def settings(self) -> int:
        """Number of settings with knee and bars."""
        return len(self.used)


def data_of(seen: SettingsOfMachine) -> Data:
    """The settings with knee and bars, and what was seen of hinge, lengths and place."""
    used = seen.both_seen()
    hinge = tuple(
        i
        for i, j in enumerate(used)
        if ("distal", j) in seen.entries and ("anterior", j) in seen.entries
    )
    order: list[Entry] = [*(("knee", j) for j in used), *(("bars", j) for j in used)]
    order += [("distal", used[i]) for i in hinge]
    order += [("anterior", used[i]) for i in hinge]
    lengths = (("thigh", None) in seen.entries, ("shank", None) in seen.entries)
    order += [("thigh", None)] if lengths[0] else []
    order += [("shank", None)] if lengths[1] else []
    place = ("place", None) in seen.entries
    order += [("place", None)] if place else []
    y, cov = seen.part(order)
    doubt = np.zeros(len(order))
    doubt[2 * len(used) : 2 * len(used) + 2 * len(hinge)] = HINGE_MM**2
    root = np.asarray(np.linalg.cholesky(cov + np.diag(doubt)), dtype=np.float64)
    at = [seen.entries.index(("bars", j)) for j in used]
    return Data(
        order,
        y,
        np.asarray(np.linalg.inv(root), dtype=np.float64),
        used,
        tuple(at),
        hinge,
        lengths,
        place,
    )


def log_prior(name: Name, slack: bool) -> float:
    """Log of a model's prior weight."""
    held = WEIGHTS[name] / len(GIVES[name])
    return math.log(held * (LOOSE_SLINGS_WEIGHT if slack else 1 - LOOSE_SLINGS_WEIGHT))


def fit_suspension(data: Data, name: Name, give: float, *, slack: bool) -> tuple[Suspension, float]:
    """One model's fit and the log of its evidence."""
    from scipy.optimize import leastsq

    n = data.settings
    start = np.concatenate([data.y[: 2 * n], np.zeros(len(FAULTS) + 3)])
    priors = {**MACHINE_PRIORS, "slack_deg": LOOSE_SLINGS_DEG} if slack else MACHINE_PRIORS

    step = 1e-5 * np.eye(len(start))
    known: dict[bytes, tuple[Floats, Floats]] = {}

    def both(x: Floats) -> tuple[Floats, Floats]:
        """Misses and slopes in one go: the solver asks for both, and most of it is overhead."""
        if x.tobytes() not in known:
            aside = np.concatenate([x[None], x + step, x - step])
            here, *moved = _residuals(aside, data, name, give, priors)
            known.clear()
            slopes = np.subtract(moved[: len(x)], moved[len(x) :]).T / 2e-5
            known[x.tobytes()] = np.asarray(here), slopes
        return known[x.tobytes()]

    # Levenberg and Marquardt's solver itself: `least_squares` about it takes half as long again.
    x, *_ = leastsq(
        lambda x: both(x)[0], start, Dfun=lambda x: both(x)[1], full_output=True,
        xtol=1e-6, ftol=1e-6, gtol=1e-8,
    )  # fmt: skip
    missed, slopes = both(x)
    information = slopes.T @ slopes
    cov = np.asarray(np.linalg.inv(information), dtype=np.float64)
    log = -float(missed @ missed) / 2 - float(np.linalg.slogdet(information)[1]) / 2
    # Faults, then thigh and lower leg in mm from their scaled unknowns.
    turn = np.zeros((8, len(x)))
    turn[:6, 2 * n : 2 * n + 6] = np.diag([priors[name][1] for name in FAULTS])
    turn[6, 2 * n + 6] = THIGH_MM[1]
    turn[7, 2 * n + 7], turn[7, 2 * n + 8] = SHANK_MM[1], HEEL_MM[1]
    mean = turn @ x
    mean[3] += priors["slack_deg"][0]
    mean[6] += THIGH_MM[0]
    mean[7] += SHANK_MM[0] + HEEL_MM[0]
    cov = turn @ cov @ turn.T
    one = Suspension(name, give, slack, 0.0, mean, cov, float(missed @ missed))
    return one, log + _log_density(x[:n], x[n : 2 * n], mean, name, give)


def _log_density(knee: Floats, bars: Floats, mean: Floats, name: Name, give: float) -> float:
    """What makes a miss in mm (chain) or degrees (the others) a density of the knee, log."""
    if name == "sliding":
        return -len(knee) * math.log(SLIDING_DEG)
    if name == "between":
        bend = (knee + mean[3] - give * bars) / (1 - give)
        # No chain bends the knee back: beyond straight it is as near straight.
        held = _leverage(np.maximum(bend, 0.0), mean[6], mean[7]) / U_CLOSURE_MM
        return float(np.log(np.maximum(held, 1.0 / FLATTEST_DEG) / (1 - give)).sum())
    leverage = _leverage(knee + mean[3], mean[6], mean[7])
    if name == "slings":
        return -float(np.log(_doubt_in_slings(leverage, give)).sum())
    return float(np.log(np.maximum(leverage / U_CLOSURE_MM, 1.0 / FLATTEST_DEG)).sum())


def _leverage(bend_deg: Floats, thigh: Floats, lower: Floats) -> Floats:
    """By how many mm the leg's reach changes a degree of knee."""
    bend = np.radians(bend_deg)
    reach = np.sqrt(thigh**2 + lower**2 + 2 * thigh * lower * np.cos(bend))
    return np.asarray(np.radians(thigh * lower * np.abs(np.sin(bend)) / reach))


def _doubt_in_slings(leverage_mm_deg: Floats, give: float) -> Floats:
    """Degrees of knee that the closure's doubt is worth against slings, with their own."""
    sling = np.radians(SLING_MM)
    share = (1 - give) * leverage_mm_deg / ((1 - give) * leverage_mm_deg**2 + give * sling**2)
    return np.asarray(np.hypot(share * U_CLOSURE_MM, SLIDING_DEG))


def _residuals(
    x: Floats, data: Data, name: Name, give: float, priors: Mapping[str, tuple[float, float]]
) -> Floats:
    """Whitened misses of data, model and priors; x has shape (..., 2 n + 9).

    Faults and lengths are in units of their prior's standard deviation.
    """
    n = data.settings
    knee, bars, scaled = x[..., :n], x[..., n : 2 * n], x[..., 2 * n :]
    fault = {
        one: priors[one][0] + scaled[..., i : i + 1] * priors[one][1]
        for i, one in enumerate(FAULTS)
    }
    thigh = THIGH_MM[0] + THIGH_MM[1] * scaled[..., 6:7]
    shank = SHANK_MM[0] + SHANK_MM[1] * scaled[..., 7:8]
    lower = shank + HEEL_MM[0] + HEEL_MM[1] * scaled[..., 8:9]
    if name == "sliding":
        along = fault["thigh_fault_mm"] + fault["place_mm"]
        height = fault["height_mm"]
        wanted = sliding_knee_deg(bars, along, height, fault["support_log"], fault["slack_deg"])
        missed = (knee - wanted) / SLIDING_DEG
        places = (along + 0 * knee, height + 0 * knee)
    else:
        chain = Chain(
            np.maximum(thigh, 100.0),
            np.maximum(lower, 100.0),
            fault["thigh_fault_mm"],
            fault["lower_fault_mm"],
            fault["place_mm"],
            give,
            fault["slack_deg"],
        )
        inside = np.clip(bars, -25.0, 165.0)
        if name == "chain":
            missed = closure_mm(inside, knee, chain) / U_CLOSURE_MM
        elif name == "between":
            missed = between_mm(inside, knee, chain) / U_CLOSURE_MM
        else:
            leverage = _leverage(knee + fault["slack_deg"], thigh, lower)
            missed = off_slings_deg(inside, knee, chain) / _doubt_in_slings(leverage, give)
        places = hinge_mm(inside, knee, chain)
    parts = [knee, bars, *(place[..., list(data.hinge)] for place in places)]
    parts += [thigh] if data.lengths[0] else []
    parts += [shank] if data.lengths[1] else []
    parts += [fault["place_mm"]] if data.place else []
    away = data.y - np.concatenate(parts, axis=-1)
    return np.concatenate([away @ data.whiten.T, missed, scaled], axis=-1)
