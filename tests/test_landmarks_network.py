"""The leg network: real weights on a photo with truth, and refusals where no leg is."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image

from knee_angle.angle import geometry
from knee_angle.errors import MissingModel
from knee_angle.landmarks.network import NetworkDetector, NetworkView, search
from knee_angle.landmarks.network.detector import KEPT_LOOKS
from knee_angle.landmarks.network.looks import Look, direction_of, in_photo, normal_of
from knee_angle.landmarks.network.model import Model
from knee_angle.landmarks.network.windows import (
    KNOWN_LEG_WINDOW,
    WINDOW_STEP,
    Window,
    cut,
    window_near,
)
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.records import LEG_POINTS, Landmark, Landmarks, NotMeasured

SAMPLES = Path(__file__).parents[1] / "sample_images"
BARE = sorted(SAMPLES.rglob("bed_1[1-6].jpg"))
DOTTED = SAMPLES / "bed_06.jpg"


def photo_of(picture: np.ndarray) -> Photo:
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "PNG")
    return read_photo(buffer.getvalue(), name="made")


@pytest.mark.parametrize("path", BARE, ids=[p.stem for p in BARE])
def test_a_bare_leg_is_found_within_its_stated_interval(path):
    truth = json.loads(path.with_suffix(".json").read_text())
    view = NetworkDetector().look(read_photo(path))
    assert isinstance(view, NetworkView)
    points = view.landmarks.points
    found = [(points[n].x_px, points[n].y_px) for n in ("hip", "knee", "ankle")]
    true = [truth["landmarks"][n]["skin_px"] for n in ("hip", "knee", "ankle")]
    off = float(geometry.flexion_deg(*found)) - float(geometry.flexion_deg(*true))
    assert abs(off) < max(1.96 * view.u_deg, 6.0)
    assert view.landmarks.side == truth["side"]


@pytest.mark.parametrize(
    "picture",
    [
        pytest.param(np.full((480, 640, 3), 200, np.uint8), id="a blank wall"),
        pytest.param(
            np.random.default_rng(3).integers(0, 256, (480, 640, 3)).astype(np.uint8), id="noise"
        ),
    ],
)
def test_a_photo_without_a_leg_is_not_measured(picture):
    answer = NetworkDetector().find(photo_of(picture))
    assert isinstance(answer, NotMeasured)
    assert answer.advice


@pytest.mark.parametrize("size", [(20000, 3), (3, 20000), (20000, 1), (1, 1)])
def test_a_strip_of_a_photo_is_no_fault(size):
    data = io.BytesIO()
    Image.new("RGB", size, (90, 120, 60)).save(data, "PNG")
    assert isinstance(NetworkDetector().find(read_photo(data.getvalue())), NotMeasured)


def test_the_same_photo_gives_the_same_answer():
    picture = np.random.default_rng(5).integers(0, 256, (300, 400, 3)).astype(np.uint8)
    picture = cv2.GaussianBlur(picture, (0, 0), 5)
    first, second = (NetworkDetector().look(photo_of(picture)) for _ in range(2))
    assert first == second


def test_a_window_shows_a_mark_where_its_arithmetic_says():
    picture = np.zeros((600, 800, 3), np.uint8)
    picture[298:303, 498:503] = 255
    centre = np.array([500.5, 300.5])
    window = Window(np.array([450.0, 320.0]), 300.0, turn_deg=25.0, mirrored=True)
    seen = cut(photo_of(picture), window, 256)[:, :, 0].astype(float)
    y, x = np.mgrid[:256, :256] + 0.5
    at = np.array([(seen * x).sum(), (seen * y).sum()]) / seen.sum()
    back = (at / 256 - 0.5) @ window.matrix.T * window.side + window.centre
    assert back == pytest.approx(centre, abs=0.1)


def test_a_square_on_leg_in_the_middle_looks_back_at_the_camera():
    normal, slope = normal_of(np.zeros(2), np.array([0.0, 0.0, 1.0]))
    assert normal == pytest.approx([0, 0, -1])
    assert slope == pytest.approx(np.degrees(np.eye(2)))


@pytest.mark.parametrize(
    ("tilt", "factor"),
    [
        pytest.param((0.0, 0.0), 0.77, id="square on: the factor of most legs"),
        pytest.param((0.6, 0.0), 0.77, id="39 degrees off square: still that factor"),
        pytest.param((0.65, 0.0), 0.97, id="44 degrees off square: the oblique ones' factor"),
        pytest.param((0.0, -0.8), 1.05, id="from far above: the steep ones'"),
    ],
)
def test_legs_seen_obliquely_have_wider_ellipses(tilt, factor):
    model = Model(threads=1)
    photo = photo_of(np.zeros((300, 400, 3), np.uint8))
    window = Window(np.array([200.0, 150.0]), 100.0)
    leg = np.tile([0.5, 0.5, 1e-4, 0.0, 4e-4, 0.9], (8, 1))
    whole = np.array([0.9, *tilt, 0.01, 0.0, 0.01])
    look = in_photo(photo, model, window, leg, whole)
    assert look.cov[0] == pytest.approx(np.diag([1.0, 4.0]) * factor**2)


@pytest.mark.parametrize("mirrored", [False, True], ids=["as it is", "at the mirror image"])
def test_a_leg_leans_by_what_the_network_says_times_the_cards_gain(mirrored):
    """It answers nearer to a square view than the truth; why 6 % stands in the model card."""
    model = Model(threads=1)
    assert model.tilt_gain == 1.06
    photo = photo_of(np.zeros((300, 400, 3), np.uint8))
    window = Window(np.array([200.0, 150.0]), 100.0, 0.0, mirrored)
    leg = np.tile([0.5, 0.5, 1e-4, 0.0, 4e-4, 0.9], (8, 1))
    look = in_photo(photo, model, window, leg, np.array([0.9, 0.3, -0.2, 0.01, 0.0, 0.01]))
    way = -1.0 if mirrored else 1.0
    assert look.normal[:2] == pytest.approx([way * 0.318, -0.212])
    flat = np.degrees(np.sqrt(0.01)) * 1.06
    assert np.sqrt(look.tilt_cov.diagonal()) == pytest.approx([flat, flat], rel=0.15)


def test_weights_that_do_not_match_their_card_are_refused(monkeypatch):
    monkeypatch.setattr(
        "knee_angle.landmarks.network.model.hashlib.sha256",
        lambda _: type("H", (), {"hexdigest": lambda _: "0"})(),
    )
    with pytest.raises(MissingModel, match="do not match"):
        Model(threads=1)


@pytest.mark.parametrize("card", ["", "{", "[]", "{}"])
def test_a_card_that_is_none_is_refused(monkeypatch, tmp_path, card):
    (tmp_path / "weights").mkdir()
    (tmp_path / "weights" / "leg.json").write_text(card)
    monkeypatch.setattr("knee_angle.landmarks.network.model.resources.files", lambda _: tmp_path)
    with pytest.raises(MissingModel, match="card cannot be used: reinstall"):
        Model(threads=1)


def test_a_leg_seen_obliquely_keeps_its_direction_and_wide_covariance():
    # Taken as square-on, its flat angle would come with an interval that is far too narrow.
    normal = np.array([np.sin(np.radians(65.0)), 0.0, -np.cos(np.radians(65.0))])
    look = Look(
        points=np.zeros((8, 2)),
        cov=np.zeros((8, 2, 2)),
        presence=np.ones(8),
        p_right=0.5,
        normal=normal,
        tilt_cov=np.diag([400.0, 100.0]),
    )
    told = direction_of([look, look, look])
    assert np.allclose(told.normal, normal)
    assert told.tilt_cov_deg2 == pytest.approx((400.0, 0.0, 100.0))


def dotted_leg(path: Path, *, knee_off_px: float = 0.0, source: str = "dot") -> Landmarks:
    """The true dots of a sample photo, the knee's moved to the right."""
    truth = json.loads(path.with_suffix(".json").read_text())["landmarks"]
    places = {name: np.array(truth[name]["marker_px"]) for name in LEG_POINTS}
    places["knee"] = places["knee"] + [knee_off_px, 0.0]
    return Landmarks(
        {
            n: Landmark.round(float(x), float(y), u_px=2.0, source=source)
            for n, (x, y) in places.items()
        }
    )


