"""How right the whole pipeline is for whom: the model card's table, made by a command.

Every photo goes through `knee_angle.pipeline` with the leg network as the only
detector, as a photo that somebody hands in. Photos with a leg are counted by group;
photos without one must not be measured at all.
"""

from __future__ import annotations

import json
import math
import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from knee_angle.landmarks.network import NetworkDetector
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, Measurement

__all__ = ["Judged", "confident_wrong", "groups_of", "judge_photos", "report"]

CONFIDENT_DEG = 15.0
"""Half-width of an interval below which an answer claims to be right."""
HIT = 0.5
"""All three points within this share of the mean segment."""
HEAD = (
    "| group | n | refused % | hit % | angle error median ° | 90th ° | direction error median ° "
    "| interval holds % |"
)


@dataclass(frozen=True)
class Judged:
    """One photo, measured and held against its truth.

    Parameters
    ----------
    name : str
    drawn : dict
        What the picture was made of; see :mod:`knee_angle.training.photos`.
    flexion_deg : float
        The true one; NaN without a leg.
    refused : str or None
        Why there is no answer.
    hit : bool
    error_deg, tilt_deg : float
        Reported minus true flexion; angle between the view's normal and the true one.
    half_width_deg : float
        Of the whole interval.
    held : bool
        Whether the interval without placement holds the truth.
    """

    name: str
    drawn: dict[str, Any]
    flexion_deg: float
    refused: str | None = None
    hit: bool = False
    error_deg: float = math.nan
    tilt_deg: float = math.nan
    half_width_deg: float = math.nan
    held: bool = False
    labels: dict[str, str] = field(default_factory=dict)


_detectors: list[NetworkDetector] = []


def judge_photo(path: Path) -> Judged:
    """One photo ``NAME.jpg`` against the truth in ``NAME.json`` beside it."""
    if not _detectors:
        _detectors.append(NetworkDetector())
    truth = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    true = truth["true_knee_flexion_deg"]
    labels = {"framing": str(truth.get("framing", "")), "side": str(truth.get("side", ""))}
    judged = Judged(
        path.stem, truth.get("drawn", {}), math.nan if true is None else true, labels=labels
    )
    outcome = measure(path, detectors=_detectors)
    if not isinstance(outcome, Measurement):
        return Judged(**{**vars(judged), "refused": outcome.reason})
    low, high = outcome.knee.interval_deg
    half = (high - low) / 2
    if true is None:
        return Judged(**{**vars(judged), "half_width_deg": half})
    leg = np.array([(p.x_px, p.y_px) for p in (outcome.leg.points[n] for n in LEG_POINTS)])
    leg_true = np.array([truth["landmarks"][n]["skin_px"] for n in LEG_POINTS])
    segment = float(np.linalg.norm(np.diff(leg_true, axis=0), axis=1).mean())
    normal = np.array(truth["camera"]["R"]) @ np.array(truth["sagittal_normal"])
    facing = abs(float(normal @ outcome.leg.view.normal)) / float(np.linalg.norm(normal))
    found = outcome.knee.found_interval_deg
    estimated = outcome.leg.view.plane == "estimated"
    return Judged(
        **{
            **vars(judged),
            "hit": bool(np.linalg.norm(leg - leg_true, axis=1).max() < HIT * segment),
            "error_deg": outcome.knee.deg - true,
            "tilt_deg": math.degrees(math.acos(min(1.0, facing))) if estimated else math.nan,
            "half_width_deg": half,
            "held": found[0] <= true <= found[1],
        }
    )


def judge_photos(paths: Sequence[Path], *, workers: int) -> list[Judged]:
    """All photos, with so many processes."""
    if workers == 1:
        return [judge_photo(path) for path in paths]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(judge_photo, paths, chunksize=8)


def _thirds(
    rows: Sequence[Judged], key: str, names: tuple[str, str, str]
) -> Iterator[tuple[str, list[Judged]]]:
    """Three groups of equal size by a number that the truth holds."""
    cuts = np.quantile([row.drawn[key] for row in rows], (1 / 3, 2 / 3))
    for place, name in enumerate(names):
        yield name, [row for row in rows if np.searchsorted(cuts, row.drawn[key]) == place]


def _between(
    rows: Sequence[Judged], value: Callable[[Judged], float], bounds: Sequence[float], words: str
) -> Iterator[tuple[str, list[Judged]]]:
    """Groups by the bounds of a number; ``words`` holds its two places."""
    for low, high in pairwise(bounds):
        inside = [row for row in rows if low <= value(row) < high]
        yield words.format(f"{low:g}", f"{high:g}"), inside


