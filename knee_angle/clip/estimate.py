"""The joint estimate of a clip: one camera path, one focal length, marks fixed on their bones.

Unknown are the path (how the camera leans and how far it is, smooth in time: splines with a
knot every half second) and the common inputs of `model`. They are weighed against

* what each picture shows of the camera (strip, or the network's direction),
* the lengths of bones and bars, which are the same in every picture,
* the path's smoothness, and what was known before (the inputs are standard normal).

That is a least-squares problem with a few unknowns a second of film (`solving`), with Cauchy's
weights, so that a picture in which something went wrong counts little. It begins with some
pictures and, without a strip, at several places; solutions between which the pictures do not
decide are told as one (`joint`). What comes out is linear about its best values, but for the
bars' depth (`spread`): covariances are those of the normal equations. A picture's own error of
finding its points is added to its own ±; what all pictures share (placement, depth, direction)
stays in every ± and cancels in a difference as far as it is the same at both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve

from knee_angle.clip.joint import Joint, Quantity, together
from knee_angle.clip.model import Clipped, Seen, answered, inputs_for
from knee_angle.clip.solving import CAUCHY, cauchy, solved
from knee_angle.clip.spread import root_along, spread_along
from knee_angle.clip.standing import settled

__all__ = ["estimated"]

Floats = NDArray[np.float64]

KNOT_S = 0.5
U_BEND_DEG, U_BEND_LOG = 0.25, 0.004
"""How far the path bends from one knot to the next: a hand at arm's length moves the phone by
some millimetres in half a second (our own)."""
COARSE, COARSE_GAIN = 48, 1.0
"""So many pictures, spread over the film, tell where to begin, to so much of a square of u."""
STARTS_DEG = ((0.0, 0.0), (-15.0, 0.0), (15.0, 0.0), (-30.0, 0.0), (30.0, 0.0))
"""Without a strip a leg seen from the left can look like one seen from the right: where the
camera is looked for, from what the pictures say alone (once and twice the ± of people who
photograph); then where each solution's mirror image is. A path that may bend explains a camera
that is elsewhere too, so it hardly bends (one stretch, `STIFF_S`) until the place is found."""
STIFF_S = np.inf
LIKELY, LIKELY_SHARE, MOST_SOLUTIONS, SAME_DEG = 30.0, 0.25, 3, 1.5
"""Solutions of the few pictures that fit worse by no more than so many squares of u, or such a
share of all, are tried on all pictures, at most so many; leans that differ by less are the same."""
LEAST_U_LOG = 0.003
"""± of a bone's or bar's length from picture to picture beside finding its ends (our own)."""
ODD = 5.0
"""A picture whose lengths are so many u off is not used."""
NEAR_DEG, NEAR_U, FAR = 3.0, 1.0, 4.0
"""Slopes by the inputs, of which there are many, are taken anew where the path leans elsewhere
by more or an input is elsewhere by more (so many times more while it hardly bends); and at the
solution."""
HALF = 0.02
"""Step of the inputs for slopes, in u; and of a lean (radians) and log distance: a tenth."""


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """The unknowns: lean (knots, 2), log distance (knots,), inputs, log lengths."""

    lean: Floats
    log_mm: Floats
    z: Floats
    log_lengths: Floats

    def moved(self, by: Floats) -> _State:
        m = len(self.log_mm)
        return _State(
            self.lean + by[: 2 * m].reshape(m, 2),
            self.log_mm + by[2 * m : 3 * m],
            self.z + by[3 * m : 3 * m + len(self.z)],
            self.log_lengths + by[3 * m + len(self.z) :],
        )


def estimated(seconds: Floats, seen: Seen) -> Joint:
    """The joint estimate of all pictures.

    Parameters
    ----------
    seconds : ndarray, shape (n,)
        Their times.
    seen : Seen
        What was seen in them.
    """
    few = _spread(seen, len(seconds))
    some = seen.of_pictures(few)
    coarse, problem = _Problem(seconds[few], some), _Problem(seconds, seen)
    begun = [coarse.start()]
    if not seen.strip:
        stiff = _Problem(seconds[few], some, knot_s=STIFF_S)
        begun = [coarse.loosened(one, stiff) for one in _begun(stiff)]
    found = [solved(coarse, one, enough=COARSE_GAIN) for one in begun]
    return together([_finished(problem, one) for one in _different(found, coarse)])


def _finished(problem: _Problem, state: _State) -> Joint:
    """The solution from here, with slopes and a leg's size of its own place at the end."""
    problem.sized(state)
    state = solved(problem, state)
    problem.forget()
    problem.sized(state)
    return problem.joint(solved(problem, state))