@pytest.fixture
def looks(monkeypatch) -> list[int]:
    """How many windows the network looked through, one entry for each time it was asked."""
    counted, run = [], Model.run

    def counting(self, windows):
        counted.append(len(windows))
        return run(self, windows)

    monkeypatch.setattr(Model, "run", counting)
    return counted


def test_a_point_moved_a_little_asks_the_network_no_second_time(looks):
    photo, detector = read_photo(DOTTED), NetworkDetector()
    told = [detector.direction(photo, dotted_leg(DOTTED, knee_off_px=x)) for x in (0, 3, -4, 6)]
    assert looks == [1]
    assert told[0] is not None
    assert all(one == told[0] for one in told)


def test_a_knee_moved_to_another_place_is_another_leg_though_its_window_is_known(looks):
    photo, detector = read_photo(DOTTED), NetworkDetector()
    leg = dotted_leg(DOTTED)
    hip, knee, ankle = (leg.points[name] for name in LEG_POINTS)
    assert detector.direction(photo, leg) is not None
    # Turned end for end the leg fills the same window; the whole search is asked once.
    turned = Landmarks({"hip": ankle, "knee": knee, "ankle": hip})
    assert detector.direction(photo, turned) is None
    asked = len(looks)
    assert detector.direction(photo, turned) is None
    assert len(looks) == asked <= 4


