"""What keeps advice safe, each rule by itself: tried before it is said, never past the display.

The models are replaced by plain numbers here; `test_machine_judge` and `test_sample_visits`
try the whole of it on drawn machines.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from knee_angle.errors import InvalidInput
from knee_angle.machine import adjust
from knee_angle.machine.adjust import Adjustment, Advice, advise, grid_of
from knee_angle.machine.advice import Shows
from knee_angle.machine.holding import Figure, Holding

GRID = np.array([10.0, 60.0, 110.0])
LEG_MM = (420.0, 400.0)
NOTHING = Figure(0.0, 0.0, (0.0, 0.0))


def held(
    n: int = 100, *, model: str = "chain", weight: float = 1.0, hinge_seen: bool = True, **faults
) -> Holding:
    """Draws that are what is said: ``thigh``, ``lower``, ``place`` mm, each a number or (n,)."""
    draws = np.zeros((n, 8))
    for column, name in enumerate(("thigh", "lower", "place")):
        draws[:, column] = faults.get(name, 0.0)
    draws[:, 4] = faults.get("anterior", 0.0)
    draws[:, 6:] = LEG_MM
    return Holding(
        suspensions=(
            SimpleNamespace(name="chain", weight=weight),
            SimpleNamespace(name="sliding", weight=1.0 - weight),
        ),
        draws=draws,
        give=np.zeros(n),
        model=np.full(n, model),
        bars_deg=(10.0, 110.0),
        hinge_seen=hinge_seen,
    )


def tried(before, holding: Holding | None = None) -> adjust._Tried:
    """Knee minus display before anything is set, (n, g); the display shows the bars."""
    before = np.array(before, dtype=float)
    return adjust._Tried(
        holding or held(len(before)), GRID, np.tile(GRID, (len(before), 1)), before
    )


@pytest.fixture
def bends(monkeypatch):
    """A machine whose knee bends by so many degrees for each mm that a part is longer."""

    def set_to(before, **degrees_a_mm):
        def knee(_holding, bars, changes):
            turned = sum(degrees_a_mm.get(part, 0.0) * np.c_[mm] for part, mm in changes.items())
            return bars + np.array(before, dtype=float) + turned

        monkeypatch.setattr(adjust, "_knee", knee)

    return set_to


@pytest.mark.parametrize(
    ("range_deg", "grid"),
    [
        pytest.param((10.0, 20.0), [10.0, 15.0, 20.0], id="steps of 5 with both ends"),
        pytest.param((10.0, 21.0), [10.0, 13.667, 17.333, 21.0], id="never wider than 5"),
        pytest.param((10.0, 12.0), [10.0, 12.0], id="a short range: its ends"),
    ],
)
def test_a_range_is_tried_at_least_every_5_degrees(range_deg, grid):
    assert grid_of(range_deg) == pytest.approx(grid, abs=1e-3)


@pytest.mark.parametrize("range_deg", [(20.0, 20.0), (30.0, 20.0)])
def test_a_range_that_does_not_rise_is_refused(range_deg):
    with pytest.raises(InvalidInput, match="must rise"):
        grid_of(range_deg)


def test_the_displays_error_is_added_to_the_bars_draw_by_draw():
    assert adjust._shown(None, 2, GRID).tolist() == [GRID.tolist()] * 2
    error = np.array([[1.0, 2.0, 3.0], [-1.0, -2.0, -3.0]])
    assert adjust._shown(error, 2, GRID) == pytest.approx(GRID + error)
    assert adjust._shown(error, 3, GRID)[2] == pytest.approx(GRID + error[0])


@pytest.mark.parametrize("shape", [(4, 2), (4, 4), (3,)])
def test_draws_of_the_display_on_another_grid_are_refused(shape):
    with pytest.raises(InvalidInput, match="must have 3 columns"):
        adjust._shown(np.zeros(shape), 4, GRID)


def test_a_hinge_15_mm_away_is_near_in_any_direction_and_one_farther_is_not():
    distal = np.array([[15.0], [0.0], [9.0], [15.1], [-15.0], [11.0]])
    anterior = np.array([[0.0], [15.0], [12.0], [0.0], [0.0], [11.0]])
    assert adjust._arrives(distal, anterior) == pytest.approx(4 / 6)
    assert adjust._arrives(np.array([[10.0, 20.0]]), np.zeros((1, 2))) == 1.0


@pytest.mark.parametrize(
    ("wanted", "margin_mm", "steps"),
    [
        pytest.param({"thigh": -10.0, "lower": 12.0}, 0.0, [("lower", 12), ("thigh", -10)],
                     id="what bends the knee less comes first"),
        pytest.param({"thigh": -10.2, "lower": 12.0}, 5.0, [("lower", 15), ("thigh", -7)],
                     id="the margin is shared, and rounded to the longer side"),
        pytest.param({"thigh": -10.0, "place": 0.0}, 0.0, [("thigh", -10)],
                     id="a part that stays is no step"),
        pytest.param({"thigh": 9.2}, 0.0, [("thigh", 10)], id="a part of a mm is a longer mm"),
    ],
)  # fmt: skip
def test_the_steps_of_a_plan(wanted, margin_mm, steps):
    assert [(one.part, one.mm) for one in adjust._steps(wanted, margin_mm)] == steps


@pytest.mark.parametrize(
    ("step", "words"),
    [
        (Adjustment("lower", 12), "lower-leg section with its foot plate 12 mm longer"),
        (Adjustment("thigh", 1), "thigh section 1 mm longer"),
        (Adjustment("thigh", -9), "thigh section 9 mm shorter"),
        (Adjustment("place", 20), "patient 20 mm further up the bed, away from the foot plate"),
        (Adjustment("place", -20), "patient 20 mm further down the bed, towards the foot plate"),
    ],
    ids=lambda one: one if isinstance(one, str) else "",
)
def test_a_step_in_words(step, words):
    assert step.words == words


# ------------------------------------------------------------------ past the display


@pytest.mark.parametrize(
    ("after", "risk"),
    [
        pytest.param([[0.0, 0.0, 2.1]], 1.0, id="more than 2 degrees past, at one place"),
        pytest.param([[2.0, 2.0, 2.0]], 0.0, id="2 degrees past are allowed"),
        pytest.param([[-9.0, 0.0, 0.0]], 0.0, id="short of the display"),
        pytest.param([[2.1, 0, 0], [0, 0, 0], [0, 0, 0], [0, 0, 3]], 0.5, id="half of the draws"),
    ],
)
def test_the_risk_is_the_share_of_draws_that_come_past_the_display(bends, after, risk):
    bends(after)
    held_now = tried(np.zeros_like(after))
    assert held_now.risk((Adjustment("thigh", 10),)) == risk


def test_a_knee_that_is_past_already_and_comes_nearer_was_not_brought_there(bends):
    bends([[0.0, 0.0, 5.0]], thigh=-0.1)
    assert tried([[0.0, 0.0, 5.0]]).risk((Adjustment("thigh", 10),)) == 0.0
    bends([[0.0, 0.0, 5.0]])
    assert tried([[0.0, 0.0, 5.0]]).risk((Adjustment("thigh", 10),)) == 0.0
    bends([[0.0, 0.0, 5.0]], thigh=-0.1)
    assert tried([[0.0, 0.0, 3.9]]).risk((Adjustment("thigh", 10),)) == 1.0


def test_every_beginning_of_the_steps_counts(bends):
    """The first alone brings it past, both together do not; then the same the other way."""
    bends([[0.0, 0.0, 0.0]], thigh=0.3, lower=0.3)
    there_and_back = (Adjustment("thigh", 10), Adjustment("lower", -10))
    assert tried([[0.0, 0.0, 0.0]]).risk(there_and_back) == 1.0
    assert tried([[0.0, 0.0, 0.0]]).risk(there_and_back[::-1]) == 0.0
    assert tried([[0.0, 0.0, 0.0]]).risk(()) == 0.0


def test_by_tape_each_section_comes_so_much_longer_than_the_leg_and_the_hip_to_its_place(
    monkeypatch,
):
    """Within the tape's 4 mm, whatever it was before."""
    faults = {"thigh": -30.0, "lower": 12.0, "place": 7.0}
    given = {}

    def knee(_holding, bars, changes):
        given.update(changes)
        return np.tile(bars, (4000, 1))

    monkeypatch.setattr(adjust, "_knee", knee)
    tried(np.zeros((4000, 3)), held(4000, **faults)).past_by_tape_deg(6.0)
    left = {part: given[part] + faults[part] for part in faults}
    assert {part: mm.mean() for part, mm in left.items()} == pytest.approx(
        {"thigh": 6.0, "lower": 6.0, "place": 0.0}, abs=0.2
    )
    assert [mm.std() for mm in left.values()] == pytest.approx([4.0] * 3, abs=0.2)


