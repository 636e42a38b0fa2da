"""A machine judged from a visit: suspension, faults, slack, place, display, advice.

Visits come from a world with physics of its own (bench/visit_world.py); what it shares with
the package are the words. Seeds are fixed.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from bench.bench_machine_visit import judge_one
from bench.other_machine import seen as seen_there
from bench.visit_world import Errors, World, estimate_of

from knee_angle.errors import InvalidInput
from knee_angle.machine.adjust import advise, grid_of
from knee_angle.machine.display import fit_display
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.from_visit import evidence_of
from knee_angle.machine.holding import Figure, fit_holding
from knee_angle.machine.judge import P_MOVED, SEEMS, SLACK_DEG, judge_machine

RANGE = (15.0, 110.0)
FOUR = np.array([20.0, 50.0, 80.0, 105.0])
CLEAR = Errors((2.0, 1.0, 1.0), 0.3, 0.2, 0.2, 0.002, 0.5, 1.0)
"""Marks exactly placed, so that a test sees the model and not its luck."""


def visit(world, bars=FOUR, *, errors=CLEAR, seed=1):
    return estimate_of(world, np.asarray(bars), errors, np.random.default_rng(seed))


def judged(world, bars=FOUR, *, errors=CLEAR, seed=1):
    return _judged(world, tuple(bars), errors, seed)


@functools.cache
def _judged(world, bars, errors, seed):
    """Several tests look at the same visit."""
    return judge_machine(visit(world, bars, errors=errors, seed=seed), range_deg=RANGE)


judged_once = functools.cache(judge_one)


def least_held(count):
    """The share of 95 % intervals that hold, less three binomial deviations of so many."""
    return 0.95 - 3.0 * np.sqrt(0.95 * 0.05 / count)


@pytest.mark.parametrize(
    ("world", "name"),
    [
        pytest.param(World(thigh_fault=-25), "seated", id="seated, thigh section too short"),
        pytest.param(World(lower_fault=30), "seated", id="seated, lower-leg section too long"),
        pytest.param(World(seated=False, thigh_fault=30), "sliding", id="sliding, hinge distal"),
        pytest.param(World(seated=False, height=-40), "sliding", id="sliding, hinge behind"),
    ],
)
def test_the_data_decide_which_suspension_holds_the_leg(world, name):
    holding = fit_holding(visit(world))
    assert (holding.seated_weight if name == "seated" else 1 - holding.seated_weight) > 0.9


def test_a_knee_half_way_between_chain_and_bars_is_foretold_near_extension():
    """Long sections, pelvis of another physics: of such visits, 45 % held at 20 degrees."""
    world = World(thigh_fault=25, lower_fault=25, pelvis="blend", give=0.5)
    off = world.knee(20.0)[0] - 20.0
    for seed in range(4):
        holding = fit_holding(visit(world, np.linspace(20, 105, 6), errors=Errors(), seed=seed))
        low, high = holding.knee_minus_bars(20.0).interval
        assert low < off < high
    clear = fit_holding(visit(world, np.linspace(20, 105, 6)))
    assert (clear.suspensions[0].name, clear.suspensions[0].give) == ("between", 0.5)


def test_without_a_fault_the_suspension_stays_a_doubt():
    weights = [one.weight for one in fit_holding(visit(World())).suspensions]
    assert max(weights) < 0.9
    assert sum(weights) == pytest.approx(1.0)


@pytest.mark.parametrize("give", [0.0, 0.5])
def test_the_hinge_splits_the_sections_that_knee_and_bars_only_sum(give):
    world = World(thigh_fault=25, lower_fault=-20, give=give)
    seen = visit(world)
    blind = SettingsOfMachine(
        *_without(seen, {"distal", "anterior"}), seen.displayed_deg, seen.step_deg
    )
    for name, true in (("thigh_fault_mm", 25.0), ("lower_fault_mm", -20.0)):
        with_hinge, without = fit_holding(seen).figure(name), fit_holding(blind).figure(name)
        assert with_hinge.interval[0] < true < with_hinge.interval[1]
        assert without.u > 2 * with_hinge.u


def _without(seen, quantities):
    keep = [i for i, (quantity, _) in enumerate(seen.entries) if quantity not in quantities]
    return tuple(seen.entries[i] for i in keep), seen.mean[keep], seen.cov[np.ix_(keep, keep)]


def test_a_leg_pulled_straight_by_long_sections_is_still_a_chain():
    """Both sections 26 too long lock the leg straight up to 40 degrees of the bars."""
    world = World(thigh_fault=26, lower_fault=26)
    assert world.knee(np.array([21.0]))[0] == pytest.approx(0.0, abs=0.01)
    holding = fit_holding(visit(world, [21.0, 45.0, 83.0, 107.0]))
    assert holding.suspensions[0].name == "chain"
    for name in ("thigh_fault_mm", "lower_fault_mm"):
        low, high = holding.figure(name).interval
        assert low < 26 < high


def test_a_place_that_was_seen_is_told_from_the_thigh_section():
    world = World(place=25.0)
    seen = visit(world)
    m = len(seen.mean)
    cov = np.zeros((m + 1, m + 1))
    cov[:m, :m], cov[m, m] = seen.cov, 9.0
    told = SettingsOfMachine(
        (*seen.entries, ("place", None)),
        np.append(seen.mean, 25.0),
        cov,
        seen.displayed_deg,
        seen.step_deg,
    )
    alone, both = fit_holding(seen), fit_holding(told)
    assert both.figure("place_mm").u < 5 < alone.figure("place_mm").u
    assert abs(both.figure("thigh_fault_mm").value) < 8
    (first, *_) = advise(both, range_deg=RANGE).steps
    assert (first.part, first.mm < 0) == ("place", True)


def test_a_fault_that_hides_at_end_range_is_told_for_the_other_end():
    """Lower-leg section 30 too short: within 5 degrees from 85 up, far apart at 15."""
    world = World(lower_fault=-30)
    found = judged(world, [85.0, 108.0], errors=Errors())
    assert abs(world.knee(np.array([85.0]))[0] - 85) < 5
    assert found.elsewhere is not None
    assert found.elsewhere.bars_deg == 15.0
    low, high = found.elsewhere.knee_minus_bars_deg.interval
    assert low < world.knee(np.array([15.0]))[0] - 15 < high
    assert high > 10
    assert any("photograph there too" in words for words in found.words)


def test_the_intervals_hold_over_faults_pelvis_and_settings():
    """A small run of bench/bench_machine_visit.py; 95 % less three binomial deviations."""
    rng, held = np.random.default_rng(5), {"thigh": [], "lower": [], "knee - bars": []}
    for i in range(24):
        pelvis, give = (("share", 0.0), ("share", 0.5), ("springs", 0.4), ("blend", 0.5))[i % 4]
        thigh, lower = rng.normal(0, 25, 2)
        world = World(thigh_fault=thigh, lower_fault=lower, pelvis=pelvis, give=give)
        bars = np.linspace(20, 105, (2, 3, 4)[i % 3])
        holding = fit_holding(estimate_of(world, bars, Errors(), rng), draws=600)
        for name, figure, true in (
            ("thigh", holding.figure("thigh_fault_mm"), thigh),
            ("lower", holding.figure("lower_fault_mm"), lower),
            ("knee - bars", holding.knee_minus_bars(60.0), world.knee(np.array([60.0]))[0] - 60),
        ):
            held[name].append(figure.interval[0] <= true <= figure.interval[1])
    least = least_held(24)
    assert {name: np.mean(one) for name, one in held.items() if np.mean(one) < least} == {}


@pytest.mark.parametrize("moved", [0, 1, 3])
def test_a_mark_that_was_moved_about_its_neighbour_is_told_by_its_setting(moved):
    """The hip's mark 45 mm across the thigh in one photo: every length stays as it was."""
    seen = visit(World(lower_fault=-20), errors=Errors())
    mean = seen.mean.copy()
    mean[moved] += np.degrees(45.0 / 420.0)  # the first entries are the knees
    found = judge_machine(replace(seen, mean=mean), range_deg=RANGE)
    assert found.words[0].startswith(f"At bars of about {seen.mean[4 + moved]:.0f}°, knee")
    assert found.advice is None


