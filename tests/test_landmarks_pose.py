"""The whole-body pose model as a detector: what is believed of it, and what never is."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from conftest import SAMPLES, scenes
from PIL import Image, ImageDraw

from knee_angle import geometry
from knee_angle.errors import MissingModel
from knee_angle.landmarks import bundles, pose
from knee_angle.landmarks.pose import PoseDetector
from knee_angle.measure import measure
from knee_angle.photo import read_photo
from knee_angle.records import LEG_POINTS, Landmarks, Measurement, NotMeasured

COLOURS = {"hip": (255, 0, 0), "knee": (0, 255, 0), "ankle": (0, 0, 255)}
LEG = {"hip": (560.0, 420.0), "knee": (360.0, 220.0), "ankle": (160.0, 420.0)}


class SeesColours:
    """A pose model that finds a leg by its coloured joints, however the picture is turned.

    Like a real one it names the side by what it sees: the mirror image of a left leg is
    a right one.
    """

    def __init__(self, *, visibility: float = 0.9, wrong_in_mirror: bool = False) -> None:
        self.visibility, self.wrong_in_mirror = visibility, wrong_in_mirror
        self.looks: list[tuple[int, ...]] = []

    def detect(self, rgb: np.ndarray) -> np.ndarray:
        assert rgb.dtype == np.uint8
        assert rgb.flags.c_contiguous
        assert rgb.shape[2] == 3
        self.looks.append(rgb.shape)
        height, width = rgb.shape[:2]
        at = {}
        for name, colour in COLOURS.items():
            near = np.abs(rgb.astype(int) - colour).sum(axis=2) < 120
            if not near.any():
                return np.zeros((0, 33, 5), np.float32)
            ys, xs = np.nonzero(near)
            at[name] = (xs.mean() + 0.5, ys.mean() + 0.5)
        bend = float(geometry.signed_flexion_deg(*at.values(), side="left"))
        side = 0 if bend > 0 else 1
        if self.wrong_in_mirror and side == 1:
            at["hip"] = (at["hip"][0], at["hip"][1] - 0.4 * height)
        found = np.zeros((1, 33, 5), np.float32)
        found[0, :, 3] = self.visibility
        found[0, 23 + side, 2] = -0.2
        for name, (x, y) in at.items():
            found[0, pose.LEFT_INDEX[name] + side, :2] = (x / width, y / height)
        return found

    def close(self) -> None:
        self.looks.append((0,))


def photo_of(leg: dict[str, tuple[float, float]], *, turns: int = 0):
    picture = Image.new("RGB", (720, 540), (90, 90, 90))
    draw = ImageDraw.Draw(picture)
    for name, (x, y) in leg.items():
        draw.ellipse((x - 7, y - 7, x + 7, y + 7), fill=COLOURS[name])
    out = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(np.rot90(np.asarray(picture), turns))).save(out, "PNG")
    return read_photo(out.getvalue(), name="drawn.png")


def find(leg, *, masked=(), **fake):
    model = SeesColours(**fake)
    with PoseDetector(Path("none"), open_landmarker=lambda _: model) as detector:
        return detector.find(photo_of(leg), masked=masked), model


def test_a_leg_that_every_look_confirms_is_found_where_it_is():
    found, _ = find(LEG)
    assert isinstance(found, Landmarks)
    assert found.side == "left"
    for name, (x, y) in LEG.items():
        assert (found.points[name].x_px, found.points[name].y_px) == pytest.approx(
            (x + 0.5, y + 0.5), abs=1.0
        )
    assert found.cautions == (pose.CHECK_THE_POINTS,)


def test_its_angle_is_never_surer_than_stated():
    found, _ = find(LEG)
    xy = {n: np.array([found.points[n].x_px, found.points[n].y_px]) for n in LEG_POINTS}
    cov = {
        n: np.array([[p.cov_px2[0], p.cov_px2[1]], [p.cov_px2[1], p.cov_px2[2]]])
        for n, p in found.points.items()
    }
    assert pose._angle_u_deg(xy, cov) >= pose.MIN_ANGLE_U_DEG - 1e-6


def test_a_right_leg_is_found_as_one():
    found, _ = find({name: (720 - x, y) for name, (x, y) in LEG.items()})
    assert found.side == "right"


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_point_comes_back_from_every_turn_and_mirror(turns, mirrored):
    rng = np.random.default_rng(turns)
    picture = np.zeros((50, 80, 3), np.uint8)
    x, y = int(rng.integers(5, 75)), int(rng.integers(5, 45))
    picture[y, x] = 255
    seen = pose._turned(picture, turns=turns, mirrored=mirrored)
    ((row, column),) = np.argwhere(seen[:, :, 0] == 255)
    found = np.zeros((33, 5))
    found[0, :2] = ((column + 0.5) / seen.shape[1], (row + 0.5) / seen.shape[0])
    back = pose._turned_back(found, turns=turns, mirrored=mirrored, size=(80, 50))
    assert back[0, :2] == pytest.approx((x + 0.5, y + 0.5))


SMALL = {n: (300 + (x - 360) * 0.05, 200 + (y - 220) * 0.05) for n, (x, y) in LEG.items()}


@pytest.mark.parametrize(
    ("leg", "fake", "reason"),
    [
        pytest.param({}, {}, pose.NO_PERSON, id="nobody there"),
        pytest.param(LEG, {"visibility": 0.2}, pose.HIDDEN, id="guessed points"),
        pytest.param(
            LEG, {"wrong_in_mirror": True}, pose.NOT_CONFIRMED, id="the mirror image disagrees"
        ),
        pytest.param(
            {"hip": (560, 300), "knee": (360, 299), "ankle": (160, 300)}, {}, pose.STRAIGHT,
            id="straight",
        ),
        pytest.param(
            {"hip": (400, 420), "knee": (360, 400), "ankle": (100, 480)}, {}, pose.BAD_PROPORTIONS,
            id="a thigh much too short",
        ),
    ],
)  # fmt: skip
def test_what_is_not_believed(leg, fake, reason):
    found, _ = find(leg, **fake)
    assert isinstance(found, NotMeasured)
    assert found.reason == reason
    assert found.advice == pose.ADVICE


def test_a_joint_on_a_printed_tag_is_not_believed():
    x, y = LEG["ankle"]
    quad = ((x - 20, y - 20), (x + 20, y - 20), (x + 20, y + 20), (x - 20, y + 20))
    found, _ = find(LEG, masked=(quad,))
    assert found.reason == pose.ON_A_TAG


def test_a_leg_found_upright_costs_three_looks_and_a_miss_four():
    _, model = find(LEG)
    assert len(model.looks) == 3 + 1  # and the close
    _, model = find({})
    assert len(model.looks) == 4 + 1


def test_closing_twice_is_fine_and_the_model_is_opened_once():
    opened = []

    def open_landmarker(bundle: Path) -> SeesColours:
        opened.append(bundle)
        return SeesColours()

    detector = PoseDetector(Path("none"), open_landmarker=open_landmarker)
    assert opened == []
    for _ in range(2):
        detector.find(photo_of(LEG))
    assert len(opened) == 1
    detector.close()
    detector.close()


@pytest.fixture(scope="session")
def bundle(tmp_path_factory) -> Path:
    """The real bundle: the one on this machine, else built from the published archive."""
    try:
        return bundles.find_pose_bundle()
    except MissingModel as missing:
        place = tmp_path_factory.mktemp("pose")
        packed = subprocess.run(
            ["npm", "pack", "@mediapipe/pose"],
            cwd=place, capture_output=True, text=True, timeout=180, check=False,
        )  # fmt: skip
        archives = list(place.glob("*.tgz"))
        if packed.returncode or not archives:
            pytest.fail(f"{missing} (npm pack said: {packed.stderr[-300:]})")
        return bundles.build_pose_bundle(archives[0], place / "pose.task")


def test_the_real_model_is_never_confidently_wrong(bundle):
    found = 0
    with PoseDetector(bundle) as detector:
        for scene in scenes():
            result = measure(scene.photo, detectors=(detector,))
            if not isinstance(result, Measurement):
                continue
            found += 1
            half = np.ptp(result.knee.interval_deg) / 2
            assert abs(result.knee.deg - scene.flexion_deg) <= 15 or half >= 15, scene.photo.stem
            assert pose.CHECK_THE_POINTS in result.cautions
    assert found >= 1


def test_the_real_model_sees_no_leg_where_none_is(bundle):
    rng = np.random.default_rng(1)
    with PoseDetector(bundle) as detector:
        for picture in (
            np.full((300, 400, 3), 200, np.uint8),
            rng.integers(0, 256, (300, 400, 3), dtype=np.uint8),
        ):
            out = io.BytesIO()
            Image.fromarray(picture).save(out, "PNG")
            assert isinstance(detector.find(read_photo(out.getvalue(), name="a")), NotMeasured)


def test_a_program_that_forgets_to_close_still_ends(bundle):
    code = (
        "from pathlib import Path; import sys\n"
        "from knee_angle.landmarks.pose import PoseDetector\n"
        "from knee_angle.photo import read_photo\n"
        "PoseDetector(Path(sys.argv[1])).find(read_photo(sys.argv[2]))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(bundle), str(SAMPLES / "bed_14.jpg")],
        timeout=60, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
