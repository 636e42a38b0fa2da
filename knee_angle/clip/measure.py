"""A clip from the file to the answer: read this first; what it decides is decided below it.

::

    film -> looks and points followed -> what counts -> joint estimate over all pictures
     -> ends, cycles -> display against bars and knee -> limits and verdicts
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from knee_angle.angle.bounds import (
    Lacking,
    LimitStanding,
    apart,
    extension_lacking,
    limit_standings,
)
from knee_angle.angle.verdict import judged, tolerance_at, u_display_deg
from knee_angle.assumptions import COVERAGE, END_FROM_DEG
from knee_angle.clip import said
from knee_angle.clip.answer import (
    ClipAnswer,
    ClipEnd,
    ClipFrame,
    ClipOutcome,
    DisplayAgainst,
    Which,
)
from knee_angle.clip.chosen import chosen_pictures, visit_of
from knee_angle.clip.course import (
    Turn,
    as_far_as_furthest,
    cycle_seconds,
    end_weights,
    furthest_of,
    shape_of,
    turns_of,
    turns_unseen,
    u_of_tip,
)
from knee_angle.clip.curve import Curve, fit_curve
from knee_angle.clip.estimate import estimated
from knee_angle.clip.film import Film, lens_of_film, opened_film
from knee_angle.clip.following import Followed, NumberReader, follow
from knee_angle.clip.gather import Gathered, gathered
from knee_angle.clip.joint import Joint, Quantity
from knee_angle.clip.numbers import Readings
from knee_angle.clip.reading import (
    alarms_of_display,
    alarms_of_either,
    numbers_read,
    reader_by,
    told_of_reading,
)
from knee_angle.clip.weighing import Weigher
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.base import Detector
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.cause import alarms_of, at_limits
from knee_angle.machine.prescribed import LegSettings, which_knee
from knee_angle.photo.crop import crop_jpeg
from knee_angle.photo.reading import photo_of_pixels
from knee_angle.records import Angle, CropJpeg, NotMeasured
from knee_angle.settings import Settings
from knee_angle.visit import Reach, Value

__all__ = ["Readings", "crops_of", "measure_clip"]

Floats = NDArray[np.float64]

MOST_UNSEEN = 0.1
"""A larger share of the film without the whole leg is told."""
LEAST_USED = 0.5
"""A clip of which fewer of the pictures with the whole leg fit the others is no measurement."""
ABOUT_END_S = 1.5
"""Displayed numbers so near to an end in time, its lag included, are that end's."""


def measure_clip(
    path: str | Path,
    *,
    detectors: Sequence[Detector],
    settings: Settings | None = None,
    legs: LegSettings | None = None,
    readings: Readings | None = None,
    reader: NumberReader | None = None,
    f35_mm: float | None = None,
    name: str | None = None,
    progress: Callable[[float, float | None], None] = lambda _done, _all: None,
    stop: Callable[[], bool] = lambda: False,
) -> ClipOutcome:
    """One clip, answered.

    Parameters
    ----------
    path : path
        The film.
    detectors : sequence of Detector
        As for photos.
    settings : Settings, optional
        Tolerances, limits and sizes; the usual ones by default.
    legs : LegSettings, optional
        The same with the limits of each knee, where they differ.
    readings : Readings, optional
        Displayed numbers that were written down: they count, whatever a reader reads.
    reader : NumberReader, optional
        Reads the display in the pictures; by the settings by default.
    f35_mm : float, optional
        The camera's focal length for a 36 mm x 24 mm picture, where it is known.
    name : str, optional
        What to call the clip; its file name by default.
    progress : callable
        Told the seconds done and, where the film says it, those in all.
    stop : callable
        Asked before each picture; where it says yes, the rest is left.

    Raises
    ------
    UnreadableClip
        Whatever keeps the film from being read.
    InvalidInput
        A value that cannot be, or a package that is missing.
    """
    given = settings or Settings()
    if given.use_dots:
        raise InvalidInput(
            "use_dots is of photos: which dot is which may be another in each picture of a film"
        )
    with opened_film(path, name=name) as film:
        followed = follow(
            film,
            detectors=detectors,
            weigher=Weigher(film, detectors, given, f35_mm),
            reader=reader or reader_by(given),
            progress=lambda done: progress(done, film.seconds),
            stop=stop,
        )
    return _answered(film, followed, given, legs=legs, readings=readings, f35_mm=f35_mm)


