"""How the machine holds the leg: all suspensions fitted to a visit, and their doubt carried.

`suspensions` fits each by itself. Which one a leg follows is not known beforehand: the data
weigh them, and what they do not settle stays open. Every figure here is a mixture over all
of them, by draws.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.chain import (
    Chain,
    knee_between_deg,
    knee_flexion_deg,
    knee_in_slings_deg,
)
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.suspensions import (
    FAULTS,
    GIVES,
    Name,
    Suspension,
    data_of,
    fit_suspension,
    log_prior,
    sliding_knee_deg,
)

__all__ = ["Figure", "Holding", "fit_holding", "knee_from_bars_deg"]

Floats = NDArray[np.float64]

DRAWS = 1_200


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
    p_value : float
        How well the best of the suspensions explains the settings together.
    """

    suspensions: tuple[Suspension, ...]
    draws: Floats
    give: Floats
    model: NDArray[np.str_]
    bars_deg: tuple[float, ...]
    hinge_seen: bool
    p_value: float = 1.0

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
    def thigh_mm(self) -> Figure:
        """The leg from hip to knee."""
        return Figure.of(self.draws[:, 6])

    @property
    def lower_mm(self) -> Figure:
        """The leg from knee to the heel's seat."""
        return Figure.of(self.draws[:, 7])

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
            say(
                "a machine's holding needs a setting with knee and bars both seen, but got "
                "none: photograph the leg with the machine's bars in view"
            )
        )
    data = data_of(seen)
    models = [
        (name, give, slack)
        for slack in (False, True)
        for name, gives in GIVES.items()
        for give in gives
    ]
    fits = [fit_suspension(data, name, give, slack=slack) for name, give, slack in models]
    logs = np.array([log_prior(name, slack) for name, _, slack in models]) + [
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
        p_value=float(chdtrc(len(data.y) - data.settings, min(one.chi2 for one in suspensions))),
    )


def knee_from_bars_deg(
    holding: Holding,
    bars_deg: Floats,
    *,
    thigh_mm: float | Floats = 0.0,
    lower_mm: float | Floats = 0.0,
    place_mm: float | Floats = 0.0,
) -> Floats:
    """Knee of every draw at some bars, after sections and place were changed by so much.

    Parameters
    ----------
    bars_deg : ndarray, shape (g,) or (n, g)
        The same for all draws, or each draw its own.
    thigh_mm, lower_mm, place_mm : float or ndarray, shape (n,)
        Change of the thigh section, of the lower-leg section (longer: positive), and of
        the patient up the bed.

    Returns
    -------
    ndarray, shape (n, g)
    """
    d = holding.draws
    bars = np.broadcast_to(bars_deg, (len(d), np.shape(bars_deg)[-1]))
    thigh, lower = d[:, 0] + thigh_mm, d[:, 1] + lower_mm
    place = d[:, 2] + place_mm
    knee = np.empty(bars.shape)
    slid = ~holding.seated
    for name in ("chain", "slings", "between"):
        here = holding.model == name
        faults = thigh[here], lower[here], place[here]
        knee[here] = _seated_knee(name, bars[here], faults, d[here], holding.give[here])
    knee[slid] = sliding_knee_deg(
        bars[slid], (thigh + place)[slid, None], d[slid, 4:5], d[slid, 5:6], d[slid, 3:4]
    )
    return knee


def _seated_knee(
    name: Name, bars: Floats, faults: tuple[Floats, ...], d: Floats, give: Floats
) -> Floats:
    """The knee of draws whose heel is seated, a leg folded flat being just that and no error."""
    columns = (d[:, 6], d[:, 7], *faults, give, d[:, 3])
    chain = Chain(*(column[:, None] for column in columns))
    if name == "slings":
        return knee_in_slings_deg(bars, chain)
    if name == "between":
        return knee_between_deg(bars, chain, fold=True)
    return knee_flexion_deg(bars, chain, fold=True)
