"""The series in one rigid machine: nothing moves but the bars, and the truth is the chain's."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl")

from knee_angle.machine.chain import Chain, knee_flexion_deg
from knee_angle.photo.reading import read_photo
from knee_angle.photo.tags import find_tags
from knee_angle.training import __main__ as command
from knee_angle.training import seated, series
from knee_angle.training.bodies import load_bank
from knee_angle.training.series_truth import truth_of

BANK = Path(__file__).with_name("test_training_bank.npz")
SEED, WIDTH = 4, 640


def truths(letter: str, numbers: tuple[int, ...]) -> list[dict]:
    """Truth of some photos of a visit, none of them drawn."""
    visit = seated.visit_of(load_bank(BANK)[0], letter, SEED)
    found = []
    for number in numbers:
        shot = seated.shot_of(visit, number, seated.BARS_DEG[number - 1])
        camera = seated.hand_held(shot, np.random.default_rng([SEED, number]), width=WIDTH)
        found.append(truth_of(visit, shot, camera, f"series_{letter}_{number}"))
    return found


@pytest.fixture(scope="module", params=["d", "e"])
def visit(request: pytest.FixtureRequest) -> list[dict]:
    return truths(request.param, (1, 3, 6))


def test_the_posed_leg_has_the_flexion_that_the_chain_gives_for_the_bars(visit):
    for truth in visit:
        kept = truth["machine"]["chain"]
        names = ("thigh_mm", "lower_mm", "thigh_fault_mm", "lower_fault_mm", "give")
        chain = Chain(**{name: kept[name] for name in names})
        expected = float(knee_flexion_deg(truth["machine"]["frame_angle_deg"], chain))
        # Lengths and give are kept to 0.01 mm and 0.0001.
        assert truth["true_knee_flexion_deg"] == pytest.approx(expected, abs=0.02)


def test_the_hinge_stands_from_the_knee_as_the_linkage_says(visit):
    for truth in visit:
        machine = truth["machine"]
        assert -machine["hinge_offset_mm"]["proximal"] == pytest.approx(
            machine["chain"]["hinge_distal_mm"], abs=1.0
        )
        # The leg's plane is turned by up to 4 degrees, 0.2 % of a thigh's rise.
        assert machine["hinge_offset_mm"]["anterior"] == pytest.approx(
            machine["chain"]["hinge_anterior_mm"], abs=1.0
        )


def test_the_machine_is_rigid_its_dots_keep_their_distances(visit):
    def apart(truth: dict, one: str, other: str) -> float:
        points = truth["machine"]["points"]
        plane = [np.array(points[n]["mm"])[[0, 2]] for n in (one, other)]
        return float(np.linalg.norm(plane[0] - plane[1]))

    for pair in (("thigh_bar", "hinge"), ("hinge", "shank_bar")):
        assert np.ptp([apart(truth, *pair) for truth in visit]) < 0.01
    hip_end = {truth["machine"]["bars_lateral_of_leg_plane_mm"] for truth in visit}
    assert len(hip_end) == 1


def test_the_pixels_are_those_of_the_stated_camera(visit):
    for truth in visit:
        camera = truth["camera"]
        for mark in (*truth["landmarks"].values(), *truth["machine"]["points"].values()):
            at = np.array(camera["R"]) @ mark.get("marker_mm", mark.get("mm")) + camera["t_mm"]
            seen = at[:2] / at[2] * camera["fx"] + [camera["cx"], camera["cy"]]
            assert seen == pytest.approx(mark.get("marker_px", mark.get("px")), abs=0.02)


def test_only_the_lower_leg_section_differs_between_the_visits():
    (right,), (short,) = truths("d", (3,)), truths("e", (3,))
    changed = {
        name
        for name, value in right["machine"]["chain"].items()
        if value != short["machine"]["chain"][name] and not name.startswith("hinge")
    }
    assert changed == {"lower_fault_mm"}
    assert short["machine"]["chain"]["lower_fault_mm"] == -30.0
    assert short["true_knee_flexion_deg"] > right["true_knee_flexion_deg"] + 2.0


@pytest.fixture
def drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """One photo of visit d by the command, its strip on."""
    from knee_angle.training.renderer import Renderer

    try:
        Renderer(size=32, pictures=np.zeros((1, 8, 8, 3), np.uint8), samples=1).release()
    except Exception as error:  # noqa: BLE001 - no OpenGL here is a reason to skip, whatever its kind
        pytest.skip(f"no OpenGL without a display: {error}")
    monkeypatch.setattr(series, "BARS_DEG", (30.0,))
    monkeypatch.setattr(series, "FAULTS_MM", {"d": (0.0, 0.0)})
    options = ["series", str(tmp_path), "--seed", str(SEED), "--bank", str(BANK)]
    monkeypatch.setattr(sys, "argv", ["x", *options, "--width", str(WIDTH)])
    command.main()
    return tmp_path


def test_the_command_draws_a_photo_whose_tags_are_where_its_truth_says(drawn):
    truth = json.loads((drawn / "series_d_1.json").read_text())
    photo = read_photo(drawn / "series_d_1.jpg")
    assert (photo.width, photo.height, photo.f35_mm) == (WIDTH, WIDTH * 3 // 4, 26.0)
    printed = {tag["id"]: np.array(tag["corners_px"]) for tag in truth["tag_board"]["tags"]}
    found = find_tags(photo)
    assert len(found) >= 2, "small as the photo is"
    for tag in found:
        assert np.abs(np.array(tag.corners_px) - printed[tag.number]).max() < 0.6
