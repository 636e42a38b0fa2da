"""Dots and the leg network together: which dot is which, and what is no dot of the leg."""

from __future__ import annotations

import io
from functools import cache

import cv2
import numpy as np
import pytest
from conftest import Scene, scenes
from PIL import Image, ImageOps

from knee_angle.landmarks.choose import choose_landmarks
from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.network import NetworkDetector
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.photo.tags import find_tags
from knee_angle.records import LEG_POINTS, Landmark, Landmarks, NotMeasured, Quad

DOTS, NETWORK = DotDetector(), NetworkDetector()
WITH_DOTS = scenes(dots=True)
BARE = scenes(dots=False)


def upright(scene: Scene) -> Image.Image:
    with Image.open(scene.photo) as picture:
        return ImageOps.exif_transpose(picture).convert("RGB")


def photo_of(picture: Image.Image, quality: int = 95) -> Photo:
    data = io.BytesIO()
    picture.save(data, "JPEG", quality=quality)
    return read_photo(data.getvalue(), name="made.jpg")


Masked = tuple[Quad, ...]


def masked(photo: Photo) -> Masked:
    return tuple(tag.corners_px for tag in find_tags(photo))


def marks(scene: Scene) -> np.ndarray:
    return np.array([scene.truth["landmarks"][name]["marker_px"] for name in LEG_POINTS])


def segment(scene: Scene) -> float:
    return float(np.linalg.norm(np.diff(marks(scene), axis=0), axis=1).mean())


def with_decoys(scene: Scene, count: int, *, seed: int) -> Image.Image:
    """Discs of the dots' own colour and size near the leg, none on a dot."""
    rng = np.random.default_rng(seed)
    picture = np.asarray(upright(scene)).copy()
    leg, length = marks(scene), segment(scene)
    machine = [point["px"] for point in scene.truth["machine"]["points"].values()]
    taken = [*leg, *np.array(machine)]
    x, y = leg[1].astype(int)
    own = picture[y, x].copy()
    radius = length / 44  # a dot of 18 mm on a thigh of 400 mm
    while len(taken) < 6 + count:
        place = leg[rng.integers(3)] + rng.normal(0, 0.45, 2) * length
        inside = (place > 0).all() and (place < picture.shape[1::-1]).all()
        if inside and min(np.linalg.norm(place - other) for other in taken) > 3 * radius:
            taken.append(place)
            colour = own * rng.uniform(0.85, 1.1)
            cv2.ellipse(
                picture,
                np.round(place * 16).astype(int).tolist(),
                np.round(radius * rng.uniform(0.8, 1.2, 2) * 16).astype(int).tolist(),
                0, 0, 360, np.clip(colour, 0, 255).tolist(), -1, cv2.LINE_AA, 4,
            )  # fmt: skip
    return Image.fromarray(picture)


def right(found: Landmarks | NotMeasured, scene: Scene) -> bool | None:
    """Whether the dots named are the true ones; None where no dots were named."""
    if isinstance(found, NotMeasured) or found.points["knee"].source != "dot":
        return None
    seen = np.array([[found.points[n].x_px, found.points[n].y_px] for n in LEG_POINTS])
    return bool(np.linalg.norm(seen - marks(scene), axis=1).max() < 0.06 * segment(scene))


class Says:
    """A witness that always sees the same leg, and remembers being asked."""

    source = "network"

    def __init__(self, answer: Landmarks | NotMeasured) -> None:
        self.answer, self.asked = answer, 0

    def find(self, photo, *, masked=()):  # noqa: ARG002  the protocol's own arguments
        self.asked += 1
        return self.answer

    def near(self, photo, landmarks):  # noqa: ARG002
        self.asked += 1
        return self.answer if isinstance(self.answer, Landmarks) else None


def truth_of(scene: Scene, *, shift: float = 0.0) -> Landmarks:
    """The true points, moved by a share of a segment."""
    step, u = shift * segment(scene), 0.03 * segment(scene)
    places = zip(LEG_POINTS, marks(scene), strict=True)
    return Landmarks(
        {n: Landmark.round(x + step, y, u_px=u, source="network") for n, (x, y) in places}
    )


@cache
def crowded(index: int) -> tuple[Scene, Photo, Masked]:
    scene = WITH_DOTS[index]
    photo = photo_of(with_decoys(scene, 4 + 2 * (index % 3), seed=index))
    return scene, photo, masked(photo)


@cache
def found_in_a_crowd(index: int) -> Landmarks | NotMeasured:
    """By dots and network together."""
    _, photo, tags = crowded(index)
    return choose_landmarks(photo, detectors=(DOTS, NETWORK), masked=tags)


@pytest.mark.parametrize(
    "index", range(0, len(WITH_DOTS), 2), ids=lambda i: WITH_DOTS[i].photo.stem
)
def test_discs_of_the_dots_colour_never_become_the_leg(index):
    assert right(found_in_a_crowd(index), crowded(index)[0]) is not False


