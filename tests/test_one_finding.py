"""One photo, one answer: JSON, CSV, batch row, text, picture and page say the same of it.

The finding is that of the photo as a visit of its own (`machine.judge`), whatever the door;
knee, verdict and the side of a limit are the photo's own, in the visit too.
"""

from __future__ import annotations

import csv
import functools
import io
import json
import re
from dataclasses import asdict, replace
from html import unescape
from unittest.mock import patch

import numpy as np
import pytest
from conftest import SAMPLES
from PIL import ImageDraw
from typer.testing import CliRunner

from knee_angle import pipeline
from knee_angle.angle import words
from knee_angle.batch import child
from knee_angle.batch.work import Job
from knee_angle.cli import app
from knee_angle.landmarks.dots import namings
from knee_angle.landmarks.standard import shared_detectors
from knee_angle.language import in_language, tell
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.prescribed import LegSettings
from knee_angle.machine.unjudged import UNTRUSTED
from knee_angle.page import answer as page_answer
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.pipeline import (
    SeenPhoto,
    answer_of_photo,
    answer_of_visit,
    judged_alone,
    look,
    measure,
)
from knee_angle.records import Displayed, Measurement, NotMeasured, Unreadable
from knee_angle.report.answer_text import answer_text
from knee_angle.report.contract import as_csv, as_json
from knee_angle.report.overlay import overlay
from knee_angle.report.visit_words import to_do
from knee_angle.settings import Settings
from knee_angle.visit import Shot, estimate

SHOWN = {
    "bed_01": 93.0, "bed_02": 32.0, "bed_05": 9.0, "bed_07": 55.0, "bed_08": 125.0, "bed_11": 90.0,
    "series_d_5": 90.0,
}  # fmt: skip
"""Displays near the bars and off them, bars seen and not."""
LIMITS = Settings(limit_extension_deg=0.0, limit_flexion_deg=130.0)
SAID = {text: kind for kind, text in words.FINDING_WORDS.items()} | dict.fromkeys(
    words.UNSEPARABLE_WORDS.values(), "not_separable"
)


@functools.cache
def seen(name: str) -> tuple[Photo, SeenPhoto]:
    photo = read_photo(SAMPLES / f"{name}.jpg")
    return photo, look(photo, detectors=shared_detectors())


def test_exchanged_cards_judge_no_machine_in_the_joint_answer_either():
    """The finding says that the cards are exchanged; nothing else may judge by such bars."""
    found = measured("bed_01", 93.0, Settings())
    frame = replace(found.machine.frame, deg=-60.0, fit_deg=-148.0, source="tag")
    wrong = replace(found, machine=replace(found.machine, frame=frame))
    answer = answer_of_photo(wrong)
    assert isinstance(answer, VisitAnswer)
    assert answer.machine is None
    assert "exchanged" in to_do(answer)[0][0]


def test_an_untrusted_picture_is_told_to_be_photographed_again_not_to_get_dots():
    found = measured("bed_01", 93.0, Settings())
    odd = replace(found, leg=replace(found.leg, lens=replace(found.leg.lens, trusted=False)))
    answer = answer_of_photo(odd)
    assert isinstance(answer, VisitAnswer)
    assert to_do(answer)[0] == (UNTRUSTED,)
    again, alone = judged_alone(odd)
    said = answer_text("bed_01", again, alone)
    assert "finding       cause not known: the picture may not be as a camera took it" in said
    assert said.count("proves no cause") == 1
    assert "bars were not" not in said


@functools.cache
def knob_taken_for_the_hinge() -> Measurement:
    """bed_07 as read by places alone: what dots lie on tells its knob from a hinge."""
    with patch.multiple(namings, LIES_WEIGHT=0.0, LIES_THERE=0.0):
        photo = read_photo(SAMPLES / "bed_07.jpg")
        looked = look(photo, detectors=shared_detectors())
    outcome = measure(photo, displayed_deg=55.0, settings=Settings(), seen=looked)
    assert isinstance(outcome, Measurement)
    return outcome


def test_a_knob_taken_for_the_hinge_is_named_and_nobody_is_told_to_stick_dots_on():
    """The dots are there: the next step is to look at the one that is doubted."""
    doubted = (
        "What was taken for the machine's hinge dot lies far from where the machine is seen, so it "
        "cannot be told whether the display is off or the leg lies badly: look at it and place the "
        "hinge by hand, or cover what is no dot and photograph again."
    )
    result, alone = judged_alone(knob_taken_for_the_hinge())
    assert (result.finding.why, result.finding.advice) == ("doubted", doubted)
    assert to_do(alone)[0] == (doubted,)
    said = answer_text("bed_07", result, alone)
    assert said.count(doubted) == 1
    assert "photograph again with dots" not in said
    assert "  next " not in said
    assert "finding       cause not known: a dot of the machine is in doubt" in said