def _begun(stiff: _Problem) -> list[_State]:
    """Where to begin with all pictures: the likely solutions of a few, the best first."""
    found = [solved(stiff, stiff.start(turned_deg=one), enough=COARSE_GAIN) for one in STARTS_DEG]
    mirrored = [_mirrored(one, stiff) for one in _different(found, stiff)]
    found += [solved(stiff, stiff.start(turned_deg=one), enough=COARSE_GAIN) for one in mirrored]
    different = _different(found, stiff)
    best = stiff.cost(different[0])
    most = best + max(LIKELY, LIKELY_SHARE * best)
    return [one for one in different if stiff.cost(one) <= most][:MOST_SOLUTIONS]


def _mirrored(state: _State, stiff: _Problem) -> tuple[float, float]:
    """How far from the usual start the mirror image of a solution lies, degrees."""
    usual = stiff.start().lean.mean(axis=0)
    along, across = np.degrees(-state.lean.mean(axis=0) - usual)
    return float(along), float(across)


def _different(found: Sequence[_State], problem: _Problem) -> list[_State]:
    """Solutions that are not the same, the best first."""
    kept: list[_State] = []
    for one in sorted(found, key=problem.cost):
        leans = [np.abs(one.lean.mean(axis=0) - other.lean.mean(axis=0)) for other in kept]
        if all(np.degrees(apart.max()) >= SAME_DEG for apart in leans):
            kept.append(one)
    return kept


