"""Judged photos: exact truth, the same for the same number; and what is said of them by group."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("moderngl")
pytest.importorskip("torch")

from knee_angle.angle import geometry
from knee_angle.photo.reading import read_photo
from knee_angle.records import LEG_POINTS
from knee_angle.training.bodies import load_bank
from knee_angle.training.groups import Judged, confident_wrong, groups_of, judge_photos, report
from knee_angle.training.photos import Order, draw_photos
from knee_angle.training.scene import as_phone, build_scene, draw_camera
from knee_angle.training.stream import Source

BANK = Path(__file__).with_name("test_training_bank.npz")
COMMAND = [sys.executable, "-m", "knee_angle.training"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four photos of patients and five without a leg."""
    from knee_angle.training.renderer import Renderer

    try:
        Renderer(size=32, pictures=np.zeros((1, 8, 8, 3), np.uint8), samples=1).release()
    except Exception as error:  # noqa: BLE001 - no OpenGL here is a reason to skip, whatever its kind
        pytest.skip(f"no OpenGL without a display: {error}")
    path = tmp_path_factory.mktemp("photos")
    draw_photos(Order("bed", 4, 5, 320), source=Source(BANK), folder=path, workers=1)
    draw_photos(Order("none", 5, 5, 320), source=Source(BANK), folder=path, workers=1)
    return path


def truths(folder: Path) -> list[tuple[Path, dict]]:
    return [
        (p.with_suffix(".jpg"), json.loads(p.read_text())) for p in sorted(folder.glob("bed*.json"))
    ]


def test_hip_knee_and_ankle_are_in_every_photo_of_a_leg(folder):
    for path, truth in truths(folder):
        photo = read_photo(path)
        for name in LEG_POINTS:
            x, y = truth["landmarks"][name]["skin_px"]
            assert 0 <= x < photo.width
            assert 0 <= y < photo.height


def test_the_truth_fits_together_the_points_seen_along_the_normal_have_the_flexion(folder):
    # Skin points lie at different depths: within some degrees, not exactly.
    for path, truth in truths(folder):
        photo = read_photo(path)
        assert photo.f35_mm is not None
        focal = photo.f35_mm / 43.2666 * math.hypot(photo.width, photo.height)
        points = np.array([truth["landmarks"][n]["skin_px"] for n in LEG_POINTS])
        rays = np.c_[(points - [photo.width / 2, photo.height / 2]) / focal, np.ones(3)]
        normal = np.array(truth["sagittal_normal"])
        seen = float(geometry.flexion_deg(*(rays / (rays @ normal)[:, None])))
        assert normal[2] < 0
        assert np.linalg.norm(normal) == pytest.approx(1.0)
        assert seen == pytest.approx(abs(truth["true_knee_flexion_deg"]), abs=8.0)


def test_a_photo_depends_on_its_seed_and_number_alone(folder, tmp_path):
    draw_photos(Order("bed", 2, 5, 320), source=Source(BANK), folder=tmp_path, workers=1)
    for name in ("bed_0000", "bed_0001"):
        for kind in (".jpg", ".json"):
            again, first = ((f / name).with_suffix(kind) for f in (tmp_path, folder))
            assert again.read_bytes() == first.read_bytes()


def test_photos_without_a_leg_name_what_they_show_and_no_flexion(folder):
    shown = []
    for path in sorted(folder.glob("none*.json")):
        truth = json.loads(path.read_text())
        assert truth["true_knee_flexion_deg"] is None
        shown.append(truth["drawn"]["shows"])
    assert shown == ["room", "arm", "upper body", "drawing", "library picture"]


