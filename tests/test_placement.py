"""Where the marks are decides how far they may lie from the bone; all assumptions are named."""

import ast
import itertools
from pathlib import Path

import pytest
from conftest import scenes

from knee_angle import assumptions
from knee_angle.angle import words
from knee_angle.cli.settings import given_settings
from knee_angle.errors import InvalidInput
from knee_angle.pipeline import measure
from knee_angle.settings import Settings


@pytest.mark.parametrize(
    ("typed", "placed_mm", "said"),
    [
        pytest.param(
            {}, (10, 5, 5), "hip mark on cloth: ± 20 mm, knee on skin: ± 10 mm",
            id="a hip is seldom bared",
        ),
        pytest.param(
            {"marks_on": "skin"}, (9, 5, 5), "hip mark on skin: ± 18 mm", id="all on bare skin"
        ),
        pytest.param(
            {"marks_on": "cloth, dressing, felt-again"}, (10, 10, 4.5),
            "knee on a dressing or swelling: ± 20 mm, ankle felt for again: ± 9 mm",
            id="each its own",
        ),
        pytest.param(
            {"marks_on": "cloth/dressing/skin"}, (10, 10, 5), "ankle on skin: ± 10 mm",
            id="with slashes",
        ),
        pytest.param(
            {"marks_on": "dressing", "placement_mm": "15/10/5"}, (15, 10, 5),
            "hip mark: ± 29 mm, knee: ± 20 mm, ankle: ± 10 mm against the bone, as given",
            id="what was given wins",
        ),
    ],
)  # fmt: skip
def test_the_marks_place_gives_their_uncertainty_and_the_answer_says_it(typed, placed_mm, said):
    settings = given_settings(typed)
    assert settings.placed_mm == placed_mm
    assert said in words.placed(settings)


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        pytest.param("bare", "--marks-on must be one of felt-again, skin", id="no such place"),
        pytest.param("skin,cloth", "--marks-on must be one word or three", id="two of three"),
        pytest.param("", "--marks-on must be one of", id="nothing"),
    ],
)
def test_places_that_are_none_are_refused_with_the_option_to_use(typed, message):
    with pytest.raises(InvalidInput, match=message):
        given_settings({"marks_on": typed})


def test_worse_places_are_never_taken_for_better():
    order = ("felt-again", "skin", "cloth", "dressing")
    assert tuple(assumptions.PLACEMENT_MM) == order == tuple(words.MARK_WORDS)
    for better, worse in itertools.pairwise(order):
        better_mm, worse_mm = assumptions.PLACEMENT_MM[better], assumptions.PLACEMENT_MM[worse]
        assert all(b <= w for b, w in zip(better_mm, worse_mm, strict=True))
        assert better_mm != worse_mm


def test_a_knee_under_a_dressing_has_the_wider_interval():
    scene = scenes(image="bed_01.jpg")[0]
    bare, dressed = (
        measure(
            scene.photo, detectors=(), manual=scene.manual(), settings=Settings(marks_on=marks)
        ).knee
        for marks in (("cloth", "skin", "skin"), ("cloth", "dressing", "skin"))
    )
    assert dressed.budget_deg["landmark_placement"] > 1.3 * bare.budget_deg["landmark_placement"]
    assert dressed.u_deg > bare.u_deg


SOURCE = Path(assumptions.__file__)


def test_every_assumption_says_what_it_means_and_is_used():
    """A docstring may speak for the numbers right above it; nobody keeps one for later."""
    body = ast.parse(SOURCE.read_text()).body
    named, waiting = [], []
    for node in body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            found = target.elts if isinstance(target, ast.Tuple) else [target]
            waiting += [one.id for one in found]
            named += [one.id for one in found]
        elif isinstance(node, ast.Expr):
            waiting = []
    assert waiting == []
    assert len(named) == len(set(named))
    code = "\n".join(
        path.read_text()
        for path in SOURCE.parent.rglob("*.py")
        if path != SOURCE and "training" not in path.parts
    )
    assert [name for name in named if name not in code] == []