def test_by_tape_only_what_is_further_past_than_before_was_brought_there(bends):
    bends([[1.0, 4.0, -2.0], [3.0, 3.0, 3.0], [-9.0, -9.0, -9.0], [3.5, 3.0, 3.0]])
    now = tried([[0.0, 0.0, 0.0], [3.0, 3.0, 3.0], [-9.0, -9.0, -9.0], [3.0, 3.0, 3.0]])
    assert now.past_by_tape_deg(5.0).tolist() == [4.0, 0.0, 0.0, 3.5]
    high = replace(now, highest=now.shown + 1.0)  # put right, the display falls by that
    assert high.past_by_tape_deg(5.0, display_right=True).tolist() == [4.0, 3.0, -9.0, 3.5]
    assert high.past_by_tape_deg(5.0).tolist() == [4.0, 0.0, 0.0, 3.5]


def by_tape(
    past: dict[int, list[float]],
    *,
    low_deg: float = 0.0,
    low_share: float = 1.0,
    knee_past_deg: float = 0.0,
    settings: int = 4,
    past_right: dict[int, list[float]] | None = None,
    risk_when_right: float | None = None,
    shows: Shows | None = None,
) -> Advice:
    """What is said where the checks bring each of 400 draws so far past, by margin.

    ``past_right``: with the display put right before them; ``risk_when_right``: of that alone.
    """
    shown = np.tile(GRID, (400, 1))
    shown[: round(400 * low_share), 2] -= low_deg
    holding = replace(held(400), bars_deg=(60.0,) * settings)
    one = adjust._Tried(holding, GRID, shown, np.full(shown.shape, knee_past_deg))
    right, risk = past_right or past, risk_when_right
    fake = SimpleNamespace(
        shows=shows,
        holding=one.holding,
        grid=GRID,
        shown=shown,
        beyond_deg=one.beyond_deg,
        risk_when_right=lambda: one.risk_when_right() if risk is None else risk,
        past_by_tape_deg=lambda longer, display_right: np.array(
            (right if display_right else past)[int(longer)], float
        ),
    )
    return adjust._by_tape(fake, 0.4, (NOTHING, NOTHING))


