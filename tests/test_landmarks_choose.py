"""Who is believed: a hand over dots over network over pose."""

from __future__ import annotations

import functools
import json
from dataclasses import replace

import pytest
from conftest import SAMPLES

from knee_angle.angle.scale import implausible, mm_per_px
from knee_angle.angle.side import side_of
from knee_angle.errors import InvalidInput
from knee_angle.landmarks.choose import choose_landmarks, with_manual
from knee_angle.landmarks.dots.refusals import NO_DOTS, NO_LEG_THERE, may_be_empty
from knee_angle.landmarks.manual import manual_landmarks, read_manual
from knee_angle.language import in_language, tell
from knee_angle.photo.reading import read_photo
from knee_angle.records import Landmark, Landmarks, NotMeasured, Segments, UnusedDot


@functools.cache
def photo():
    return read_photo(SAMPLES / "bed_01.jpg")


def leg(source: str, **moved: tuple[float, float]) -> Landmarks:
    places = {"hip": (900.0, 500.0), "knee": (600.0, 300.0), "ankle": (300.0, 500.0), **moved}
    return Landmarks(
        points={n: Landmark.round(x, y, u_px=1.0, source=source) for n, (x, y) in places.items()},
        side="left",
    )


class Fixed:
    """A detector that always says the same, and remembers being asked."""

    def __init__(self, source, answer):
        self.source, self.answer, self.asked = source, answer, 0

    def find(self, photo, *, masked=()):  # noqa: ARG002  the protocol's own arguments
        self.asked += 1
        return self.answer


NO = NotMeasured("no dots", "stick dots")


def test_dots_are_believed_before_the_pose_and_the_pose_is_not_asked():
    dots, pose = Fixed("dot", leg("dot")), Fixed("pose", leg("pose"))
    assert choose_landmarks(photo(), detectors=[pose, dots]) == dots.answer
    assert (dots.asked, pose.asked) == (1, 0)


def test_the_pose_is_asked_where_dots_refuse():
    pose = Fixed("pose", leg("pose"))
    assert choose_landmarks(photo(), detectors=[Fixed("dot", NO), pose]) == pose.answer


def test_a_hand_placed_point_replaces_the_automatic_one_only():
    hand = Landmarks(points={"knee": Landmark.round(610, 310, u_px=4, source="manual")})
    chosen = choose_landmarks(photo(), detectors=[Fixed("dot", leg("dot"))], manual=hand)
    assert {n: p.source for n, p in chosen.points.items()} == {
        "hip": "dot", "knee": "manual", "ankle": "dot",
    }  # fmt: skip
    assert (chosen.points["knee"].x_px, chosen.side) == (610, "left")


def test_a_whole_leg_by_hand_needs_no_detector():
    dots = Fixed("dot", leg("dot"))
    hand = leg("manual")
    assert choose_landmarks(photo(), detectors=[dots], manual=hand) == hand
    assert dots.asked == 0


def test_points_that_were_found_once_stay_beside_those_by_hand():
    """A leg placed by hand keeps the machine's points that dots had shown."""
    found = leg("dot")
    hinge = Landmark.round(605, 305, u_px=1.0, source="dot")
    found = Landmarks(points={**found.points, "hinge": hinge}, side="left")
    chosen = with_manual(found, leg("manual", knee=(610, 310)))
    assert {n: p.source for n, p in chosen.points.items()} == {
        "hip": "manual", "knee": "manual", "ankle": "manual", "hinge": "dot",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("hand", "expected"),
    [
        pytest.param(None, NO, id="no hand: the refusal stands"),
        pytest.param(Landmarks(points={}), NO, id="nor do no points by hand change it"),
        pytest.param(leg("manual"), leg("manual"), id="a whole leg by hand is enough"),
    ],
)
def test_where_nothing_was_found_the_hand_decides(hand, expected):
    assert with_manual(NO, hand) == expected


def test_all_refusals_are_told_once():
    refused = choose_landmarks(
        photo(), detectors=[Fixed("dot", NO), Fixed("pose", NotMeasured("no person", "step back"))]
    )
    assert refused == NotMeasured("no dots; no person", "stick dots; or step back")


