"""A visit answered: settings, limits, arc and machine, in words and as JSON."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from called import called
from conftest import SAMPLES
from drawn_visits import Body, Shot, visit
from stores import made_measurement

from knee_angle.angle.bounds import apart, limit_standings
from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.machine.cause import at_limits, limit_cautions
from knee_angle.machine.holding import Figure
from knee_angle.machine.judge import Elsewhere, _slack_words
from knee_angle.records import Angle, Landmarks, NotMeasured, Unreadable
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.report.visit_words import (
    apart_text,
    cautions_of,
    first_lines,
    knee_text,
    knee_words,
    limit_text,
    source_words,
    sure_text,
    visit_text,
)
from knee_angle.settings import Settings
from knee_angle.visit import Reach, Value, VisitEstimate, estimate_visit

PRESCRIBED = Settings(limit_flexion_deg=95.0, limit_extension_deg=0.0)
SHOTS = (
    Shot("a", "straight", 12.0, frame_deg=12.0),
    Shot("b", "middle", 50.0, frame_deg=50.0),
    Shot("c", "bent", 85.0, frame_deg=85.0),
)


def answered(shown=(12.0, 50.0, 85.0), *, settings=PRESCRIBED, shots=SHOTS) -> VisitAnswer:
    photos = [
        replace(photo, displayed_deg=number)
        for photo, number in zip(visit(Body(), shots), shown, strict=True)
    ]
    found = answer_visit(photos, settings, rng=np.random.default_rng(5))
    assert isinstance(found, VisitAnswer)
    return found


def line(lines: list[str], word: str) -> str:
    return next(one for one in lines if one.startswith(word))


def test_a_leg_that_lies_well_in_a_right_machine_is_inside_and_agrees():
    found = answered()
    lines = first_lines(found)
    assert found.standing == "inside"
    assert line(lines, "LIMIT") == (
        "LIMIT   from straight to 95° prescribed · display inside · knee inside (proven)"
    )
    apart_line = line(lines, "APART")
    assert "display and knee the same; at most 4° (95 %). Within 5° (allowed): yes" in apart_line
    assert [one.comparison.verdict for one in found.settings] == ["within"] * 3
    assert found.machine.kind == "none"
    assert "nothing to set" in lines[-2]


def test_beside_a_warning_no_verdict_reads_as_an_all_clear():
    """A card is green, and says that the display agrees, only where nothing else is said."""
    found = answered()
    right, off = found.machine, Elsewhere(20.0, Figure(11.0, 2.0, (8.0, 14.0)), 0.7)
    lower = replace(right.advice, first="photos", lower_limit_deg=3)
    assert not found.warned
    assert not replace(found, machine=None).warned
    assert all(
        replace(found, machine=machine).warned
        for machine in (
            replace(right, kind="fit"),
            replace(right, elsewhere=off),
            replace(right, advice=lower),
        )
    )


def test_the_first_lines_are_limit_knee_apart_do_sure_in_whole_degrees():
    words = [one.split()[0] for one in first_lines(answered())]
    assert words == ["LIMIT", *["KNEE", "APART"] * 3, "ARC", "DO", "DO", "SURE"]
    assert line(first_lines(answered()), "KNEE") == (
        "KNEE    12° (8 to 16), left, passive    DISPLAY 12°"
    )


@pytest.mark.parametrize(
    ("shown", "standing", "said"),
    [
        pytest.param(
            (12.0, 50.0, 97.0), "past", "the display is PAST the prescribed flexion of 95°",
            id="a display past the limit is loud though the knee is inside",
        ),
        pytest.param(
            (-2.0, 50.0, 85.0), "past", "the display is PAST the prescribed extension of straight",
            id="a display beyond straight where straight is prescribed",
        ),
    ],
)  # fmt: skip
def test_past_is_the_first_line_and_says_stop(shown, standing, said):
    found = answered(shown)
    assert found.standing == standing
    assert said in first_lines(found)[0]
    assert "Stop the machine and follow the prescription" in first_lines(found)[0]


NEAR_95 = (*SHOTS[:2], Shot("c", "bent", 94.0, frame_deg=94.0))


@pytest.mark.parametrize(
    ("shown", "settings", "shots", "told"),
    [
        pytest.param(
            (12.0, 50.0, 97.0), PRESCRIBED, SHOTS,
            "the knee is inside the prescribed flexion and extension (proven); "
            "the display is PAST the prescribed flexion of 95°",
            id="a display past, the knee inside both limits",
        ),
        pytest.param(
            (12.0, 50.0, 97.0), PRESCRIBED, NEAR_95,
            "not proven on which side of the prescribed flexion the knee is; "
            "the knee is inside the prescribed extension (proven); "
            "the display is PAST the prescribed flexion of 95°",
            id="a display past, the knee at the one limit",
        ),
        pytest.param(
            (12.0, 50.0, 85.0), Settings(limit_flexion_deg=75.0, limit_extension_deg=12.0), SHOTS,
            "the knee is PAST the prescribed flexion of 75°; "
            "not proven on which side of the prescribed extension the knee is; "
            "the display is PAST the prescribed flexion of 75°",
            id="the knee past one limit and at the other",
        ),
        pytest.param(
            (12.0, 50.0, 97.0), Settings(limit_flexion_deg=95.0), SHOTS,
            "the knee is inside the prescribed flexion (proven); "
            "the display is PAST the prescribed flexion of 95°",
            id="one limit alone is prescribed",
        ),
    ],
)  # fmt: skip
def test_beside_a_limit_that_is_past_the_knee_is_told_at_each_limit(shown, settings, shots, told):
    found = answered(shown, settings=settings, shots=shots)
    whole = f" · {told}. Stop the machine and follow the prescription."
    assert line(first_lines(found), "LIMIT").endswith(whole)


@pytest.mark.parametrize(
    ("deg", "standing"),
    [
        pytest.param(101.0, "past", id="proven past by all photos"),
        pytest.param(88.0, "inside", id="proven inside by all photos"),
        pytest.param(95.0, "at", id="not proven: the limit's own line says so"),
    ],
)
def test_a_limit_judged_by_all_photos_has_no_caution_of_one_photo_beneath(deg, standing):
    """A photo's ± is the wider: it said "not proven" beneath what all of them proved."""
    shots = (*SHOTS[:2], Shot("c", "bent", deg, frame_deg=deg))
    found = answered((None, None, None), shots=shots)
    assert found.standing == standing
    caution, *_ = at_limits(Angle(95.0, 6.0, (83.0, 107.0), {}, (83.0, 107.0)), PRESCRIBED)
    alone = replace(made_measurement(), settings=PRESCRIBED, cautions=(caution, "Look closer."))
    of_photos = tuple((name, alone) for name in "abc")
    assert cautions_of(replace(found, outcomes=of_photos)) == ("Look closer.",)
    apart = replace(found, outcomes=(("left out", alone),))
    assert cautions_of(apart) == (caution, "Look closer.")