def _answered(
    film: Film,
    followed: Followed,
    given: Settings,
    *,
    legs: LegSettings | None,
    readings: Readings | None,
    f35_mm: float | None,
) -> ClipOutcome:
    """The steps after the film was seen."""
    wide, high = followed.size_px
    lens = lens_of_film(film, width_px=wide, height_px=high, f35_mm=f35_mm)
    read = numbers_read(followed)
    shown = readings if readings is not None else read
    knees = (given, given) if legs is None else legs.both
    past = () if readings is None else alarms_of_either(shown, knees)
    found = gathered(followed, lens, given) if followed.samples else None
    if found is None or isinstance(found, NotMeasured):
        return replace(found or said.NOTHING, alarms=past)
    joint = estimated(found.seconds, found.seen)
    read, misread = read.that_fit(found.seconds[joint.used], joint.knee.values[joint.used])
    if readings is None:
        shown, past = read, alarms_of_either(read, knees)
    whole = np.isfinite(joint.knee.values)
    if joint.used.sum() < max(3.0, LEAST_USED * float(whole.sum())):
        return replace(said.CONTRADICTING, alarms=past)
    own = float(np.median(joint.knee.u_own[joint.used]))
    if turns_unseen(joint.knee.values[joint.used], own):
        return replace(said.TOO_QUICK, alarms=past)
    judged_by, asked = given, tuple[str, ...]()
    if legs is not None:
        side = found.seen.leg.side
        judged_by, asked = legs.of(side), which_knee(side, legs.only)
        past = alarms_of_display(shown, judged_by)
    answer = _Answering(film, followed, found, joint, shown, judged_by).answer((*asked, *past))
    told = told_of_reading(shown, read, misread, asked=given.read_display)
    answer = replace(answer, cautions=(*told, *answer.cautions))
    chosen = chosen_pictures(
        found, joint, shown=shown,
        lag_s=answer.against[-1].lag_s.value if answer.against else 0.0,
        film_sha256=film.sha256, film=film.name, settings=judged_by,
    )  # fmt: skip
    together = visit_of(chosen, judged_by)
    visit = together if isinstance(together, VisitAnswer) else None
    return replace(answer, chosen=chosen, visit=visit)


def crops_of(path: str | Path, answer: ClipAnswer) -> dict[int, CropJpeg]:
    """Crops of the chosen pictures by their number; the film is read once more for them."""
    wanted = {one.number: one.measurement for one in answer.chosen}
    crops = {}
    with opened_film(path, name=answer.clip) as film:
        for frame in film.frames():
            one = wanted.pop(frame.number, None)
            if one is not None:
                photo = photo_of_pixels(
                    frame.rgb, name=one.photo, sha256=one.photo_sha256 or "", f35_mm=None
                )
                crops[frame.number] = crop_jpeg(photo, one)
            if not wanted:
                break
    return crops