@pytest.mark.parametrize(
    ("kind", "empty"),
    [
        pytest.param("maybe_empty", True, id="dots that may be an empty machine's"),
        pytest.param("no_dots", False, id="no dots"),
        pytest.param(None, False, id="a reason that happens to be worded alike"),
    ],
)
def test_a_machine_that_may_be_empty_is_known_by_its_kind_beside_other_refusals(kind, empty):
    """It was known by the words of its reason."""
    reason = NO_LEG_THERE.reason if kind is None else "three dots"
    of_dots = NotMeasured(reason, "check the machine", kind=kind)
    others = [Fixed("network", NotMeasured("no leg", "come closer")), Fixed("dot", of_dots)]
    assert may_be_empty(choose_landmarks(photo(), detectors=others)) == empty


BARE = "photograph the leg from its outer side with hip, knee and ankle in the picture"
ALONE = "photograph one leg alone from its outer side, nobody else close to it"
WITHOUT_MODEL = NotMeasured("no pose model", "install it again")


@pytest.mark.parametrize(
    ("network", "pose", "first", "last"),
    [
        pytest.param("no_leg", "no_leg", BARE, "or place the points by hand", id="no leg"),
        pytest.param("no_leg", "two_legs", ALONE, "or place the points by hand", id="two persons"),
        pytest.param("two_legs", "no_leg", ALONE, "or place the points by hand", id="two legs"),
        pytest.param("no_leg", None, BARE, "; or install it again", id="what else is to be done"),
    ],
)
def test_nobody_is_told_three_times_to_stick_dots_on(network, pose, first, last):
    """Each of three detectors said so; so long a sentence nobody read."""
    seen = {
        "no_leg": NotMeasured("sees no leg", "come closer; or stick dots on", kind="no_leg"),
        "two_legs": NotMeasured("sees two", "send them out, or stick dots on", kind="two_legs"),
        None: WITHOUT_MODEL,
    }
    others = [
        Fixed("dot", NO_DOTS),
        Fixed("network", seen[network]),
        Fixed("pose", replace(seen[pose], reason="no person")),
    ]
    refused = choose_landmarks(photo(), detectors=others)
    assert refused.advice.startswith(first)
    assert refused.advice.endswith(last)
    assert refused.advice.count("dot") == 1
    assert "; or put one dot each, all of one strong colour, on hip, knee" in refused.advice
    assert refused.reason.count(";") == 2, "every reason stays told"
    with in_language("de"):
        assert "; oder je einen Klebepunkt" in tell(refused.advice)


def test_who_stuck_dots_on_is_not_told_to_stick_dots_on():
    dot = UnusedDot(Landmark.round(1, 1, u_px=1, source="dot"), 16.0, "green")
    of_dots = NotMeasured("1 dot was seen", "place it by hand.", unused_dots=(dot,))
    others = [Fixed("network", NotMeasured("no leg", "stick dots on")), Fixed("dot", of_dots)]
    refused = choose_landmarks(photo(), detectors=others)
    assert refused.reason == "1 dot was seen; no leg"
    assert refused.unused_dots == (dot,)
    assert refused.advice == (
        "place it by hand; or photograph the leg alone, whole, from its outer side in good light"
    )


def test_part_of_a_leg_by_hand_says_what_is_missing():
    hand = Landmarks(points={"knee": Landmark.round(1, 1, u_px=4, source="manual")})
    refused = choose_landmarks(photo(), detectors=[Fixed("dot", NO)], manual=hand)
    assert refused.reason == "the hip and the ankle were neither found nor placed by hand"