def test_where_leaving_out_no_setting_makes_the_rest_fit_none_is_named():
    """Two of five moved: the best of the rest is as bad as the whole, and so is its name."""
    seen = visit(World(lower_fault=-20), [20, 40, 60, 80, 105], errors=Errors())
    mean = seen.mean.copy()
    mean[0] += np.degrees(45.0 / 420.0)
    mean[3] -= np.degrees(45.0 / 420.0)
    found = judge_machine(replace(seen, mean=mean), range_deg=RANGE)
    assert found.holding.p_value < P_MOVED
    assert not any(sentence.startswith("At bars of about") for sentence in found.words)
    assert found.words[0].startswith("No leg in a machine moves as these settings do together")
    assert len(set(found.words)) == len(found.words)
    assert found.advice is None


@pytest.mark.parametrize(
    "world", [World(), World(thigh_fault=30, give=0.5), World(slack=6)], ids=str
)
def test_marks_that_stayed_are_not_said_to_have_moved(world):
    for seed in range(4):
        words = judged(world, errors=Errors(), seed=seed).words
        assert not any("was moved" in sentence for sentence in words)


def test_a_hinge_45_mm_behind_is_said():
    found = judged(World(seated=False, height=-45), errors=Errors())
    assert found.kind == "fit"
    assert found.across.verdict == "outside"
    assert "behind the knee" in found.words[0]  # what is proven, before what display may differ


