"""One visit, one estimate: what photos share counts once, and nothing else changes."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from conftest import scenes
from drawn_visits import Body, Shot, drawn, random_body, visit
from test_uncertainty import leg as far_leg

from knee_angle.angle import uncertainty
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.dots import DotDetector
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, Landmark, NotMeasured
from knee_angle.visit import VisitEstimate, VisitPhoto, estimate_visit
from knee_angle.visit import solve as solving
from knee_angle.visit.equal import STILL
from knee_angle.visit.estimate import _shrinks, _system, trials_for
from knee_angle.visit.photos import in_order
from knee_angle.visit.sharing import shared
from knee_angle.visit.solve import solve

TYPICAL = Body(
    marks_mm={"hip": (6.0, -8.0), "knee": (-3.0, 4.0), "ankle": (2.0, 3.0)},
    turn_deg=(1.5, -0.5),
    bars_depth_mm=50.0,
)


def estimated(photos: list[VisitPhoto], *, trials: int = 4000) -> VisitEstimate:
    found = estimate_visit(photos, rng=np.random.default_rng(7), trials=trials)
    assert isinstance(found, VisitEstimate), found
    return found


# Exact pictures of a known leg.


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize("photos", [1, 2, 3, 6, 12])
def test_a_leg_drawn_without_error_reads_its_own_angles(photos, side):
    """Settings over the range, each taken once or twice, from other directions."""
    shots = [
        Shot(
            f"p{k}", f"s{k // 2}", 5.0 + 18.0 * (k // 2), yaw_deg=(-15.0, 20.0, 5.0)[k % 3],
            frame_deg=9.0 + 18.0 * (k // 2), hinge_mm=(12.0, -20.0), roll_deg=4.0 * (k % 2),
            portrait=k % 2 == 1,
        )
        for k in range(photos)
    ]  # fmt: skip
    found = estimated(visit(Body(side=side), shots), trials=300)
    for one in found.settings:
        true = next(shot for shot in shots if shot.setting == one.name)
        assert one.knee.value == pytest.approx(true.flexion_deg, abs=0.01)
        assert one.frame.value == pytest.approx(true.frame_deg, abs=0.01)
        assert one.fit.value == pytest.approx(4.0, abs=0.01)
        assert (one.distal.value, one.anterior.value) == pytest.approx((12.0, -20.0), abs=0.1)


def test_tags_on_the_bars_show_how_they_are_stuck_once_photos_agree():
    """Stuck 1.7 degrees apart and unevenly far from the hinge: one photo cannot know."""
    body = Body(
        tag_turn_deg=(1.0, -0.7), tag_across_mm=(1.5, -1.0), tag_from_hinge_mm=(190.0, 110.0)
    )
    shots = [
        Shot(f"p{k}", f"s{k}", k, frame_deg=k, hinge_mm=(10.0, -10.0), bar_tags=True, u_px=0.3)
        for k in (5.0, 40.0, 75.0, 110.0)
    ]
    alone = estimated(visit(body, shots[:1])).settings[0]
    together = estimated(visit(body, shots)).settings[0]
    assert abs(alone.frame.value - 5.0) == pytest.approx(1.7, abs=0.2)
    assert abs(together.frame.value - 5.0) < 0.9
    assert together.frame.u < 0.8 * alone.frame.u
    assert math.hypot(together.distal.value - 10.0, together.anterior.value + 10.0) < 4.0


# A visit of one photo is the answer of today.


def drawn_leg(plane: str, **kind):
    return drawn(
        TYPICAL,
        Shot("p", "s", 70.0, yaw_deg=12.0, frame_deg=76.0, plane=plane, **kind),
        np.random.default_rng(3),
    ).leg


def sample_leg(name: str):
    found = measure(scenes(image=f"{name}.jpg")[0].photo, detectors=(DotDetector(),))
    assert not isinstance(found, NotMeasured)
    return found.leg


@pytest.mark.parametrize(
    "leg",
    [
        pytest.param(lambda: drawn_leg("tag"), id="drawn, a strip"),
        pytest.param(lambda: drawn_leg("tag", bar_tags=True), id="drawn, tags on the bars"),
        pytest.param(lambda: drawn_leg("estimated", source="network"), id="drawn, a network"),
        pytest.param(lambda: drawn_leg("image"), id="drawn, flat"),
        pytest.param(lambda: sample_leg("bed_01"), id="sample photo bed_01"),
        pytest.param(lambda: sample_leg("bed_06"), id="sample photo bed_06"),
        pytest.param(lambda: sample_leg("series_a_2"), id="sample photo series_a_2"),
    ],
)
def test_a_visit_of_one_photo_gives_the_answer_of_that_photo(leg):
    leg = leg()
    found = estimated([VisitPhoto("p", "s", leg)], trials=40_000).settings[0]
    rng = np.random.default_rng(1)
    knee = uncertainty.flexion_with_uncertainty(leg, trials=40_000, rng=rng)
    frame = uncertainty.frame_with_uncertainty(leg, trials=40_000, rng=rng)
    assert found.knee.value == pytest.approx(knee.deg, abs=1e-9)
    assert found.knee.u == pytest.approx(knee.u_deg, rel=0.02)
    assert found.knee.interval == pytest.approx(knee.interval_deg, abs=0.1 * knee.u_deg)
    if frame is None:
        assert found.frame is None
        return
    assert found.frame.value == pytest.approx(frame.deg, abs=1e-9)
    assert found.frame.u == pytest.approx(frame.u_deg, rel=0.02)
    assert found.fit.value == pytest.approx(frame.fit_deg, abs=1e-9)
    assert found.fit.u == pytest.approx(frame.u_fit_deg, rel=0.02)
    assert found.distal.value == pytest.approx(frame.distal_mm, abs=1e-9)
    u_mm = math.hypot(found.distal.u, found.anterior.u) / math.sqrt(2.0)
    # Flat, the tails are heavy, and 40,000 trials give u to 4 %.
    assert u_mm == pytest.approx(frame.u_hinge_mm, rel=0.08 if found.distal.u > 20.0 else 0.02)


def test_the_vector_of_a_photo_alone_says_its_own_knee_and_bars():
    """Its own trials and the visit's differ by chance: one answer holds one of them."""
    leg = drawn_leg("tag")
    rng = np.random.default_rng(5)
    own = (
        uncertainty.flexion_with_uncertainty(leg, trials=500, rng=rng),
        uncertainty.frame_with_uncertainty(leg, trials=500, rng=rng),
    )
    found = estimated([VisitPhoto("p", "s", leg, own=own)], trials=500)
    for name, value in (("knee s", found.settings[0].knee), ("frame s", found.settings[0].frame)):
        at = found.names.index(name)
        assert found.values[at] == value.value
        assert math.sqrt(found.covariance[at][at]) == pytest.approx(value.u, rel=1e-9)
    assert np.linalg.eigvalsh(np.array(found.covariance))[0] > -1e-9