def some_past(count: int, deg: float = 3.0) -> list[float]:
    """Of 400 draws so many that come past."""
    return [deg] * count + [0.0] * (400 - count)


@pytest.mark.parametrize(
    ("past", "longer_mm", "risk"),
    [
        pytest.param({5: some_past(0)}, 5, 0.0, id="none of 400 at 5 mm"),
        pytest.param({5: some_past(400, 2.0)}, 5, 0.0, id="2 degrees are allowed"),
        pytest.param({5: some_past(1), 8: some_past(0)}, 8, 0.0, id="8 mm where 1 is past at 5"),
        pytest.param(
            {5: [3.0] + [0.0] * 1199, 8: some_past(0)}, 8, 0.0, id="1 of 1,200 is one too many"
        ),
        pytest.param({5: some_past(9), 8: some_past(1), 10: some_past(0)}, 10, 0.0, id="then 10"),
        pytest.param(
            {5: some_past(9), 8: some_past(9), 10: some_past(1)},
            10,
            0.0025,
            id="1 in 400 where none can be longer",
        ),
    ],
)
def test_the_checks_leave_the_sections_as_much_longer_as_is_safe(past, longer_mm, risk):
    said = by_tape(past)
    assert (said.longer_mm, said.risk, said.checks) == (longer_mm, risk, adjust.CHECKS)
    assert f"each section {longer_mm} mm longer" in said.text
    assert (said.first, said.lower_limit_deg, said.steps, said.arrives) == (None, 0, (), 0.4)


@pytest.mark.parametrize("count", [2, 40])
def test_checks_that_are_less_sure_come_with_the_display_put_right(count):
    """Up to 10 % of the draws, where more photos tell little more; the limit lower till then."""
    past = {5: some_past(20), 8: some_past(13), 10: some_past(count)}
    right = {5: some_past(20), 8: some_past(1), 10: some_past(0)}
    said = by_tape(past, low_deg=1.5, past_right=right)
    assert (said.longer_mm, said.first, said.checks) == (10, "display", adjust.CHECKS)
    assert (said.lower_limit_deg, said.risk) == (2, 0.0)
    assert "flexion limit 2° lower than prescribed" in said.text
    assert "have the display put right, and only then the rest. " in said.text
    few = by_tape(past, low_deg=1.5, past_right=right, settings=3)
    assert (few.first, few.checks) == ("photos", ()), "three settings: more of them tell more"
    never = by_tape(past, low_deg=1.5)
    assert (never.first, never.checks) == ("photos", ()), "nor with the display right"
    doubted = by_tape(past | {10: some_past(41)}, low_deg=1.5, past_right=right)
    assert (doubted.first, doubted.checks) == ("photos", ()), "checks alone are too risky"