def test_slack_of_6_degrees_is_said_in_most_visits_and_none_is_not():
    """Marks off by 10/5/5 mm are 2 degrees of knee in all settings alike: some must miss it."""

    def said(slack, seed):
        holding = fit_holding(visit(World(slack=slack), errors=Errors(), seed=seed), draws=800)
        return (holding.draws[:, 3] > SLACK_DEG).mean() >= SEEMS

    assert sum(said(6, seed) for seed in range(12)) >= 9
    assert sum(said(0, seed) for seed in range(12)) == 0


def test_slack_is_proven_where_the_marks_are_exact():
    found = judged(World(slack=6))
    assert found.p_slack >= 0.95
    assert found.slack_deg.interval[0] < 6 < found.slack_deg.interval[1]
    assert any(words.startswith("At every setting the leg is") for words in found.words)


def test_slack_of_a_single_setting_is_not_said_of_every_one():
    words = " ".join(judged(World(slack=8), [85.0]).words)
    assert "At this setting the leg" in words
    assert "every setting" not in words


def test_a_wrong_display_is_found_beside_a_right_fit():
    found = judged(World(offset=9.0))
    assert (found.kind, found.display_verdict.verdict) == ("calibration", "outside")
    assert found.words[0].startswith("Display and bars differ: the display shows about 9° more")
    assert "service manual" in found.words[0]


def test_each_record_of_the_display_is_of_one_range():
    """Photographed at 60 to 80 only: the record over 15 to 110 holds nothing of those alone."""
    found = judged(World(offset=9.0), [60.0, 70.0, 80.0], errors=Errors())
    over, here = found.display_verdict, found.display_here
    assert (over.verdict, here.verdict) == ("outside", "outside")
    grid = np.linspace(*RANGE, 25)
    drawn = found.display.error_deg(grid)
    worst = int(np.argmax(np.abs(drawn.mean(axis=0))))
    assert (over.largest_deg, over.at_deg) == (drawn.mean(axis=0)[worst], grid[worst])
    assert over.p_within == np.mean(np.abs(drawn).max(axis=1) <= 5)
    assert 55 < here.range_deg[0] <= here.at_deg <= here.range_deg[1] < 85
    assert f"{here.largest_deg:.0f}° more at {here.at_deg:.0f}°" in found.words[0]


def test_a_machine_that_suits_the_leg_has_nothing_to_set():
    found = judged(World())
    assert found.kind == "none"
    assert (found.advice.steps, found.advice.checks) == ((), ())


@pytest.mark.parametrize("number", [33, 65, 71])
def test_a_patient_out_of_place_is_not_told_as_a_thigh_section_in_mm(number):
    """Only the place is off, by 10, 22 and 19 mm: the hinge along the thigh shows no more."""
    here, off, _, found, rng = seen_there(number)
    assert off[:2] == (0, 0)
    evidence = evidence_of(found, step_deg=here.step)
    advice = judge_machine(evidence, range_deg=RANGE, rng=rng).advice
    assert "thigh" not in {step.part for step in advice.steps}


def test_the_lower_leg_section_45_short_is_named_and_no_height():
    """It used to be told as: set the hinge higher, take padding away."""
    advice = judged(World(lower_fault=-45), errors=Errors()).advice
    (step,) = advice.steps
    assert step.part == "lower"
    assert step.mm == pytest.approx(45, abs=15)
    assert "lower-leg section with its foot plate" in advice.text
    assert "padding" not in advice.text


