"""A world of its own for visits: leg, machine, marks, phone, tags, display, and nothing of ours.

Points in the plane, a camera in space, and errors at their sources; not one formula is
imported from the package, which meets this world only at `as_leg` (pixels to records) and at
`estimate_of` (a joint estimate as numbers).

* **Leg**: thigh, shank (knee to ankle mark) and lower (knee to heel), mm.
* **Machine**: sections that are too long or short, a patient out of place, seated (heel on
  its plate) or sliding, and a pelvis that gives way: by its ``share`` of what does not fit,
  or as two ``springs`` (pelvis along the bed against slings that turn), which is another
  physics than the package's.
* **Marks** lie off the bony points in the axes of their bone and turn with it; fixed where
  dots stay, new in every photo where points are found anew.
* **Display**: offset and gain of the bars, rounded to its step.
* **Phone**: a pinhole with a wrong focal length, a direction known by tags, network or not.

Axes: x along the bed towards the foot, y up (anterior), z towards the camera; mm, radians.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.records import Landmark, LegInView, Lens, View

Floats = NDArray[np.float64]
SLING_LEVER_MM = 200.0


@dataclass(frozen=True)
class World:
    """One patient in one machine, exactly."""

    thigh: float = 420.0
    shank: float = 400.0
    lower: float = 460.0
    thigh_fault: float = 0.0
    lower_fault: float = 0.0
    place: float = 0.0
    seated: bool = True
    give: float = 0.0
    pelvis: str = "share"
    slack: float = 0.0
    height: float = 0.0
    support: float = 300.0
    offset: float = 0.0
    gain: float = 1.0
    step: float = 1.0

    def changed(self, changes: dict[str, float]) -> World:
        """After sections and place were changed, mm."""
        return replace(
            self,
            thigh_fault=self.thigh_fault + changes.get("thigh", 0.0),
            lower_fault=self.lower_fault + changes.get("lower", 0.0),
            place=self.place + changes.get("place", 0.0),
        )

    def display(self, bars: Floats) -> Floats:
        """The display's own angle, degrees, before it is rounded."""
        return self.offset + self.gain * np.asarray(bars, dtype=float)

    def shown(self, bars: Floats) -> Floats:
        """What stands on it."""
        return self.step * np.round(self.display(bars) / self.step)

    def knee(self, bars: Floats) -> Floats:
        """The true knee, degrees."""
        return np.array([self._knee(float(b)) for b in np.atleast_1d(bars)])

    def hinge(self, bars: Floats) -> Floats:
        """The hinge from the knee (distal, anterior), mm, shape (n, 2)."""
        return np.array([self._hinge(float(b)) for b in np.atleast_1d(bars)])

    def _heel(self, bars: float) -> float:
        """How far the heel lies from P when the bars make this bend: two links laid end to end."""
        turn = np.radians(bars)
        end = self._sections[0] + self._sections[1] * np.exp(-1j * turn)
        return abs(end)

    @property
    def _sections(self) -> tuple[float, float]:
        return self.thigh + self.thigh_fault, self.lower + self.lower_fault

    def _reach(self, bend: Floats) -> Floats:
        return np.abs(self.thigh + self.lower * np.exp(-1j * np.radians(bend)))

    def _knee(self, bars: float) -> float:
        return _kept_knee(self, bars)

    def _hinge(self, bars: float) -> tuple[float, float]:
        return _kept_hinge(self, bars)

    def _knee_anew(self, bars: float) -> float:
        if not self.seated:
            return self._slid(bars) - self.slack
        if self.pelvis == "blend":
            seated = replace(self, pelvis="share", give=0.0, slack=0.0)._knee(bars)
            return (1 - self.give) * seated + self.give * bars - self.slack
        start = _TRY if bars >= 0 else -_TRY
        room = self._heel(bars) + self.place
        if self.pelvis == "share":
            wanted = (1 - self.give) * room + self.give * self._reach(np.array(bars))
            missed = np.abs(self._reach(start) - wanted)
        else:
            pulled = (room - self._reach(start)) ** 2
            turned = (SLING_LEVER_MM * np.radians(start - bars)) ** 2
            missed = (1 - self.give) * pulled + self.give * turned
        best = int(np.argmin(missed))
        # The finest step about the best: a parabola through three.
        if 0 < best < len(start) - 1 and self.pelvis == "springs":
            left, here, right = missed[best - 1 : best + 2]
            finer = 0.5 * (left - right) / (left - 2 * here + right) * (start[1] - start[0])
            return float(start[best] + finer) - self.slack
        return float(start[best]) - self.slack

    def _slid(self, bars: float) -> float:
        """The lower leg's support slides on the bar: found on a fine grid of knees."""
        k, d = np.radians(bars + _FINE), np.radians(bars)
        along = np.exp(-1j * k)  # down the shank, thigh axes, y up
        support = self.support * along + self.height * 1j * along
        hinge = (self.thigh_fault + self.place) + 1j * self.height
        off = np.abs(((support - hinge) * np.exp(1j * d)).imag)
        return float(bars + _FINE[np.argmin(off)])

    def _hinge_anew(self, bars: float) -> tuple[float, float]:
        if not self.seated:
            return self.thigh_fault + self.place, self.height
        bend = np.radians(self._knee(bars) + self.slack)
        upper, under = self._sections
        leg = self.thigh + self.lower * np.exp(-1j * bend)
        knee = self.thigh - leg  # from the heel, thigh along x
        hinge = upper - (upper + under * np.exp(-1j * np.radians(bars)))
        # Both chains lie with their hip ends on one line through the heel.
        hinge *= np.exp(1j * (np.angle(leg) - np.angle(hinge_end(upper, under, bars))))
        away = hinge - knee
        return float(away.real), float(away.imag)