def test_a_bound_of_the_display_leaves_room_for_the_advice_that_it_reads_less():
    """It stood beside "The display is likely to read less" without a word on that."""
    shots = [
        Shot(f"{bars:g}", f"{bars:g}", bars, frame_deg=bars, hinge_mm=(25.0, 0.0))
        for bars in (15.0, 85.0)
    ]
    coarse = Settings(display_resolution_deg=5.0)
    bound, advice = (
        one for one in first_lines(answered((10, 80), settings=coarse, shots=shots))
        if one.startswith("DO")
    )  # fmt: skip
    assert "differ by at most" in bound
    assert bound.endswith("Within that the display may read less.")
    assert "The display is likely to read less than the bars" in advice
    assert "may read less" not in " ".join(first_lines(answered()))


@pytest.mark.parametrize(
    ("settings", "shots"),
    [
        pytest.param(Settings(limit_flexion_deg=60.0), SHOTS[2:], id="flexion"),
        pytest.param(Settings(limit_extension_deg=30.0), SHOTS[:1], id="extension"),
    ],
)
def test_the_only_limit_passed_at_every_setting_is_answered_like_any_other(settings, shots):
    found = answered([shots[0].frame_deg], settings=settings, shots=shots)
    assert "Stop the machine and follow the prescription" in first_lines(found)[0]


