"""One visit, one estimate: knee and bars of every setting with all that they share.

The model of each photo is that of :mod:`knee_angle.angle.uncertainty`; `sharing` says what two
photos have in common, `equal` what must come out the same, `solve` how. The displayed number
is not used: it is what is to be judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from knee_angle.angle.words import POINT_WORDS
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import NotMeasured
from knee_angle.visit.equal import System, system_of
from knee_angle.visit.photos import (
    ALONE,
    VisitPhoto,
    in_order,
    nothing_common,
    open_distance,
    refused,
)
from knee_angle.visit.sharing import shared
from knee_angle.visit.solve import Solved, Trials, solve, trials_of
from knee_angle.visit.vector import QUANTITIES, best_values, in_mm, vector_of

__all__ = [
    "Reach",
    "SettingEstimate",
    "Value",
    "VisitEstimate",
    "estimate_visit",
    "value_of",
]

Floats = NDArray[np.float64]

TRIALS, FEWER_TRIALS, MANY = 4000, 1000, 30
"""Trials of a visit: an interval's ends are then known to about 5 % of u. From so many photos on
they become fewer as the photos become more, down to the second: 10 % of a u that is small."""
LEAST_EFFECTIVE = 200.0
"""Fewer trials' worth than this and no interval is stated."""
LEAST_P_OTHER = 1e-3
"""A mirrored solution less likely than this is left out."""
WILD_WEIGHT = 0.25
"""A point that counts less than this is named: beyond 4.5 u of the others."""
LEAST_P = 1e-3
"""Photos that fit together worse than this are said not to."""
SAME_DEG = 1e-6
"""Bars that differ by less were seen the same way."""
P_REFUSED = 1e-6
"""And worse than this are not judged together."""


@dataclass(frozen=True, slots=True)
class Value:
    """A quantity with u and 95 % interval, in degrees or mm."""

    value: float
    u: float
    interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Reach:
    """What would be gained: u of a knee if one input were known.

    Parameters
    ----------
    what : str
        The input, for instance "placement hip".
    u_deg : float
        The knee's standard uncertainty without it.
    share : float
        Part of the knee's variance that goes with it.
    """

    what: str
    u_deg: float
    share: float


@dataclass(frozen=True, slots=True)
class SettingEstimate:
    """One setting of a visit.

    Parameters
    ----------
    name : str
        The setting.
    photos : tuple of str
        Its photos.
    adjusted : int
        How often the machine's sections had been moved by then.
    displayed_deg : float or None
        The machine's number, handed on.
    knee : Value
        Flexion, degrees.
    frame, fit : Value or None
        Flexion of the bars, and frame minus knee; None where no photo shows the bars.
    distal, anterior : Value or None
        The hinge seen from the knee in the thigh's axes, mm.
    camera_seen : bool
        Whether the camera's direction was seen (tags, network) in at least one photo; where
        it was not, no verdict is proven.
    shrink : tuple of Reach
        What would shrink the knee's ± most, first.
    """

    name: str
    photos: tuple[str, ...]
    adjusted: int
    displayed_deg: float | None
    knee: Value
    frame: Value | None
    fit: Value | None
    distal: Value | None
    anterior: Value | None
    camera_seen: bool
    shrink: tuple[Reach, ...]