@pytest.mark.parametrize(
    ("shows", "likely", "doubted"),
    [
        (None, "The display is likely to read less", "The display may read less"),
        ("more", "Elsewhere in the range the display is likely to", "Elsewhere in the range the"),
        ("less", "The display shows less than the bars", "The display shows less than the bars"),
    ],
)
def test_what_is_advised_begins_with_what_is_known_of_the_display(shows, likely, doubted):
    """Each names the limit lowered meanwhile."""
    safe, past = dict.fromkeys((5, 8, 10), some_past(0)), dict.fromkeys((5, 8, 10), some_past(20))
    alone = by_tape(past, low_deg=2.5, shows=shows)
    with_checks = by_tape(past, low_deg=1.5, past_right=safe, shows=shows)
    assert alone.text.startswith(likely)
    assert with_checks.text.startswith(doubted)
    assert [one.checks for one in (alone, with_checks)] == [(), adjust.CHECKS]
    for one in (alone, with_checks):
        assert f"flexion limit {one.lower_limit_deg}° lower than prescribed" in one.text
        assert "bend further than shown" in one.text


NEVER = {5: some_past(20), 8: some_past(20), 10: some_past(13)}


def test_a_display_that_likely_reads_low_is_put_right_before_any_check():
    """Six settings of a machine that read 4 low near straight: checks came 3.6 past it."""
    never_past = dict.fromkeys((5, 8, 10), some_past(0))
    assert by_tape(never_past, low_deg=2.5, low_share=0.6).first == "display"
    assert by_tape(never_past, low_deg=2.5, low_share=0.5).first is None


@pytest.mark.parametrize(
    ("low_share", "first"), [(0.9, "photos"), (0.94, "photos"), (0.96, "display")]
)
def test_one_setting_must_prove_that_a_display_reads_low_before_a_limit_is_lowered(
    low_share, first
):
    """One photo of a display that was right within 1.5 degrees was told "8° lower" (bed_07)."""
    said = by_tape(NEVER, low_deg=2.5, low_share=low_share, settings=1)
    assert (said.first, said.lower_limit_deg > 0) == (first, first == "display")


def test_a_knee_that_would_be_past_a_right_display_has_its_sections_checked_too():
    """Low at 60 degrees, high elsewhere by 3: put right alone, the knee is past as never before.

    Of two simulated machines that read low at the flexion end only and were put right, the knee
    came 2.2 and 2.5 degrees past near straight.
    """
    one = adjust._Tried(held(400), GRID, GRID + [[3.0, -2.5, 3.0]], np.zeros((400, 3)))
    assert one.risk_when_right() == 1.0
    # 2 degrees are allowed; and a knee that was past already is brought further past.
    for before, reads_high, risk in ((0.0, 2.0, 0.0), (1.5, 0.7, 1.0)):
        draws = adjust._Tried(held(1), GRID, GRID + [[reads_high] * 3], np.full((1, 3), before))
        assert draws.risk_when_right() == risk
    # Nobody photographed the display near straight: it may read 4 high there, and fall by that.
    near_straight = np.array([[3.0, 0.0, 0.0]])
    for highest, past in ((None, 0.0), (GRID + [[4.0, 0.0, 0.0]], 3.0)):
        one = adjust._Tried(held(1), GRID, GRID[None], near_straight, highest)
        assert one.risk_when_right() == (past > 0)
    safe = dict.fromkeys((5, 8, 10), some_past(0))
    now = {"low_deg": 2.5, "risk_when_right": 0.0026}
    alone = by_tape(safe, **now)
    assert (alone.checks, alone.first) == (adjust.CHECKS, None)
    edge = by_tape(safe, low_deg=2.5, risk_when_right=0.0025)
    assert (edge.checks, edge.first) == ((), "display"), "1 in 400 is allowed"
    both = by_tape(NEVER, past_right=safe, settings=1, **now)
    assert (both.checks, both.first, both.longer_mm) == (adjust.CHECKS, "display", 5)
    assert by_tape(NEVER, **now).first == "photos", "neither is safe"