def test_opposite_faults_are_set_with_the_lengthening_first():
    advice = judged(World(thigh_fault=45, lower_fault=-45)).advice
    assert [step.part for step in advice.steps] == ["lower", "thigh"]
    assert advice.steps[0].mm > 0 > advice.steps[1].mm


def test_without_the_hinge_there_are_checks_in_the_trades_order_and_no_millimetres():
    seen = visit(World(lower_fault=-45))
    blind = SettingsOfMachine(
        *_without(seen, {"distal", "anterior"}), seen.displayed_deg, seen.step_deg
    )
    advice = judge_machine(blind, range_deg=RANGE).advice
    assert (advice.steps, advice.checks) == ((), ("place", "lower", "thigh"))
    places = [advice.text.index(w) for w in ("hip at", "lower-leg section", "thigh section")]
    assert places == sorted(places)


WORLDS = [
    World(thigh_fault=30),
    World(thigh_fault=30, give=0.5),
    World(lower_fault=30),
    World(lower_fault=-45),
    World(thigh_fault=45, lower_fault=-45),
    World(thigh_fault=-45, lower_fault=45),
    World(place=-20, thigh_fault=30),
    World(thigh_fault=25, lower_fault=25, pelvis="springs", give=0.4),
    World(seated=False, thigh_fault=30),
    World(thigh_fault=40, offset=-4.0),
]


@pytest.mark.parametrize("world", WORLDS, ids=str)
def test_no_beginning_of_the_advice_brings_the_knee_past_the_display(world):
    """More than 2 degrees, anywhere in the range, where the knee bends more than before."""
    grid = grid_of(RANGE)
    for seed in (1, 2):
        found = judged(world, errors=Errors(), seed=seed)
        before, now = world.knee(grid) - world.display(grid), world
        for step in found.advice.steps:
            now = now.changed({step.part: step.mm})
            after = now.knee(grid) - now.display(grid)
            worse = after > before + 0.01
            assert not np.any(after[worse] > 2.0), (step, np.max(after[worse]))


def test_a_display_that_reads_too_little_forbids_what_bends_the_knee_more():
    """Thigh 40 too long: the knee lags by about 6 and a display 8 low hides it."""
    world = World(thigh_fault=40, offset=-8.0)
    for seed in range(3):
        steps = judged(world, errors=Errors(), seed=seed).advice.steps
        assert all(step.mm > 0 for step in steps)


@pytest.mark.parametrize("number", [39, 150, 166, 211, 309, 318])
def test_advice_obeyed_twice_never_brings_the_knee_past_the_display(number):
    """Of 400 simulated visits these did, by 2.1 to 3.5 degrees and all by tape.

    Most of them have a display that reads less than the bars: put right by tape, the leg comes
    to bend as the bars do, and that is further than is shown. Each is told what to do first,
    and what to check or set or that nothing is to be set.
    """
    row = judged_once(number, seed=1)
    told = [said.partition(": ")[2] for said in row["said"] if said.startswith("advice 1")]
    assert told[0] in {"photos first", "display first", "display first, then checks"}
    assert told[-1] in {"checks", "display first, then checks", "mm", "nothing"}
    assert len(row["past"]) >= len([one for one in told if one != "nothing"])
    for turn, kind, past_deg in row["past"]:
        assert past_deg <= 2.0, f"advice {turn}, {kind}"


def test_of_those_visits_some_are_obeyed_by_tape():
    """Else the test above says nothing of checks."""
    rows = [judged_once(number, seed=1) for number in (309, 318)]
    kinds = [kind for row in rows for turn, kind, _ in row["past"] if turn]
    assert kinds.count("checks") >= 2


