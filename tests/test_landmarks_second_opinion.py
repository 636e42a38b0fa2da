"""The pose model beside the leg network: when it is asked, and what it changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import scenes

from knee_angle import assumptions
from knee_angle.landmarks import second_opinion
from knee_angle.landmarks.choose import choose_landmarks
from knee_angle.landmarks.network import NetworkDetector, NetworkView
from knee_angle.landmarks.standard import NoPoseModel
from knee_angle.photo.reading import read_photo
from knee_angle.records import LEG_POINTS, Landmark, Landmarks, NotMeasured

LEG = {"hip": (300.0, 500.0), "knee": (600.0, 300.0), "ankle": (900.0, 500.0)}
SEGMENT = float(np.hypot(300, 200))


def leg(*, u: dict[str, float], source, shift: dict[str, tuple[float, float]] | None = None):
    """A leg with round ellipses, u and shift in segments."""
    shift = shift or {}
    return Landmarks(
        {
            name: Landmark.round(
                x + SEGMENT * shift.get(name, (0, 0))[0],
                y + SEGMENT * shift.get(name, (0, 0))[1],
                u_px=u[name] * SEGMENT,
                source=source,
            )
            for name, (x, y) in LEG.items()
        },
        side="left",
    )


NETWORK_U = {"hip": 0.08, "knee": 0.05, "ankle": 0.05}
FOUND = leg(u=NETWORK_U, source="network")


def seen(**shift: tuple[float, float]) -> Landmarks:
    return leg(
        u={n: assumptions.POSE_U_SEGMENTS[n] for n in LEG_POINTS}, source="pose", shift=shift
    )


def test_agreement_narrows_every_point_and_moves_none():
    heard = second_opinion.weighed(FOUND, seen())
    for name in LEG_POINTS:
        before, after = FOUND.points[name], heard.points[name]
        assert (after.x_px, after.y_px, after.source) == (before.x_px, before.y_px, "network")
        assert after.u_px < before.u_px
    # Two independent ellipses together: 1 / u^2 = 1 / u1^2 + 1 / u2^2 (JCGM 100, 5.1).
    both = (NETWORK_U["hip"] ** -2 + assumptions.POSE_U_SEGMENTS["hip"] ** -2) ** -0.5
    assert heard.points["hip"].u_px == pytest.approx(both * SEGMENT)


def test_a_difference_widens_the_point_along_it_and_no_other():
    heard = second_opinion.weighed(FOUND, seen(knee=(0.5, 0.0)))
    xx, xy, yy = heard.points["knee"].cov_px2
    assert xx > FOUND.points["knee"].cov_px2[0] > yy
    assert xy == pytest.approx(0.0)
    assert heard.points["hip"] == second_opinion.weighed(FOUND, seen()).points["hip"]


def test_the_widened_ellipse_is_the_mean_square_error_of_the_point_that_stays():
    """Drawn: the truth given both witnesses, about the network's own point."""
    rng = np.random.default_rng(4)
    ours, theirs, step = NETWORK_U["knee"], assumptions.POSE_U_SEGMENTS["knee"], 0.4
    truth = rng.normal(0.0, ours, 2_000_000)
    near = np.abs(truth + rng.normal(0.0, theirs, truth.size) - step) < 0.01
    drawn = float(np.sqrt(np.mean(truth[near] ** 2)))
    heard = second_opinion.weighed(FOUND, seen(knee=(step, 0.0)))
    assert heard.points["knee"].cov_px2[0] ** 0.5 == pytest.approx(drawn * SEGMENT, rel=0.03)


@pytest.mark.parametrize("name", LEG_POINTS)
def test_another_leg_is_denied_at_any_of_its_points(name):
    limit = assumptions.DENIED2**0.5 * np.hypot(NETWORK_U[name], assumptions.POSE_U_SEGMENTS[name])
    inside = second_opinion.weighed(FOUND, seen(**{name: (0.0, 0.99 * limit)}))
    beyond = second_opinion.weighed(FOUND, seen(**{name: (0.0, 1.01 * limit)}))
    assert isinstance(inside, Landmarks)
    assert isinstance(beyond, NotMeasured)
    assert beyond.reason == second_opinion.DENIED
    assert "photograph" in beyond.advice


class Asked:
    """A pose model that counts how often it is asked."""

    source = "pose"

    def __init__(self, answer: Landmarks | None) -> None:
        self.answer, self.quick, self.full = answer, 0, 0

    def near(self, photo, landmarks):  # noqa: ARG002  the protocol's own arguments
        self.quick += 1
        return self.answer

    def find(self, photo, *, masked=()):  # noqa: ARG002
        self.full += 1
        return NotMeasured("no person", "photograph a person")


SURE = NetworkView(FOUND, None, presence=0.97, spread=0.03, u_deg=4.0)


class Sees(NetworkDetector):
    """The leg network with an answer of its own."""

    def __init__(self, view: NetworkView | NotMeasured) -> None:
        super().__init__()
        self.view = view

    def look(self, photo):  # noqa: ARG002
        return self.view


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        pytest.param({}, 0, id="a sure answer"),
        pytest.param({"presence": 0.8}, 1, id="a point is hardly present"),
        pytest.param({"spread": 0.7 * assumptions.MOST_SPREAD}, 1, id="the looks lie apart"),
        pytest.param({"u_deg": 0.7 * assumptions.MOST_U_DEG}, 1, id="the angle is unsure"),
    ],
)
def test_only_a_doubtful_answer_is_worth_a_look_of_the_pose_model(change, asked):
    witness = Asked(seen())
    found = Sees(replace(SURE, **change)).find_with(None, witness=witness)
    assert witness.quick == asked
    assert found == (second_opinion.weighed(FOUND, seen()) if asked else FOUND)


def test_a_silent_witness_changes_nothing():
    doubtful = replace(SURE, presence=0.8)
    assert Sees(doubtful).find_with(None, witness=Asked(None)) == FOUND


def test_a_denied_leg_is_refused():
    doubtful = replace(SURE, presence=0.8)
    refused = choose_landmarks(
        None, detectors=(Sees(doubtful), Asked(seen(ankle=(1.5, 0.0)))), masked=()
    )
    assert isinstance(refused, NotMeasured)
    assert second_opinion.DENIED in refused.reason


def test_a_leg_that_the_network_refuses_needs_no_witness():
    no, witness = NotMeasured("no leg", "step back"), Asked(seen())
    assert Sees(no).find_with(None, witness=witness) == no
    assert witness.quick == 0


def test_without_a_bundle_the_network_answers_alone():
    doubtful = Sees(replace(SURE, presence=0.8))
    assert choose_landmarks(None, detectors=(doubtful, NoPoseModel("get one"))) == FOUND


def test_no_sample_photo_costs_a_look_of_the_pose_model():
    witness = Asked(None)
    for scene in scenes(dots=False):
        found = choose_landmarks(read_photo(scene.photo), detectors=(NetworkDetector(), witness))
        assert isinstance(found, Landmarks)
    assert (witness.quick, witness.full) == (0, 0)