def hinge_end(upper: float, under: float, bars: float) -> complex:
    """From P to the heel, in the axes of the thigh section."""
    return complex(upper + under * np.exp(-1j * np.radians(bars)))


@lru_cache(maxsize=20_000)
def _kept_knee(world: World, bars: float) -> float:
    return world._knee_anew(bars)


@lru_cache(maxsize=20_000)
def _kept_hinge(world: World, bars: float) -> tuple[float, float]:
    return world._hinge_anew(bars)


_TRY = np.arange(0.0, 160.0, 0.004)
_FINE = np.arange(-45.0, 45.0, 0.004)


@dataclass(frozen=True)
class Errors:
    """Standard deviations of what a visit does not know."""

    placement: tuple[float, float, float] = (10.0, 5.0, 5.0)
    found_mm: float = 1.0
    bars_own: float = 0.5
    bars_shared: float = 0.8
    scale: float = 0.01
    hinge_own: float = 1.5
    hinge_shared: float = 4.0
    focal: float = 0.02


@dataclass(frozen=True)
class Marked:
    """Marks seen in one photo's plane: hip, knee, ankle, hinge, seen from the true knee, mm."""

    hip: complex
    knee: complex
    ankle: complex
    hinge: complex


def marks_of(world: World, bars: float, placed: Floats) -> Marked:
    """Marks with their placement (6): hip and knee in thigh axes, ankle in shank axes."""
    bend = np.radians(world._knee(bars))
    down = np.exp(-1j * bend)
    x, y = world._hinge(bars)
    return Marked(
        hip=-world.thigh + complex(*placed[:2]),
        knee=complex(*placed[2:4]),
        ankle=down * (world.shank + complex(*placed[4:6])),
        hinge=complex(x, y),
    )


def read_of(marks: Marked) -> Floats:
    """(knee, distal, anterior, thigh, shank) as an onlooker reads them off the marks."""
    thigh, shank = marks.knee - marks.hip, marks.ankle - marks.knee
    unit = thigh / abs(thigh)
    place = (marks.hinge - marks.knee) / unit
    return np.array(
        [-np.degrees(np.angle(shank / thigh)), place.real, place.imag, abs(thigh), abs(shank)]
    )