@pytest.mark.parametrize("number", [1625, 2444, 2868])
def test_a_display_that_reads_high_gives_no_room_where_nobody_photographed(number):
    """One photo near the flexion end each: 3.0 to 4.0 degrees past near straight before."""
    row = judged_once(number, seed=1)
    assert [turn for turn, _, _ in row["past"] if turn]
    assert max(past_deg for _, _, past_deg in row["past"]) <= 2.0


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(629, id="a lower-leg section shortened in mm: 3.0 degrees at 15"),
        pytest.param(1698, id="the same where a display in steps of 5 tells little: 2.2 at 15"),
        pytest.param(1328, id="by tape, a display that reads 3 low: 2.7 at 15"),
        pytest.param(1494, id="by tape, a display that reads 3 low at 110: 2.6 there"),
        pytest.param(1900, id="by tape, thigh section 7 mm long: 2.1 at 15"),
        pytest.param(-518, id="by tape, a display that read 4 low near straight: 3.6 at 15"),
        pytest.param(11711, id="by tape, after a display was put right: 2.8 at 15"),
        pytest.param(12404, id="a display put right that read high elsewhere: 5.2 at 90"),
        pytest.param(11560, id="the same where no check was safe: 2.5"),
        pytest.param(-48, id="by tape with a lowered limit, near straight: 2.07"),
        pytest.param(-263, id="by tape, three errors of the tape one way: 2.6 at 15"),
    ],
)
def test_advice_that_is_nearly_as_risky_as_is_allowed_is_not_given(number):
    """Of 7,360 simulated visits these came past by more than 2 degrees.

    Each had used up what was allowed: 0.9 % of the draws for mm, 1.8 to 2.5 % by tape; or had a
    display that likely read low.
    """
    row = judged_once(abs(number), seed=1 if number > 0 else {-518: 5, -48: 7, -263: 8}[number])
    assert [turn for turn, _, _ in row["past"] if turn]
    assert max(past_deg for _, _, past_deg in row["past"]) <= 2.0


LOW = [World(place=25, offset=-6.0), World(place=25, gain=0.95)]


def test_of_one_setting_alone_the_bound_is_said_at_it():
    seen = visit(World(), [60.0], errors=Errors())
    at = seen.mean[seen.entries.index(("bars", 0))]
    words = judge_machine(seen, range_deg=(at - 0.5, at + 0.5)).words
    (told,) = [word for word in words if word.startswith("Display and bars differ by at most")]
    assert told.endswith(f"° at {at:.0f}° (95 %).")


def test_where_nothing_is_safe_the_display_goes_first_and_the_limit_is_lowered():
    advice = judged(World(place=25, offset=-6.0), errors=Errors()).advice
    assert (advice.steps, advice.checks, advice.first) == ((), (), "display")
    assert 5 <= advice.lower_limit_deg <= 12
    assert f"flexion limit {advice.lower_limit_deg}° lower than prescribed" in advice.text
    assert "likely to read less than the bars" in advice.text


@pytest.mark.parametrize(
    ("world", "lower", "less_extension"),
    [
        pytest.param(World(offset=-8.0), (8, 12), (0, 0), id="8 less everywhere"),
        pytest.param(World(gain=0.9), (11, 15), (0, 0), id="11 less at the flexion end"),
        pytest.param(World(offset=8.0), (0, 0), (8, 11), id="8 more everywhere"),
        pytest.param(World(gain=1.1), (0, 0), (0, 0), id="more, but hardly near straight"),
        pytest.param(World(), (0, 0), (0, 0), id="right"),
        pytest.param(
            World(lower_fault=-30, offset=-8.0), (8, 15), (0, 0), id="and a section too short"
        ),
        pytest.param(World(thigh_fault=30, offset=8.0), (0, 0), (8, 11), id="and one too long"),
    ],
)
def test_a_display_proven_wrong_has_the_limit_set_closer_where_the_knee_goes_further(
    world, lower, less_extension
):
    """Till it is put right; a leg that suits its machine was told "nothing to set"."""
    advice = judged(world, errors=Errors()).advice
    assert lower[0] <= advice.lower_limit_deg <= lower[1]
    assert less_extension[0] <= advice.less_extension_deg <= less_extension[1]
    for by, way in (
        (advice.lower_limit_deg, "flexion limit {}° lower than prescribed"),
        (advice.less_extension_deg, "extension limit {}° further from straight than prescribed"),
    ):
        assert (way.format(by) in advice.text) == (by > 0)
    limited = advice.lower_limit_deg + advice.less_extension_deg > 0
    assert not (limited and "nothing to set" in advice.text)


def test_a_display_that_is_not_known_not_to_read_low_is_photographed_first():
    """One setting: by tape the leg could come past what is shown."""
    advice = judged(World(thigh_fault=30, offset=-1.0), [85.0], errors=Errors()).advice
    assert (advice.steps, advice.checks, advice.first) == ((), (), "photos")
    assert advice.lower_limit_deg == 0
    assert "Photograph more settings" in advice.text