def test_the_direction_does_not_depend_on_what_was_asked_before():
    photo, leg = read_photo(DOTTED), dotted_leg(DOTTED, knee_off_px=25.0)
    fresh = NetworkDetector().direction(photo, leg)
    asked = NetworkDetector()
    asked.find(photo)
    asked.near(photo, dotted_leg(DOTTED))
    for x in range(-300, 300, 30):
        asked.direction(photo, dotted_leg(DOTTED, knee_off_px=float(x)))
    assert fresh is not None
    assert asked.direction(photo, leg) == fresh
    assert len(asked._near) <= KEPT_LOOKS


def test_a_known_leg_that_a_close_look_misses_has_the_direction_of_the_whole_search(monkeypatch):
    """Seen from 50 degrees above, a fresh render: told flat its knee was 8 degrees off."""
    photo, leg = read_photo(DOTTED), dotted_leg(DOTTED)
    near = NetworkDetector._look_near

    def unseen(self, photo, landmarks):
        look = near(self, photo, landmarks)
        return replace(look, presence=np.full(8, 0.1))

    monkeypatch.setattr(NetworkDetector, "_look_near", unseen)
    detector = NetworkDetector()
    view = detector.look(photo)
    assert isinstance(view, NetworkView)
    assert detector.direction(photo, leg) == view.direction
    assert detector.direction(photo, dotted_leg(DOTTED, knee_off_px=300.0)) is None


def test_a_glimpse_sees_the_leg_that_a_look_sees_and_of_the_whole_photo_takes_one_look_more(looks):
    photo, leg = read_photo(DOTTED), dotted_leg(DOTTED)
    assert NetworkDetector().glimpse(photo, leg) == NetworkDetector().near(photo, leg)
    assert looks == [1, 1]
    aimed = NetworkDetector().glimpse(photo, None)
    assert looks == [1, 1, 1, 1]
    places = [
        [(p.x_px, p.y_px) for n, p in one.points.items() if n in LEG_POINTS] for one in (aimed, leg)
    ]
    away = np.linalg.norm(np.diff(np.array(places), axis=0), axis=2).max()
    assert away < 0.15 * np.ptp(places[1], axis=0).max()
    assert NetworkDetector().glimpse(photo_of(np.full((200, 300, 3), 90, np.uint8)), None) is None