def groups_of(rows: Sequence[Judged]) -> Iterator[tuple[str, list[Judged]]]:
    """Every group of the model card with its photos; all but two rows are of patients in bed."""
    bed = [row for row in rows if row.drawn["lying"]]
    yield "in bed, all", bed
    if len(bed) < len(rows):
        yield "standing, walking, sitting", [row for row in rows if not row.drawn["lying"]]
    if not bed:
        return
    names = ("lightest", "light", "dark", "darkest")
    for name, (_, group) in zip(
        names, _between(bed, lambda r: r.drawn["tone"], (0, 0.25, 0.5, 0.75, 1.01), ""), strict=True
    ):
        yield f"skin tone, {name} quarter", group
    for sex, word in (("female", "women"), ("male", "men")):
        yield word, [row for row in bed if row.drawn["sex"] == sex]
    for side in ("right", "left"):
        yield f"{side} leg", [row for row in bed if row.labels["side"] == side]
    yield from _thirds(bed, "girth", ("hips, slim third", "hips, middle third", "hips, wide third"))
    yield from _between(bed, lambda r: r.flexion_deg, (-10, 30, 60, 90, 140), "flexion {} to {}°")
    for covered, word in ((True, "hip under a sheet"), (False, "no sheet over the hip")):
        yield word, [row for row in bed if row.drawn["hip_covered"] is covered]
    for framing, word in (
        ("leg", "leg only"),
        ("waist", "waist down"),
        ("whole", "whole body"),
        ("crop", "close"),
    ):
        yield f"framing, {word}", [row for row in bed if row.labels["framing"] == framing]
    yield from _thirds(bed, "light", ("dark third", "middle third of light", "bright third"))
    bounds = (0, 15, 30, 45, 91)
    yield from _between(bed, lambda r: r.drawn["view_deg"], bounds, "seen {} to {}° off square")
    for machine, word in ((True, "machine with its bars in sight"), (False, "no bars in sight")):
        yield word, [row for row in bed if row.drawn["machine"] is machine]


def _line(name: str, rows: Sequence[Judged]) -> str:
    """One group's figures; a dash where nothing was measured."""
    done = [row for row in rows if row.refused is None]
    start = f"| {name} | {len(rows)} "
    if not done:
        return start + "| 100.0 | - | - | - | - | - |"
    off = np.abs([row.error_deg for row in done])
    tilts = [row.tilt_deg for row in done if math.isfinite(row.tilt_deg)]
    tilt = f"{np.median(tilts):.1f}" if tilts else "-"
    return start + (
        f"| {100 * (1 - len(done) / len(rows)):.1f} "
        f"| {100 * np.mean([row.hit for row in done]):.1f} "
        f"| {np.median(off):.1f} | {np.quantile(off, 0.9):.1f} | {tilt} "
        f"| {100 * np.mean([row.held for row in done]):.1f} |"
    )


def confident_wrong(rows: Sequence[Judged]) -> list[Judged]:
    """Answers that claim to be within 15 degrees and are not, or that no leg gave rise to."""
    return [
        row
        for row in rows
        if row.refused is None
        and row.half_width_deg < CONFIDENT_DEG
        and not abs(row.error_deg) <= CONFIDENT_DEG
    ]


def report(rows: Sequence[Judged]) -> str:
    """The table and what was answered wrongly, as Markdown."""
    legs = [row for row in rows if math.isfinite(row.flexion_deg)]
    others = [row for row in rows if not math.isfinite(row.flexion_deg)]
    out = []
    if legs:
        out += [HEAD, "| --- " * 8 + "|"]
        out += [_line(name, group) for name, group in groups_of(legs) if group]
        wrong = confident_wrong(legs)
        listed = ", ".join(f"{r.name} ({r.error_deg:+.0f}°)" for r in wrong)
        out += [
            "",
            f"Confident wrong answers (off by more than {CONFIDENT_DEG:g}° with an interval "
            f"narrower than ±{CONFIDENT_DEG:g}°): {len(wrong)} of {len(legs)} photos"
            + (f": {listed}." if wrong else "."),
        ]
    if others:
        out += ["", "| photos without a leg | n | measured | with an interval below ±15° |"]
        out += ["| --- | --- | --- | --- |"]
        for kind in dict.fromkeys(row.drawn["shows"] for row in others):
            these = [row for row in others if row.drawn["shows"] == kind]
            false = [row for row in these if row.refused is None]
            out.append(f"| {kind} | {len(these)} | {len(false)} | {len(confident_wrong(false))} |")
    return "\n".join(out) + "\n"