def _spread(seen: Seen, count: int) -> NDArray[np.intp]:
    """Pictures spread over the film, and some of those that show the camera."""
    shown = np.nonzero(~np.isnan(seen.sights.lean[:, 0]))[0]
    shown = shown[:: -(-len(shown) // (COARSE // 2))] if len(shown) else shown
    even = np.linspace(0, count - 1, min(COARSE, count)).round().astype(np.intp)
    return np.union1d(even, shown)


class _Problem:
    """All equations of one clip."""

    def __init__(self, seconds: Floats, seen: Seen, *, knot_s: float = KNOT_S) -> None:
        self.seen, self.inputs = seen, inputs_for(seen)
        self.basis, self._far = _basis(seconds, knot_s), 1.0 if knot_s == KNOT_S else FAR
        lengths_seen = [~np.isnan(seen.points_px[:, :3]).any(axis=(1, 2))]
        if seen.points_px.shape[1] == 6:
            lengths_seen.append(~np.isnan(seen.points_px[:, 3:]).any(axis=(1, 2)))
        self.whole = np.repeat(np.array(lengths_seen).T, 2, axis=1)
        self._own: dict[str, Floats] = {}
        self._slopes: tuple[_State, Floats] | None = None
        self._askew = 0.0

    def start(self, *, turned_deg: tuple[float, float] = (0.0, 0.0)) -> _State:
        """The path through what the pictures show alone, turned; inputs at their usual values."""
        sights = self.seen.sights
        lean = self._through(np.nan_to_num(settled(sights.lean, sights.other, sights.log_odds)),
                             ~np.isnan(sights.lean[:, 0]), np.radians(U_BEND_DEG))  # fmt: skip
        lean = lean + np.radians(turned_deg)
        far = sights.distance_mm
        known = ~np.isnan(far)
        log_mm = np.log(np.where(known, far, self.seen.leg.view.knee_distance_mm))
        if not known.any():
            known = np.ones_like(known)
        path = self._through(log_mm[:, None], known, U_BEND_LOG)[:, 0]
        z = np.zeros(len(self.inputs.names))
        state = _State(lean, path, z, np.zeros(self.whole.shape[1]))
        logs = self._answer(state).log_lengths
        usual = np.array([np.median(col[ok]) for col, ok in zip(logs.T, self.whole.T, strict=True)])
        return _State(lean, path, z, usual)

    def sized(self, state: _State) -> None:
        """Take the leg for as far as one of usual size is that leans as in this state."""
        view, points = self.seen.leg.view, self.seen.points_px
        flat_px = np.linalg.norm(np.diff(points[:, :3], axis=1), axis=-1).sum(axis=1)
        flat_mm = np.nanmedian(flat_px) * view.knee_distance_mm / self.seen.leg.lens.focal_px
        nearer = np.log(view.knee_distance_mm) - float((self.basis @ state.log_mm).mean())
        nearer -= (
            view.u_distance_mm / view.knee_distance_mm * state.z[self.inputs.at("distance")][0]
        )
        leg_mm = np.exp(state.log_lengths[:2]).sum()
        self._askew = self.seen.by_leg * (np.log(leg_mm / flat_mm) + nearer)

    def loosened(self, state: _State, stiff: _Problem) -> _State:
        """A solution of the same pictures whose path hardly bends, on this problem's knots."""
        known = np.ones(len(self.basis), dtype=bool)
        lean = self._through(stiff.basis @ state.lean, known, np.radians(U_BEND_DEG))
        log_mm = self._through((stiff.basis @ state.log_mm)[:, None], known, U_BEND_LOG)[:, 0]
        return replace(state, lean=lean, log_mm=log_mm)

    def _through(self, values: Floats, known: NDArray[np.bool_], u_bend: float) -> Floats:
        bend = np.diff(np.eye(self.basis.shape[1]), n=2, axis=0) * (np.radians(0.5) / u_bend)
        basis = self.basis[known]
        weight = np.ones(len(basis))
        for _ in range(4):
            normal = (basis * weight[:, None]).T @ basis + bend.T @ bend
            normal += 1e-9 * np.eye(len(normal))
            found = np.linalg.solve(normal, (basis * weight[:, None]).T @ values[known])
            away = np.linalg.norm(values[known] - basis @ found, axis=1)
            weight = 1.0 / (1.0 + (away / max(2.0 * float(np.median(away)), 1e-6)) ** 2)
        return np.asarray(found)

    def _answer(self, state: _State) -> Clipped:
        lean, log_mm = self.basis @ state.lean, self.basis @ state.log_mm
        return answered(self.seen, self.inputs, lean, log_mm, state.z)

    def forget(self) -> None:
        """Take the slopes by the inputs anew at the next state."""
        self._slopes = None

    def _by_path(self, state: _State) -> tuple[Clipped, Floats]:
        """The answer, and how each quantity follows the path (n, q, 3)."""
        lean, log_mm = self.basis @ state.lean, self.basis @ state.log_mm
        clipped = answered(self.seen, self.inputs, lean, log_mm, state.z)
        best, slopes = _quantities(clipped), []
        for axis in range(3):
            off = np.zeros((len(lean), 3))
            off[:, axis] = HALF / 10
            moved = answered(self.seen, self.inputs, lean + off[:, :2], log_mm + off[:, 2], state.z)
            slopes.append((_quantities(moved) - best) / (HALF / 10))
        return clipped, np.stack(slopes, axis=-1)

    def _by_input(self, state: _State, clipped: Clipped) -> Floats:
        """How each quantity follows the inputs (n, q, m): as near this state, where it is known."""
        if self._slopes is not None and _near(self._slopes[0], state, self._far):
            return self._slopes[1]
        lean, log_mm = self.basis @ state.lean, self.basis @ state.log_mm
        best, slopes = _quantities(clipped), []
        for k in range(len(state.z)):
            z = state.z.copy()
            z[k] += HALF
            moved = answered(self.seen, self.inputs, lean, log_mm, z)
            slopes.append((_quantities(moved) - best) / HALF)
        self._slopes = state, np.stack(slopes, axis=-1)
        return self._slopes[1]

    def rows(self, state: _State) -> tuple[Floats, Floats]:
        """Weighted equations: slopes (r, p) and what is left (r,)."""
        clipped, by_path = self._by_path(state)
        by_input = self._by_input(state, clipped)
        parts = [
            self._of_lean(state), self._of_distance(state), self._of_bend(state),
            self._of_inputs(state), self._of_lengths(state, clipped, by_path, by_input),
        ]  # fmt: skip
        return np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])

    def _blank(self, count: int, state: _State) -> Floats:
        return np.zeros((count, 3 * self.basis.shape[1] + len(state.z) + len(state.log_lengths)))

    def _of_lean(self, state: _State) -> tuple[Floats, Floats]:
        m, at = self.basis.shape[1], self.inputs.at("direction")
        known, roots, off = self._off_lean(state)
        weights = cauchy(_pair(off))
        rows = self._blank(2 * len(known), state)
        for i, (k, root) in enumerate(zip(known, roots, strict=True)):
            slope = self._blank(2, state)
            for axis in range(2):
                slope[axis, axis : 2 * m : 2] = self.basis[k]
                slope[axis, 3 * m + at.start + axis] = np.radians(self.seen.u_common_deg)
            rows[2 * i : 2 * i + 2] = weights[i] * root @ slope
        return rows, (weights[:, None] * off).reshape(-1)

    def _off_lean(self, state: _State) -> tuple[NDArray[np.intp], Floats, Floats]:
        """Pictures that show the camera's lean, what makes it of unit ±, and what is left."""
        sights = self.seen.sights
        seen = settled(sights.lean, sights.other, sights.log_odds)
        known = np.nonzero(~np.isnan(seen[:, 0]))[0]
        common = np.radians(self.seen.u_common_deg) * state.z[self.inputs.at("direction")]
        roots = np.linalg.inv(np.linalg.cholesky(sights.cov[known] + 1e-10 * np.eye(2)))
        off = seen[known] - self.basis[known] @ state.lean - common
        return known, roots, np.einsum("nij,nj->ni", roots, off)

    def _of_distance(self, state: _State) -> tuple[Floats, Floats]:
        m = self.basis.shape[1]
        basis, off = self._off_distance(state)
        weight = cauchy(off)
        rows = self._blank(len(off), state)
        rows[:, 2 * m : 3 * m] = basis * weight[:, None]
        return rows, weight * off

    def _off_distance(self, state: _State) -> tuple[Floats, Floats]:
        """What the distances seen follow of the path, in their ±, and what is left."""
        sights = self.seen.sights
        known = np.nonzero(~np.isnan(sights.distance_mm))[0]
        if len(known) == 0:  # the leg's usual size stands for all
            basis = self.basis.mean(axis=0)[None] / 0.01
            usual = (np.log(self.seen.leg.view.knee_distance_mm) - self._askew) / 0.01
            return basis, np.asarray(usual - basis @ state.log_mm)
        u = np.maximum(sights.u_distance[known], 1e-4)
        basis = self.basis[known] / u[:, None]
        return basis, np.asarray(np.log(sights.distance_mm[known]) / u - basis @ state.log_mm)

    def _of_bend(self, state: _State) -> tuple[Floats, Floats]:
        m = self.basis.shape[1]
        bend, left = self._off_bend(state)
        rows = self._blank(left.size, state)
        for axis in range(3):
            at = slice(axis * len(bend), (axis + 1) * len(bend))
            columns = slice(axis, 2 * m, 2) if axis < 2 else slice(2 * m, 3 * m)
            rows[at, columns] = bend / (np.radians(U_BEND_DEG) if axis < 2 else U_BEND_LOG)
        return rows, left.T.reshape(-1)

    def _off_bend(self, state: _State) -> tuple[Floats, Floats]:
        """Second differences (knots - 2, knots), and how far the path bends (knots - 2, 3)."""
        bend = np.diff(np.eye(self.basis.shape[1]), n=2, axis=0)
        path = np.column_stack([state.lean / np.radians(U_BEND_DEG), state.log_mm / U_BEND_LOG])
        return bend, -(bend @ path)

    def _of_inputs(self, state: _State) -> tuple[Floats, Floats]:
        rows, m = self._blank(len(state.z), state), self.basis.shape[1]
        rows[:, 3 * m : 3 * m + len(state.z)] = np.eye(len(state.z))
        return rows, -state.z

    def _of_lengths(
        self, state: _State, clipped: Clipped, by_path: Floats, by_input: Floats
    ) -> tuple[Floats, Floats]:
        off, u_mm = self._off_lengths(state, clipped), self._u_mm(clipped, state)
        weight = np.where(self.whole, cauchy(off), 0.0)
        m, q = self.basis.shape[1], off.shape[1]
        rows = self._blank(off.size, state)
        # What is left is (length - seen) / (mm per px): both what is seen and the scale move it.
        seen = (np.exp(clipped.log_lengths) / u_mm)[:, :, None]
        slope_p, slope_z = (
            np.nan_to_num(seen * by[:, -2 * q : -q] + off[:, :, None] * by[:, -q:])
            for by in (by_path, by_input)
        )
        for k in range(q):
            at = slice(k * len(off), (k + 1) * len(off))
            each = weight[:, k, None]
            for axis in range(2):
                rows[at, axis : 2 * m : 2] = each * slope_p[:, k, axis : axis + 1] * self.basis
            rows[at, 2 * m : 3 * m] = each * slope_p[:, k, 2:] * self.basis
            rows[at, 3 * m : 3 * m + len(state.z)] = each * slope_z[:, k]
            rows[at, 3 * m + len(state.z) + k] = (
                -weight[:, k] * np.exp(state.log_lengths[k]) / u_mm[:, k]
            )
        return np.nan_to_num(rows), (weight * off).T.reshape(-1)

    def _off_lengths(self, state: _State, clipped: Clipped) -> Floats:
        """What is left of each length (n, q), in its ±; 0 where it is not seen."""
        off = np.exp(state.log_lengths) - np.exp(clipped.log_lengths)
        return np.where(self.whole, off / self._u_mm(clipped, state), 0.0)

    def cost(self, state: _State) -> float:
        """How badly a state fits: squares, and their logarithm where an odd one counts little."""
        odd = [
            _pair(self._off_lean(state)[2]) ** 2 * 2.0,
            self._off_distance(state)[1] ** 2,
            self._off_lengths(state, self._answer(state)) ** 2,
        ]
        kinds = (2.0, 1.0, 1.0)
        robust = sum(
            float(np.sum(kind * CAUCHY**2 * np.log1p(one / (kind * CAUCHY**2))))
            for kind, one in zip(kinds, odd, strict=True)
        )
        return robust + float(np.sum(self._off_bend(state)[1] ** 2) + np.sum(state.z**2))

    def _u_mm(self, clipped: Clipped, state: _State) -> Floats:
        """± of each length by its own points: what they are off by in pixels, in this state's mm.

        A ± of the logarithm would make longer bones surer, which with many pictures decides.
        """
        if "px" not in self._own:
            own, logs = self._by_points(state), clipped.log_lengths
            by_points = own[:, 4 : 4 + logs.shape[1]]
            u_logs = np.sqrt(np.nan_to_num(by_points, nan=1.0) ** 2 + LEAST_U_LOG**2)
            self._own["px"] = np.nan_to_num(u_logs * np.exp(logs) / clipped.mm_per_px, nan=1.0)
        return self._own["px"] * clipped.mm_per_px

    def _by_points(self, state: _State) -> Floats:
        """What each quantity is off by for a picture's own errors of finding, (n, q)."""
        lean, log_mm = self.basis @ state.lean, self.basis @ state.log_mm
        best = _quantities(answered(self.seen, self.inputs, lean, log_mm, state.z))
        total = np.zeros_like(best)
        for k in range(self.seen.points_px.shape[1]):
            for axis in range(2):
                points = self.seen.points_px.copy()
                points[:, k, axis] += 0.1
                moved = _with_points(self.seen, points)
                there = _quantities(answered(moved, self.inputs, lean, log_mm, state.z))
                total += ((there - best) / 0.1 * self.seen.u_px[:, k : k + 1]) ** 2
        return np.sqrt(total)

    def joint(self, state: _State) -> Joint:
        """What the solution says."""
        rows, _ = self.rows(state)
        clipped, by_path = self._by_path(state)
        by_input = self._by_input(state, clipped)
        own = self._by_points(state)
        factor = cho_factor(rows.T @ rows)
        cov = cho_solve(factor, np.eye(rows.shape[1]))
        root = root_along(cov, 3 * self.basis.shape[1] + self.inputs.names.index("depth:bars"))
        values, curved = spread_along(
            lambda z: _quantities(self._answer(state.moved(z * root[:, 0])))[:, :4]
        )
        slopes_of = [self._full(by_path[:, k], by_input[:, k], state) for k in range(4)]
        knee_slopes = slopes_of[0]
        found = [
            Quantity(
                values[:, k],
                np.nan_to_num(own[:, k]),
                np.hstack([curved[:, k], np.nan_to_num(slope) @ root[:, 1:]]),
            )
            for k, slope in enumerate(slopes_of)
        ]
        knee, bars, distal, anterior = found
        machine = clipped.drawn.frame_deg is not None
        off = self._off_lengths(state, clipped)
        used = self.whole[:, 0] & (np.abs(off).max(axis=1) <= ODD)
        return Joint(
            knee=knee,
            bars=bars if machine else None,
            distal=distal if machine else None,
            anterior=anterior if machine else None,
            used=used,
            lean=self.basis @ state.lean,
            distance_mm=np.exp(self.basis @ state.log_mm),
            focal=float(np.exp(self.seen.leg.lens.u_relative * state.z[0])),
            shares=self._shares(knee_slopes, cov),
            chi2=float(np.sum(off[used] ** 2)),
            dof=int(self.whole[used].sum()),
            log_evidence=-0.5 * self.cost(state) - float(np.sum(np.log(np.diag(factor[0])))),
        )

    def _full(self, by_path: Floats, by_input: Floats, state: _State) -> Floats:
        """Slopes of a quantity (n, p) by all unknowns."""
        m = self.basis.shape[1]
        full = self._blank(len(by_path), state)
        for axis in range(2):
            full[:, axis : 2 * m : 2] = by_path[:, axis : axis + 1] * self.basis
        full[:, 2 * m : 3 * m] = by_path[:, 2:] * self.basis
        full[:, 3 * m : 3 * m + by_input.shape[1]] = by_input
        return full

    def _shares(self, slopes: Floats, cov: Floats) -> dict[str, Floats]:
        """Share of the variance that knowing a group of inputs would take away."""
        first = 3 * self.basis.shape[1]
        groups: dict[str, list[int]] = {}
        for k, name in enumerate(self.inputs.names):
            parts = name.split(":")
            what = f"placement {parts[1]}" if parts[0] == "placement" else parts[0]
            groups.setdefault("direction camera" if what == "direction" else what, []).append(
                first + k
            )
        slopes = np.nan_to_num(slopes)
        both = slopes @ cov
        total = np.maximum(np.sum(both * slopes, axis=1), 1e-12)
        shares = {}
        for what, at in groups.items():
            known = np.linalg.solve(cov[np.ix_(at, at)], both[:, at].T).T
            shares[what] = np.sum(both[:, at] * known, axis=1) / total
        return shares


