"""From pixels to advice: two visits of one leg in one rigid machine, exact truth beside.

Visit d: sections that fit. Visit e: the lower-leg section 30 mm short. The photos are those
of `python -m knee_angle.training series`; nothing in the program was set on them.
"""

from __future__ import annotations

import functools
import subprocess
import sys

import numpy as np
import pytest
from conftest import SAMPLES, Scene, scenes

from knee_angle.landmarks.dots import DotDetector
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.machine.adjust import PAST_DEG
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.chain import Chain, knee_flexion_deg
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


@pytest.mark.parametrize("letter", ["d", "e"])
def test_the_visits_knees_hold_the_truth_but_for_one_at_most(letter):
    """95 % of six leaves less than one miss."""
    truth = {s.photo.stem[-1]: s.flexion_deg for s in of_visit(letter)}
    held = [
        one.estimate.knee.interval[0] <= truth[one.estimate.name] <= one.estimate.knee.interval[1]
        for one in answered(letter).settings
    ]
    assert len(held) == 6
    assert held.count(False) <= 1


@pytest.mark.parametrize("letter", ["d", "e"])
def test_the_arc_holds_the_truth(letter):
    knees = [s.flexion_deg for s in of_visit(letter)]
    low, high = answered(letter).arc.interval
    assert low <= max(knees) - min(knees) <= high


@pytest.mark.parametrize("letter", ["d", "e"])
def test_the_display_is_true_and_never_accused(letter):
    assert answered(letter).machine.kind not in {"calibration", "both"}


def test_sections_that_fit_are_not_accused():
    machine = answered("d").machine
    assert machine.kind in {"none", "undecided"}
    assert machine.advice is None or machine.advice.steps == ()


def test_a_lower_leg_section_30_mm_short_is_named_to_the_centimetre():
    """The check of such a section never named it; that it is 30 mm the tape would say."""
    machine = answered("e").machine
    assert machine.kind == "fit"
    assert [step.part for step in machine.advice.steps] == ["lower"]
    assert machine.advice.steps[0].mm == pytest.approx(30, abs=10)
    assert "lower-leg section with its foot plate" in " ".join(machine.words)


@pytest.mark.parametrize("letter", ["d", "e"])
def test_no_step_of_the_advice_brings_the_true_knee_past_the_display(letter):
    """As `adjust` promises: no more than 2 degrees past, anywhere in the range."""
    kept = of_visit(letter)[0].truth["machine"]["chain"]
    lengths = {name: kept[name] for name in ("thigh_mm", "lower_mm", "give")}
    faults = {"thigh": kept["thigh_fault_mm"], "lower": kept["lower_fault_mm"], "place": 0.0}
    bars = np.arange(0.0, 111.0)

    def past() -> np.ndarray:
        chain = Chain(
            **lengths,
            thigh_fault_mm=faults["thigh"],
            lower_fault_mm=faults["lower"],
            place_mm=faults["place"],
        )
        return knee_flexion_deg(bars, chain) - bars

    before = past()
    advice = answered(letter).machine.advice
    for step in () if advice is None else advice.steps:
        faults[step.part] += step.mm
        assert (past() <= np.maximum(before, PAST_DEG) + 1e-6).all(), step


def test_one_command_tells_the_visit_from_pixels_to_advice():
    names = [str(s.photo) for s in of_visit("e")]
    table = str(SAMPLES / "displayed.csv")
    run = [sys.executable, "-m", "knee_angle", "visit", *names, "--table", table]
    done = subprocess.run(run, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "lower-leg section with its foot plate" in done.stdout
    assert done.stdout.count("KNEE    ") == 6