def estimate_of(
    world: World, bars: Floats, errors: Errors, rng: np.random.Generator
) -> SettingsOfMachine:
    """A visit's joint estimate at these bars: true values, errors at their sources, covariance.

    The covariance is that of the sources by small steps, so that what settings share they
    share rightly.
    """
    bars = np.asarray(bars, dtype=float)
    n = len(bars)
    sd = np.concatenate(
        [
            np.repeat(errors.placement, 2),
            [errors.scale, errors.bars_shared, errors.hinge_shared, errors.hinge_shared],
            np.full(n, errors.bars_own),
            np.full(6 * n, errors.found_mm),
            np.full(2 * n, errors.hinge_own),
        ]
    )

    def read(e: Floats) -> Floats:
        placed, own = e[:6], e[10:]
        rows = []
        for j, b in enumerate(bars):
            found = own[n + 6 * j : n + 6 * j + 6]
            k, x, y, thigh, shank = read_of(marks_of(world, b, placed + found))
            size = 1 + e[6]
            x = size * x + e[8] + own[7 * n + 2 * j]
            y = size * y + e[9] + own[7 * n + 2 * j + 1]
            rows.append([k, b + e[7] + own[j], x, y, size * thigh, size * shank])
        table = np.array(rows)
        return np.concatenate([table[:, :4].T.ravel(), table[:, 4:].mean(axis=0)])

    nothing = np.zeros(len(sd))
    truth = read(nothing)
    slopes = np.array([read(nothing + one) - truth for one in np.diag(sd)]).T
    mean = read(sd * rng.standard_normal(len(sd)))
    names = [(q, j) for q in ("knee", "bars", "distal", "anterior") for j in range(n)]
    cov = slopes @ slopes.T
    return SettingsOfMachine(
        entries=(*names, ("thigh", None), ("shank", None)),
        mean=mean,
        cov=cov + 1e-6 * np.diag(np.diag(cov)),
        displayed_deg=tuple(float(d) for d in world.shown(bars)),
        step_deg=world.step,
    )


@dataclass(frozen=True)
class Shot:
    """How one photo is taken and found; SDs in px where nothing else is said."""

    bars: float
    setting: str
    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    distance: float = 1500.0
    source: str = "dot"
    u_px: float = 0.5
    wild: float = 0.0
    direction: str = "tag"
    u_direction: float = 1.0


@dataclass(frozen=True)
class Taken:
    """One photo: pixels by name, what the phone says of itself, the direction as estimated."""

    shot: Shot
    px: dict[str, tuple[float, float]]
    size: tuple[int, int]
    focal_px: float
    normal: tuple[float, float, float]
    distance: float
    shown: float
    knee: float
    hinge: tuple[float, float]
    placed: Floats = field(repr=False, default_factory=lambda: np.zeros(6))


DEPTHS = {"hip": 25.0, "knee": 0.0, "ankle": -10.0}
"""How far each mark stands before the sagittal plane through the knee mark, mm."""


def take(
    world: World,
    shots: list[Shot],
    rng: np.random.Generator,
    *,
    errors: Errors | None = None,
    anew: bool = False,
    bar_depth: float = 40.0,
    size: tuple[int, int] = (3000, 2250),
    focal: float = 2200.0,
) -> list[Taken]:
    """Photos of one visit: one placement of marks (or a new one each), one focal length."""
    errors = errors or Errors()
    spread = np.repeat(errors.placement, 2)
    placed = spread * rng.standard_normal(6)
    told_focal = focal * (1 + errors.focal * rng.standard_normal())
    taken = []
    for shot in shots:
        if anew:
            placed = spread * rng.standard_normal(6)
        taken.append(_photo(world, shot, placed, rng, bar_depth, size, focal, told_focal))
    return taken


