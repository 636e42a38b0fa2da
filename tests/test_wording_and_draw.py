"""What a person reads and sees of a result."""

from __future__ import annotations

import functools
import inspect
import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from catalogue import sentences_of
from conftest import scenes
from PIL import ImageDraw

from knee_angle.angle import words
from knee_angle.batch import child
from knee_angle.cli.photos import _save_overlay
from knee_angle.machine import adjust, judge
from knee_angle.machine.cause import ADVICE
from knee_angle.machine.unjudged import CARDS_WRONG
from knee_angle.page.editor import LABELS
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import answer_of_photo, measure
from knee_angle.records import Comparison, Machine, NotMeasured, Segments, Unreadable
from knee_angle.report.answer_text import answer_text
from knee_angle.report.overlay import MACHINE, VERDICT_INK, overlay
from knee_angle.store import CHECKLIST

SCENE = scenes(image="bed_01.jpg")[0]
OFF = scenes(image="bed_02.jpg")[0]


@functools.cache
def found():
    """By its dots: display and fit within their tolerances, the hinge proven off all the same."""
    return measure(OFF.photo, displayed_deg=32.0)


@pytest.mark.parametrize(
    "draw",
    [
        pytest.param(lambda at: _save_overlay(read_photo(OFF.photo), found(), at), id="measure"),
        pytest.param(lambda at: child._draw(at, read_photo(OFF.photo), found()), id="batch"),
    ],
)
def test_the_pictures_finding_is_the_commands(draw, tmp_path, monkeypatch):
    drawn = []
    monkeypatch.setattr(ImageDraw.ImageDraw, "text", lambda _, __, text, **___: drawn.append(text))
    draw(tmp_path / "picture.jpg")
    said = answer_text("bed_02.jpg", found(), answer_of_photo(found()))
    finding = re.search("  finding +(.*)", said)[1]
    assert finding == "fit warning: hinge and knee do not coincide"
    assert drawn[drawn.index("Finding") + 1] == finding


@functools.cache
def result():
    return measure(SCENE.photo, detectors=(), displayed_deg=93.0, manual=SCENE.manual())


def judged(verdict: str, difference: float = 6.6) -> object:
    compared = Comparison(difference, 2.0, 10.0, 0.9, verdict)
    return replace(result(), comparison=compared)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.04, "0.0°"), (-0.04, "0.0°"), (6.64, "6.6°"), (-3.0, "\u22123.0°"), (123.45, "123.5°")],
)
def test_degrees_for_a_person(value, text):
    assert words.degrees(value) == text


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        pytest.param(
            lambda: Unreadable("it is empty"), "could not be read: it is empty.", id="unreadable"
        ),
        pytest.param(
            lambda: NotMeasured("no dots", "stick dots"),
            "Not measured: no dots. Next: stick dots.",
            id="refused",
        ),
        pytest.param(
            lambda: judged("within"), "6.6° more: within the tolerance of 10°.", id="within"
        ),
        pytest.param(
            lambda: judged("outside", -12.0),
            "12.0° less: outside the tolerance of 10°.",
            id="outside",
        ),
        pytest.param(
            lambda: judged("undecided"),
            "it cannot be told whether that is within 10°",
            id="undecided",
        ),
        pytest.param(
            lambda: replace(result(), displayed=None, comparison=None),
            "The left knee bends 88",
            id="no display",
        ),
    ],
)
def test_one_sentence_for_every_outcome(outcome, said):
    assert said in words.sentence(outcome())


@pytest.mark.parametrize("verdict", ["within", "outside", "undecided"])
def test_no_text_ever_advises_more_motion(verdict):
    text = words.sentence(judged(verdict)).lower()
    for word in ("increase", "turn up", "raise", "further", "more flexion"):
        assert word not in text


def test_every_verdict_has_its_own_word_and_shape():
    assert len(set(words.VERDICT_WORDS.values())) == len(set(words.VERDICT_SHAPES.values())) == 3


def test_the_overlay_marks_the_points_and_leaves_the_rest_of_the_photo_alone():
    photo = read_photo(SCENE.photo)
    drawn = np.asarray(overlay(photo, result()))
    height, width = photo.small.shape[:2]
    assert drawn.shape[1] == width
    assert drawn.shape[0] > height
    changed = np.abs(drawn[:height].astype(int) - photo.small).max(axis=2) > 40
    for point in result().landmarks.points.values():
        x, y = round(point.x_px / photo.scale_x), round(point.y_px / photo.scale_y)
        assert changed[y - 12 : y + 12, x - 12 : x + 12].any()
    assert changed.mean() < 0.05