class _Answering:
    """The last steps, on the pictures that fit the others."""

    def __init__(
        self, film: Film, followed: Followed, found: Gathered, joint: Joint, shown: Readings,
        settings: Settings,
    ) -> None:  # fmt: skip
        self.film, self.followed, self.found, self.joint = film, followed, found, joint
        self.shown, self.settings = shown, settings
        self.at = np.nonzero(joint.used)[0]
        self.seconds = found.seconds[self.at]
        self.values = joint.knee.values[self.at]
        self.u_own = float(np.median(joint.knee.u_own[self.at]))
        self.shape = shape_of(self.seconds, self.values, self.u_own)
        self.u_tip = u_of_tip(self.shape, self.u_own)
        self.camera_seen = found.plane != "image"

    def answer(self, past: tuple[str, ...]) -> ClipAnswer:
        """The clip's answer."""
        turns = turns_of(self.shape)
        against = self._against()
        ends = tuple(self._end(which, turns, against) for which in ("extension", "flexion"))
        low, high = (self._together(turns, self._furthest(turns, way)) for way in (False, True))
        arc_deg, u_arc = self.joint.knee.weighed(high - low)
        u_arc = math.hypot(u_arc, math.sqrt(2.0) * self.u_tip)
        whole, length = cycle_seconds(
            self.seconds, self.values, turns, shape=self.shape, u_own=self.u_own
        )
        knees = [Angle(e.knee.value, e.knee.u, e.knee.interval, {}, e.knee.interval) for e in ends]
        alarms = [alarm for knee in knees for alarm in alarms_of(knee, self.settings)]
        standing = [
            told
            for knee in knees
            for told in at_limits(knee, self.settings, camera_seen=self.camera_seen)
        ]
        displays = [end.displayed_deg for end in ends]
        both = displays[0] is not None and displays[1] is not None
        return ClipAnswer(
            clip=self.film.name,
            sha256=self.film.sha256,
            side=self.found.seen.leg.side,
            plane=self.found.plane,
            source=self.found.source,
            seconds=float(self.followed.samples[-1].seconds),
            frames=self._frames(low),
            pictures=self.film.frames_read,
            ends=ends,
            arc=_value(arc_deg, u_arc),
            displayed_arc_deg=displays[1] - displays[0] if both else None,  # type: ignore[operator]
            lacking=self._lacking(ends[0]),
            cycles=whole,
            cycle_s=None if length is None else _value(*length),
            against=against,
            displayed_source=self.shown.source if len(self.shown.seconds) else None,
            camera_seen=self.camera_seen,
            stopped=self.followed.stopped,
            torn=self.film.torn,
            alarms=tuple(dict.fromkeys((*alarms, *past))),
            cautions=tuple(dict.fromkeys((*standing, *self._cautions(ends, against)))),
            used=self.settings,
        )

    def _furthest(self, turns: Sequence[Turn], high: bool) -> Turn:
        return furthest_of(self.shape, turns, high=high, u_own=self.u_own)

    def _weights(self, turn: Turn) -> Floats:
        """Weights over all pictures whose sum is how far the knee goes at a turn."""
        weights = np.zeros(len(self.found.seconds))
        weights[self.at] = end_weights(
            self.seconds, self.values, turn, shape=self.shape, u_own=self.u_own
        )
        return weights

    def _together(self, turns: Sequence[Turn], furthest: Turn) -> Floats:
        """The same of all turns that go as far as the furthest, as far as pictures can tell."""
        if not furthest.inside:
            return self._weights(furthest)
        same = [self._weights(one) for one in turns if one.high is furthest.high and one.inside]
        return as_far_as_furthest(same, self.joint.knee, high=furthest.high)

    def _end(
        self, which: Which, turns: Sequence[Turn], against: Sequence[DisplayAgainst]
    ) -> ClipEnd:
        high = which == "flexion"
        turn = self._furthest(turns, high)
        weights = self._together(turns, turn)
        knee_deg, u_knee = self.joint.knee.weighed(weights)
        knee = _value(knee_deg, math.hypot(u_knee, self.u_tip))
        same = [t for t in turns if t.high is high and t.inside]
        reached = [self.joint.knee.weighed(self._weights(t))[0] for t in same]
        seconds = float(self.seconds[turn.at])
        shown = self._shown_about(seconds, high, against)
        comparison = bound = None
        if shown is not None:
            u = math.hypot(knee.u, u_display_deg(self.settings))
            tolerance = tolerance_at(self.settings, knee_deg=knee.value, displayed_deg=shown)
            comparison = judged(
                shown - knee.value, u=u, tolerance=tolerance, provable=self.camera_seen
            )
            bound = apart(shown - knee.value, u_deg=u)
        return ClipEnd(
            which=which,
            seconds=seconds,
            turned=turn.inside,
            times=len(same),
            spread_deg=float(np.ptp(reached)) if len(reached) > 1 else None,
            knee=knee,
            bars=self._there(self.joint.bars, weights),
            fit=self._fit(weights),
            distal=self._there(self.joint.distal, weights),
            anterior=self._there(self.joint.anterior, weights),
            displayed_deg=shown,
            comparison=comparison,
            apart=bound,
            limits=self._limits(which, knee, shown, turned=turn.inside),
            shrink=self._shrink(int(self.at[turn.at]), knee.u),
        )  # fmt: skip

    def _limits(
        self, which: Which, knee: Value, shown: float | None, *, turned: bool
    ) -> tuple[LimitStanding, ...]:
        """Where the limits stand; the one at an end where no turn was seen is not proven kept."""
        found = limit_standings(
            self.settings, knee_deg=knee.value, u_deg=knee.u, displayed_deg=shown,
            camera_seen=self.camera_seen,
        )  # fmt: skip
        return tuple(
            replace(one, standing="at" if one.standing == "inside" else one.standing, knee="at")
            if one.knee == "inside" and one.which == which and not turned
            else one
            for one in found
        )

    def _there(self, quantity: Quantity | None, weights: Floats) -> Value | None:
        """Another quantity at the same pictures, as far as it was seen in them."""
        if quantity is None:
            return None
        seen = np.where(np.isnan(quantity.values), 0.0, weights)
        if seen.sum() < 0.5:
            return None
        return _value(*quantity.weighed(seen / seen.sum()))

    def _fit(self, weights: Floats) -> Value | None:
        """Bars minus knee; what both share cancels."""
        bars, knee = self.joint.bars, self.joint.knee
        if bars is None:
            return None
        both = Quantity(
            bars.values - knee.values, np.hypot(bars.u_own, knee.u_own), bars.root - knee.root
        )
        return self._there(both, weights)

    def _shown_about(
        self, seconds: float, high: bool, against: Sequence[DisplayAgainst]
    ) -> float | None:
        """The furthest number about an end."""
        lag = against[-1].lag_s.value if against else 0.0
        near = np.abs(self.shown.seconds - seconds - lag) <= ABOUT_END_S
        if not near.any():
            return None
        numbers = self.shown.displayed_deg[near]
        return float(numbers.max() if high else numbers.min())

    def _shrink(self, at: int, u: float) -> tuple[Reach, ...]:
        """What would shrink the knee's ± there, the most first."""
        shares = {what: float(share[at]) for what, share in self.joint.shares.items()}
        found = [
            Reach(what, u * math.sqrt(max(0.0, 1.0 - share)), share)
            for what, share in shares.items()
        ]
        return tuple(sorted(found, key=lambda one: -one.share))

    def _lacking(self, end: ClipEnd) -> Lacking | None:
        """What the knee lacks of extension at its straightest, where it turned there."""
        if not (self.camera_seen and end.turned and end.knee.value < END_FROM_DEG):
            return None
        return extension_lacking(self.settings, knee_deg=end.knee.value, u_deg=end.knee.u)

    def _against(self) -> tuple[DisplayAgainst, ...]:
        """The display against bars, then knee."""
        found = []
        for of, quantity in (("bars", self.joint.bars), ("knee", self.joint.knee)):
            if quantity is None:
                continue
            at = self.at[~np.isnan(quantity.values[self.at])]
            if len(at) < 3:
                continue
            curve = fit_curve(
                read_s=self.shown.seconds, displayed=self.shown.displayed_deg,
                seconds=self.found.seconds[at], x=quantity.values[at], root=quantity.root[at],
                u_own=quantity.u_own[at], step_deg=self.settings.display_resolution_deg,
                typed=self.shown.source == "given", winding=of == "knee",
            )  # fmt: skip
            if curve is not None:
                found.append(_against(of, curve))
        return tuple(found)

    def _frames(self, extension: Floats) -> tuple[ClipFrame, ...]:
        """Every picture that was measured; changes are from the extension end by its weights."""
        knee, bars = self.joint.knee, self.joint.bars
        u, change = knee.u, knee.u_change(extension)
        rows = []
        for k, sample in enumerate(self.found.samples):
            seen = bool(np.isfinite(knee.values[k]))
            by_bars = bars is not None and bool(np.isfinite(bars.values[k]))
            names = list(self.found.seen.leg.points)
            points = zip(names, self.found.seen.points_px[k], strict=True)
            rows.append(
                ClipFrame(
                    number=sample.number,
                    seconds=sample.seconds,
                    looked=sample.look is not None,
                    used=bool(self.joint.used[k]),
                    knee_deg=float(knee.values[k]) if seen else None,
                    u_deg=float(u[k]) if seen else None,
                    u_change_deg=float(change[k]) if seen else None,
                    bars_deg=float(bars.values[k]) if bars is not None and by_bars else None,
                    u_bars_deg=float(bars.u[k]) if bars is not None and by_bars else None,
                    displayed_deg=self.shown.at(sample.seconds, within_s=0.051),
                    points_px=tuple(
                        (name, float(p[0]), float(p[1])) for name, p in points if np.isfinite(p[0])
                    ),
                )
            )
        return tuple(rows)

    def _cautions(
        self, ends: Sequence[ClipEnd], against: Sequence[DisplayAgainst]
    ) -> tuple[str, ...]:
        told: list[str] = []
        if self.film.torn is not None:
            told.append(said.torn(self.film.torn))
        if self.followed.stopped:
            told.append(said.stopped(self.followed.samples[-1].seconds))
        told += [said.no_turn(end.which) for end in ends if not end.turned]
        if not self.camera_seen:
            told.append(said.PRIOR)
        whole = ~np.isnan(self.joint.knee.values)
        if (odd := int((whole & ~self.joint.used).sum())) > 0:
            told.append(said.odd_pictures(odd, int(whole.sum())))
        if (unseen := 1.0 - float(whole.mean())) > MOST_UNSEEN:
            told.append(said.not_seen(unseen))
        if len(self.shown.seconds) and not against:
            told.append(said.LITTLE_MOTION)
        if against and not against[-1].separable:
            told.append(said.NOT_SEPARABLE)
        return (*told, said.CONSTANT, *self.found.cautions)


def _against(of: str, curve: Curve) -> DisplayAgainst:
    u = np.sqrt(np.diag(curve.cov))
    offset, gain, bow, hysteresis, lag = (
        _value(float(v), float(one)) for v, one in zip(curve.values, u, strict=True)
    )
    return DisplayAgainst(
        of="bars" if of == "bars" else "knee",
        range_deg=(curve.low, curve.high),
        readings=curve.readings,
        offset_deg=offset,
        gain=gain,
        bow_deg=bow,
        lag_s=lag,
        hysteresis_deg=hysteresis,
        middle_deg=_value(*curve.middle),
        scatter_deg=curve.scatter,
        separable=curve.separable,
    )


def _value(value: float, u: float) -> Value:
    """With its 95 % interval, normal."""
    return Value(value, u, (value - COVERAGE * u, value + COVERAGE * u))
