"""How far clips are from the truth, and what their time is of plain decoding.

``python tests/bench/bench_clip.py [drawn] [time]`` draws clips of the suite's kind by seeds, with
marks that sit as wrongly as stated (``--exact``: as they should);
``rendered --bank BANK.npz`` takes people of the trainer's renderer (EGL; some seconds a frame
without a GPU). ``--part k/n --out FOLDER`` spreads clips over processes, ``--table FILES``
prints what they wrote.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from knee_angle.clip.answer import ClipAnswer
from knee_angle.clip.film import FilmFrame
from knee_angle.clip.following import follow
from knee_angle.clip.measure import Readings, _answered
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.settings import Settings

READ_EVERY_S = 0.5
QUALITY = 88
"""Of the JPEG that stands for a film's own losses."""


@dataclass
class InMemory:
    """A film that is drawn while it is read; so no decoder is needed."""

    pictures: Iterator[tuple[float, np.ndarray]]
    name: str = "drawn"
    sha256: str = "0" * 64
    f35_mm: float | None = None
    seconds: float | None = None
    torn: str | None = None
    frames_read: int = 0

    def frames(self, *, every_s: float = 0.0) -> Iterator[FilmFrame]:
        del every_s
        for seconds, picture in self.pictures:
            how = [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
            data = cv2.imencode(".jpg", picture[..., ::-1], how)[1]
            rgb = np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[..., ::-1])
            yield FilmFrame(self.frames_read, seconds, rgb)
            self.frames_read += 1


@dataclass(frozen=True)
class Truth:
    """What is true of a clip: at its frames, and of its display."""

    seconds: np.ndarray
    knee_deg: np.ndarray
    bars_deg: np.ndarray
    ends_deg: tuple[float, float]
    gain: float
    lag_s: float


def row_of(
    kind: str, seed: int, film: InMemory, truth: Any, readings: Readings, *, exact: bool
) -> dict[str, Any]:
    """One clip measured: errors and ± beside each other.

    Where every mark sits as it should (``exact``), the ± without placement is what holds; it is
    that of the same clip told that its marks sit within a millimetre (``known_...``).
    """
    started = time.process_time()
    detectors = (DotDetector(), NetworkDetector(threads=1))
    followed = follow(film, detectors=detectors)  # type: ignore[arg-type]

    def answered(settings: Settings) -> Any:
        return _answered(film, followed, settings, legs=None, readings=readings, f35_mm=None)  # type: ignore[arg-type]

    answer = answered(Settings())
    spent = time.process_time() - started
    row: dict[str, Any] = {"kind": kind, "seed": seed, "cpu_s": round(spent, 1)}
    if not isinstance(answer, ClipAnswer):
        return {**row, "refused": answer.reason}
    true = truth()
    row |= _told(answer, true)
    sure = answered(Settings(placement_mm=(1.0, 1.0, 1.0))) if exact else None
    if isinstance(sure, ClipAnswer):
        row |= {f"known_{name}": value for name, value in _told(sure, true).items()}
    return row


def _told(answer: ClipAnswer, true: Truth) -> dict[str, Any]:
    """What is said less what is true, and its ±."""
    used = [one for one in answer.frames if one.used]
    at = np.array([one.seconds for one in used])
    off = np.array([one.knee_deg for one in used]) - np.interp(at, true.seconds, true.knee_deg)
    seen = [one for one in used if one.bars_deg is not None]
    bars = [one.bars_deg - np.interp(one.seconds, true.seconds, true.bars_deg) for one in seen]
    row: dict[str, Any] = {
        "plane": answer.plane, "source": answer.source, "used": len(used),
        "pictures": len(answer.frames), "rms_deg": float(np.std(off)),
        "mean_deg": float(off.mean()),
        "u_deg": float(np.median([one.u_deg for one in used])),
        "bars_rms_deg": float(np.std(bars)) if bars else None,
        "bars_mean_deg": float(np.mean(bars)) if bars else None,
        "bars_u_deg": float(np.median([one.u_bars_deg for one in seen])) if bars else None,
        "arc_off_deg": answer.arc.value - (true.ends_deg[1] - true.ends_deg[0]),
        "arc_u_deg": answer.arc.u,
    }  # fmt: skip
    for end, value in zip(answer.ends, true.ends_deg, strict=True):
        row[f"{end.which}_off_deg"], row[f"{end.which}_u_deg"] = end.knee.value - value, end.knee.u
    for one in answer.against:
        row[f"{one.of}_lag_off_s"], row[f"{one.of}_lag_u_s"] = (
            one.lag_s.value - true.lag_s, one.lag_s.u,
        )  # fmt: skip
        if one.of == "bars":
            row["gain_off"], row["gain_u"] = one.gain.value - true.gain, one.gain.u
    return row