def test_checks_that_are_less_sure_have_the_display_put_right_with_them():
    advice = judged(World(lower_fault=25, give=0.5), errors=Errors()).advice
    assert (advice.checks, advice.first) == (("place", "lower", "thigh"), "display")
    assert advice.risk <= 0.0025
    assert 1 <= advice.lower_limit_deg <= 5
    assert f"limit {advice.lower_limit_deg}° lower than prescribed" in advice.text
    assert f"{advice.longer_mm} mm longer than the leg" in advice.text


def test_no_text_ever_advises_more_motion():
    texts = " ".join(
        word for world in (*WORLDS, *LOW) for word in judged(world, errors=Errors()).words
    ).lower()
    assert "machine stopped" in texts
    for phrase in (
        "increase",
        "turn up",
        "more bend",
        "raise the limit",
        "further flexion",
        "limit higher",
    ):
        assert phrase not in texts


def test_the_same_visit_gives_the_same_answer():
    one, two = (judge_machine(visit(World(thigh_fault=20)), range_deg=RANGE) for _ in range(2))
    assert one.words == two.words
    assert np.array_equal(one.holding.draws, two.holding.draws)


@pytest.mark.parametrize(
    ("step", "bars"),
    [
        pytest.param(1.0, [10, 40, 70, 100], id="steps of 1"),
        pytest.param(5.0, [10, 40, 70, 100], id="steps of 5, settings whole steps apart"),
        pytest.param(5.0, [12, 41, 77, 103], id="steps of 5, settings anywhere"),
    ],
)
def test_the_displays_intervals_hold_where_a_step_rounds_it(step, bars):
    """A small run of bench/bench_display.py."""
    rng = np.random.default_rng(4)
    bars = np.array(bars, dtype=float)
    held, inside = [], []
    for _ in range(40):
        world = World(offset=rng.normal(0, 3), gain=rng.normal(1, 0.03), step=step)
        curve = fit_display(_bars_alone(world, bars, rng), rng=rng)
        held.append(curve.holds(offset_deg=world.offset, gain=world.gain))
        low, high = curve.error_at(70.0).interval
        inside.append(low <= world.display(70.0) - 70.0 <= high)
    assert np.mean(held) >= least_held(40)
    assert np.mean(inside) >= least_held(40)


def _bars_alone(world, bars, rng, *, own=0.5, shared=0.8):
    n = len(bars)
    cov = own**2 * np.eye(n) + shared**2
    mean = bars + np.linalg.cholesky(cov) @ rng.standard_normal(n)
    shown = tuple(float(d) for d in world.shown(bars))
    return SettingsOfMachine(tuple(("bars", j) for j in range(n)), mean, cov, shown, world.step)


def test_readings_whole_steps_apart_do_not_average_their_rounding_away():
    """Twelve readings in steps of 5, all rounded alike: the offset stays unknown by the step."""
    world = World(offset=2.0, step=5.0)
    bars = np.linspace(5, 115, 12).round(-1)
    curve = fit_display(_bars_alone(world, bars, np.random.default_rng(1), own=0.2, shared=0.2))
    assert np.all(world.shown(bars) == bars)  # nothing is to be seen of the offset
    low, high = curve.error_at(60.0).interval
    assert low < -1.5
    assert high > 1.5


def test_a_fine_step_is_generalised_least_squares():
    world = World(offset=2.0, gain=1.03, step=0.01)
    seen = _bars_alone(world, np.linspace(5, 115, 9), np.random.default_rng(2))
    curve = fit_display(seen)
    x = np.column_stack([np.ones(9), seen.mean, (seen.mean - 5) * (115 - seen.mean)])
    weights = np.linalg.inv(x.T @ np.linalg.solve(seen.cov, x))
    best = weights @ (x.T @ np.linalg.solve(seen.cov, np.array(seen.displayed_deg)))
    at = np.array([1.0, 60.0, 55.0 * 55.0])
    assert curve.error_at(60.0).value == pytest.approx(at @ best - 60.0, abs=0.1)
    assert curve.error_at(60.0).u == pytest.approx(np.sqrt(at @ weights @ at), rel=0.1)