@pytest.mark.parametrize("plane", ["tag", "estimated", "image"])
@pytest.mark.parametrize("source", ["dot", "network"])
def test_every_photo_keeps_its_own_model_whatever_it_shares(plane, source):
    """A photo's inputs are a turn of the visit's: independent and of variance 1 as before."""
    bars = plane == "tag"
    shots = [
        Shot(f"p{k}", "s", 60.0, plane=plane, source=source, frame_deg=65.0, bar_tags=bars)
        for k in range(2)
    ]
    photos = visit(TYPICAL, shots)
    for photo, share in zip(photos, shared(photos).shares, strict=True):
        counts = uncertainty.inputs_of(photo.leg)
        assert {line: len(turn) for line, turn in share.turns.items()} == counts
        together = np.concatenate(list(share.turns.values()))
        assert together @ together.T == pytest.approx(np.eye(len(together)), abs=1e-9)


# What is shared is not averaged away.


def by_hand(legs, *, u_px: float, placement_mm: tuple[float, ...]) -> tuple[float, float]:
    """The u of the knee by generalised least squares, of one photo and of two repeats.

    From the geometry of the leg alone: knee and logarithms of both lengths as functions of
    the points, their errors independent (found, 1 px = 1 mm) and shared (placed).
    """
    at = {n: np.array([legs[0].points[n].x_px, legs[0].points[n].y_px]) for n in LEG_POINTS}
    bones = {"thigh": at["knee"] - at["hip"], "shank": at["ankle"] - at["knee"]}
    slopes = np.zeros((3, 6))
    for row, (name, first, last) in enumerate((("thigh", 0, 1), ("shank", 1, 2)), start=1):
        length = np.linalg.norm(bones[name])
        along = bones[name] / length
        # A left leg's flexion turns the shank from x towards -y... one sign for both bones.
        across = np.array([-along[1], along[0]]) * (1.0 if name == "thigh" else -1.0)
        for point, sign in ((first, -1.0), (last, 1.0)):
            slopes[0, 2 * point : 2 * point + 2] += sign * np.degrees(across / length)
            slopes[row, 2 * point : 2 * point + 2] += sign * along / length
    found = slopes @ (u_px**2 * np.eye(6)) @ slopes.T
    placed = slopes @ np.diag(np.repeat(placement_mm, 2) ** 2) @ slopes.T
    still = np.diag([STILL["knee"], STILL["thigh"], STILL["shank"]]) ** 2
    # Repeats differ from their own mean by how still they are kept.
    apart = np.eye(2) - np.full((2, 2), 0.5)
    whole = np.kron(np.eye(2), found) + np.kron(np.ones((2, 2)), placed) + np.kron(apart, still)
    design = np.kron(np.ones((2, 1)), np.eye(3))
    cov = np.linalg.inv(design.T @ np.linalg.solve(whole, design))
    return math.sqrt((found + placed)[0, 0]), math.sqrt(cov[0, 0])