def test_the_network_finds_the_dots_among_most_decoys_where_the_dots_alone_do_not():
    alone, together = [], []
    for index in range(0, len(WITH_DOTS), 2):
        scene, photo, tags = crowded(index)
        alone.append(right(DOTS.find(photo, masked=tags), scene))
        together.append(right(found_in_a_crowd(index), scene))
    assert together.count(True) > max(alone.count(True), len(together) / 2)
    assert together.count(False) == 0


def test_more_of_the_strongly_compressed_photos_are_measured_by_their_dots():
    alone, together = 0, 0
    for scene in WITH_DOTS[::2]:
        photo = photo_of(upright(scene), quality=30)
        tags = masked(photo)
        alone += right(DOTS.find(photo, masked=tags), scene) is True
        answer = right(DOTS.find_with(photo, witness=NETWORK, masked=tags), scene)
        assert answer is not False
        together += answer is True
    assert together > alone


@pytest.mark.parametrize("scene", WITH_DOTS[::4], ids=lambda s: s.photo.stem)
def test_points_from_dots_are_the_same_with_and_without_the_network(scene):
    photo = read_photo(scene.photo)
    tags = masked(photo)
    alone = DOTS.find(photo, masked=tags)
    assert DOTS.find_with(photo, witness=NETWORK, masked=tags) == alone
    assert DOTS.find_with(photo, witness=Says(truth_of(scene)), masked=tags) == alone


@pytest.mark.parametrize("quality", [95, 20])
def test_no_dots_are_made_up_where_the_network_sees_a_leg(quality):
    for scene in BARE[:6]:
        photo = photo_of(upright(scene), quality)
        assert isinstance(DOTS.find_with(photo, witness=Says(truth_of(scene))), NotMeasured)


def test_a_witness_is_asked_for_one_look_where_the_dots_are_sure():
    scene = scenes(image="bed_06.jpg")[0]
    witness = Says(NotMeasured("no leg", "step back"))
    assert isinstance(DOTS.find_with(read_photo(scene.photo), witness=witness), Landmarks)
    assert witness.asked == 1


def test_a_leg_that_dots_are_sure_of_is_denied_where_a_witness_sees_another():
    """Six dots of a leg seen obliquely can make another leg: its knee at the true hip, say."""
    scene = scenes(image="bed_06.jpg")[0]
    photo, seen = read_photo(scene.photo), truth_of(scene).points
    turned = dict(zip(LEG_POINTS, (seen["ankle"], seen["hip"], seen["knee"]), strict=True))
    found = DOTS.find_with(photo, witness=Says(Landmarks(turned)))
    assert isinstance(found, NotMeasured)
    assert isinstance(DOTS.find_with(photo, witness=Says(truth_of(scene))), Landmarks)


@pytest.mark.parametrize("exchanged", [False, True], ids=["as it lies", "the other way round"])
def test_a_witness_says_at_which_end_the_hip_is_where_six_dots_leave_it_open(exchanged):
    """Heel and hip at one height, both on bare skin: only the witness tells right from left."""
    scene = scenes(hinge_cover=False)[0]
    photo = read_photo(scene.photo)
    points = dict(truth_of(scene).points)
    if exchanged:
        points["hip"], points["ankle"] = points["ankle"], points["hip"]
    witness = Says(Landmarks(points))
    found = DOTS.find_with(photo, witness=witness, masked=masked(photo))
    assert isinstance(found, Landmarks)
    assert found.side == ("left" if exchanged else "right")
    # The centres are the same either way.
    alone = DOTS.find(photo, masked=masked(photo))
    places = [sorted((m.x_px, m.y_px) for m in one.points.values()) for one in (found, alone)]
    assert np.array(places[0]) == pytest.approx(np.array(places[1]))


@cache
def unsure() -> tuple[Scene, Photo, Masked, Landmarks | NotMeasured]:
    """A photo of black dots, which are a common colour, and what the dots alone say."""
    scene = scenes(image="bed_02.jpg")[0]
    photo = read_photo(scene.photo)
    tags = masked(photo)
    return scene, photo, tags, DOTS.find(photo, masked=tags)


@pytest.mark.parametrize(
    ("answer", "measured"),
    [
        pytest.param(NotMeasured("no leg", "step back"), True, id="sees nothing"),
        pytest.param(0.0, True, id="sees the same leg"),
        pytest.param(0.06, True, id="within what palpation leaves open"),
        pytest.param(0.6, False, id="sees another leg"),
    ],
)
def test_unsure_dots_stand_only_where_the_witness_does_not_deny_them(answer, measured):
    scene, photo, tags, alone = unsure()
    says = Says(truth_of(scene, shift=answer) if isinstance(answer, float) else answer)
    found = DOTS.find_with(photo, witness=says, masked=tags)
    assert says.asked > 0
    assert isinstance(found, Landmarks) == measured
    if measured:
        # Which bar is which, folded on each other, is not told by one who sees no bars.
        places = [
            [(one.points[n].x_px, one.points[n].y_px) for n in LEG_POINTS] for one in (found, alone)
        ]
        assert np.array(places[0]) == pytest.approx(np.array(places[1]), abs=0.5)
    else:
        assert "not where the leg is seen" in found.reason
        assert found.advice