@dataclass(frozen=True, slots=True)
class VisitEstimate:
    """The joint estimate of a visit.

    Parameters
    ----------
    photos : tuple of VisitPhoto
        What it was computed from, by setting and name.
    settings : tuple of SettingEstimate
        In the order of the knees, the straightest first; where the machine was adjusted, those
        from before it come first.
    names : tuple of str
        What the vector holds: "knee A", "frame A", "distal A", "anterior A" for setting A;
        "thigh" and "shank", hip to knee and knee to ankle, where more than the leg's own size
        gave the millimetres.
    values, covariance : tuple of float, tuple of tuples
        That vector and its full covariance: degrees and mm. What settings share is in it.
    draws : Trials
        The trials behind all intervals.
    chi2, dof, p_value : float, int, float
        How well the photos fit one leg and one machine, every point at its stated ±; p is 1
        with nothing to compare.
    wild : tuple of (str, str)
        Photo and point that the other photos contradict; it counts little, and is kept.
    left_out : tuple of (str, str)
        Photos that were not used, each with its reason.
    cautions : tuple of str
        What to keep in mind, in plain sentences.
    """

    photos: tuple[VisitPhoto, ...]
    settings: tuple[SettingEstimate, ...]
    names: tuple[str, ...]
    values: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    draws: Trials
    chi2: float
    dof: int
    p_value: float
    wild: tuple[tuple[str, str], ...]
    left_out: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]

    def setting(self, name: str) -> SettingEstimate:
        """One setting by its name."""
        for one in self.settings:
            if one.name == name:
                return one
        raise InvalidInput(
            f"setting must be one of {', '.join(s.name for s in self.settings)}, but got {name}"
        )

    def difference(self, name: str, *, less: str) -> Value:
        """One quantity of the vector less another, for instance "frame A" less "frame B"."""
        if name == less:
            raise InvalidInput(f"a difference needs two quantities, but got {name} twice")
        value, drawn = self.sum_of({name: 1.0, less: -1.0})
        return value_of(value, drawn, self.draws.weights)

    def sum_of(self, parts: Mapping[str, float]) -> tuple[float, Floats]:
        """A weighted sum of the vector's quantities, with its trials (n,)."""
        at = [self.names.index(name) for name in parts]
        shares = np.array(list(parts.values()))
        return float(np.array(self.values)[at] @ shares), self.draws.rows[:, at] @ shares

    def arc(self, *, start: str, end: str) -> Value:
        """The knee's arc from one setting to another, degrees; what both share cancels."""
        for name in (start, end):
            self.setting(name)
        return self.difference(f"knee {end}", less=f"knee {start}")


def estimate_visit(
    photos: Sequence[VisitPhoto],
    *,
    rng: np.random.Generator,
    trials: int | None = None,
    movement_deg: float = 0.0,
    left_out: Sequence[tuple[str, str]] = (),
) -> VisitEstimate | NotMeasured:
    """The joint estimate of all photos of one leg in one machine.

    Parameters
    ----------
    photos : sequence of VisitPhoto
        Their order does not matter.
    rng : numpy.random.Generator
        Source of randomness; seeded from the photos, the answer repeats.
    trials : int, optional
        Draws behind intervals and covariance; by default as many as the photos allow.
    movement_deg : float
        Half-width of the leg's movement at a setting, 0 where the machine was paused.
    left_out : sequence of (str, str)
        Photos that were not measured, with reasons: handed on.

    Returns
    -------
    VisitEstimate or NotMeasured
        Refused without photos, with legs of both sides or two displayed numbers at one
        setting, or where the photos contradict one another so that nobody can say which of
        them is wrong.
    """
    ordered = in_order(photos)
    if (why := refused(ordered)) is not None:
        return why
    worlds = _worlds(_system(ordered, movement_deg=movement_deg))
    best = worlds[0][1]
    trials = trials or trials_for(len(ordered))
    draws = _drawn(worlds, trials=trials, rng=rng)
    settled = best.converged and draws.effective >= min(LEAST_EFFECTIVE, 0.05 * trials)
    if (against := _contradiction(worlds[0][0], best, settled=settled)) is not None:
        return against
    return _estimate(worlds[0][0], best, draws, left_out=tuple(left_out))