def _photo(
    world: World,
    shot: Shot,
    placed: Floats,
    rng: np.random.Generator,
    bar_depth: float,
    size: tuple[int, int],
    focal: float,
    told_focal: float,
) -> Taken:
    marks = marks_of(world, shot.bars, placed)
    # The thigh as it rises from the bed, so that the plane's up is the room's up.
    bend = np.radians(world._knee(shot.bars))
    rise = np.exp(1j * np.angle(world.thigh + world.lower * np.exp(1j * bend)) * 1.0)
    bars = np.radians(shot.bars)
    spots = {
        "hip": (marks.hip, DEPTHS["hip"]),
        "knee": (marks.knee, DEPTHS["knee"]),
        "ankle": (marks.ankle, DEPTHS["ankle"]),
        "hinge": (marks.hinge, bar_depth),
    }
    lean = _lean(world, shot.bars)
    spots["thigh_bar"] = (marks.hinge - 200.0 * np.exp(1j * lean), bar_depth)
    spots["shank_bar"] = (marks.hinge + 200.0 * np.exp(1j * (lean - bars)), bar_depth)
    turn = _rotation(shot.yaw, shot.pitch, shot.roll)
    px = {}
    for name, (flat, depth) in spots.items():
        spot = flat * rise
        seen = turn @ np.array([spot.real, spot.imag, depth]) - np.array([0, 0, shot.distance])
        x = size[0] / 2 + focal * seen[0] / -seen[2]
        y = size[1] / 2 - focal * seen[1] / -seen[2]
        u = shot.u_px * (6.0 if rng.random() < shot.wild else 1.0)
        noise = u * rng.standard_normal(2)
        px[name] = (float(x + noise[0]), float(y + noise[1]))
    wrong = np.radians(shot.u_direction) * rng.standard_normal(2)
    normal = turn @ np.array([np.sin(wrong[0]), np.sin(wrong[1]), 1.0])
    normal = normal / np.linalg.norm(normal)
    return Taken(
        shot=shot,
        px=px,
        size=size,
        focal_px=told_focal,
        # Picture axes: y down, z away from the camera.
        normal=(float(normal[0]), float(-normal[1]), float(-normal[2])),
        distance=float(shot.distance * (1 + 0.01 * rng.standard_normal())),
        shown=float(world.shown(np.array([shot.bars]))[0]),
        knee=world._knee(shot.bars),
        hinge=world._hinge(shot.bars),
        placed=placed,
    )


def _lean(world: World, bars: float) -> float:
    """Angle of the thigh section against the thigh, radians: zero in a sliding machine."""
    if not world.seated:
        return 0.0
    bend = np.radians(world._knee(bars) + world.slack)
    leg = world.thigh + world.lower * np.exp(-1j * bend)
    return float(np.angle(leg) - np.angle(hinge_end(*world._sections, bars)))


def _rotation(yaw: float, pitch: float, roll: float) -> Floats:
    """Room to camera: yaw about y, pitch about x, roll about z, degrees."""
    a, b, c = np.radians([yaw, pitch, roll])
    about_y = np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    about_z = np.array([[np.cos(c), -np.sin(c), 0], [np.sin(c), np.cos(c), 0], [0, 0, 1]])
    return about_z @ about_x @ about_y


def as_leg(taken: Taken, *, errors: Errors | None = None, machine: bool = True) -> LegInView:
    """The package's record of one photo: the edge at which this world meets it."""
    errors = errors or Errors()
    shot = taken.shot
    names = ["hip", "knee", "ankle"]
    names += ["thigh_bar", "hinge", "shank_bar"] if machine else []
    points = {
        name: Landmark.round(*taken.px[name], u_px=shot.u_px, source=shot.source) for name in names
    }
    u = shot.u_direction**2
    width, height = taken.size
    return LegInView(
        points=points,
        side="right",
        lens=Lens(width, height, taken.focal_px, errors.focal, "exif"),
        view=View(shot.direction, taken.normal, (u, 0.0, u), taken.distance, 0.01 * taken.distance),
        placement_mm=errors.placement,
    )