def drawn(seed: int, *, exact: bool = False) -> dict[str, Any]:
    """A clip of the suite's kind, another hand, place and machine by the seed."""
    from drawn_clips import Clip
    from drawn_visits import random_body

    chance = np.random.default_rng([seed, 41])
    body = random_body(np.random.default_rng([seed, 47]))
    worn = {
        name: (*body.marks_mm[name], body.depth_mm[name], *body.slides_mm[name])
        for name in ("hip", "knee", "ankle")
        if not exact
    }
    kind = ("dots and strip", "dots alone")[seed % 4 == 3]
    clip = Clip(
        seconds=12.0, per_second=8.0, cycle_s=float(chance.uniform(5, 7)),
        bars_deg=(float(chance.uniform(0, 25)), float(chance.uniform(75, 110))),
        side=("left", "right")[int(chance.integers(2))], strip=kind == "dots and strip",
        yaw_deg=float(chance.uniform(-18, 18)), pitch_deg=float(chance.uniform(2, 14)),
        away_mm=float(chance.uniform(1250, 1500)), gain=float(chance.uniform(0.92, 1.08)),
        lag_s=float(chance.uniform(0, 0.8)), offset_deg=float(chance.uniform(-6, 6)), seed=seed,
        person_s=(4.0, 4.8), exposure_s=(8.0, 9.5), worn=worn,
    )  # fmt: skip
    fine = np.linspace(0, clip.seconds, 1500)
    knees = np.array([clip.knee_at(float(t)) for t in fine])
    times = clip.times()
    truth = Truth(
        times, np.array([clip.knee_at(float(t)) for t in times]), clip.bars_at(times),
        (float(knees.min()), float(knees.max())), clip.gain, clip.lag_s,
    )  # fmt: skip
    read_s = np.arange(0.0, clip.seconds, READ_EVERY_S)
    film = InMemory((float(t), clip.picture(float(t))) for t in times)
    return row_of(kind, seed, film, lambda: truth, Readings(read_s, clip.displayed_at(read_s)),
                  exact=exact)  # fmt: skip


def rendered(seed: int, bank: Path, finer: int) -> dict[str, Any]:
    """A clip of one of the trainer's people."""
    from rendered_clips import Rendered
    from rendered_clips import rendered as frames_of

    from knee_angle.training.bodies import load_bank

    bodies = load_bank(bank)
    chance = np.random.default_rng([seed, 43])
    dots, strip = ((True, True), (False, True), (False, False), (True, False))[seed % 4]
    clip = Rendered(
        seed=seed, letter="de"[int(chance.integers(2))], dots=dots, strip=strip, finer=finer,
        bars_deg=(float(chance.uniform(5, 20)), float(chance.uniform(80, 105))),
        gain=float(chance.uniform(0.92, 1.08)), lag_s=float(chance.uniform(0, 0.8)),
        offset_deg=float(chance.uniform(-6, 6)),
    )  # fmt: skip
    kind = f"rendered, {'dots' if dots else 'no dots'}{' and strip' if strip else ''}"
    told: list[tuple[float, float]] = []

    def pictures() -> Iterator[tuple[float, np.ndarray]]:
        for seconds, picture, knee in frames_of(clip, bodies[seed % len(bodies)]):
            told.append((seconds, knee))
            yield seconds, picture

    def truth() -> Truth:
        seconds, knee = np.array(told).T
        return Truth(
            seconds, knee, clip.bars_at(seconds), (float(knee.min()), float(knee.max())),
            clip.gain, clip.lag_s,
        )  # fmt: skip

    read_s = np.arange(0.0, clip.seconds, READ_EVERY_S)
    shown = Readings(read_s, clip.displayed_at(read_s))
    return row_of(kind, seed, InMemory(pictures()), truth, shown, exact=True)