def test_a_leg_of_the_networks_own_has_the_direction_of_its_whole_search(looks):
    photo = read_photo(BARE[0])
    view = NetworkDetector().look(photo)
    assert isinstance(view, NetworkView)
    elsewhere = NetworkDetector()
    assert elsewhere.direction(photo, view.landmarks) == view.direction
    before = len(looks)
    moved = replace(view.landmarks.points["knee"], source="manual")
    mixed = Landmarks({**view.landmarks.points, "knee": moved})
    assert elsewhere.direction(photo, mixed) == view.direction
    assert len(looks) == before


@settings(max_examples=200)
@given(
    leg=arrays(float, (3, 2), elements=st.floats(0.0, 8000.0)),
    move=arrays(float, (3, 2), elements=st.floats(-1.0, 1.0)),
)
def test_the_window_of_a_known_leg_holds_it_with_a_margin(leg, move):
    window = window_near(leg)
    box = float(np.ptp(leg, axis=0).max())
    if box > 100.0:
        assert window.side / box == pytest.approx(KNOWN_LEG_WINDOW, rel=0.1)
        assert (np.abs(leg - window.centre).max(axis=0) < 0.4 * window.side).all()
    moved = window_near(leg + move)
    steps = (moved.centre - window.centre) / (window.side * WINDOW_STEP)
    if moved.side == window.side:  # a neighbour at most
        assert np.abs(steps).max() <= 1.0 + 1e-6


def test_its_threads_sleep_while_they_wait():
    """Awake they took twice the processor time of a window, to no other answer."""
    options = Model(2).session.get_session_options()
    assert options.intra_op_num_threads == 2
    assert options.get_session_config_entry("session.intra_op.allow_spinning") == "0"


SEEN_LEG = np.array([[100.0, 200], [200, 150], [300, 200], *[[300, 230]] * 5])
AIMED = Look(
    SEEN_LEG, np.tile(np.eye(2), (8, 1, 1)), np.ones(8), 0.9, np.array([0.0, 0, -1]), np.eye(2)
)
BADLY_AIMED = replace(AIMED, points=SEEN_LEG + [60.0, 0.0])


FAR_AND_UNSURE = replace(BADLY_AIMED, cov=BADLY_AIMED.cov * 60.0**2)  # 0.36 segments apart
BESIDE = replace(AIMED, points=SEEN_LEG + [12.0, 0.0])  # a tenth of a segment
UNSETTLED = replace(AIMED, points=SEEN_LEG + [30.0, 0.0])  # the three lie 0.18 segments apart


def with_thigh(share: float) -> Look:
    """The leg with a thigh so long as a share of the lower leg."""
    points = SEEN_LEG.copy()
    points[0] = points[1] + (points[0] - points[1]) * share
    return replace(AIMED, points=points)


SHORT, TOO_SHORT = with_thigh(0.46), with_thigh(0.38)  # seen along the thigh: 0.45 is a leg


@pytest.mark.parametrize(
    ("first", "closer", "mirrored", "windows", "answered"),
    [
        pytest.param(AIMED, BADLY_AIMED, AIMED, 1, True, id="look and mirror image agree: enough"),
        pytest.param(AIMED, BESIDE, BESIDE, 2, True, id="they nearly agree: a third is taken"),
        pytest.param(BADLY_AIMED, AIMED, AIMED, 3, True, id="the next ones agree: taken from one"),
        pytest.param(FAR_AND_UNSURE, AIMED, AIMED, 3, True, id="far off, if unsurely: likewise"),
        pytest.param(UNSETTLED, AIMED, AIMED, 3, True, id="the first is a little off: likewise"),
        pytest.param(TOO_SHORT, SHORT, SHORT, 3, True, id="the first is no leg: likewise"),
        pytest.param(BADLY_AIMED, BADLY_AIMED, AIMED, 2 * search.ROUNDS, False, id="never"),
    ],
)
def test_views_are_taken_until_they_agree_from_a_better_aimed_one_where_they_do_not(
    monkeypatch, first, closer, mirrored, windows, answered
):
    asked = []

    def see(_photo, _model, some):
        asked.extend(some)
        return [mirrored if window.mirrored else closer for window in some]

    monkeypatch.setattr(search, "see", see)
    view = search._closer(photo_of(np.full((400, 400, 3), 90, np.uint8)), None, first)
    assert len(asked) == windows
    if answered:
        assert isinstance(view, NetworkView)
    else:
        assert view.reason == search.DISAGREE