def test_a_right_display_is_seldom_called_wrong():
    rng = np.random.default_rng(9)
    wrong = 0
    for _ in range(60):
        world = World(offset=4.0, gain=1.0, step=float(rng.choice([1, 2, 5])))
        curve = fit_display(_bars_alone(world, FOUR, rng), rng=rng)
        wrong += curve.judged(range_deg=RANGE, tolerance_deg=5.0).verdict == "outside"
    assert wrong <= 5  # 5 % of 60 and a half


@pytest.mark.parametrize("step", [1.0, 5.0])
def test_the_knee_behind_a_displayed_number_is_held(step):
    """A line from display to knee held it in 52 to 85 %; near extension it is no line at all."""
    held = []
    for seed in range(8):
        world = World(lower_fault=-20, offset=3.0, gain=1.03, step=step)
        found = judged(world, errors=Errors(), seed=seed)
        rows = found.knee_table([25.0, 60.0, 90.0])
        for row in rows:
            true = world.knee(np.array([(row.displayed_deg - 3.0) / 1.03]))[0]
            held.append(row.knee_deg.interval[0] <= true <= row.knee_deg.interval[1])
        assert [row.extrapolated for row in rows] == [False, False, False]
    assert np.mean(held) >= least_held(24)


def test_the_bars_behind_a_number_give_that_number_back():
    curve = fit_display(_bars_alone(World(offset=2.0), FOUR, np.random.default_rng(1)))
    bars = curve.bars_behind(np.array([30.0, 90.0]), np.random.default_rng(2))
    for k, shown in enumerate((30.0, 90.0)):
        again = bars[:5, k] + np.array(
            [curve.error_deg(b)[i, 0] for i, b in enumerate(bars[:5, k : k + 1])]
        )
        assert again == pytest.approx(shown, abs=0.5 + 1e-6)


def test_bars_without_a_leg_are_a_check_of_the_display_alone():
    rng = np.random.default_rng(3)
    seen = _bars_alone(World(offset=9.0), FOUR, rng)
    found = judge_machine(seen, range_deg=RANGE)
    assert (found.kind, found.holding, found.advice) == ("calibration", None, None)


def good(**changed):
    told = {
        "entries": (("knee", 0), ("bars", 0)),
        "mean": np.array([40.0, 42.0]),
        "cov": np.eye(2),
        "displayed_deg": (45.0,),
        "step_deg": 1.0,
    }
    return SettingsOfMachine(**{**told, **changed})


@pytest.mark.parametrize(
    ("call", "rule"),
    [
        pytest.param(lambda: good(mean=np.zeros(3)), "must have shapes", id="lengths differ"),
        pytest.param(
            lambda: good(entries=(("knee", 0), ("knee", 0))), "each quantity", id="twice the same"
        ),
        pytest.param(
            lambda: good(entries=(("knee", 0), ("bars", 4))),
            "setting below 1",
            id="no such setting",
        ),
        pytest.param(
            lambda: good(entries=(("knee", 0), ("thigh", 0))), "or None", id="thigh of a setting"
        ),
        pytest.param(
            lambda: good(cov=np.array([[1.0, 2.0], [2.0, 1.0]])), "definite", id="no covariance"
        ),
        pytest.param(lambda: good(step_deg=0.0), "step_deg must", id="no step"),
        pytest.param(
            lambda: fit_holding(good(entries=(("knee", 0), ("distal", 0)))),
            "bars in view",
            id="no bars",
        ),
        pytest.param(
            lambda: judge_machine(good(displayed_deg=(None,)), range_deg=(10.0, 90.0)).knee_table(
                [50.0]
            ),
            "displayed number",
            id="a table without numbers",
        ),
        pytest.param(
            lambda: judge_machine(good(), range_deg=(90.0, 10.0)), "must rise", id="empty range"
        ),
        pytest.param(
            lambda: advise(
                fit_holding(good()), range_deg=RANGE, display_minus_bars_deg=np.zeros((5, 3))
            ),
            "20 columns",
            id="another grid",
        ),
    ],
)
def test_what_cannot_be_judged_is_refused(call, rule):
    with pytest.raises(InvalidInput, match=rule):
        call()


def test_a_single_setting_still_answers():
    found = judge_machine(good(), range_deg=RANGE)
    assert found.kind == "undecided"
    assert isinstance(found.slack_deg, Figure)
    assert replace(found.advice).checks in ((), ("place", "lower", "thigh"))