def trials_for(photos: int) -> int:
    """How many trials so many photos get."""
    return max(FEWER_TRIALS, TRIALS * MANY // max(MANY, photos))


def _system(photos: tuple[VisitPhoto, ...], *, movement_deg: float = 0.0) -> System:
    """The equations of a visit; who shares what is read off the photos as they came."""
    system = system_of(photos, shared(photos), movement_deg=movement_deg)
    return replace(system, photos=open_distance(photos))


def _contradiction(system: System, best: Solved, *, settled: bool) -> NotMeasured | None:
    """Why these photos cannot be judged together, or None.

    Wild points in half of the photos leave nobody to say who is right.
    """
    wild = {photo for photo, _ in _wild(system, best)}
    apart = system.said > 0 and float(chdtrc(system.said, best.square)) < P_REFUSED
    if settled and not apart and 2 * len(wild) < len(system.photos):
        return None
    if len(system.photos) == 1:
        return ALONE
    said, photos = say("the photos contradict one another"), ", ".join(sorted(wild))
    if len(system.photos) > 2 and wild:
        one = say("{photos} contradicts the rest", photos=photos)
        said = one if len(wild) == 1 else say("{photos} contradict the rest", photos=photos)
    return nothing_common(said)


def _worlds(system: System) -> list[tuple[System, Solved, float]]:
    """The likeliest reading of the photos, then those with one mirrored plane; with odds."""
    found = [(system, solve(system), 0.0)]
    for which, photo in enumerate(system.photos):
        view = photo.leg.view
        if view.other_normal is None or view.p_other < LEAST_P_OTHER:
            continue
        turned = replace(view, normal=view.other_normal, other_normal=None, p_other=0.0)
        leg = replace(photo.leg, view=turned)
        photos = list(system.photos)
        photos[which] = replace(photo, leg=leg)
        mirrored = replace(system, photos=tuple(photos))
        odds = float(np.log(view.p_other) - np.log1p(-view.p_other))
        found.append((mirrored, solve(mirrored), odds))
    log_p = np.array([solved.log_evidence + odds for _, solved, odds in found])
    p = np.exp(log_p - log_p.max())
    p = p / p.sum()
    order = np.argsort(-p, kind="stable")
    return [(found[k][0], found[k][1], float(p[k])) for k in order if p[k] >= LEAST_P_OTHER]


def _drawn(
    worlds: Sequence[tuple[System, Solved, float]], *, trials: int, rng: np.random.Generator
) -> Trials:
    """Trials of all readings, each by its probability."""
    total = sum(p for _, _, p in worlds)
    parts = []
    for system, solved, p in worlds:
        share = p / total
        part = trials_of(system, solved, trials=max(50, round(trials * share)), rng=rng)
        parts.append((part.rows, share * part.weights))
    return Trials(
        np.concatenate([rows for rows, _ in parts]),
        np.concatenate([weights for _, weights in parts]),
    )


def _estimate(
    system: System, best: Solved, draws: Trials, *, left_out: tuple[tuple[str, str], ...]
) -> VisitEstimate:
    names, means = vector_of(system, draws)
    at_best = system.values((best.x * best.scale)[:, None])[:, 0]
    rows = in_mm(names, draws.rows @ means.T)
    values = best_values(system, names, in_mm(names, means @ at_best), rows, draws.weights)
    away = rows - values
    covariance = (draws.weights[:, None] * away).T @ away
    drawn = Trials(rows, draws.weights)
    wild = _wild(system, best)
    dof = system.said
    p_value = float(chdtrc(dof, best.plain_chi2)) if dof else 1.0
    places = list(dict.fromkeys(photo.setting for photo in system.photos))
    knees = means[[names.index(f"knee {name}") for name in places]]
    settings = [
        _setting(system, name, names=names, values=values, drawn=drawn, shrink=shrink)
        for name, shrink in zip(places, _shrinks(best, best.slopes_of(knees)), strict=True)
    ]
    if len(system.photos) == 1:
        values, covariance = _as_told(names, values, covariance, settings[0])
    return VisitEstimate(
        photos=system.photos,
        settings=tuple(sorted(settings, key=lambda one: (one.adjusted, one.knee.value, one.name))),
        names=names,
        values=tuple(float(v) for v in values),
        covariance=tuple(tuple(float(v) for v in row) for row in covariance),
        draws=drawn,
        chi2=best.plain_chi2,
        dof=dof,
        p_value=p_value,
        wild=wild,
        left_out=left_out,
        cautions=_cautions(p_value, wild),
    )


def value_of(value: float, drawn: Floats, weights: Floats) -> Value:
    """U about the value, and the 95 % interval of weighted draws (JCGM 101, 7.7)."""
    order = np.argsort(drawn, kind="stable")
    upto = np.cumsum(weights[order]) - 0.5 * weights[order]
    low, high = np.interp((0.025, 0.975), upto, drawn[order])
    u = np.sqrt(np.sum(weights * (drawn - value) ** 2))
    return Value(float(value), float(u), (float(low), float(high)))


def _setting(
    system: System,
    name: str,
    *,
    names: tuple[str, ...],
    values: Floats,
    drawn: Trials,
    shrink: tuple[Reach, ...],
) -> SettingEstimate:
    mine = [photo for photo in system.photos if photo.setting == name]
    at = {q: names.index(f"{q} {name}") for q in QUANTITIES if f"{q} {name}" in names}

    def seen(quantity: str) -> Value | None:
        if quantity not in at:
            return None
        return value_of(values[at[quantity]], drawn.rows[:, at[quantity]], drawn.weights)

    knee = at["knee"]
    fit = None
    if "frame" in at:
        apart = drawn.rows[:, at["frame"]] - drawn.rows[:, knee]
        fit = value_of(values[at["frame"]] - values[knee], apart, drawn.weights)
    shown = [photo.displayed_deg for photo in mine if photo.displayed_deg is not None]
    found = SettingEstimate(
        name=name,
        photos=tuple(photo.name for photo in mine),
        adjusted=mine[0].adjusted,
        displayed_deg=shown[0] if shown else None,
        knee=value_of(values[knee], drawn.rows[:, knee], drawn.weights),
        frame=seen("frame"),
        fit=fit,
        distal=seen("distal"),
        anterior=seen("anterior"),
        camera_seen=any(photo.leg.provable for photo in mine),
        shrink=shrink,
    )
    return _as_alone(found, mine[0]) if len(system.photos) == 1 else found


def _as_alone(found: SettingEstimate, photo: VisitPhoto) -> SettingEstimate:
    """One photo alone keeps its own answer to the last digit."""
    if photo.own is None:
        return found
    knee, frame = photo.own
    found = replace(found, knee=Value(knee.deg, knee.u_deg, knee.interval_deg))
    # Bars that a network guessed are none here, or those of the tags stand for them.
    if frame is None or found.frame is None or abs(found.frame.value - frame.deg) > SAME_DEG:
        return found
    return replace(found, frame=Value(frame.deg, frame.u_deg, frame.interval_deg))


def _as_told(
    names: tuple[str, ...], values: Floats, covariance: Floats, told: SettingEstimate
) -> tuple[Floats, Floats]:
    """The vector of a photo alone with its own knee and bars, and their u, as told."""
    values, size = values.copy(), np.ones(len(names))
    for quantity, own in (("knee", told.knee), ("frame", told.frame)):
        if own is not None:
            at = names.index(f"{quantity} {told.name}")
            values[at], size[at] = own.value, own.u / np.sqrt(covariance[at, at])
    return values, covariance * np.outer(size, size)


def _shrinks(best: Solved, slopes: Floats) -> list[tuple[Reach, ...]]:
    """Each knee's variance with each group of inputs known, by Laplace; the most first."""
    groups: dict[str, list[int]] = {}
    for k, key in enumerate(best.system.inputs.keys):
        what = f"{key[0]} {key[1]}" if key[0] in {"placement", "direction"} else key[0]
        what = what.removesuffix(" alike")
        groups.setdefault(what, []).append(k)
    total = best.ties.variances(slopes)
    reached: list[list[Reach]] = [[] for _ in slopes]
    for what, at in groups.items():
        known = np.zeros(len(best.x), dtype=bool)
        known[at] = True
        for n, left in enumerate(best.variances(slopes, known=known)):
            share = 0.0 if total[n] == 0.0 else float(1.0 - left / total[n])
            reached[n].append(Reach(what, float(np.sqrt(left)), share))
    return [tuple(sorted(one, key=lambda reach: -reach.share)) for one in reached]


def _wild(system: System, best: Solved) -> tuple[tuple[str, str], ...]:
    """Photo and point of every point that counts less than `WILD_WEIGHT`."""
    found: dict[tuple[str, str], None] = {}
    for k, key in enumerate(system.inputs.keys):
        if key[0] == "finding" and best.scale[k] ** -2 < WILD_WEIGHT:
            found[key[2], key[1]] = None
    return tuple(found)


def _cautions(p_value: float, wild: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    if wild:
        return tuple(
            say(
                "In {photo} the point {point} does not fit the other photos and counts little: "
                "look where it lies, and whether that photo belongs to its setting; move the point "
                "or photograph again.", photo=photo, point=POINT_WORDS[point],
            )
            for photo, point in wild
        )  # fmt: skip
    if p_value < LEAST_P:
        return (
            say(
                "The photos do not fit one leg in one machine within their ±: check that all show "
                "one visit, that each has its own setting, and that nothing was moved between them."
            ),
        )
    return ()