@pytest.mark.parametrize(
    ("interval", "said"),
    [
        pytest.param((92.0, 100.1), "92 to 101", id="100.1 is past a limit of 100"),
        pytest.param((4.9, 12.2), "4 to 13", id="4.9 is past an extension limit of 5"),
        pytest.param((-0.3, 8.0), "\u22121 to 8", id="beyond straight is not straight"),
        pytest.param((91.96, 100.04), "92 to 100", id="as the tenths beneath: 92.0 to 100.0"),
    ],
)
def test_whole_ends_of_an_interval_never_look_inside_a_limit_that_it_oversteps(interval, said):
    assert knee_words(96.0, interval) == ("96°", said)


def test_at_the_limit_is_said_quietly():
    shots = (*SHOTS[:2], Shot("c", "bent", 94.0, frame_deg=94.0))
    found = answered((12.0, 50.0, 94.0), shots=shots)
    assert found.standing == "at"
    assert found.warned
    assert "AT THE LIMIT of flexion" in first_lines(found)[0]
    assert "PAST" not in visit_text(found)


ONE_LIMIT = "AT THE LIMIT of {which}: not proven on which side the knee is"
BOTH_LIMITS = "NOT PROVEN inside flexion and extension: the ± reaches past both"
SEEMS = "The knee seems inside what is prescribed, but the photo does not prove it."
AT_ONE = (
    "At the prescribed {which} limit of {limit}: it is not proven on which side of it the knee is."
)
AT_FLEXION = AT_ONE.format(which="flexion", limit="95°")
AT_EXTENSION = AT_ONE.format(which="extension", limit="straight")
STOP = "Stop the machine and follow the prescription."
PAST_FLEXION = "the knee is PAST the prescribed flexion of 95°; the knee {seen}. " + STOP
PAST_EXTENSION = "the knee is PAST the prescribed extension of straight; the knee {seen}. " + STOP


@pytest.mark.parametrize(
    ("knee", "seen", "said", "cautions"),
    [
        pytest.param((-8.0, 2.0), True,
                     PAST_EXTENSION.format(seen="is inside the prescribed flexion (proven)"), (),
                     id="below"),
        pytest.param((-8.0, 2.0), False,
                     PAST_EXTENSION.format(seen="seems inside the prescribed flexion (not proven)"),
                     (), id="below, nothing proven"),
        pytest.param((2.0, 2.0), True, ONE_LIMIT.format(which="extension"), (AT_EXTENSION,),
                     id="across extension"),
        pytest.param((2.0, 2.0), False, ONE_LIMIT.format(which="extension"),
                     (AT_EXTENSION,), id="across extension, nothing proven"),
        pytest.param((41.0, 7.0), True, "display inside · knee inside (proven)", (), id="inside"),
        pytest.param((41.0, 7.0), False, "display inside · knee seems inside (NOT PROVEN)",
                     (SEEMS,), id="inside, nothing proven: 28 to 56 of 0 to 95"),
        pytest.param((93.0, 2.0), True, ONE_LIMIT.format(which="flexion"), (AT_FLEXION,),
                     id="across flexion"),
        pytest.param((93.0, 2.0), False, ONE_LIMIT.format(which="flexion"), (AT_FLEXION,),
                     id="across flexion, nothing proven"),
        pytest.param((45.0, 40.0), True, BOTH_LIMITS, (AT_FLEXION, AT_EXTENSION), id="across both"),
        pytest.param((45.0, 40.0), False, BOTH_LIMITS, (AT_FLEXION, AT_EXTENSION),
                     id="across both, nothing proven"),
        pytest.param((110.0, 3.0), True,
                     PAST_FLEXION.format(seen="is inside the prescribed extension (proven)"), (),
                     id="above"),
        pytest.param((110.0, 3.0), False,
                     PAST_FLEXION.format(seen="seems inside the prescribed extension (not proven)"),
                     (), id="above, nothing proven"),
    ],
)  # fmt: skip
def test_an_interval_and_two_limits_are_told_as_they_lie(knee, seen, said, cautions):
    deg, u = knee
    standings = limit_standings(
        PRESCRIBED, knee_deg=deg, u_deg=u, displayed_deg=45.0, camera_seen=seen
    )
    assert limit_text(standings) == said
    ends = (deg - 1.96 * u, deg + 1.96 * u)
    told = at_limits(Angle(deg, u, ends, {}, ends), PRESCRIBED, camera_seen=seen)
    assert told == cautions
    assert set(told) <= set(limit_cautions(PRESCRIBED))


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        pytest.param(Settings(limit_flexion_deg=95.0), "flexion", id="flexion alone"),
        pytest.param(Settings(limit_extension_deg=0.0), "extension", id="extension alone"),
        pytest.param(PRESCRIBED, "flexion and extension", id="both"),
    ],
)
def test_beneath_a_display_that_is_past_the_knee_is_told_as_it_lies(settings, said):
    """What the page says beneath an alarm."""
    standings = limit_standings(settings, knee_deg=41.0, u_deg=7.0, camera_seen=False)
    assert knee_text(standings) == f"the knee seems inside the prescribed {said} (not proven)"