def test_guessed_bars_are_drawn_dashed_and_called_a_guess_without_a_hinge(monkeypatch):
    """Whoever reads that the bars are not reliably seen finds no firm bars drawn beside it."""
    seen = found().machine
    points = {name: replace(at, source="network") for name, at in seen.points.items()}
    guess = Machine(points, replace(seen.frame, source="network"))
    photo = read_photo(OFF.photo)
    start, end = ((at.x_px, at.y_px) for at in (points["thigh_bar"], points["hinge"]))
    along = np.linspace(start, end, 200)[20:-20] / (photo.scale_x, photo.scale_y)
    across, down = along.astype(int).T
    texts, inked = [], []
    monkeypatch.setattr(ImageDraw.ImageDraw, "text", lambda _, __, text, **___: texts.append(text))
    for machine in (seen, guess):
        drawn = np.asarray(overlay(photo, replace(found(), machine=machine))).astype(int)
        inked.append((np.abs(drawn[down, across] - MACHINE).max(axis=1) < 90).mean())
    assert inked[0] > 0.9
    assert 0.2 < inked[1] < 0.7
    assert texts.count("Hinge") == 1
    assert texts[-texts[::-1].index("Bars")].startswith("dashed: about ")
    said = answer_text("a.jpg", replace(found(), machine=guess))
    assert "only guessed (leg network): can be 20° off and proves nothing" in said
    assert "  hinge  " not in said


def test_without_a_hinge_no_line_joins_the_points_of_the_bars():
    """A bar runs from the hinge; from one bar's point to the other's runs nothing."""
    seen, photo = found().machine, read_photo(OFF.photo)
    points = {name: at for name, at in seen.points.items() if name != "hinge"}
    inked = []
    for shown in (seen.points, points):
        drawn = np.asarray(overlay(photo, replace(found(), machine=replace(seen, points=shown))))
        share = {}
        for start, end in itertools.combinations(seen.points, 2):
            ends = [(p.x_px, p.y_px) for p in (seen.points[start], seen.points[end])]
            across, down = (np.linspace(*ends, 200)[30:-30] / (photo.scale_x, photo.scale_y)).T
            at = drawn[down.astype(int), across.astype(int)].astype(int)
            share[start, end] = float((np.abs(at - MACHINE).max(axis=1) < 90).mean())
        inked.append(share)
    bars = [pair for pair in inked[0] if "hinge" in pair]
    assert min(inked[0][pair] for pair in bars) > 0.9
    assert max(inked[1].values()) < 0.2


@pytest.mark.parametrize(
    ("alarms", "kind", "green"),
    [
        pytest.param((), "none", True, id="nothing found"),
        pytest.param(("PAST THE PRESCRIBED FLEXION",), "none", False, id="under an alarm"),
        pytest.param((), "fit", False, id="beside a fault that was found"),
    ],
)
def test_no_green_answer_stands_under_an_alarm_or_beside_a_fault(alarms, kind, green):
    photo, agrees = read_photo(SCENE.photo), judged("within")
    finding = replace(found().finding, kind=kind)
    drawn = np.asarray(overlay(photo, replace(agrees, alarms=alarms, finding=finding)))
    panel = drawn[photo.small.shape[0] :].astype(int)
    assert ((np.abs(panel - VERDICT_INK["within"]) < 12).all(axis=2).sum() > 50) == green


@pytest.mark.parametrize("verdict", ["within", "outside", "undecided"])
def test_the_panel_differs_by_verdict_without_colour(verdict):
    photo = read_photo(SCENE.photo)
    grey = {
        v: np.asarray(overlay(photo, judged(v)).convert("L"))[photo.small.shape[0] :]
        for v in ("within", "outside", "undecided")
    }
    others = [g for v, g in grey.items() if v != verdict]
    assert all((np.abs(grey[verdict].astype(int) - g) > 60).sum() > 100 for g in others)


@pytest.mark.parametrize("module", [adjust, judge], ids=["what to set", "what is proven"])
def test_what_to_do_fits_a_phone(module):
    """Six or seven lines of 390 px: more is not read beside a bed."""
    said = [text for _, text in sentences_of(inspect.getsource(module))]
    assert said
    assert [text for text in said if len(text) > 290] == []


def test_no_sentence_for_people_says_shank_or_frame_or_blames_the_machine():
    """A frame is a bed's; names in the JSON stay."""
    said = [
        *ADVICE.values(), CARDS_WRONG, *words.FINDING_WORDS.values(),
        *words.UNSEPARABLE_WORDS.values(),
        *words.BARS_WORDS.values(), *LABELS.values(), *CHECKLIST.values(), words.CAUTION,
    ]  # fmt: skip
    for text in said:
        plain = re.sub(r"{[^}]*}", "", text)
        assert not re.search(r"\b(frame|shank|person|user|reads wrongly)\b", plain, re.IGNORECASE)
    assert "display and bars differ: see the service manual" in words.FINDING_WORDS["calibration"]
    assert "passive motion" in words.CAUTION
    assert "stop at pain or resistance" in words.CAUTION


@pytest.mark.parametrize(
    ("u_mm", "told"),
    [
        pytest.param((20.0, 39.0), "a start for the machine's sections", id="sure enough"),
        pytest.param((20.0, 41.0), "too unsure to set sections by", id="people differ no more"),
        pytest.param((146.0, 20.0), "too unsure to set sections by", id="a stretched picture"),
    ],
)
def test_lengths_that_tell_no_more_than_that_it_is_a_leg_set_no_section(u_mm, told):
    seen = replace(found(), segments=Segments(406.0, u_mm[0], 409.0, u_mm[1]))
    (line,) = (line for line in answer_text("a.jpg", seen).splitlines() if "  lengths " in line)
    assert told in line