def test_a_phone_aims_at_the_middle_and_sees_the_leg_as_large():
    rng = np.random.default_rng(2)
    scene = build_scene(load_bank(BANK), rng, pictures=1, kind="bed")
    camera = draw_camera(scene, rng, size=320)
    phone = as_phone(scene, camera, f35_mm=26.0)
    x0, y0, x1, y1 = phone.window
    assert phone.centre_px == (160.0, 160.0)
    assert phone.focal_px == pytest.approx(26.0 / 43.2666 * math.hypot(x1 - x0, y1 - y0))
    assert np.allclose(phone.turn @ phone.turn.T, np.eye(3))
    leg = scene.person.leg
    places = np.array([leg.skin["knee"], leg.skin["ankle"]])
    lengths = [np.linalg.norm(np.diff(c.project(places), axis=0)) for c in (camera, phone)]
    assert lengths[1] == pytest.approx(lengths[0], rel=0.35)


def test_one_command_measures_the_photos_and_reports_by_group(folder, tmp_path):
    out = tmp_path / "card.md"
    run = [*COMMAND, "groups", str(folder), "--out", str(out)]
    subprocess.run(run, check=True, capture_output=True, timeout=55)
    text = out.read_text()
    assert "| in bed, all | 4 |" in text
    assert "of 4 photos" in text
    assert "| drawing | 1 | 0 | 0 |" in text


def test_a_photo_of_a_leg_is_measured_and_one_without_refused(folder):
    rows = judge_photos(sorted(folder.glob("*.jpg")), workers=1)
    assert {r.name: math.isfinite(r.flexion_deg) for r in rows if r.name.endswith("0")} == {
        "bed_0000": True,
        "none_0000": False,
    }
    for row in rows:
        measured = row.refused is None
        assert math.isfinite(row.half_width_deg) == measured


DRAWN = {
    "lying": True,
    "tone": 0.1,
    "sex": "female",
    "girth": 0.2,
    "hip_covered": False,
    "machine": True,
    "light": 100.0,
    "view_deg": 10.0,
}


def row(error_deg: float, half_width_deg: float, *, flexion_deg: float = 60.0) -> Judged:
    """A measured photo whose interval is centred on the reported angle."""
    return Judged(
        "x",
        DRAWN | {"shows": "room"},
        flexion_deg,
        hit=True,
        error_deg=error_deg,
        half_width_deg=half_width_deg,
        held=abs(error_deg) <= half_width_deg,
        labels={"framing": "leg", "side": "left"},
    )


@pytest.mark.parametrize(
    ("judged", "wrong"),
    [
        pytest.param(row(14.9, 5.0), False, id="just within 15 degrees is not counted"),
        pytest.param(row(15.1, 5.0), True, id="more than 15 degrees off and sure of itself"),
        pytest.param(row(-40.0, 5.0), True, id="to the other side as well"),
        pytest.param(row(40.0, 15.1), False, id="an interval beyond ±15° claims nothing"),
        pytest.param(
            row(math.nan, 5.0, flexion_deg=math.nan), True, id="any answer where no leg is"
        ),
        pytest.param(
            replace(row(40.0, 5.0), refused="unsure"), False, id="a refusal answers nothing"
        ),
    ],
)
def test_what_counts_as_a_confident_wrong_answer(judged, wrong):
    assert bool(confident_wrong([judged])) is wrong


def test_a_group_counts_refusals_hits_errors_and_how_often_the_interval_holds():
    rows = [row(1.0, 5.0), row(-3.0, 2.0), row(2.0, 5.0), replace(row(0.0, 0.0), refused="unsure")]
    lines = report(rows).splitlines()
    assert lines[2] == "| in bed, all | 4 | 25.0 | 100.0 | 2.0 | 2.8 | - | 66.7 |"


def test_a_set_without_anybody_in_bed_has_its_one_group():
    standing = replace(row(1.0, 5.0), drawn=DRAWN | {"lying": False})
    assert [(n, len(g)) for n, g in groups_of([standing]) if g] == [
        ("standing, walking, sitting", 1)
    ]


def test_every_photo_in_bed_is_in_one_group_of_each_kind():
    rows = [replace(row(0.0, 1.0), drawn=DRAWN | {"tone": t}) for t in (0.0, 0.3, 0.6, 1.0)]
    tones = [len(g) for name, g in groups_of(rows) if name.startswith("skin tone")]
    assert tones == [1, 1, 1, 1]
