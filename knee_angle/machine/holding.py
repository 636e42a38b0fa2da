"""How the machine holds the leg: both suspensions fitted to a visit, and their doubt carried.

The **chain** (`chain`) seats the heel and holds the hip, the pelvis giving way by a share,
or against **slings**; the **sliding** model (`mechanism`) fixes the thigh and lets the
lower leg slide. Which one a leg follows is not known beforehand. Each is fitted to the
same estimate; the data weigh them, and what they do not settle stays open: every figure
here is a mixture over all of them and over several shares of give.

The fit
-------
Unknown are the knee and the bars of every setting, the leg's lengths, the faults and the
slack. They are found by least squares with the estimate's whole covariance (Gauss-Newton
by Levenberg's and Marquardt's steps), every fault with the prior of `PRIORS`. Knee and
bars close the chain to within `CLOSURE_MM`, as miss of the reach and not of the angle: near
a straight leg a millimetre is several degrees, and says nothing of a section. The hinge's
place follows the linkage to within `HINGE_MM`. The posterior of each model is its normal
approximation there, its weight the prior weight times the evidence by Laplace's method.

Source: our own; priors and the model's own doubt are common practice and our own, stated
with each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from knee_angle.errors import InvalidInput
from knee_angle.machine.chain import (
    SLING_MM,
    Chain,
    closure_mm,
    hinge_mm,
    knee_in_slings_deg,
    off_slings_deg,
)
from knee_angle.machine.evidence import Entry, SettingsOfMachine

__all__ = [
    "CLOSURE_MM",
    "FAULTS",
    "GIVES",
    "HINGE_MM",
    "PRIORS",
    "Figure",
    "Holding",
    "Suspension",
    "fit_holding",
    "knee_from_bars_deg",
]

Floats = NDArray[np.float64]

FAULTS = ("thigh_fault_mm", "lower_fault_mm", "place_mm", "slack_deg", "height_mm", "support_log")
"""Unknowns of the machine, in the order of their vector. ``height_mm`` and ``support_log``
(log of the support's distance over `SUPPORT_MM`) belong to the sliding model alone."""

PRIORS: dict[str, tuple[float, float]] = {
    "thigh_fault_mm": (0.0, 30.0),
    "lower_fault_mm": (0.0, 30.0),
    "place_mm": (0.0, 20.0),
    "slack_deg": (0.0, 0.7),
    "height_mm": (0.0, 20.0),
    "support_log": (0.0, 0.28),
}
"""Mean and standard deviation before anything was seen. Sections are set by tape or eye to
about 3 cm, a patient lies to about 2 cm (common practice); slack, height and support: our
own, the support as 320 ± 90 mm (anywhere from a sling under the calf to the foot plate)."""

THIGH_MM = (420.0, 40.0)
SHANK_MM = (410.0, 40.0)
"""Lengths between the marks where none was measured: .245 and .246 of a stature of 1.70 m
(Drillis and Contini 1966, in Winter), wide enough for most adults (our own)."""
HEEL_MM = (60.0, 15.0)
"""How far the heel's seat lies below the lateral malleolus (our own)."""
SUPPORT_MM = 320.0
CLOSURE_MM = 3.0
"""Standard doubt of the chain's closure: a heel is soft and a carriage has play (our own)."""
HINGE_MM = 3.0
"""Standard doubt of the hinge's place by either model, per coordinate (our own)."""
SLIDING_DEG = 0.6
"""Standard doubt of the sliding model's knee (our own; a few mm at the support)."""
FLATTEST_DEG = 20.0
"""Near a straight leg the closure's doubt counts as no more than so many degrees of knee."""

Name = Literal["chain", "slings", "sliding"]
GIVES: dict[Name, tuple[float, ...]] = {
    "chain": (0.0, 0.25, 0.5, 0.75, 1.0),
    "slings": (0.2, 0.5, 0.8),
    "sliding": (0.0,),
}
SLACK_DEG = (5.0, 3.0)
SLACK_WEIGHT = 0.25
"""Slings are tight, the slack of `PRIORS`, or with this weight slack by so much: a leg that
hangs through is straighter than the bars, none is bent further (our own)."""
WEIGHTS: dict[Name, float] = {"chain": 0.4, "slings": 0.3, "sliding": 0.3}
"""Prior weights, shared evenly by the gives (our own: in use the heel is seated)."""
DRAWS = 2_000


@dataclass(frozen=True, slots=True)
class Figure:
    """A value with its standard uncertainty and 95 % interval, of a mixture."""

    value: float
    u: float
    interval: tuple[float, float]

    @classmethod
    def of(cls, draws: Floats) -> Figure:
        """Mean, standard deviation and quantiles of draws."""
        low, high = np.quantile(draws, [0.025, 0.975])
        return cls(float(draws.mean()), float(draws.std()), (float(low), float(high)))


@dataclass(frozen=True, slots=True, eq=False)
class Suspension:
    """One model's fit.

    Parameters
    ----------
    name : {"chain", "slings", "sliding"}
    give : float
        Share of give; 0 for the sliding model, which has none.
    slack : bool
        Whether the slings were taken to hang through.
    weight : float
        Posterior probability among all.
    mean, cov : ndarray, shape (8,) and (8, 8)
        Of `FAULTS` and, last, the leg's two lengths (hip to knee, knee to heel).
    chi2 : float
        Of the data alone, at the fit.
    """

    name: Name
    give: float
    slack: bool
    weight: float
    mean: Floats
    cov: Floats
    chi2: float


@dataclass(frozen=True, slots=True, eq=False)
class Holding:
    """Both suspensions of a visit, weighed, and draws from their mixture.

    Parameters
    ----------
    suspensions : tuple of Suspension
        Largest weight first.
    draws : ndarray, shape (n, 8)
        Of `FAULTS` and the two lengths.
    give : ndarray, shape (n,)
        Share of give of each draw.
    model : ndarray of str, shape (n,)
        Which model each draw is of.
    bars_deg : tuple of float
        Bars of the settings that stand behind it.
    hinge_seen : bool
        Whether any setting showed the hinge's place.
    """

    suspensions: tuple[Suspension, ...]
    draws: Floats
    give: Floats
    model: NDArray[np.str_]
    bars_deg: tuple[float, ...]
    hinge_seen: bool

    def figure(self, name: str) -> Figure:
        """One of `FAULTS` over all models."""
        return Figure.of(self.draws[:, FAULTS.index(name)])

    @property
    def sum_mm(self) -> Figure:
        """Thigh and lower-leg fault and place together: positive is too long for the leg."""
        return Figure.of(self.draws[:, :3].sum(axis=1))

    @property
    def sections_mm(self) -> Figure:
        """Thigh and lower-leg fault together."""
        return Figure.of(self.draws[:, :2].sum(axis=1))

    @property
    def along_mm(self) -> Figure:
        """Thigh fault and place together: what the hinge shows along the thigh."""
        return Figure.of(self.draws[:, 0] + self.draws[:, 2])

    @property
    def seated(self) -> NDArray[np.bool_]:
        """Which draws have the heel seated, (n,)."""
        return np.asarray(self.model != "sliding")

    @property
    def seated_weight(self) -> float:
        """Probability that the heel is seated: the chain, with slings or without."""
        return sum(one.weight for one in self.suspensions if one.name != "sliding")

    def knee_minus_bars(self, bars_deg: float) -> Figure:
        """What the fitted models imply at other bars."""
        return Figure.of(knee_from_bars_deg(self, np.array([bars_deg]))[:, 0] - bars_deg)


def fit_holding(
    seen: SettingsOfMachine, *, rng: np.random.Generator | None = None, draws: int = DRAWS
) -> Holding:
    """Fit both suspensions to the settings whose knee and bars were seen.

    Parameters
    ----------
    seen : SettingsOfMachine
    rng : numpy.random.Generator, optional
        For the draws; a fixed one by default, so that the same visit answers the same.
    draws : int
        Draws from the mixture.

    Raises
    ------
    InvalidInput
        No setting with both.
    """
    if not seen.both_seen():
        raise InvalidInput(
            "a machine's holding needs a setting with knee and bars both seen, but got none: "
            "photograph the leg with the machine's bars in view"
        )
    data = _data_of(seen)
    models = [
        (name, give, slack)
        for slack in (False, True)
        for name, gives in GIVES.items()
        for give in gives
    ]
    fits = [_fit(data, name, give, slack=slack) for name, give, slack in models]
    logs = np.array([_log_prior(name, slack) for name, _, slack in models]) + [
        log for _, log in fits
    ]
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    suspensions = [replace(one, weight=float(w)) for (one, _), w in zip(fits, weights, strict=True)]
    rng = rng or np.random.default_rng(len(seen.entries))
    counts = np.floor(np.cumsum(weights) * draws + 0.5).astype(int)
    counts[-1] = draws
    counts = np.diff(np.concatenate([[0], counts]))
    return Holding(
        suspensions=tuple(sorted(suspensions, key=lambda one: -one.weight)),
        draws=np.concatenate(
            [
                rng.multivariate_normal(one.mean, one.cov, size=int(n), method="eigh")
                for one, n in zip(suspensions, counts, strict=True)
            ]
        ),
        give=np.repeat([one.give for one in suspensions], counts),
        model=np.repeat([one.name for one in suspensions], counts),
        bars_deg=tuple(float(seen.mean[data.bars[i]]) for i in range(data.settings)),
        hinge_seen=bool(data.hinge),
    )


def knee_from_bars_deg(
    holding: Holding,
    bars_deg: Floats,
    *,
    thigh_mm: float | Floats = 0.0,
    lower_mm: float | Floats = 0.0,
    place_mm: float | Floats = 0.0,
) -> Floats:
    """Knee of every draw at bars (g,), after sections and place were changed by so much.

    Parameters
    ----------
    thigh_mm, lower_mm, place_mm : float or ndarray, shape (n,)
        Change of the thigh section, of the lower-leg section (longer: positive), and of
        the patient up the bed.

    Returns
    -------
    ndarray, shape (n, g)
    """
    d = holding.draws
    thigh, lower = d[:, 0] + thigh_mm, d[:, 1] + lower_mm
    place = d[:, 2] + place_mm
    knee = np.empty((len(d), len(bars_deg)))
    slid = ~holding.seated
    for name, forward in (("chain", _chain_knee), ("slings", _sling_knee)):
        here = holding.model == name
        knee[here] = forward(
            bars_deg, thigh[here], lower[here], place[here], d[here], holding.give[here]
        )
    knee[slid] = _sliding_knee(
        bars_deg, (thigh + place)[slid, None], d[slid, 4:5], d[slid, 5:6], d[slid, 3:4]
    )
    return knee


def _chain_knee(
    bars: Floats, thigh: Floats, lower: Floats, place: Floats, d: Floats, give: Floats
) -> Floats:
    """The chain's knee for draws, where a leg folded flat is just that and no error."""
    a, b = d[:, 6:7], d[:, 7:8]
    bend = np.radians(bars)[None, :]
    upper, under = a + thigh[:, None], b + lower[:, None]
    seated = np.sqrt(upper**2 + under**2 + 2 * upper * under * np.cos(bend)) + place[:, None]
    mine = np.sqrt(a**2 + b**2 + 2 * a * b * np.cos(bend))
    g = give[:, None]
    room = (1 - g) * seated + g * mine
    cosine = np.clip((room**2 - a**2 - b**2) / (2 * a * b), -1.0, 1.0)
    straight = (1 - g) * (upper + under + place[:, None]) + g * (a + b) >= a + b - 1e-9
    sign = np.where((bars[None, :] < 0) & straight, -1.0, 1.0)
    return np.asarray(sign * np.degrees(np.arccos(cosine)) - d[:, 3:4])


def _sling_knee(
    bars: Floats, thigh: Floats, lower: Floats, place: Floats, d: Floats, give: Floats
) -> Floats:
    """The knee of draws where pelvis and slings balance."""
    columns = (d[:, 6], d[:, 7], thigh, lower, place, give, d[:, 3])
    return knee_in_slings_deg(bars, Chain(*(column[:, None] for column in columns)))


def _sliding_knee(
    bars: Floats, along: Floats, height: Floats, support_log: Floats, slack: Floats
) -> Floats:
    """The sliding model's knee, where the support's distance is in no doubt of its sign."""
    length = SUPPORT_MM * np.exp(support_log)
    bend = np.radians(bars)
    reach = np.hypot(length, height)
    sine = (along * np.sin(bend) + height * np.cos(bend)) / reach
    delta = np.arcsin(np.clip(sine, -1.0, 1.0)) - np.arctan2(height, length)
    return np.asarray(bars - np.degrees(delta) - slack)


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """The visit's estimate, arranged for the fit.

    `order` names the entries; `bars` where each used setting's bars stand in the
    original; `hinge` the used settings whose hinge was seen.
    """

    order: list[Entry]
    y: Floats
    root: Floats
    log_det: float
    used: tuple[int, ...]
    bars: tuple[int, ...]
    hinge: tuple[int, ...]
    lengths: tuple[bool, bool]
    place: bool

    @property
    def settings(self) -> int:
        return len(self.used)


def _data_of(seen: SettingsOfMachine) -> _Data:
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
    return _Data(
        order,
        y,
        root,
        2 * float(np.log(np.diag(root)).sum()),
        used,
        tuple(at),
        hinge,
        lengths,
        place,
    )


def _log_prior(name: Name, slack: bool) -> float:
    """Log of a model's prior weight."""
    held = WEIGHTS[name] / len(GIVES[name])
    return math.log(held * (SLACK_WEIGHT if slack else 1 - SLACK_WEIGHT))


def _fit(data: _Data, name: Name, give: float, *, slack: bool) -> tuple[Suspension, float]:
    """One model's fit and the log of its evidence."""
    n = data.settings
    start = np.concatenate([data.y[: 2 * n], np.zeros(len(FAULTS) + 3)])
    priors = {**PRIORS, "slack_deg": SLACK_DEG} if slack else PRIORS

    def residuals(x: Floats) -> Floats:
        return _residuals(x, data, name, give, priors)

    def jacobian(x: Floats) -> Floats:
        step = 1e-5 * np.eye(len(x))
        both = residuals(np.concatenate([x + step, x - step]))
        return np.asarray((both[: len(x)] - both[len(x) :]).T / 2e-5)

    found = least_squares(residuals, start, jac=jacobian, method="lm", xtol=1e-9, ftol=1e-9)
    information = found.jac.T @ found.jac
    cov = np.linalg.inv(information)
    seen = found.fun[: len(data.y)]
    log = -float(found.fun @ found.fun) / 2 - float(np.linalg.slogdet(information)[1]) / 2
    # Faults, then thigh and lower leg in mm from their scaled unknowns.
    turn = np.zeros((8, len(found.x)))
    turn[:6, 2 * n : 2 * n + 6] = np.diag([priors[name][1] for name in FAULTS])
    turn[6, 2 * n + 6] = THIGH_MM[1]
    turn[7, 2 * n + 7], turn[7, 2 * n + 8] = SHANK_MM[1], HEEL_MM[1]
    mean = turn @ found.x
    mean[3] += priors["slack_deg"][0]
    mean[6] += THIGH_MM[0]
    mean[7] += SHANK_MM[0] + HEEL_MM[0]
    cov = turn @ cov @ turn.T
    one = Suspension(name, give, slack, 0.0, mean, cov, float(seen @ seen))
    return one, log + _log_density(found.x[:n], mean, name, give)


def _log_density(knee: Floats, mean: Floats, name: Name, give: float) -> float:
    """What makes a miss in mm (chain) or degrees (the others) a density of the knee, log."""
    if name == "sliding":
        return -len(knee) * math.log(SLIDING_DEG)
    leverage = _leverage(knee + mean[3], mean[6], mean[7])
    if name == "slings":
        return -float(np.log(_doubt_in_slings(leverage, give)).sum())
    return float(np.log(np.maximum(leverage / CLOSURE_MM, 1.0 / FLATTEST_DEG)).sum())


def _leverage(bend_deg: Floats, thigh: Floats, lower: Floats) -> Floats:
    """By how many mm the leg's reach changes a degree of knee."""
    bend = np.radians(bend_deg)
    reach = np.sqrt(thigh**2 + lower**2 + 2 * thigh * lower * np.cos(bend))
    return np.asarray(np.radians(thigh * lower * np.abs(np.sin(bend)) / reach))


def _doubt_in_slings(leverage_mm_deg: Floats, give: float) -> Floats:
    """Degrees of knee that the closure's doubt is worth against slings, with their own."""
    sling = np.radians(SLING_MM)
    share = (1 - give) * leverage_mm_deg / ((1 - give) * leverage_mm_deg**2 + give * sling**2)
    return np.asarray(np.hypot(share * CLOSURE_MM, SLIDING_DEG))


def _residuals(
    x: Floats, data: _Data, name: Name, give: float, priors: dict[str, tuple[float, float]]
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
        wanted = _sliding_knee(bars, along, height, fault["support_log"], fault["slack_deg"])
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
            missed = closure_mm(inside, knee, chain) / CLOSURE_MM
        else:
            leverage = _leverage(knee + fault["slack_deg"], thigh, lower)
            missed = off_slings_deg(inside, knee, chain) / _doubt_in_slings(leverage, give)
        places = hinge_mm(inside, knee, chain)
    parts = [knee, bars, *(place[..., list(data.hinge)] for place in places)]
    parts += [thigh] if data.lengths[0] else []
    parts += [shank] if data.lengths[1] else []
    parts += [fault["place_mm"]] if data.place else []
    away = data.y - np.concatenate(parts, axis=-1)
    white = np.linalg.solve(data.root, away[..., None])[..., 0]
    return np.concatenate([white, missed, scaled], axis=-1)