def _near(one: _State, other: _State, times: float) -> bool:
    """Whether two states are so near that slopes by the inputs are nearly the same."""
    leans = np.abs(one.lean - other.lean).max() <= times * np.radians(NEAR_DEG)
    return bool(leans and np.abs(one.z - other.z).max() <= times * NEAR_U)


def _quantities(clipped: Clipped) -> Floats:
    """Knee, bars, hinge (distal, anterior), log lengths and scales: (n, 4 + 2 lengths)."""
    drawn = clipped.drawn
    nothing = np.full_like(drawn.knee_deg, np.nan)
    bars = nothing if drawn.frame_deg is None else drawn.frame_deg
    hinge = np.column_stack([nothing, nothing]) if drawn.hinge_mm is None else drawn.hinge_mm
    scales = np.log(clipped.mm_per_px)
    return np.column_stack([drawn.knee_deg, bars, hinge, clipped.log_lengths, scales])


def _with_points(seen: Seen, points: Floats) -> Seen:
    return replace(seen, points_px=points)


def _basis(seconds: Floats, knot_s: float) -> Floats:
    """Cubic splines with a knot every so many seconds, at the pictures' times, (n, m)."""
    start, end = float(seconds[0]), float(seconds[-1])
    count = max(1, round((end - start) / knot_s))
    inner = np.linspace(start, end + 1e-6, count + 1)
    knots = np.concatenate([np.repeat(inner[0], 3), inner, np.repeat(inner[-1], 3)])
    return np.asarray(BSpline.design_matrix(seconds, knots, 3).toarray())


def _pair(off: Floats) -> Floats:
    """Size of two things left (n, 2), as of one."""
    return np.asarray(np.linalg.norm(off, axis=-1) / np.sqrt(2.0))