def test_without_a_prescription_there_is_no_limit_line():
    lines = first_lines(answered(settings=Settings()))
    assert not [one for one in lines if one.startswith("LIMIT")]


def test_an_arc_knows_what_its_ends_share():
    found = answered()
    first, last = found.settings[0].estimate.knee, found.settings[-1].estimate.knee
    assert found.arc.value == pytest.approx(73.0, abs=0.3)
    assert found.arc.u < 0.6 * np.hypot(first.u, last.u)
    assert found.displayed_arc_deg == 73.0


@pytest.mark.parametrize(
    ("shown", "lacks"),
    [
        pytest.param((2.0, 50.0, 85.0), True, id="the machine stands at straight, the knee at 12"),
        pytest.param((12.0, 50.0, 85.0), False, id="the machine stands at 12, so does the knee"),
    ],
)
def test_lacking_extension_is_said_of_the_extension_end_only(shown, lacks):
    found = answered(shown)
    assert (found.lacking is not None) == lacks
    assert ("lacks 12° of extension to straight" in line(first_lines(found), "ARC")) == lacks


def test_near_straight_the_tighter_tolerance_counts():
    tolerances = [one.comparison.tolerance_deg for one in answered().settings]
    assert tolerances == [5.0, 10.0, 10.0]


def test_a_display_that_gains_on_its_bars_is_named_and_never_the_sections():
    found = answered((20.0, 62.0, 100.0), settings=Settings())
    assert found.machine.kind == "calibration"
    assert "the display shows about 1" in line(first_lines(found), "DO")
    assert "° more at" in line(first_lines(found), "DO")
    assert "service manual" in line(first_lines(found), "DO")


@pytest.mark.parametrize(
    ("difference_deg", "u_deg", "said"),
    [
        pytest.param(5.0, 2.0, "Within 10°: yes · within 5°: not proven", id="as most often"),
        pytest.param(2.0, 6.0, "Within 15°: yes · within 10°: not proven", id="not proven, once"),
        pytest.param(15.0, 3.5, "Within 20°: not proven · within 5°: no", id="the widest of each"),
        pytest.param(30.0, 2.0, "Within 20°: no", id="a refusal, once"),
        pytest.param(0.0, 0.5, "Within 5°: yes", id="a yes ends it"),
    ],
)
def test_of_answers_alike_the_widest_says_it_all(difference_deg, u_deg, said):
    assert apart_text(apart(difference_deg, u_deg=u_deg)).endswith(said)


@pytest.mark.parametrize(
    ("allowed", "verdict", "said"),
    [
        pytest.param(5.0, "outside",
                     "Within 20°: not proven · within 10°: no · within 5° (allowed): no",
                     id="not the widest of its kind: told all the same"),
        pytest.param(7.5, "outside",
                     "Within 20°: not proven · within 10°: no · within 7.5° (allowed): no",
                     id="none of the usual widths"),
        pytest.param(30.0, "within", "Within 30° (allowed): yes · within 20°: not proven · "
                     "within 10°: no", id="wider than all"),
    ],
)  # fmt: skip
def test_what_is_allowed_is_among_the_widths_that_are_judged(allowed, verdict, said):
    told = apart_text(apart(17.5, u_deg=3.5), (allowed, verdict))
    assert told.endswith(said)


