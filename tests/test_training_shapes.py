"""The training's world beyond one body model, and pictures kept for several runs."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl")
pytest.importorskip("torch")

from knee_angle.angle import geometry
from knee_angle.training import machines, shapes, shelf
from knee_angle.training.bodies import load_bank
from knee_angle.training.meshes import Soup
from knee_angle.training.posing import lying_stance, pose
from knee_angle.training.scene import draw_focal
from knee_angle.training.stream import PICTURE_SIZE

BODY = load_bank(Path(__file__).with_name("test_training_bank.npz"))[0]
LEG = ("hip", "knee", "ankle")


@pytest.mark.parametrize("seed", range(8))
def test_a_leg_of_another_shape_has_the_flexion_that_was_asked_for(seed):
    rng = np.random.default_rng(seed)
    body = shapes.reshaped(BODY, rng)
    stance = lying_stance(body, rng)
    person = pose(shapes.bulged(body, rng, stance.flexion_deg), stance)
    assert person is not None
    leg = person.leg
    across = np.eye(3) - np.outer(leg.normal, leg.normal)
    seen = [across @ leg.skin[name] for name in LEG]
    assert float(geometry.flexion_deg(*seen)) == pytest.approx(
        abs(leg.flexion_deg), abs=abs(stance.valgus_deg) * 0.2 + 1.0
    )


def test_legs_of_another_shape_differ_in_length_and_girth_more_than_the_model_s():
    made = [shapes.reshaped(BODY, np.random.default_rng(seed)) for seed in range(40)]
    ratio = [b.knee_below_hip / (b.ankle_below_hip - b.knee_below_hip) for b in made]
    assert max(ratio) / min(ratio) > 1.2
    widths = []
    for body in made:
        thigh = np.abs(body.regions[:, 0] - body.knee_below_hip * 0.5) < 0.02
        right = body.vertices[thigh & (body.regions[:, 3] > 0)]
        widths.append(float(np.ptp(right[:, 1])))
    assert max(widths) / min(widths) > 1.25


def test_a_swollen_knee_carries_its_skin_point_outward_and_leaves_the_joint():
    knee = BODY.knee_below_hip
    lump = shapes._Lump(knee, 0.06, 0.3)
    swollen = shapes.replace(BODY, vertices=shapes._lumped(BODY, BODY.vertices, "R", [lump]))
    stance = lying_stance(BODY, np.random.default_rng(1))
    before, after = pose(BODY, stance), pose(swollen, stance)
    assert before is not None
    assert after is not None
    moved = after.leg.skin["knee"] - before.leg.skin["knee"]
    assert 0.005 < float(moved @ before.leg.normal) < 0.04
    assert after.leg.knee == pytest.approx(before.leg.knee)
    assert after.leg.skin["ankle"] == pytest.approx(before.leg.skin["ankle"], abs=1e-3)


def test_the_same_seed_gives_the_same_shape():
    one, again = (shapes.reshaped(BODY, np.random.default_rng(4)) for _ in range(2))
    assert (one.vertices == again.vertices).all()
    assert (one.heads == again.heads).all()


def test_many_machines_sit_farther_off_than_any_well_set_one_and_are_bent_otherwise():
    furthest_well_set_m = float(np.hypot(0.05, 0.08))
    shifts, angles = [], []
    for seed in range(150):
        rng = np.random.default_rng(seed)
        person = pose(BODY, lying_stance(BODY, rng))
        assert person is not None
        points = machines.add_machine(Soup(rng, 1), person.leg)
        if points is None:
            continue
        away = (points["hinge"] - person.leg.knee)[[0, 2]]
        shifts.append(float(np.linalg.norm(away)))
        bars = [points[name][[0, 2]] for name in ("thigh_bar", "hinge", "shank_bar")]
        leg = [person.leg.skin[name][[0, 2]] for name in LEG]
        angles.append(float(geometry.flexion_deg(*bars)) - float(geometry.flexion_deg(*leg)))
    assert max(shifts) > 0.12
    assert max(shifts) < 0.26
    assert np.mean(np.array(shifts) > furthest_well_set_m) > 0.15
    assert np.std(angles) > 8.0
    assert abs(np.mean(angles)) < 8.0


def test_lenses_reach_from_the_wide_one_to_the_long_one():
    drawn = [draw_focal(np.random.default_rng(seed)) for seed in range(300)]
    assert min(drawn) < 16
    assert max(drawn) > 60
    assert 0.6 < np.mean([23 <= f <= 29 for f in drawn]) < 0.85


def parts(count: int, first: int) -> dict[str, list[np.ndarray]]:
    made = {name: [np.full((count, 2), first, np.float32)] for name in shelf.NAMES}
    made["picture"] = [np.full((count, PICTURE_SIZE, 2, 3), first, np.uint8)]
    return made


def test_pictures_come_back_from_the_shelf_in_their_order(tmp_path):
    shelf._write(tmp_path, 0, parts(3, 5))
    shelf._write(tmp_path, 1, parts(2, 6))
    back = list(shelf.blocks(tmp_path))
    assert [len(b["picture"]) for b in back] == [3, 2]
    assert [int(b["meta"][0, 0]) for b in back] == [5, 6]
    shared = [list(shelf.blocks(tmp_path, first=rank, step=2)) for rank in (0, 1)]
    assert [[int(b["meta"][0, 0]) for b in one] for one in shared] == [[5], [6]]


def test_a_part_that_was_cut_off_before_its_pictures_is_left_out(tmp_path):
    shelf._write(tmp_path, 0, parts(3, 5))
    shelf._write(tmp_path, 1, parts(2, 6))
    (tmp_path / "0001_picture.npy").unlink()
    assert len(list(shelf.blocks(tmp_path))) == 1
