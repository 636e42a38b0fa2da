"""Processor time beside what general libraries take for the like, in one run.

Run: ``python tests/bench/bench_peers.py``. A 12-megapixel photo beside one plain MediaPipe pass
(on one thread each but for MediaPipe's own), an angle's uncertainty beside GTC, six coefficients
of a rater study beside pingouin, a trend beside statsmodels, a line with uncertainty in
both axes beside scipy's ODR. Least of some repeats; prints milliseconds and ratios, asserts
nothing. What is computed is not quite the same: each row says what ours gives beyond.
"""

from __future__ import annotations

import math
import os
import sys
import warnings
from collections.abc import Callable
from functools import partial

import cv2
import GTC
import numpy as np
import pandas as pd
import pingouin
import statsmodels.api as sm
from bench_floor import processor_ms
from bench_photo import CASES, enlarged, plain_pass

from knee_angle import agreement
from knee_angle.angle.uncertainty import flexion_with_uncertainty
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.landmarks.pose.bundles import find_pose_bundle
from knee_angle.machine.calibration import fit_line
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, LegInView, Measurement


def told(words: str, ours: Callable[[], object], peer: str, theirs: Callable[[], object]) -> None:
    """One line of the table."""
    mine, other = processor_ms(ours), processor_ms(theirs)
    print(f"{words:44}{mine:9.2f}  {peer:36}{other:9.2f}{mine / other:8.2f}", flush=True)


def by_gtc(leg: LegInView) -> float:
    """First-order propagation of the points alone."""
    xy = [(leg.points[n].x_px, leg.points[n].y_px) for n in LEG_POINTS]
    h, k, a = ([GTC.ureal(v, 2.0) for v in at] for at in xy)
    tx, ty, sx, sy = k[0] - h[0], k[1] - h[1], a[0] - k[0], a[1] - k[1]
    return float(GTC.uncertainty(GTC.atan2(tx * sy - ty * sx, tx * sx + ty * sy)))


def photos() -> LegInView:
    """A photo of each kind; returns a measured leg."""
    plain, leg = plain_pass(find_pose_bundle()), None
    for name, words in CASES.items():
        data, dots = enlarged(name), DotDetector()
        photo = read_photo(data)

        def whole(data: bytes = data, dots: DotDetector = dots) -> object:
            # A new network each time: one remembers the photos it has looked at.
            return measure(data, detectors=(dots, NetworkDetector(threads=1)))

        one_pass = partial(plain, photo)
        told(f"12 MP photo, {words}", whole, "plain MediaPipe pass, decoded", one_pass)
        seen = whole()
        if leg is None and isinstance(seen, Measurement):
            leg = seen.leg
    if leg is None:
        raise SystemExit("no photo was measured")
    return leg


def statistics() -> None:
    """A rater study, a mean and a line, drawn from one seed."""
    rng = np.random.default_rng(1)
    scores = rng.normal(60.0, 20.0, (30, 1)) + rng.normal(0.0, 3.0, (30, 3))
    rows = [(t, r, scores[t, r]) for t in range(30) for r in range(3)]
    frame = pd.DataFrame(rows, columns=["target", "rater", "score"])
    told(
        "six intraclass coefficients, 30 x 3",
        lambda: agreement.icc(scores),
        "pingouin",
        lambda: pingouin.intraclass_corr(frame, "target", "rater", "score"),
    )
    first, second = scores[:, 0], scores[:, 1]
    pairs = agreement.Pairs(first, second)
    mean = sm.add_constant((first + second) / 2.0)
    told(
        "limits of agreement and trend, 30 pairs",
        lambda: (agreement.limits_of_agreement(pairs), agreement.trend(pairs)),
        "statsmodels, trend alone",
        lambda: sm.OLS(second - first, mean).fit().conf_int(),
    )
    from scipy import odr  # on its way out of scipy, which says so on import

    x = np.linspace(0.0, 110.0, 12)
    y = 1.03 * x + 2.0 + rng.normal(0.0, 1.5, 12)
    told(
        "line through 12 settings, outliers judged",
        lambda: fit_line(list(x), list(y), u_x=1.5, u_y=1.5),
        "scipy ODR, the fit alone",
        lambda: odr.ODR(odr.RealData(x, y, sx=1.5, sy=1.5), odr.unilinear).run(),
    )


def main() -> None:
    """Print the table."""
    cv2.setNumThreads(1)
    warnings.simplefilter("ignore")
    print(f"{'ms of processor time':44}{'ours':>9}  {'peer':36}{'peer':>9}{'ratio':>8}")
    leg = photos()
    told(
        "knee ± by 8,000 trials, with its budget",
        lambda: flexion_with_uncertainty(leg, trials=8000, rng=np.random.default_rng(1)),
        "GTC, points in the picture alone",
        lambda: math.degrees(by_gtc(leg)),
    )
    statistics()
    # MediaPipe's own shutdown can hang: leave without it.
    sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    main()