def test_an_assumed_camera_direction_proves_nothing():
    shots = [replace(shot, plane="image", frame_deg=None) for shot in SHOTS]
    found = answered((12.0, 50.0, 120.0), settings=Settings(), shots=shots)
    assert {one.comparison.verdict for one in found.settings} == {"undecided"}
    assert found.machine is None
    assert "bars were not seen" in line(first_lines(found), "DO")


def test_bars_under_an_assumed_camera_direction_prove_nothing_and_advise_nothing_at_any_door():
    """The JSON and what is kept withhold the advice as the text does."""
    shots = [replace(shot, plane="image", hinge_mm=(10.0, -90.0)) for shot in SHOTS]
    photos = [
        replace(photo, displayed_deg=number)
        for photo, number in zip(visit(Body(), shots), (40.0, 80.0, 120.0), strict=True)
    ]
    found = answer_visit(photos, Settings(), rng=np.random.default_rng(5))
    machine = found.machine
    assert (machine.kind, machine.advice, machine.elsewhere) == ("undecided", None, None)
    judged = (
        machine.display_verdict,
        machine.display_here,
        machine.fit,
        machine.along,
        machine.across,
    )
    assert {one.verdict for one in judged} == {"undecided"}
    assert visit_as_json(found, version="1")["machine"]["advice"] is None


def test_photos_of_both_legs_are_refused_in_words():
    photos = [*visit(Body(), SHOTS[:1]), *visit(Body(side="right"), SHOTS[1:])]
    found = answer_visit(photos, PRESCRIBED, rng=np.random.default_rng(5))
    assert isinstance(found, NotMeasured)
    assert "a visit is of one leg" in found.reason


def test_what_was_left_out_is_said_with_its_reason():
    photos = visit(Body(), SHOTS)
    outcomes = [("gone.jpg", Unreadable("it is no photo"))]
    found = answer_visit(photos, PRESCRIBED, rng=np.random.default_rng(5), outcomes=outcomes)
    assert found.estimate.left_out == (("gone.jpg", "it is no photo"),)
    assert "left out: gone.jpg: it is no photo" in visit_text(found)


def test_the_json_holds_the_joint_covariance_and_repeats():
    row = visit_as_json(answered(), version="1")
    again = visit_as_json(answered(), version="1")
    assert json.dumps(row) == json.dumps(again)
    names, matrix = row["covariance"]["names"], np.array(row["covariance"]["matrix"])
    assert matrix.shape == (len(names), len(names)) == (14, 14)  # and two lengths
    assert [one["setting"] for one in row["settings"]] == ["straight", "middle", "bent"]
    first = row["settings"][0]
    at = names.index("knee straight")
    assert first["knee"]["u"] == pytest.approx(np.sqrt(matrix[at, at]), abs=0.002)
    assert first["apart"]["within_deg"] == dict.fromkeys(("5", "10", "15", "20"), "within")
    assert row["machine"]["finding"] == "none"
    sections, held = row["machine"]["sections"], answered().machine.holding
    for name, figure in (
        ("thigh_section_mm", held.figure("thigh_fault_mm")),
        ("lower_leg_section_mm", held.figure("lower_fault_mm")),
        ("both_sections_mm", held.sections_mm),
        ("with_place_mm", held.sum_mm),
    ):
        assert sections[name]["value"] == pytest.approx(figure.value, abs=0.05)
        assert sections[name]["u"] == pytest.approx(figure.u, abs=0.05)
        assert sections[name]["interval"] == pytest.approx(figure.interval, abs=0.05)
        assert sections[name]["interval"][0] < 0 < sections[name]["interval"][1]


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    path = tmp_path_factory.mktemp("visit") / "table.csv"
    path.write_text("photo,setting,displayed_deg\nseries_b_2.jpg,low,37\nseries_b_5.jpg,high,105\n")
    return path