@pytest.mark.parametrize(
    ("low_deg", "low_share", "first", "lower_deg", "says"),
    [
        pytest.param(2.5, 0.6, "display", 3, "limit 3° lower than", id="low in most draws"),
        pytest.param(2.5, 0.5, "photos", 0, "Photograph more settings", id="low in half of them"),
        pytest.param(2.0, 1.0, "photos", 0, "both ends at least", id="low by what is allowed"),
    ],
)
def test_where_no_check_is_safe_the_display_or_more_photos_come_first(
    low_deg, low_share, first, lower_deg, says
):
    """Photos change nothing, so they lower no limit: one ordinary photo is no sign of a fault."""
    said = by_tape(NEVER, low_deg=low_deg, low_share=low_share)
    assert (said.first, said.checks, said.steps, said.longer_mm) == (first, (), (), 0)
    assert said.risk == 0.0  # nothing is to be set
    assert says in said.text
    assert said.lower_limit_deg == lower_deg
    assert ("lower than prescribed" in said.text) == (lower_deg > 0)


def test_by_tape_a_knee_is_held_against_the_display_or_against_a_right_one():
    low = adjust._Tried(held(9), GRID, np.tile(GRID - 3.0, (9, 1)), np.zeros((9, 3)))
    past, when_right = (low.past_by_tape_deg(-60.0, display_right=one) for one in (False, True))
    assert past - when_right == pytest.approx(np.full(9, 3.0))


def test_how_far_the_limit_is_to_stand_lower_is_seen_at_the_flexion_end():
    """Bars at 110: shown 108 with the knee at 109, and shown 114 with the knee at 113."""
    shown = GRID + [[0.0, 0.0, -2.0], [0.0, 0.0, 4.0]]
    one = adjust._Tried(held(2), GRID, shown, np.array([[9.0, 9.0, 1.0], [9.0, 9.0, -1.0]]))
    assert one.beyond_deg().tolist() == [2.0, 3.0]


def test_the_lowered_limit_makes_up_for_a_knee_that_is_past_what_is_shown():
    """At the flexion end; also once the display is right: 2 more now, and the knee 3 past it."""
    assert by_tape(NEVER, low_deg=2.5, knee_past_deg=3.0).lower_limit_deg == 3
    assert by_tape(NEVER, low_deg=2.5, knee_past_deg=5.0).lower_limit_deg == 5
    assert by_tape(NEVER, low_deg=2.5, knee_past_deg=-9.0).lower_limit_deg == 3


@pytest.mark.parametrize(
    ("past", "by"),
    [
        pytest.param([0.0] * 100, 1, id="at least one degree"),
        pytest.param([3.2] * 100, 4, id="whole degrees, up"),
        pytest.param([0.0] * 90 + [7.5] * 10, 8, id="what one in twenty is past"),
        pytest.param([2.0] * 96 + [50.0] * 4, 2, id="not what fewer are past"),
    ],
)
def test_by_how_much_a_limit_is_lowered(past, by):
    assert adjust._lowered(np.array(past)) == by


def test_how_far_extension_goes_beyond_what_is_shown_is_seen_at_the_extension_end():
    """Bars at 10: shown 13; and where nobody photographed it, at the most 14."""
    shown = np.tile(GRID + [3.0, 0.0, 0.0], (2, 1))
    one = adjust._Tried(held(2), GRID, shown, np.zeros((2, 3)))
    assert one.straighter_deg().tolist() == [3.0, 3.0]
    most = replace(one, highest=shown + [[1.0, 0.0, 0.0], [0.0, 0.0, 0.0]])
    assert most.straighter_deg().tolist() == [4.0, 3.0]


PLAN = Advice((Adjustment("thigh", 12),), (), "a plan", 0.0, 0.01, NOTHING, NOTHING)
FITTING = Advice((), (), adjust.FITS, 0.9, 0.0, NOTHING, NOTHING)
ALREADY = replace(FITTING, first="display", lower_limit_deg=4, text="already said")