def test_a_leg_that_is_seen_unsurely_is_not_looked_for_until_it_seems_sure(monkeypatch):
    # an empty machine is seen so; another aim makes a leg of it
    monkeypatch.setattr(
        search, "see", lambda _photo, _model, some: asked.extend(some) or [AIMED for _ in some]
    )
    asked = []
    unsure = replace(UNSETTLED, cov=UNSETTLED.cov * 60.0**2)
    view = search._closer(photo_of(np.full((400, 400, 3), 90, np.uint8)), None, unsure)
    assert view.reason == search.UNSURE
    assert len(asked) == 2


UNSURE_OF_ANKLE = replace(AIMED, presence=np.array([1.0, 1.0, 0.9, *[1.0] * 5]))


FARTHER = replace(AIMED, points=SEEN_LEG + [20.0, 0.0])  # 18 % of a segment, 5 % of the photo
DOUBTFUL = replace(AIMED, cov=AIMED.cov * 8.0**2)  # the angle to 9 degrees
SMALL = replace(AIMED, points=SEEN_LEG / 4.0)
BESIDE_SMALL = replace(SMALL, points=SMALL.points + [8.0, 0.0])  # 2 % of the photo, 29 of a segment


@pytest.mark.parametrize(
    ("whole", "aimed", "windows"),
    [
        pytest.param(AIMED, AIMED, 2, id="whole photo and aimed look agree: one aimed look"),
        pytest.param(BESIDE, AIMED, 2, id="as nearly as the whole photo shows a leg: likewise"),
        pytest.param(FARTHER, AIMED, 3, id="they hardly agree: the mirror image is asked"),
        pytest.param(BESIDE_SMALL, SMALL, 3, id="another place than a small leg's: likewise"),
        pytest.param(AIMED, UNSURE_OF_ANKLE, 3, id="the aimed look is unsure: likewise"),
        pytest.param(DOUBTFUL, DOUBTFUL, 3, id="both leave the angle in doubt: likewise"),
    ],
)
def test_one_aimed_look_suffices_where_the_whole_photo_showed_the_same(
    monkeypatch, whole, aimed, windows
):
    view, asked = searched(monkeypatch, whole, aimed)
    assert isinstance(view, NetworkView)
    assert len(asked) == windows


def searched(monkeypatch, whole: Look, aimed: Look) -> tuple[NetworkView | NotMeasured, list]:
    """What is made of two looks in a photo of 400 px, and the windows that were asked for."""
    asked = []

    def see(_photo, _model, some):
        asked.extend(some)
        return [whole if len(asked) == 1 else aimed for _ in some]

    monkeypatch.setattr(search, "see", see)
    monkeypatch.setattr(search, "see_in", lambda photo, model, some, _: see(photo, model, some))
    monkeypatch.setattr(search, "_another_leg", lambda *_: False)
    model = SimpleNamespace(size=64)
    return search.search(photo_of(np.full((400, 400, 3), 90, np.uint8)), model), asked


def test_whole_photo_and_aimed_look_count_by_their_pixels(monkeypatch):
    near = replace(SMALL, points=SMALL.points + [4.0, 0.0], cov=SMALL.cov * 4.0)
    view, (whole, aimed) = searched(monkeypatch, near, SMALL)
    share = 1 / (1 + (whole.side / aimed.side) ** 2)
    assert share < 0.05
    hip, hinge = view.landmarks.points["hip"], view.landmarks.points["hinge"]
    assert (hip.x_px, hip.y_px) == pytest.approx((25.0 + 4.0 * share, 50.0))
    own = share * 4.0 + (1 - share)
    assert hip.cov_px2 == pytest.approx((own, 0.0, own))
    assert hinge.cov_px2[0] == pytest.approx(own + 4.0**2 / 3)  # by how far they lie apart, too
