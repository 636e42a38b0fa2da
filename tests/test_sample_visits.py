"""From pixels to advice: two visits of one leg in one rigid machine, exact truth beside.

Visit d: sections that fit. Visit e: the lower-leg section 30 mm short. The photos are those
of `python -m knee_angle.training series`; nothing in the program was set on them.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from conftest import Scene, scenes

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.machine.answer import VisitAnswer
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import Shot, answer_of_visit, measure
from knee_angle.records import Measurement, NotMeasured
from knee_angle.settings import Settings

ALL = [*scenes(hinge_cover=False), *scenes(hinge_cover=True)]


def of_visit(letter: str) -> list[Scene]:
    return sorted(
        (s for s in ALL if s.photo.stem.startswith(f"series_{letter}_")), key=lambda s: s.photo.name
    )


@functools.cache
def measured(letter: str) -> dict[str, Measurement]:
    """Every photo of a visit by all detectors, as the command measures it."""
    with opened_detectors() as detectors:
        found = {
            scene.photo.name: measure(
                scene.photo,
                detectors=detectors,
                displayed_deg=scene.truth["machine"]["displayed_angle_int"],
            )
            for scene in of_visit(letter)
        }
    assert all(isinstance(one, Measurement) for one in found.values())
    return found


@functools.cache
def answered(letter: str) -> VisitAnswer:
    shots = [
        (Shot(s.photo.name, s.photo.stem[-1], s.truth["machine"]["displayed_angle_int"]), one)
        for s, one in zip(of_visit(letter), measured(letter).values(), strict=True)
    ]
    found = answer_of_visit(shots, Settings())
    assert isinstance(found, VisitAnswer), found
    return found


def test_each_visit_has_six_photos_half_of_them_with_a_covered_hinge():
    for letter in "de":
        assert [s.truth["hinge_cover"] for s in of_visit(letter)].count(True) == 3
        assert len(of_visit(letter)) == 6


@pytest.mark.parametrize("letter", ["d", "e"])
def test_every_photo_shows_the_leg_that_it_is(letter):
    """Hip and ankle lie at one height and on bare skin here: dots alone may exchange them."""
    assert {name: one.side for name, one in measured(letter).items()} == {
        scene.photo.name: "right" for scene in of_visit(letter)
    }


@pytest.mark.parametrize(
    "scene",
    [s for s in ALL if s.truth["landmarks"]["knee"]["dot_visible_fraction"] < 0.5],
    ids=lambda s: s.photo.stem,
)
def test_the_dot_on_a_cover_is_not_taken_for_the_knees_below_it(scene):
    """So taken it gave angles 5 to 8 degrees off, within a stated ± of 4 to 5."""
    assert isinstance(DotDetector().find(read_photo(scene.photo)), NotMeasured)