@pytest.mark.parametrize(
    ("off_deg", "shows", "told", "lower", "less_extension"),
    [
        pytest.param(-3.0, "less", FITTING, 3, 0, id="less: the flexion limit"),
        pytest.param(-3.0, "less", PLAN, 3, 0, id="also beside what is to be set"),
        pytest.param(-3.0, "less", ALREADY, 4, 0, id="once"),
        pytest.param(-2.0, "less", FITTING, 0, 0, id="less elsewhere, 2 at that end"),
        pytest.param(3.0, "more", FITTING, 0, 3, id="more: the extension limit"),
        pytest.param(3.0, "more", ALREADY, 4, 3, id="beside the flexion limit for elsewhere"),
        pytest.param(2.0, "more", FITTING, 0, 0, id="more elsewhere, 2 at that end"),
        pytest.param(-3.0, None, FITTING, 0, 0, id="less, not proven"),
        pytest.param(3.0, None, FITTING, 0, 0, id="more, not proven"),
    ],
)
def test_a_proven_wrong_display_keeps_a_limit_closer_until_it_is_right(
    off_deg, shows, told, lower, less_extension
):
    shown = np.tile(GRID + off_deg, (9, 1))
    one = adjust._Tried(held(9), GRID, shown, -(shown - GRID), shows=shows)
    said = adjust._until_right(one, told)
    assert (said.lower_limit_deg, said.less_extension_deg) == (lower, less_extension)
    same = replace(said, text=told.text, lower_limit_deg=told.lower_limit_deg, less_extension_deg=0)
    assert same == told
    if said == told:
        return
    rest = adjust.SUITS if told is FITTING else told.text
    if told is ALREADY:
        assert said.text.startswith(f"{rest} The knee may be straighter than shown")
    else:
        assert said.text.endswith(f"than prescribed. {rest}")


# ------------------------------------------------------------------ which parts, and how far


@pytest.mark.parametrize(
    ("holding", "parts"),
    [
        pytest.param(held(weight=0.5), [("thigh",)], id="the heel may slide: no lower leg"),
        pytest.param(held(weight=0.51), [("thigh",), ("lower",), ("lower", "thigh")],
                     id="the heel is seated"),
        pytest.param(held(weight=0.2, place=30.0 + 8.0 * np.resize([1.0, -1.0], 100)),
                     [("place",), ("place", "thigh")], id="the patient's place is known and off"),
        pytest.param(held(weight=0.2, place=30.0 + 8.1 * np.resize([1.0, -1.0], 100)),
                     [("thigh",)], id="the place is not known well enough"),
        pytest.param(held(weight=0.2, place=9.0 + 5.0 * np.resize([1.0, -1.0], 100)),
                     [("thigh",)], id="the place is not proven off"),
        pytest.param(held(weight=0.2, place=12.0 + 5.0 * np.resize([1.0, -1.0], 100)),
                     [("place",), ("place", "thigh")], id="proven by 2.4 of its u"),
        pytest.param(held(weight=0.2, place=-30.0 + 5.0 * np.resize([1.0, -1.0], 100)),
                     [("place",), ("place", "thigh")], id="off down the bed"),
        pytest.param(held(hinge_seen=False), [], id="the hinge was not seen"),
    ],
)  # fmt: skip
def test_which_parts_may_be_told_in_millimetres(holding, parts):
    assert adjust._choices(holding) == parts


@pytest.mark.parametrize(
    ("spread_mm", "wanted_mm", "proven"),
    [
        pytest.param(2.0, 8.0, True, id="8 mm, well known"),
        pytest.param(2.0, 7.9, False, id="less is not worth a change"),
        pytest.param(2.0, -8.0, True, id="shorter likewise"),
        pytest.param(10.0, 19.0, False, id="within 1.96 of its u"),
        pytest.param(10.0, 20.0, True, id="beyond it"),
    ],
)
def test_a_part_is_proven_off_by_what_the_hinge_shows(spread_mm, wanted_mm, proven):
    thigh = -wanted_mm + spread_mm * np.resize([1.0, -1.0], 100)
    assert adjust._proven(held(thigh=thigh, model="sliding"), {"thigh": wanted_mm}) is proven
    place = held(place=-wanted_mm + spread_mm * np.resize([1.0, -1.0], 100), model="sliding")
    assert adjust._proven(place, {"place": wanted_mm}) is proven
    two = {"thigh": wanted_mm, "place": 0.0}
    assert adjust._proven(held(thigh=thigh, model="sliding"), two) is False


APART = 10.0 * np.resize([1.0, -1.0], 100)
"""Off by 10 mm to either side, draw by draw."""


@pytest.mark.parametrize(
    ("holding", "wanted", "proven"),
    [
        pytest.param(held(thigh=-15.0 + APART, place=-APART, model="sliding"), {"thigh": 15.0},
                     False, id="the hinge is known, not which of two parts it is"),
        pytest.param(held(thigh=-20.0 + APART, place=-APART, model="sliding"), {"thigh": 20.0},
                     True, id="by 2 of its own u"),
        pytest.param(held(thigh=-15.0, place=APART, model="sliding"), {"thigh": 15.0},
                     False, id="the part is known, not where the hinge lies"),
        pytest.param(held(lower=-9.0, place=6.0 * APART), {"lower": 9.0},
                     False, id="nor how high it lies"),
        pytest.param(held(model="sliding"), {"thigh": 8.0},
                     False, id="a part known to be right is not off"),
    ],
)  # fmt: skip
def test_a_part_is_proven_off_by_the_hinge_and_by_its_own_fault(holding, wanted, proven):
    assert adjust._proven(holding, wanted) is proven