def test_the_command_answers_for_both_ends_of_a_real_series(table):
    """Truth of these rendered photos: 32.6 and 93.6 degrees, bars 37.0 and 105.1."""
    done = called("visit",
        SAMPLES / "series_b_2.jpg", SAMPLES / "series_b_5.jpg", "--table", table,
        "--limit-flexion", 90, "--format", "json",
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    row = json.loads(done.stdout)
    low, high = row["settings"]
    assert (low["setting"], high["setting"]) == ("low", "high")
    assert low["knee"]["value"] == pytest.approx(32.6, abs=2.5)
    assert high["knee"]["value"] == pytest.approx(93.6, abs=2.5)
    assert row["arc"]["value"] == pytest.approx(61.0, abs=1.5)
    assert row["standing"] == "past", "the display says 105 where 90 is prescribed"


def test_a_photo_that_is_none_is_told_and_the_rest_answered(tmp_path):
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo")
    done = called("visit", SAMPLES / "series_b_2.jpg", broken)
    assert done.returncode == 1
    assert "KNEE    3" in done.stdout
    assert "left out: broken.jpg" in done.stdout
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("args", "message"),
    [
        ((SAMPLES / "bed_01.jpg", SAMPLES / "bed_01.jpg"), "bed_01.jpg came more than once"),
        ((SAMPLES / "bed_01.jpg", "--format", "csv"), "'csv' is not one of 'text', 'json'"),
        ((SAMPLES / "bed_01.jpg", "--tag-mm", 5), "--tag-mm must be between 10 and 500 mm"),
    ],
)
def test_a_wrong_call_is_one_line(args, message):
    done = called("visit", *args)
    assert done.returncode == 2
    assert message in done.stderr
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("what", "marks_on", "dots", "unused", "remedy"),
    [
        ("placement hip", "skin", True, False, "feel for it again, on bare skin;"),
        ("placement hip", "felt-again", True, False, "let a second person feel for it, on bare"),
        ("finding", "skin", False, False, "put dots on them, or photograph closer;"),
        ("finding", "felt-again", True, False, ": photograph closer;"),
        ("finding", "skin", False, True, ": say by hand which dot is which, or photograph with"),
    ],
)
def test_what_would_shrink_a_knee_was_not_done_already(what, marks_on, dots, unused, remedy):
    knee, first = Value(50.0, 2.0, (46.0, 54.0)), Reach(what, 1.0, 0.5)
    assert remedy in sure_text(knee, [first], marks_on=(marks_on,) * 3, dots=dots, unused=unused)


def test_every_input_that_would_shrink_a_knee_has_words_of_its_own():
    """Also those of pictures that were cut or stretched: no name of the code is read."""
    photos = visit(Body(), SHOTS)
    lenses = [replace(one.leg.lens, u_aspect=0.05, u_centre=0.05) for one in photos]
    cut = [
        replace(one, leg=replace(one.leg, lens=lens))
        for one, lens in zip(photos, lenses, strict=True)
    ]
    found = estimate_visit(cut, rng=np.random.default_rng(0))
    assert isinstance(found, VisitEstimate)
    names = [reach.what for reach in found.settings[0].shrink if reach.share > 0.0]
    assert {"middle", "pixel shape"} <= set(names)
    assert [name for name in names if source_words(name) == name] == []


def test_a_dot_of_the_machine_that_lacks_is_named_where_the_bars_are_asked_for():
    """Who stuck six dots on was told to put dots on the bars."""
    shot = visit(Body(), SHOTS[:1])[0]
    points = {n: p for n, p in shot.leg.points.items() if n != "hinge"}
    leg = replace(shot.leg, points=points)
    found = replace(made_measurement(), leg=leg, landmarks=Landmarks(points), machine=None)
    answer = answer_visit(
        [replace(shot, leg=leg)],
        PRESCRIBED,
        rng=np.random.default_rng(1),
        outcomes=[(shot.name, found)],
    )
    assert "place the hinge by hand, or photograph so that every dot is seen whole" in line(
        first_lines(answer), "DO"
    )


def test_an_interval_that_begins_below_zero_has_a_true_minus():
    (told,) = _slack_words(Figure(4.0, 2.3, (-0.6, 8.4)), 0.6, where="At this setting")
    assert "(\u22121 to 8°, not proven)" in told