def test_in_a_visit_the_photo_of_a_doubted_dot_is_named():
    """Of several photos nobody knew which to look at."""
    shown = {"bed_07": 55.0, "bed_11": 83.0}
    found = {"bed_07": knob_taken_for_the_hinge(), "bed_11": measured("bed_11", 83.0, Settings())}
    shots = [(Shot(n, n, shown[n]), found[n]) for n in shown]
    answer = answer_of_visit(shots, Settings())
    (told,) = to_do(answer)[0]
    assert told.startswith("bed_07: What was taken for the machine's hinge dot lies far from")
    guessed = answer_of_visit(shots[1:], Settings())
    assert to_do(guessed)[0][0].startswith("The machine's bars are only guessed")


def test_more_settings_are_asked_for_once():
    """Two lines asked for the same photos, where one of them tells neither display nor fit."""
    limits = Settings(limit_extension_deg=0.0, limit_flexion_deg=95.0)
    answer = judged_alone(measured("bed_03", 123.0, limits))[1]
    bound, ask = to_do(answer)[0]
    assert bound == "The photos do not tell how far display and bars differ from 0° to 95°."
    assert "Photograph more settings, both ends at least" in ask


@functools.cache
def measured(name: str, shown: float, settings: Settings) -> Measurement:
    photo, looked = seen(name)
    outcome = measure(photo, displayed_deg=shown, settings=settings, seen=looked)
    assert isinstance(outcome, Measurement)
    return outcome


def on_the_page(result: Measurement, alone) -> str:
    card = page_answer.card(
        result, alone, settings=result.settings, number=None, typed=None, fingerprint="1"
    )
    said = (
        text[:1].lower() + text[1:].rstrip(".")
        for text in re.findall(r"<b>(.*?)</b>", unescape(card))
    )
    (kind,) = {SAID[text] for text in said if text in SAID}
    return kind


@pytest.mark.parametrize(
    ("name", "limits"),
    [*((name, Settings()) for name in SHOWN), ("bed_02", LIMITS), ("series_d_5", LIMITS)],
)
def test_every_door_says_the_same_finding(name, limits, monkeypatch):
    result = measured(name, SHOWN[name], limits)
    row = as_json(name, result, version="1")
    (flat,) = csv.DictReader(io.StringIO(as_csv([row])))
    again, alone = judged_alone(result)
    drawn: list[str] = []
    monkeypatch.setattr(ImageDraw.ImageDraw, "text", lambda _, __, text, **___: drawn.append(text))
    overlay(seen(name)[0], result)
    said = {
        "json": row["finding"]["kind"],
        "csv": flat["finding"],
        "text": SAID[re.search("  finding +(.*)", answer_text(name, again, alone))[1]],
        "picture": SAID[drawn[drawn.index("Finding") + 1]],
        "page": on_the_page(again, alone),
    }
    if isinstance(alone, VisitAnswer) and alone.machine is not None:
        said["the photo as a visit"] = alone.machine.kind
        assert row["finding"]["advice"] == " ".join(alone.machine.words)
    assert len(set(said.values())) == 1, said


def test_commands_and_batch_hand_on_that_finding():
    """The display is right, bars and knee agree; only the hinge is proven off."""
    photo = str(SAMPLES / "bed_02.jpg")
    called = ["measure", photo, "--displayed", "32", "--format"]
    row = json.loads(CliRunner().invoke(app, [*called, "json"]).stdout)
    (flat,) = csv.DictReader(io.StringIO(CliRunner().invoke(app, [*called, "csv"]).stdout))
    job = Job("bed_02.jpg", photo, None, 32.0)
    batch = child._answer(job, shared_detectors(), Settings(), 120.0).row
    told = {
        "kind": "fit", "calibration_verdict": "within", "fit_verdict": "within",
        "hinge_verdict": "outside",
    }  # fmt: skip
    assert {name: row["finding"][name] for name in told} == told
    assert batch["finding"] == row["finding"]
    assert (flat["finding"], flat["hinge_verdict"]) == ("fit", "outside")
    assert flat["finding_advice"] == row["finding"]["advice"]


def test_limits_that_a_person_has_are_judged_before_the_finding():
    """As every door does it: measured first, then by the limits of the knee that was seen."""
    photo, looked = seen("series_d_5")
    bare = measure(photo, displayed_deg=90.0, seen=looked, judge=False)
    legs = LegSettings(LIMITS, LIMITS)
    later = judged_alone(legs.judged(bare, 90.0))[0]
    assert bare.finding is None
    assert later.finding == measured("series_d_5", 90.0, LIMITS).finding


@pytest.mark.parametrize("name", ["bed_05", "series_d_5"])
def test_the_parts_never_contradict_the_finding(name):
    """Displays through both edges of the tolerance, with and without a range to run over."""
    first = measured(name, SHOWN[name], Settings())
    for settings in (Settings(), LIMITS):
        for off in (-9.0, -6.0, -3.5, 0.0, 4.0, 6.5, 7.0, 9.0):
            shown = Displayed(round(first.machine.frame.deg + off, 1))
            found = judged_alone(replace(first, displayed=shown, settings=settings))[0].finding
            wrong = found.calibration.verdict == "outside"
            unfit = "outside" in (found.fit.verdict, found.hinge)
            assert (found.kind in ("calibration", "both")) == wrong
            assert (found.kind in ("fit", "both")) == unfit
            clear = {found.calibration.verdict, found.fit.verdict, found.hinge} == {"within"}
            assert clear or found.kind != "none"
            for part in (found.calibration, found.fit):
                assert (part.verdict == "within") == (part.p_within >= 0.95)
                assert (part.verdict == "outside") == (part.p_within <= 0.05)