@pytest.mark.parametrize(("spread_mm", "proven"), [(1.0, True), (30.0, False)])
def test_the_lower_leg_is_proven_by_the_hinge_across_the_thigh(spread_mm, proven):
    holding = held(lower=-9.0 + spread_mm * np.resize([1.0, -1.0], 100))
    assert adjust._proven(holding, {"lower": 9.0}) is proven


class Safe:
    """Plans are safe from some margin on, shared by the sections."""

    def __init__(self, from_mm: float, wanted: dict[str, float], risk: float = 0.0026) -> None:
        self.holding, self.wanted, self.from_mm, self.unsafe = held(), wanted, from_mm, risk

    def risk(self, steps) -> float:
        longer = sum(one.mm for one in steps) - sum(self.wanted.values())
        return 0.0025 if longer >= self.from_mm else self.unsafe


@pytest.fixture
def planned(monkeypatch):
    def plan(from_mm: float, wanted: dict[str, float], **more) -> Advice | None:
        monkeypatch.setattr(adjust, "_best_changes", lambda *_: dict(wanted))
        monkeypatch.setattr(adjust, "_proven", lambda *_: True)
        return adjust._safe_plan(Safe(from_mm, wanted, **more), tuple(wanted))

    return plan


def test_a_plan_that_is_safe_as_it_stands_gets_no_margin(planned):
    said = planned(-1.0, {"thigh": 12.0, "lower": -20.0})
    assert [(one.part, one.mm) for one in said.steps] == [("thigh", 12), ("lower", -20)]
    assert said.text.startswith("Set in this order: 1. thigh section 12 mm longer; 2. lower")
    assert "Machine stopped" in said.text
    assert said.risk == 0.0025


@pytest.mark.parametrize("from_mm", [0.5, 3.0, 20.0, 47.0])
def test_a_plan_that_is_not_is_left_so_much_longer(planned, from_mm):
    said = planned(from_mm, {"thigh": 12.0})
    assert from_mm <= said.steps[0].mm - 12 <= from_mm + 1.0


@pytest.mark.parametrize(
    ("from_mm", "wanted"),
    [
        pytest.param(49.0, {"thigh": 12.0}, id="no margin of 48 mm makes it safe"),
        pytest.param(-1.0, {"thigh": 7.0}, id="less than a section's stops allow"),
        pytest.param(-1.0, {"thigh": 12.0, "lower": 5.0}, id="one of two is less"),
        pytest.param(10.0, {"thigh": -12.0}, id="nothing is left of it with the margin"),
        pytest.param(12.0, {"thigh": -12.0}, id="exactly nothing is left"),
    ],
)
def test_no_plan_is_told_where_none_is_safe_or_worth_it(planned, from_mm, wanted):
    assert planned(from_mm, wanted) is None


def test_a_change_of_8_mm_is_worth_it(planned):
    said = planned(-1.0, {"thigh": 8.0})
    assert [one.mm for one in said.steps] == [8]
    assert said.text.startswith("Set one thing: thigh section 8 mm longer. Machine stopped")


def test_a_plan_whose_parts_are_not_proven_off_is_not_told(monkeypatch):
    monkeypatch.setattr(adjust, "_best_changes", lambda *_: {"thigh": 20.0})
    monkeypatch.setattr(adjust, "_proven", lambda *_: False)
    assert adjust._safe_plan(Safe(-1.0, {"thigh": 20.0}), ("thigh",)) is None


# ------------------------------------------------------------------ what is said


@pytest.fixture
def judged(monkeypatch):
    def answer(near: float, *plans: float | None) -> Advice:
        arrives = [
            None if p is None else replace(PLAN, arrives=p, text=f"plan {n}")
            for n, p in enumerate(plans)
        ]
        monkeypatch.setattr(adjust, "_arrives", lambda *_: near)
        monkeypatch.setattr(adjust, "_choices", lambda _: [(n,) for n in range(len(plans))])
        monkeypatch.setattr(adjust, "_safe_plan", lambda _, parts: arrives[parts[0]])
        return advise(held(thigh=20.0, model="sliding"), range_deg=(10.0, 110.0))

    return answer


