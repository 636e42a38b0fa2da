"""How long a visit's estimate takes, beyond looking at its photos.

Run: ``python tests/bench/bench_visit.py``. Prints seconds of this process; asserts nothing.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from drawn_visits import Shot, random_body, visit

from knee_angle.visit import estimate_visit

KINDS = {
    "strip and dots": {"plane": "tag", "source": "dot"},
    "tags on the bars": {"plane": "tag", "source": "dot", "bar_tags": True},
    "network": {"plane": "estimated", "source": "network", "u_px": 8.0},
    "flat": {"plane": "image", "source": "dot"},
}


def main() -> None:
    """Print the median of five visits of each kind and size."""
    for name, kind in KINDS.items():
        for photos in (1, 2, 6, 12):
            took = []
            for seed in range(5):
                rng = np.random.default_rng(seed)
                shots = [
                    Shot(f"p{k:02d}", f"s{k // 2}", 15.0 * (k // 2),
                         frame_deg=3.0 + 15.0 * (k // 2), yaw_deg=rng.normal(0, 12), **kind)
                    for k in range(photos)
                ]  # fmt: skip
                drawn = visit(random_body(rng), shots, rng)
                started = time.process_time()
                estimate_visit(drawn, rng=np.random.default_rng(0))
                took.append(time.process_time() - started)
            print(f"{name:18s} {photos:2d} photos: {np.median(took):.3f} s")


if __name__ == "__main__":
    main()