@pytest.mark.parametrize("name", ["bed_08", "bed_11"])
def test_a_limit_however_near_has_the_knee_on_one_side_in_every_answer(name):
    """Alarm, line of limits, verdict and ± of the photo are those of the visit that it is."""
    knee = measured(name, SHOWN[name], Settings()).knee
    for away in np.linspace(1.6, 1.7, 5):
        limit = round(knee.deg - away * knee.u_deg, 2)
        settings = Settings(limit_flexion_deg=limit)
        result = measured(name, limit - 1.0, settings)
        _, alone = judged_alone(result)
        assert isinstance(alone, VisitAnswer)
        assert any("the knee bends" in alarm for alarm in result.alarms) == (
            alone.standing == "past"
        )
        (one,) = alone.settings
        assert one.comparison == result.comparison
        assert asdict(one.estimate.knee) == {
            "value": knee.deg, "u": knee.u_deg, "interval": knee.interval_deg,
        }  # fmt: skip


def test_one_photo_at_the_extension_end_says_what_the_knee_lacks():
    """A visit says it beside its arc; a photo alone has none."""
    result, alone = judged_alone(measured("bed_05", 3.0, Settings()))
    said = "6° of extension to straight (at least 2°)"
    assert f"  LACKS   {said}" in answer_text("bed_05", result, alone).splitlines()
    card = page_answer.card(
        result, alone, settings=Settings(), number=None, typed=None, fingerprint="1"
    )
    assert said in unescape(card)
    bent, other = judged_alone(measured("bed_08", 125.0, Settings()))
    assert "LACKS" not in answer_text("bed_08", bent, other)


@pytest.mark.parametrize(
    ("refused", "told"),
    [
        pytest.param(
            NotMeasured("the disk is full", "make room"), "the disk is full", id="its own reason"
        ),
        pytest.param(Unreadable("the photo is damaged"), "damaged", id="a photo damaged since"),
    ],
)
def test_a_photo_alone_is_refused_with_its_true_reason(refused, told, monkeypatch):
    found = measured("bed_01", 93.0, Settings())
    monkeypatch.setattr(pipeline, "answer_of_visit", lambda *_, **__: refused)
    answer = answer_of_photo(found)
    assert isinstance(answer, NotMeasured)
    assert told in answer.reason
    assert answer.advice


def test_points_of_one_photo_that_contradict_one_another_are_told_as_such(monkeypatch):
    found = measured("bed_01", 93.0, Settings())
    monkeypatch.setattr(estimate, "_wild", lambda *_: (("bed_01.jpg", "knee"),))
    answer = answer_of_photo(found)
    assert isinstance(answer, NotMeasured)
    assert "the points of this photo" in answer.reason
    assert "photos" not in answer.reason


# ------------------------------------------------------------------ the picture with its answer


def test_the_picture_speaks_the_readers_language(monkeypatch):
    """Its font has every sign of it: no box stands for an umlaut, sharp s or minus."""
    drawn: list[str] = []
    text = ImageDraw.ImageDraw.text

    def recorded(pen, xy, words_drawn, *more, font, **named):
        drawn.append(words_drawn)
        lacking = bytes(font.getmask("\uffff"))
        signs = {sign for sign in words_drawn if not sign.isspace()}
        assert [sign for sign in signs if bytes(font.getmask(sign)) == lacking] == []
        return text(pen, xy, words_drawn, *more, font=font, **named)

    monkeypatch.setattr(ImageDraw.ImageDraw, "text", recorded)
    result = measured("bed_01", 93.0, Settings())
    with in_language("de"):
        overlay(seen("bed_01")[0], replace(result, alarms=("− ä ö ü ß Ä Ö Ü ± °",)))
        assert f"{result.knee.deg:.1f}°".replace(".", ",") in drawn
        caution = tell(words.CAUTION)
    assert caution != words.CAUTION
    assert any(caution.startswith(line) for line in drawn if len(line) > 20)
    assert not any("distal" in line for line in drawn)


@pytest.mark.parametrize("source", ["network", "manual"])
def test_a_networks_bars_that_come_back_in_its_own_result_stay_guesses(source):
    """A whole result goes back in, points corrected: what nobody placed still proves nothing."""
    row = as_json("bed_11", measured("bed_11", 90.0, Settings()), version="1")
    for point in row["machine"]["points"].values():
        point["source"] = source
    again = measure(SAMPLES / "bed_11.jpg", displayed_deg=140.0, manual=row)
    guess = source == "network"
    assert again.machine.frame.source == source
    assert (again.finding.kind == "not_separable") == guess
    assert any("stay guesses" in caution for caution in again.cautions) == guess
