"""Six dots weighed together: which is which where a witness sees the leg."""

from __future__ import annotations

import numpy as np
import pytest

from knee_angle.landmarks.dots import together
from knee_angle.landmarks.dots.candidates import Candidates
from knee_angle.landmarks.dots.expected import Expected
from knee_angle.landmarks.dots.readings import Reading
from knee_angle.landmarks.dots.refusals import AMBIGUOUS, NOT_ALL
from knee_angle.landmarks.dots.together import named_together, settled_together, together_with
from knee_angle.records import LEG_POINTS, MACHINE_POINTS

NAMES = LEG_POINTS + MACHINE_POINTS
SEGMENT = 200.0
TRUE = {
    "hip": (100.0, 300.0), "knee": (290.0, 240.0), "ankle": (480.0, 300.0),
    "thigh_bar": (165.0, 310.0), "hinge": (290.0, 265.0), "shank_bar": (440.0, 312.0),
}  # fmt: skip
GREEN, SHADED, SKIN, STEEL = (
    (55.0, -45.0, 35.0),
    (36.0, -29.0, 23.0),
    (62.0, 14.0, 18.0),
    (70, 0, 0),
)
RAYS = 20


def patches(places: dict[str, tuple[float, float]], **change: dict[str, object]) -> Candidates:
    """Clean dots at these places; ``change`` of fields by the dot's name."""
    n = len(places)
    leg = np.array([name in LEG_POINTS for name in places])
    around = np.where(leg[:, None, None], np.array(SKIN), np.array(STEEL))
    fields = {
        "xy": np.array(list(places.values())), "radius": np.full(n, 6.0),
        "stretch": np.zeros((n, 2)), "misfit": np.full(n, 0.02), "arc": np.ones(n),
        "contrast": np.full(n, 60.0), "roughness": np.full(n, 5.0),
        "lab": np.tile(GREEN, (n, 1)), "ring": np.zeros(n),
        "around": np.broadcast_to(around, (n, RAYS, 3)).copy(), "company": np.zeros(n),
    }  # fmt: skip
    for name, values in change.items():
        for which, value in values.items():
            fields[which][list(places).index(name)] = value
    return Candidates(**fields)


def witness(**moved: tuple[float, float]) -> Expected:
    """What a network sees: every point with ± 0.06 segments, some of them off."""
    xy = np.array([np.add(TRUE[name], moved.get(name, (0.0, 0.0))) for name in NAMES])
    return Expected(NAMES, xy, np.tile(np.eye(2) * (0.06 * SEGMENT) ** 2, (len(NAMES), 1, 1)))


def settled(found: Candidates, expected: Expected) -> dict[str, str] | None:
    """Name of each dot and whose place it has, or None."""
    best = settled_together([Reading(n, found) for n in named_together(found, expected)])
    if best is None:
        return None
    places = {tuple(at): name for name, at in TRUE.items()}
    return {n: places.get(tuple(found.xy[k]), "another") for n, k in best.named.index.items()}


def without(*names: str) -> dict[str, tuple[float, float]]:
    return {name: at for name, at in TRUE.items() if name not in names}


WHOLE = {name: name for name in NAMES}


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        pytest.param(patches(TRUE), witness(), id="six clean dots where the witness sees them"),
        pytest.param(
            patches(TRUE),
            witness(thigh_bar=(-5, -60), hinge=(0, -60), shank_bar=(5, -60)),
            id="a machine 120 mm off the witness's",
        ),
        pytest.param(
            patches(TRUE), witness(hip=(25, 0), thigh_bar=(25, 0)),
            id="a witness that takes hip and thigh bar along the leg",
        ),
        pytest.param(
            patches(TRUE, ankle={"lab": SHADED}), witness(), id="one dot lies in a shadow"
        ),
        pytest.param(
            patches(TRUE, shank_bar={"radius": 12.0}, ankle={"radius": 10.0}, hip={"radius": 4.0}),
            witness(), id="the near dots three times as large as the far one",
        ),
        pytest.param(
            patches(TRUE, hinge={"lab": (80.0, -20.0, 15.0), "misfit": 0.15}), witness(),
            id="the flash glares from one",
        ),
    ],
)  # fmt: skip
def test_all_six_are_used(found, expected):
    assert settled(found, expected) == WHOLE


@pytest.mark.parametrize("name", ["thigh_bar", "shank_bar"])
def test_a_bar_dot_that_is_not_there_is_left_out(name):
    assert settled(patches(without(name)), witness()) == {n: n for n in NAMES if n != name}


@pytest.mark.parametrize("name", [*LEG_POINTS, "hinge"])  # of knee and hinge, who knows which
def test_no_machine_dot_stands_for_a_hidden_one_of_the_leg(name):
    assert settled(patches(without(name)), witness()) is None


def test_two_patches_that_could_be_one_machine_dot_leave_it_out():
    twice = TRUE | {"other": (455.0, 318.0)}
    assert settled(patches(twice), witness(shank_bar=(7.5, 3.0))) == {
        n: n for n in NAMES if n != "shank_bar"
    }


@pytest.mark.parametrize(
    ("found", "why"),
    [(patches(TRUE), AMBIGUOUS), (patches(without("hip")), NOT_ALL)],
    ids=["the set makes another leg", "the set lacks a dot of the leg"],
)
def test_a_leg_found_otherwise_is_denied_where(found, why):
    sets = [Reading(n, found) for n in named_together(found, witness())]
    names = {"knee": "hinge"} if why is AMBIGUOUS else {}
    at = {n: np.array(TRUE[names.get(n, n)]) for n in LEG_POINTS}
    if why is NOT_ALL:
        at = {n: sets[0].found.xy[sets[0].named.index[n]] for n in LEG_POINTS}
    other = patches({n: tuple(xy) for n, xy in at.items()})
    named = sets[0].named.__class__(
        dict(zip(LEG_POINTS, range(3), strict=True)), 12.0, 30.0, 3, 0, True, False
    )
    assert together_with(sets, Reading(named, other)) == why


def test_grey_patches_are_no_set_of_dots():
    grey = patches(TRUE, **{name: {"lab": (50.0, 2.0, 1.0), "misfit": 0.1} for name in NAMES})
    assert settled(grey, witness()) is None


FAINT = {"misfit": 0.12}


@pytest.mark.parametrize(
    ("change", "count", "looked_for"),
    [
        pytest.param({}, 1, True, id="one clear outline of a vivid colour"),
        pytest.param(FAINT, 1, False, id="one unclear outline"),
        pytest.param(FAINT, 2, True, id="two unclear ones of a vivid colour"),
        pytest.param({"lab": (15.0, 0.0, -2.0)}, 2, False, id="two clear black ones"),
        pytest.param({"lab": (15.0, 0.0, -2.0)}, 3, True, id="three clear black ones"),
        pytest.param({"lab": (15.0, 0.0, -2.0), **FAINT}, 6, False, id="unclear black ones"),
    ],
)
def test_the_rest_of_a_set_is_looked_for_where_its_outlines_may_be_dots(change, count, looked_for):
    """Looking through the picture takes longer than all before: not for every shadow."""
    found = patches(TRUE, **dict.fromkeys(TRUE, change))
    assert together._hopeful(found, np.arange(count)) is looked_for