def test_two_repeats_of_the_same_dots_shrink_only_what_is_their_own():
    """Against a linear generalised least squares worked out by hand."""
    one = far_leg(60.0, u_px=5.0, placement_mm=(10.0, 5.0, 5.0))
    # Depths stand still here: seen square-on from afar they move nothing.
    alone, together = by_hand([one], u_px=5.0, placement_mm=(10.0, 5.0, 5.0))
    photos = in_order([VisitPhoto(name, "s", one) for name in "ab"])
    system = _system(photos)
    best = solve(system)
    knee = np.array([row.quantity == "knee" for row in system.rows])
    (slope,) = best.slopes_of(knee[None] / knee.sum())
    assert uncertainty.linear_u_deg(one) == pytest.approx(alone, rel=1e-3)
    assert math.sqrt(best.covariance(slope[None])[0, 0]) == pytest.approx(together, rel=1e-3)
    found = estimated(list(photos), trials=20_000)
    assert found.settings[0].knee.u == pytest.approx(together, rel=0.02)
    # Averaged as if independent it would be this, and it is not.
    assert together > 1.1 * alone / math.sqrt(2.0)


def test_points_found_anew_share_half_of_what_dots_share():
    def u(source: str) -> float:
        one = far_leg(60.0, u_px=0.01, placement_mm=(10.0, 5.0, 5.0))
        points = {n: Landmark(p.x_px, p.y_px, p.cov_px2, source) for n, p in one.points.items()}
        photos = [VisitPhoto(n, "s", replace(one, points=points)) for n in "abcd"]
        return estimated(photos).settings[0].knee.u

    alone = uncertainty.linear_u_deg(far_leg(60.0, placement_mm=(10.0, 5.0, 5.0)))
    assert u("dot") == pytest.approx(alone, rel=0.03)
    # Half the variance stays; the rest is a quarter of it at most (lengths help too).
    assert math.sqrt(0.5) * alone < u("network") < math.sqrt(0.5 + 0.5 / 4) * alone * 1.03


def test_dots_stuck_anew_are_independent_of_the_first():
    one = far_leg(60.0, u_px=0.01, placement_mm=(10.0, 5.0, 5.0))
    same = [VisitPhoto(n, "s", one) for n in "ab"]
    anew = [replace(photo, marks=photo.name) for photo in same]
    u = estimated(same).settings[0].knee.u
    assert estimated(anew).settings[0].knee.u < 0.75 * u


def test_an_arc_is_surer_than_its_ends_suggest():
    """Mark errors cancel in it, and most of the leg's own turn."""
    shots = [Shot(name, name, deg) for name, deg in (("a", 20.0), ("b", 50.0))]
    found = estimated(visit(TYPICAL, shots, np.random.default_rng(2)))
    u = [one.knee.u for one in found.settings]
    arc = found.arc(start="a", end="b")
    assert arc.u < 0.5 * math.hypot(*u)
    assert arc.value == pytest.approx(found.settings[1].knee.value - found.settings[0].knee.value)
    assert arc.interval[0] < arc.value < arc.interval[1]
    # The vector's covariance says the same.
    cov = np.array(found.covariance)
    k, j = found.names.index("knee a"), found.names.index("knee b")
    assert math.sqrt(cov[k, k] + cov[j, j] - 2 * cov[k, j]) == pytest.approx(arc.u, rel=1e-9)