@pytest.mark.parametrize(
    "content",
    [
        pytest.param({"knee": {"x": 1, "y": 2}}, id="points alone"),
        pytest.param({"landmarks": {"knee": {"x": 1, "y": 2}}}, id="points as in a result"),
        pytest.param(
            {"landmarks": {}, "machine": {"points": {"hinge": {"x": 1, "y": 2}}}},
            id="machine points",
        ),
        pytest.param({"landmarks": None, "machine": None}, id="an unmeasured result"),
    ],
)
def test_points_are_read_in_any_of_the_usual_shapes(content):
    found = manual_landmarks(content, width_px=100, height_px=100)
    assert all((p.x_px, p.y_px, p.source) == (1, 2, "manual") for p in found.points.values())


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"elbow": {"x": 1, "y": 1}}, "point 'elbow' is unknown: use one of hip, knee, ankle"),
        ({"knee": {"x": 1}}, 'point \'knee\' must be {"x": number, "y": number}'),
        ({"knee": 5}, "point 'knee' must be"),
        (
            {"knee": {"x": 500, "y": 1}},
            r"must lie in the upright photo \(100 x 100 px\), but got \(500, 1\)",
        ),
        (
            {"knee": {"x": 1, "y": 1, "u_px": 0}},
            r"u_px of point 'knee' must be at least 0.05 and at most 100 \(.*\), but got 0",
        ),
        ({"knee": {"x": 1, "y": 1, "u_px": 1e300}}, "at most 100 .*, but got 1e\\+300"),
        ({"knee": {"x": 1, "y": 1, "u_px": 0.049}}, "at least 0.05 .*, but got 0.049: leave it"),
        ({"knee": {"x": True, "y": 1}}, "x of point 'knee' must be a number of px, but got True"),
        ({"knee": {"x": 1, "y": 1, "u_px": False}}, "u_px of point 'knee' must be a number of px"),
        ({"knee": {"x": float("nan"), "y": 1}}, "x of point 'knee' must be .*, but got nan"),
        ({"knee": {"x": 10**400, "y": 1}}, r"x of point 'knee' must be .*, but got 1000+\.\.\.0+$"),
        ({"knee": {"x": 1, "y": float("1e400")}}, "y of point 'knee' must be .*, but got inf"),
        ({"kneee": {"x": 1, "y": 1}}, "point 'kneee' is unknown: is knee meant"),
        (
            {"knee": {"x": 1, "y": 1, "u_pix": 3}},
            r"point 'knee' has the unknown 'u_pix' \(is u_px meant\?\): remove or correct it",
        ),
        (
            {"knee": {"x": 1, "y": 1, "u_px": 3, "cov_px2": [9, 0, 1]}},
            "point 'knee' has the unknown 'cov_px2': remove",
        ),
        ({"landmarks": {}, "landmark": {}}, r"has the unknown 'landmark' \(is landmarks meant"),
        ({"landmarks": {}, "hip": {"x": 1, "y": 1}}, "the points file has the unknown 'hip'"),
        ({"machine": {"hinge": {"x": 1, "y": 1}}}, "machine has the unknown 'hinge'"),
        (
            {"hinge": {"x": 1, "y": 1}, "machine": {"points": {"hinge": {"x": 9, "y": 9}}}},
            "point 'hinge' must be given once, but is given twice",
        ),
        ({"photo_sha256": 5, "knee": {"x": 1, "y": 1}}, "photo_sha256 must be 64 hexadecimal"),
        (
            {"knee": {"x": "a", "y": 900, "u_px": 0}, "hip": {"x": 900, "y": 1}},
            "x of point 'knee'.*; u_px of point 'knee'.*; point 'hip' must lie",
        ),
        ({"landmarks": [1, 2]}, "landmarks must be an object of points, but got"),
        ({"machine": {"points": [1]}}, "machine.points must be an object of points, but got"),
        ({"machine": 5}, "machine.points must be an object of points, but got 5"),
        (
            {"hip": {"x": 5, "y": 5}, "knee": {"x": 5, "y": 6}, "ankle": {"x": 5, "y": 9}},
            r"hip and knee must be at least 2 px apart, but both are at \(5, 5\)",
        ),
        ({"side": "both", "knee": {"x": 1, "y": 1}}, "side must be"),
        ({"elbow": {}, "knee": 5}, "elbow.*; .*knee"),
    ],
)
def test_wrong_points_are_refused_all_at_once(content, message):
    with pytest.raises(InvalidInput, match=message):
        manual_landmarks(content, width_px=100, height_px=100)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("{", "must be JSON"),
        ("[" * 100_000, "must be JSON"),
        ("[1]", "must hold one JSON object"),
        (None, "cannot be read"),
        ('{"knee": {"x": 1, "y": 1}, "knee": {"x": 9, "y": 9}}', "'knee' must be named once"),
        ("{}", "must hold at least one point, but holds none: write {"),
        ('{"status": "not_measured", "landmarks": null}', "must hold at least one point"),
    ],
)
def test_a_points_file_that_is_none_is_refused(tmp_path, text, message):
    path = tmp_path / "points.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InvalidInput, match=message):
        read_manual(path)


@pytest.mark.parametrize("number", ["1e400", "1" + "0" * 400, "1" + "0" * 9000, "Infinity"])
def test_a_number_that_no_photo_has_is_told_as_such(tmp_path, number):
    path = tmp_path / "points.json"
    path.write_text(f'{{"knee": {{"x": {number}, "y": 1}}}}')
    said = "x of point 'knee' must be a number of px, but got 'inf'"
    with pytest.raises(InvalidInput, match=said):
        manual_landmarks(read_manual(path), width_px=100, height_px=100)