def test_nothing_is_to_be_set_where_the_hinge_is_near_with_80_percent(judged):
    said = judged(0.8, 1.0)
    assert (said.steps, said.checks, said.first) == ((), (), None)
    assert "nothing to set" in said.text
    assert said.risk == 0.0
    assert judged(0.79, 1.0).checks == adjust.CHECKS
    assert judged(0.7, 1.0, 1.0).text == "plan 0"


@pytest.mark.parametrize(
    ("near", "plans", "told"),
    [
        pytest.param(0.25, (0.5,), 0.5, id="a quarter more probable"),
        pytest.param(0.25, (0.49,), None, id="less than that"),
        pytest.param(0.25, (0.6, 0.9, 0.7), 0.9, id="the best of several"),
        pytest.param(0.25, (None, 0.6), 0.6, id="one that is none"),
        pytest.param(0.25, (None,), None, id="none at all"),
    ],
)
def test_millimetres_are_told_where_obeying_is_worth_it_and_else_checks(judged, near, plans, told):
    said = judged(near, *plans)
    if told is None:
        assert (said.steps, said.arrives) == ((), near)
    else:
        assert (said.steps, said.arrives) == (PLAN.steps, told)
    assert said.distal_mm.value == pytest.approx(20.0)


def test_advice_is_tried_against_the_knee_and_the_display_as_they_are(monkeypatch):
    seen = {}

    def plan(tried, _parts):
        seen["before"], seen["shown"], seen["grid"] = tried.before, tried.shown, tried.grid
        return replace(PLAN, arrives=1.0)

    monkeypatch.setattr(adjust, "_arrives", lambda *_: 0.1)
    monkeypatch.setattr(adjust, "_safe_plan", plan)
    monkeypatch.setattr(
        adjust,
        "knee_from_bars_deg",
        lambda holding, grid, **_: np.tile(grid + 3.0, (len(holding.draws), 1)),
    )
    monkeypatch.setattr(adjust, "_hinge", lambda *_: (np.zeros((100, 3)), np.zeros((100, 3))))
    error = np.full((100, 3), 1.0)
    advise(held(), range_deg=(10.0, 20.0), display_minus_bars_deg=error)
    assert seen["grid"].tolist() == [10.0, 15.0, 20.0]
    assert seen["shown"][0] == pytest.approx([11.0, 16.0, 21.0])
    assert seen["before"] == pytest.approx(np.full((100, 3), 2.0))


@pytest.mark.parametrize(
    ("holding", "says"),
    [
        pytest.param(held(lower=-30.0), "are 30 ± 0 mm too short", id="together too short"),
        pytest.param(held(thigh=30.0), "are 30 ± 0 mm too long", id="together too long"),
        pytest.param(held(thigh=25.0 + 10.0 * np.resize([1.0, -1.0], 100)), "25 ± 20 mm too long",
                     id="by 2.5 of its u"),
        pytest.param(held(thigh=0.9), "1 ± 0 mm too long", id="a little too long"),
        pytest.param(held(thigh=19.0 + 10.0 * np.resize([1.0, -1.0], 100)), "Machine stopped",
                     id="the sum is not proven"),
    ],
)  # fmt: skip
def test_the_checks_say_what_is_known_of_the_sum(holding, says):
    words = adjust._check_words(holding, NOTHING, 5)
    assert says in words
    assert ("together are" in words) == ("too" in says)
    assert "Machine stopped, check all three by tape" in words


@pytest.mark.parametrize(
    ("anterior_mm", "weight", "says"),
    [
        pytest.param(
            20.0, 0.1, "lies in front of the knee at every setting", id="in front, the leg slides"
        ),
        pytest.param(-20.0, 0.1, "lies behind the knee at every setting", id="behind"),
        pytest.param(15.0, 0.1, None, id="15 mm are near"),
        pytest.param(20.0, 0.2, None, id="the heel may be seated"),
    ],
)
def test_a_hinge_beside_a_leg_that_slides_is_said(anterior_mm, weight, says):
    seen = Figure(anterior_mm, 2.0, (0.0, 0.0))
    words = adjust._check_words(held(weight=weight), seen, 5)
    assert ("length alone does not help. Machine stopped, check" in words) == ("every" in words)
    assert (says in words) if says else ("at every setting" not in words)
    known = adjust._check_words(held(weight=weight), replace(seen, u=abs(anterior_mm) / 2.2), 5)
    assert known == words
    unsure = adjust._check_words(held(weight=weight), replace(seen, u=abs(anterior_mm) / 1.9), 5)
    assert "at every setting" not in unsure