def timed(seconds: float, size: tuple[int, int]) -> None:
    """Processor and wall time of a clip at 30 pictures a second, against decoding alone."""
    from drawn_clips import Clip, filmed

    from knee_angle.clip.film import opened_film
    from knee_angle.clip.measure import measure_clip
    from knee_angle.landmarks.standard import opened_detectors

    part = Clip(seconds=4.0, per_second=30.0, size=size, person_s=None, exposure_s=None, sway_mm=0)
    kept = [part.picture(float(t)) for t in part.times()]
    clip = replace(part, seconds=seconds)
    with tempfile.TemporaryDirectory() as folder:
        path = filmed(
            clip, Path(folder, "clip.mp4"),
            pictures=lambda at: kept[round(at * 30.0) % len(kept)],
        )  # fmt: skip
        spent, began = time.process_time(), time.perf_counter()
        with opened_film(path) as film:
            count = sum(1 for _ in film.frames(every_s=1e9)) and film.frames_read
        decoding = time.process_time() - spent, time.perf_counter() - began
        spent, began = time.process_time(), time.perf_counter()
        with opened_detectors() as detectors:
            answer = measure_clip(path, detectors=detectors)
        whole = time.process_time() - spent, time.perf_counter() - began
    print(
        f"{size[0]} x {size[1]}, {seconds:.0f} s, {count} pictures, load {os.getloadavg()[0]:.1f} "
        f"on {os.cpu_count()} cores: decoding {decoding[0]:.1f} s of processor ({decoding[1]:.1f} "
        f"s of the clock), measuring {whole[0]:.1f} s ({whole[1]:.1f} s): "
        f"{whole[0] / decoding[0]:.1f} times decoding, {whole[0] / seconds:.2f} s a second of film"
    )
    print(answer)


TOLD = (
    ("rms_deg", "knee against time after a constant, degrees rms", None),
    ("mean_deg", "that constant", "u_deg"),
    ("bars_rms_deg", "bars against time after a constant, degrees rms", None),
    ("bars_mean_deg", "that constant of the bars", "bars_u_deg"),
    ("arc_off_deg", "arc", "arc_u_deg"),
    ("extension_off_deg", "extension end", "extension_u_deg"),
    ("flexion_off_deg", "flexion end", "flexion_u_deg"),
    ("gain_off", "gain against bars", "gain_u"),
    ("bars_lag_off_s", "lag against bars, s", "bars_lag_u_s"),
    ("knee_lag_off_s", "lag against knee, s", "knee_lag_u_s"),
)


def table(rows: list[dict[str, Any]]) -> None:
    """Errors by kind: root mean square, largest, and how many lie in their 95 %."""
    for kind in sorted({row["kind"] for row in rows}):
        mine = [row for row in rows if row["kind"] == kind]
        good = [row for row in mine if "refused" not in row]
        print(f"{kind}: {len(good)} of {len(mine)} clips measured")
        for row in mine:
            if "refused" in row:
                print(f"  seed {row['seed']} refused: {row['refused']}")
        for name, unit, wanted in TOLD:
            for known in ("", "known_"):
                told = [row for row in good if row.get(known + name) is not None]
                if not told or (known and wanted is None):
                    continue
                off = np.abs([row[known + name] for row in told])
                line = f"  {unit}{', marks known' if known else ''}: median {np.median(off):.3f}, "
                line += f"95 % {np.percentile(off, 95):.3f}, largest {off.max():.3f}"
                if wanted is not None:
                    u = np.array([row[known + wanted] for row in told])
                    line += f"; median u {np.median(u):.3f}, "
                    line += f"in their 95 %: {np.sum(off <= 1.96 * u)} of {len(told)}"
                print(line)


def main() -> None:
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("what", nargs="*", default=["drawn", "time"])
    given.add_argument("--clips", type=int, default=4)
    given.add_argument("--bank", type=Path)
    given.add_argument("--finer", type=int, default=1)
    given.add_argument("--exact", action="store_true")
    given.add_argument("--part", default="0/1")
    given.add_argument("--out", type=Path)
    given.add_argument("--table", type=Path, nargs="*")
    asked = given.parse_args()
    cv2.setNumThreads(1)
    if asked.table:
        lines = [line for path in asked.table for line in path.read_text().splitlines()]
        table([json.loads(line) for line in lines])
        return
    part, parts = (int(one) for one in asked.part.split("/"))
    rows = []
    for what in asked.what:
        if what == "time":
            timed(60.0, (1920, 1080))
            continue
        for seed in range(part, asked.clips, parts):
            row = (
                drawn(seed, exact=asked.exact)
                if what == "drawn"
                else rendered(seed, asked.bank, asked.finer)
            )
            rows.append(row)
            if asked.out is not None:
                asked.out.mkdir(parents=True, exist_ok=True)
                with (asked.out / f"clip_{what}_{part}.jsonl").open("a") as file:
                    file.write(json.dumps(row) + "\n")
    table(rows)


if __name__ == "__main__":
    main()