def test_what_is_said_to_shrink_the_most_does():
    shots = [Shot(name, name, deg) for name, deg in (("a", 20.0), ("b", 80.0))]
    photos = visit(TYPICAL, shots, np.random.default_rng(2))
    one = estimated(photos).setting("b")
    assert one.shrink[0].what == "placement hip"
    known = [
        replace(photo, leg=replace(photo.leg, placement_mm=(0.0, 5.0, 5.0))) for photo in photos
    ]
    assert estimated(known).setting("b").knee.u == pytest.approx(one.shrink[0].u_deg, rel=0.04)


# What must not matter.


def test_the_order_of_the_photos_does_not_matter():
    shots = [Shot(f"p{k}", f"s{k // 2}", 30.0 * (k // 2), yaw_deg=9.0 * k) for k in range(4)]
    photos = visit(TYPICAL, shots, np.random.default_rng(4))
    found, turned = estimated(photos), estimated(photos[::-1])
    assert found.photos == turned.photos
    assert found.values == turned.values
    assert found.covariance == turned.covariance


def mirrored(photo: VisitPhoto) -> VisitPhoto:
    leg, width = photo.leg, photo.leg.lens.width_px
    view = leg.view
    points = {
        n: Landmark(width - p.x_px, p.y_px, (p.cov_px2[0], -p.cov_px2[1], p.cov_px2[2]), p.source)
        for n, p in leg.points.items()
    }
    flip = {
        name: (cov[0], -cov[1], cov[2])
        for name, cov in (
            ("tilt_cov_deg2", view.tilt_cov_deg2),
            ("leg_turn_cov_deg2", view.leg_turn_cov_deg2),
        )
    }
    normal = (-view.normal[0], *view.normal[1:])
    side = "right" if leg.side == "left" else "left"
    return replace(
        photo, leg=replace(leg, points=points, side=side, view=replace(view, normal=normal, **flip))
    )


@pytest.mark.parametrize(("plane", "source"), [("tag", "dot"), ("estimated", "network")])
def test_a_mirrored_visit_has_the_mirrored_answer(plane, source):
    shots = [
        Shot(f"p{k}", f"s{k // 2}", 20.0 + 40.0 * (k // 2), yaw_deg=12.0 * k - 15.0,
             frame_deg=26.0 + 40.0 * (k // 2), plane=plane, source=source, u_px=3.0)
        for k in range(4)
    ]  # fmt: skip
    photos = visit(TYPICAL, shots, np.random.default_rng(4))
    found, other = (estimated(p) for p in (photos, [mirrored(photo) for photo in photos]))
    assert other.values == pytest.approx(found.values, abs=1e-3)
    assert np.sqrt(np.diag(other.covariance)) == pytest.approx(
        np.sqrt(np.diag(found.covariance)), rel=0.06
    )


def test_the_displayed_number_changes_no_estimate():
    shots = [Shot(name, name, deg) for name, deg in (("a", 20.0), ("b", 80.0))]
    photos = visit(TYPICAL, shots, np.random.default_rng(2))
    shown = [replace(photo, displayed_deg=100.0) for photo in photos]
    first, second = estimated(photos), estimated(shown)
    assert first.values == second.values
    assert [one.displayed_deg for one in second.settings] == [100.0, 100.0]


# Wild points, odd photos.


def moved(photo: VisitPhoto, point: str, by_px: tuple[float, float]) -> VisitPhoto:
    points = dict(photo.leg.points)
    was = points[point]
    points[point] = replace(was, x_px=was.x_px + by_px[0], y_px=was.y_px + by_px[1])
    return replace(photo, leg=replace(photo.leg, points=points))


def test_one_wild_point_is_named_and_does_not_carry_the_result():
    """An ankle 150 px (16 u) up the shin in one of four repeats."""
    shots = [
        Shot(f"p{k}", "s", 60.0, yaw_deg=8.0 * k, source="network", u_px=9.0) for k in range(4)
    ]
    photos = visit(TYPICAL, shots, np.random.default_rng(9))
    others = estimated([*photos[:2], photos[3]]).settings[0].knee
    wild = [*photos[:2], moved(photos[2], "ankle", (150.0, 20.0)), photos[3]]
    found = estimated(wild)
    assert found.wild == (("p2", "ankle"),)
    assert "p2" in found.cautions[0]
    assert "ankle" in found.cautions[0]
    alone = estimated([wild[2]]).settings[0].knee.value
    assert abs(alone - others.value) > 4.0
    assert abs(found.settings[0].knee.value - others.value) < 0.5 * others.u


@pytest.mark.parametrize("point", ["hip", "knee", "ankle"])
def test_a_dot_far_from_its_place_bends_nothing_else(point):
    """Well seen dots: each photo is doubted in turn, else all the others give way first.

    What moves a point about its neighbour leaves every length and cannot be seen.
    """
    shots = [Shot(f"p{k}", f"s{k}", 20.0 + 25.0 * k, yaw_deg=8.0 * k) for k in range(4)]
    photos = visit(TYPICAL, shots)
    photos[1] = moved(photos[1], point, (-200.0, -150.0))
    found = estimated(photos)
    assert {photo for photo, _ in found.wild} == {"p1"}
    for one, shot in zip(found.settings, shots, strict=True):
        if shot.name != "p1":
            assert one.knee.value == pytest.approx(shot.flexion_deg, abs=2.0 * one.knee.u)


def test_ordinary_photos_name_no_point():
    for seed in range(8):
        rng = np.random.default_rng(seed)
        shots = [Shot(f"p{k}", f"s{k // 2}", 50.0 * (k // 2), source="network", u_px=9.0)
                 for k in range(4)]  # fmt: skip
        assert estimated(visit(random_body(rng), shots, rng), trials=300).wild == ()


def test_a_photo_in_the_wrong_setting_is_named():
    shots = [Shot(f"p{k}", "s", deg, u_px=1.0) for k, deg in enumerate((40.0, 40.0, 55.0))]
    found = estimated(visit(TYPICAL, shots))
    assert found.p_value < 1e-6
    assert {photo for photo, _ in found.wild} == {"p2"}
    assert "belongs to its setting" in found.cautions[0]


CARDS = {"bar_tags": True, "u_px": 0.3}


@pytest.mark.parametrize(
    ("turn_deg", "refused"),
    [
        pytest.param(1.5, False, id="a little: the misfit is told"),
        pytest.param(15.0, True, id="far: the photos are not judged together"),
    ],
)
def test_tags_that_were_moved_within_a_visit_do_not_fit(turn_deg, refused):
    """Corners are no found points: nothing is reweighted."""
    shots = [Shot(f"p{k}", f"s{k}", k, frame_deg=k, **CARDS) for k in (10.0, 45.0, 80.0)]
    moved = Body(tag_across_mm=(0.0, 9.0), tag_turn_deg=(turn_deg, 0.0))
    photos = [*visit(Body(), shots[:2]), drawn(moved, shots[2])]
    found = estimate_visit(photos, rng=np.random.default_rng(1))
    if refused:
        assert isinstance(found, NotMeasured)
        assert "no common leg and machine" in found.reason
    else:
        assert isinstance(found, VisitEstimate)
        assert found.p_value < 1e-3
        assert "do not fit one leg" in found.cautions[0]


def test_two_people_are_no_visit():
    shots = [Shot(name, name, deg) for name, deg in (("a", 30.0), ("b", 80.0))]
    photos = [drawn(Body(), shots[0]), drawn(Body(thigh_mm=520.0, shank_mm=370.0), shots[1])]
    found = estimate_visit(photos, rng=np.random.default_rng(1))
    assert isinstance(found, NotMeasured)
    assert "no common leg and machine" in found.reason


def test_a_machine_that_was_not_paused_makes_repeats_less_alike():
    shots = [Shot(name, "s", deg, u_px=0.5) for name, deg in (("a", 58.0), ("b", 62.0))]
    photos = visit(TYPICAL, shots)
    rng = np.random.default_rng(1)
    assert isinstance(estimate_visit(photos, rng=rng), NotMeasured)
    found = estimate_visit(photos, rng=rng, movement_deg=4.0)
    assert isinstance(found, VisitEstimate)
    assert found.wild == ()
    assert found.settings[0].knee.value == pytest.approx(60.0, abs=1.5)


def test_a_mirrored_plane_is_settled_by_the_other_photos():
    """One photo of a small tag cannot tell 20 degrees left from right; two more can."""
    shots = [Shot(f"p{k}", "s", 70.0, yaw_deg=yaw) for k, yaw in enumerate((20.0, 0.0, -10.0))]
    photos = visit(Body(), shots)
    view = photos[0].leg.view
    wrong = (-view.normal[0], *view.normal[1:])
    confused = replace(view, normal=wrong, other_normal=view.normal, p_other=0.4)
    first = replace(photos[0], leg=replace(photos[0].leg, view=confused))
    alone = estimated([first]).settings[0].knee
    assert abs(alone.value - 70.0) > 0.5
    found = estimated([first, *photos[1:]]).settings[0].knee
    assert found.value == pytest.approx(70.0, abs=0.1)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param(lambda *_: [], "at least one photo", id="no photo is no visit"),
        pytest.param(
            lambda a, b: [a, mirrored(b)], "a visit is of one leg", id="two legs are two visits"
        ),
        pytest.param(
            lambda a, b: [
                replace(a, displayed_deg=50.0),
                replace(b, setting=a.setting, displayed_deg=70.0),
            ],
            "has 50 and 70",
            id="one setting has one displayed number",
        ),
    ],
)
def test_what_is_no_visit_is_refused_with_its_reason(change, words):
    shots = [Shot(name, name, deg) for name, deg in (("a", 50.0), ("b", 80.0))]
    found = estimate_visit(change(*visit(TYPICAL, shots)), rng=np.random.default_rng(1))
    assert isinstance(found, NotMeasured)
    assert words in found.reason
    assert found.advice


def test_a_name_that_comes_twice_is_a_wrong_call():
    one = drawn(TYPICAL, Shot("a", "a", 50.0))
    with pytest.raises(InvalidInput, match="name of its own, but a came more than once"):
        estimate_visit([one, one], rng=np.random.default_rng(1))
    with pytest.raises(InvalidInput, match="needs two quantities, but got knee a twice"):
        estimated([one]).arc(start="a", end="a")


def test_photos_that_were_not_measured_are_handed_on():
    one = drawn(TYPICAL, Shot("a", "a", 50.0))
    out = (("b", "no leg was found"),)
    found = estimate_visit([one], rng=np.random.default_rng(1), left_out=out)
    assert found.left_out == out


def test_where_no_camera_was_seen_that_is_said():
    flat = Shot("a", "a", 50.0, plane="image")
    tag = Shot("b", "b", 80.0)
    found = estimated(visit(TYPICAL, [flat, tag], np.random.default_rng(1)))
    assert [one.camera_seen for one in found.settings] == [False, True]


def test_portrait_and_landscape_of_one_phone_share_its_focal_length():
    shots = [Shot("a", "s", 60.0), Shot("b", "s", 60.0, portrait=True)]
    keys = shared(visit(TYPICAL, shots)).keys
    assert Counter(key[0] for key in keys)["focal length"] == 1


def test_bars_that_stand_far_before_the_knee_leave_the_hinge_within_its_interval():
    """Bars 75 mm and a covered hinge 95 mm before the mark, seen from 15 degrees above.

    Assumed to stand 41 ± 15 mm off, it fell outside, and so a right thigh section was told as
    14 mm wrong.
    """
    body = Body(bars_depth_mm=75.0, bars_uneven_mm=(0.0, 14.0, 0.0))
    shots = [
        Shot(f"p{k}", f"s{k}", 20.0 + 25.0 * k, pitch_deg=pitch, frame_deg=20.0 + 25.0 * k)
        for k, pitch in enumerate((12.0, 20.0, 15.0, 18.0))
    ]
    found = estimate_visit(visit(body, shots), rng=np.random.default_rng(1), trials=1500)
    for one in found.settings:
        for place in (one.distal, one.anterior):
            assert place.interval[0] < 0.0 < place.interval[1], one.name


def test_what_would_shrink_a_knees_plus_minus_is_that_of_the_whole_covariance():
    shots = [Shot(f"p{k}", f"s{k // 2}", 25.0 * (k // 2), frame_deg=2.0 + 25.0 * (k // 2),
                  yaw_deg=5.0 * k) for k in range(6)]  # fmt: skip
    system = _system(in_order(visit(Body(), shots)))
    best = solve(system)
    size = len(best.scale)
    covariance = best.covariance(np.eye(size))
    slopes = best.slopes_of(np.eye(len(system.rows))[[0, len(system.rows) // 2]])
    for slope, reached in zip(slopes, _shrinks(best, slopes), strict=True):
        for one in reached:
            at = [k for k, key in enumerate(system.inputs.keys)
                  if one.what in (key[0], f"{key[0]} {key[1]}".removesuffix(" alike"))]  # fmt: skip
            own, common = covariance[np.ix_(at, at)], (covariance @ slope)[at]
            left = slope @ covariance @ slope - common @ np.linalg.pinv(own, rcond=1e-12) @ common
            assert one.u_deg == pytest.approx(np.sqrt(max(left, 0.0)), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    "way",
    [
        pytest.param({"bar_tags": True}, id="tags on the bars"),
        pytest.param({"plane": "estimated", "source": "network"}, id="a leg's own size"),
        pytest.param({"frame_deg": None}, id="no machine"),
    ],
)
def test_what_photos_say_together_is_what_one_large_inverse_says(way):
    """Photo by photo with what they share, against the textbook's inverse of everything."""
    shots = [Shot(f"p{k}", f"s{k // 2}", 25.0 * (k // 2), yaw_deg=5.0 * k,
                  **{"frame_deg": 2.0 + 25.0 * (k // 2), **way}) for k in range(5)]  # fmt: skip
    system = _system(in_order(visit(Body(), shots)))
    best = solve(system)
    slopes = best.slopes_of(np.eye(len(system.rows)))
    # From what rows miss to the noise that makes them; means that nobody knows go to nothing.
    apart = np.linalg.pinv(system.noise(np.eye(system.said)))
    whole = np.eye(len(best.x)) + slopes.T @ apart.T @ apart @ slopes
    assert best.covariance(np.eye(len(best.x))) == pytest.approx(np.linalg.inv(whole), abs=1e-7)
    missed = system.missed(np.linspace(-1.0, 2.0, len(system.rows)))
    assert system.square(missed) == pytest.approx(np.sum((apart @ missed) ** 2))
    at_best = system.missed(system.values((best.x * best.scale)[:, None])[:, 0])
    assert best.square == pytest.approx(best.x @ best.x + np.sum((apart @ at_best) ** 2))
    _, said = np.linalg.slogdet(np.eye(system.said) + apart @ slopes @ (apart @ slopes).T)
    _, noise = np.linalg.slogdet(np.linalg.pinv(apart).T @ np.linalg.pinv(apart))
    assert best.ties.log_det == pytest.approx(said + noise)


def test_more_photos_of_the_same_settings_share_no_more():
    """What must be inverted whole does not grow, so a visit costs what its photos cost."""

    def inverted(photos: int) -> int:
        shots = [Shot(f"p{k}", f"s{k % 3}", 30.0 * (k % 3), frame_deg=31.0 * (k % 3))
                 for k in range(photos)]  # fmt: skip
        return len(solve(_system(in_order(visit(Body(), shots)))).ties.common)

    assert inverted(6) == inverted(24)


def test_a_trial_ends_in_the_same_place_however_many_are_moved_with_it(monkeypatch):
    """And it is there: a tenth of what a row may miss by is 0.02 degrees of a paused knee."""
    shots = [
        Shot(f"p{k}", f"s{k // 2}", 15.0 + 40.0 * (k // 2), yaw_deg=12.0 * k - 20) for k in range(4)
    ]
    system = _system(in_order(visit(TYPICAL, shots)))
    best = solve(system)

    def drawn(block: int) -> solving.Trials:
        monkeypatch.setattr(solving, "BLOCK", block)
        return solving.trials_of(system, best, trials=300, rng=np.random.default_rng(3))

    alone, together = drawn(7), drawn(300)
    assert alone.effective > 250
    assert alone.rows == pytest.approx(together.rows, abs=0.02)
    monkeypatch.setattr(solving, "NEARLY", 1e-7)
    assert drawn(300).rows == pytest.approx(together.rows, abs=0.02)


@pytest.mark.parametrize(("photos", "trials"), [(1, 4000), (30, 4000), (60, 2000), (300, 1000)])
def test_many_photos_get_fewer_trials(photos, trials):
    assert trials_for(photos) == trials
