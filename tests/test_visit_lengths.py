"""The leg's lengths in a visit: in the same vector as knee, bars and hinge, and in the machine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_visits import Body, Shot, random_body, visit

from knee_angle.machine.from_visit import evidence_of
from knee_angle.machine.holding import fit_holding
from knee_angle.visit import VisitEstimate, VisitPhoto, estimate_visit
from knee_angle.visit.vector import in_mm

BODY = Body(thigh_mm=437.0, shank_mm=391.0)
SHOTS = [
    Shot(f"p{k}", f"s{k}", knee, yaw_deg=yaw, frame_deg=knee + 4.0, displayed_deg=knee + 4.0)
    for k, (knee, yaw) in enumerate([(18.0, -10.0), (55.0, 12.0), (95.0, 3.0)])
]


def estimated(photos: list[VisitPhoto], *, trials: int = 1500) -> VisitEstimate:
    found = estimate_visit(photos, rng=np.random.default_rng(3), trials=trials)
    assert isinstance(found, VisitEstimate), found
    return found


def taped(photos: list[VisitPhoto], thigh_mm: float) -> list[VisitPhoto]:
    return [replace(one, leg=replace(one.leg, thigh_mm=thigh_mm)) for one in photos]


def u_of(found: VisitEstimate, name: str) -> float:
    at = found.names.index(name)
    return float(np.sqrt(found.covariance[at][at]))


def test_a_leg_drawn_without_error_reads_its_own_lengths():
    found = estimated(visit(BODY, SHOTS))
    told = dict(zip(found.names, found.values, strict=True))
    assert (told["thigh"], told["shank"]) == pytest.approx((437.0, 391.0), abs=0.1)


def test_the_machine_hears_of_the_lengths_and_of_what_they_share_with_the_hinge():
    found = estimated(visit(BODY, SHOTS))
    seen = evidence_of(found, step_deg=1.0)
    mean, cov = seen.part([("thigh", None), ("shank", None), ("distal", 2)])
    assert mean[:2] == pytest.approx((437.0, 391.0), abs=0.1)
    share = cov / np.sqrt(np.outer(np.diag(cov), np.diag(cov)))
    assert share[0, 1] > 0.1  # one strip, one distance, one knee mark
    assert abs(share[0, 2]) > 0.1  # the knee's mark again


def test_a_tape_along_the_thigh_tightens_its_length():
    photos = visit(BODY, SHOTS)
    by_strip, by_tape = estimated(photos), estimated(taped(photos, 437.0))
    assert u_of(by_tape, "thigh") < 0.8 * u_of(by_strip, "thigh")
    assert by_tape.values[by_tape.names.index("thigh")] == pytest.approx(437.0, abs=1.0)


def test_a_leg_whose_own_size_gave_the_distance_says_nothing_of_its_length():
    """That a leg is as long as legs are is known already: it would count twice."""
    shots = [replace(s, plane="estimated", source="network", u_px=8.0) for s in SHOTS]
    found = estimated(visit(BODY, shots))
    assert not {"thigh", "shank"} & set(found.names)
    assert ("thigh", None) not in evidence_of(found, step_deg=1.0).entries


def test_the_lengths_hold_over_bodies():
    held = {"thigh": [], "shank": []}
    for k in range(20):
        rng = np.random.default_rng([5, k])
        body = random_body(rng)
        found = estimated(visit(body, SHOTS, rng), trials=300)
        for name, true in (("thigh", body.thigh_mm), ("shank", body.shank_mm)):
            off = found.values[found.names.index(name)] - true
            held[name].append(abs(off) <= 1.96 * u_of(found, name))
    assert min(np.mean(one) for one in held.values()) >= 0.80  # 95 % less 3 deviations of 20


def test_what_ran_away_and_counts_nothing_is_no_overflow():
    """Hinges a metre off and a trial whose length came out as e to the 800."""
    told = in_mm(("distal s0", "thigh"), np.array([[900.0, 6.0], [-900.0, 800.0]]))
    assert told[0] == pytest.approx([900.0, np.exp(6.0)])
    assert np.isfinite(told).all()


def test_the_fitted_leg_is_as_long_as_it_was_seen():
    found = estimated(taped(visit(BODY, SHOTS), 437.0))
    with_them = fit_holding(evidence_of(found, step_deg=1.0))
    thigh = with_them.draws[:, 6]
    assert abs(thigh.mean() - 437.0) < 2 * thigh.std()
    assert thigh.std() < 16.0  # 40 before anything was seen