def test_many_problems_are_counted():
    points = {f"p{n}": {"x": 1, "y": 1} for n in range(1000)}
    with pytest.raises(InvalidInput, match=r"; and 980 more$") as refused:
        manual_landmarks(points, width_px=100, height_px=100)
    assert len(str(refused.value)) < 4000


SHA, OTHER = "a1" * 32, "b2" * 32


@pytest.mark.parametrize("carried", [SHA, SHA.upper(), None])
def test_points_of_this_photo_or_of_an_unnamed_one_are_taken(carried):
    content = {"photo_sha256": carried, "knee": {"x": 1, "y": 2}}
    found = manual_landmarks(content, width_px=9, height_px=9, photo_sha256=SHA, photo="a.jpg")
    assert set(found.points) == {"knee"}


def test_points_of_another_photo_are_refused_by_name():
    content = {"photo": "b.jpg", "photo_sha256": OTHER, "landmarks": {"knee": {"x": 1, "y": 2}}}
    with pytest.raises(InvalidInput) as refused:
        manual_landmarks(content, width_px=9, height_px=9, photo_sha256=SHA, photo="a.jpg")
    assert str(refused.value) == (
        "the points must be of a.jpg (sha256 a1a1a1a1a1a1...), but are of another photo ('b.jpg') "
        "(b2b2b2b2b2b2...): give the photo that they were placed in, or place them anew"
    )


def test_a_result_can_be_fed_back(tmp_path):
    path = tmp_path / "points.json"
    path.write_text(
        json.dumps({"landmarks": {"hip": {"x": 3, "y": 4, "u_px": 2, "source": "dot"}}})
    )
    found = manual_landmarks(read_manual(path), width_px=10, height_px=10)
    assert found.points["hip"] == Landmark.round(3, 4, u_px=2, source="manual")


@pytest.mark.parametrize(
    ("points", "told", "side"),
    [
        pytest.param({}, None, "left", id="a bent knee tells its side by the bend"),
        pytest.param(
            {"hip": (300, 500), "ankle": (900, 500)}, None, "right", id="its mirror is the other"
        ),
        pytest.param({}, "right", "left", id="a clear bend outweighs the detector"),
        pytest.param(
            {"knee": (600, 502)}, "right", "right", id="a straight knee goes by the detector"
        ),
        pytest.param({"knee": (600, 502)}, None, "left", id="else by the end where the foot lies"),
        pytest.param({"knee": (600, 498)}, None, "left", id="hyperextended or not"),
    ],
)
def test_side_of_the_leg(points, told, side):
    found = leg("manual", **points)
    assert side_of(Landmarks(points=found.points, side=told)) == side


def test_scale_from_dots_of_known_size():
    dots = Landmarks(points=leg("dot").points, diameter_px=20.0)
    assert mm_per_px(dots, dot_mm=16.0)[0] == 0.8


@pytest.mark.parametrize(
    ("dot_mm", "value"),
    [
        pytest.param(16.0, 0.8, id="dots of known size stand above the tape"),
        pytest.param(None, 400 / (300**2 + 200**2) ** 0.5, id="the tape above a usual leg"),
    ],
)
def test_scale_from_a_typed_thigh(dot_mm, value):
    dots = Landmarks(points=leg("dot").points, diameter_px=20.0)
    assert mm_per_px(dots, dot_mm=dot_mm, thigh_mm=400.0)[0] == pytest.approx(value)


def test_scale_from_the_legs_length_follows_drillis_and_contini():
    """Thigh .245 and shank .246 of stature (in Winter, Biomechanics); 1.70 m assumed."""
    value, u = mm_per_px(leg("manual"), dot_mm=None)
    assert value == pytest.approx(1700 * (0.245 + 0.246) / (2 * (300**2 + 200**2) ** 0.5))
    assert 0.08 < u < 0.15


@pytest.mark.parametrize(
    ("stature", "odd"),
    [(1700.0, False), (1750.0, False), (1300.0, True)],
    ids=["a usual height", "a little taller", "a child's height does not fit an adult's leg"],
)
def test_lengths_are_checked_against_the_persons_height(stature, odd):
    lengths = Segments(0.245 * 1700, 8.0, 0.246 * 1700, 8.0)
    assert (implausible(lengths, stature_mm=stature) is not None) == odd
