"""Which tests guard which rule, and which mutants change nothing: read by `mutation.py`."""

from __future__ import annotations

GUARDS: dict[str, tuple[str, ...]] = {
    target: files
    for files, targets in {
        ("test_safety_rules.py", "test_bounds.py", "test_comparison.py"): (
            "knee_angle.angle.verdict:PROVEN",
            "knee_angle.angle.verdict:_p_within",
            "knee_angle.angle.verdict:_verdict",
            "knee_angle.angle.verdict:tolerance_at",
            "knee_angle.angle.verdict:judged_mm",
            "knee_angle.angle.bounds:STEPS_DEG",
            "knee_angle.angle.bounds:apart",
            "knee_angle.angle.bounds:limit_standings",
            "knee_angle.angle.bounds:_standing",
            "knee_angle.angle.bounds:extension_lacking",
            "knee_angle.assumptions:FLEXION_RANGE_DEG",
            "knee_angle.settings:flexion_of_display",
            "knee_angle.records.displayed:display_range",
            "knee_angle.angle.verdict:conformance_probability",
            "knee_angle.angle.verdict:verdict_of",
            "knee_angle.records.displayed:checked",
            "knee_angle.angle.verdict:compare",
            "knee_angle.angle.verdict:u_display_deg",
            "knee_angle.angle.verdict:judged",
        ),
        ("test_safety_rules.py", "test_finding.py"): (
            "knee_angle.assumptions:HINGE_TOLERANCE_MM",
            "knee_angle.assumptions:FRAME_LEAST_DEG",
            "knee_angle.assumptions:FIT_MOST_DEG",
            "knee_angle.machine.cause:finding_of",
            "knee_angle.machine.cause:_as_judged",
            "knee_angle.machine.cause:_undecided",
            "knee_angle.machine.unjudged:cards_wrong",
            "knee_angle.machine.unjudged:unjudged_bars",
            "knee_angle.machine.cause:support_of",
            "knee_angle.machine.cause:alarms_of",
            "knee_angle.machine.cause:at_limits",
            "knee_angle.machine.unjudged:guessed",
            "knee_angle.machine.cause:display_alarms",
            "knee_angle.machine.cause:with_display_alarms",
        ),
        ("test_safety_machine.py",): (
            "knee_angle.machine.refused:FEWEST",
            "knee_angle.machine.check:check_machine",
            "knee_angle.machine.check:check_alarms",
            "knee_angle.machine.check:_judged",
            "knee_angle.machine.judge:_kind",
            "knee_angle.machine.refused:two_legs",
            "knee_angle.machine.check:_too_few_settings",
            "knee_angle.machine.check:_usable",
        ),
        ("test_safety_adjust.py",): (
            "knee_angle.machine.adjust:NEAR_MM",
            "knee_angle.machine.adjust:ARRIVES",
            "knee_angle.machine.adjust:WORTH",
            "knee_angle.machine.adjust:WORTH_MM",
            "knee_angle.machine.adjust:PLACE_KNOWN_MM",
            "knee_angle.machine.adjust:PAST_DEG",
            "knee_angle.machine.adjust:RISK",
            "knee_angle.machine.adjust:RISK_BY_TAPE",
            "knee_angle.machine.adjust:RISK_DOUBTED",
            "knee_angle.machine.adjust:READS_LOW",
            "knee_angle.machine.adjust:TAPE_MM",
            "knee_angle.machine.adjust:LOWER_BY",
            "knee_angle.machine.adjust:MOST_MARGIN_MM",
            "knee_angle.machine.adjust:Adjustment.words",
            "knee_angle.machine.adjust:advise",
            "knee_angle.machine.adjust:grid_of",
            "knee_angle.machine.adjust:_Tried.risk",
            "knee_angle.machine.adjust:_Tried.past_by_tape_deg",
            "knee_angle.machine.adjust:_Tried.risk_when_right",
            "knee_angle.machine.adjust:_Tried.beyond_deg",
            "knee_angle.machine.adjust:_by_tape",
            "knee_angle.machine.adjust:_checked",
            "knee_angle.machine.adjust:_lowered",
            "knee_angle.machine.adjust:_shown",
            "knee_angle.machine.adjust:_choices",
            "knee_angle.machine.adjust:_safe_plan",
            "knee_angle.machine.adjust:_steps",
            "knee_angle.machine.adjust:_proven",
            "knee_angle.machine.adjust:_arrives",
            "knee_angle.machine.adjust:_check_words",
        ),
        ("test_safety_empty.py",): (
            "knee_angle.assumptions:LEAST_P_HINGE",
            "knee_angle.machine.empty:check_empty",
            "knee_angle.machine.empty:_bars_at",
            "knee_angle.machine.empty:_hinge",
        ),
        ("test_safety_rules.py", "test_store_sides.py"): (
            "knee_angle.machine.prescribed:which_knee",
            "knee_angle.machine.prescribed:LegSettings.both",
            "knee_angle.machine.prescribed:LegSettings.of",
            "knee_angle.machine.prescribed:LegSettings.judged",
            "knee_angle.machine.prescribed:LegSettings._display_alarms",
        ),
        ("test_safety_visit.py",): (
            "knee_angle.machine.answer:AT_END_DEG",
            "knee_angle.machine.answer:VisitAnswer.standing",
            "knee_angle.machine.answer:range_of",
            "knee_angle.machine.answer:_setting",
            "knee_angle.machine.answer:_lacking",
            "knee_angle.machine.answer:answer_visit",
            "knee_angle.visit.photos:refused",
            "knee_angle.visit.photos:without_guessed_bars",
        ),
        ("test_safety_rules.py", "test_follow.py"): (
            "knee_angle.assumptions:COVERAGE_ONE_SIDED",
            "knee_angle.assumptions:END_FROM_DEG",
            "knee_angle.visit.course:KeptAngle.counted_end",
            "knee_angle.visit.course:Arc.interval_deg",
            "knee_angle.visit.course:Day.exchanged",
            "knee_angle.visit.course:Day.neutral_zero",
            "knee_angle.visit.course:limits_on",
            "knee_angle.visit.course:_day",
            "knee_angle.visit.course:_past",
            "knee_angle.visit.course:neutral_zero",
            "knee_angle.visit.course:standing",
            "knee_angle.visit.course:Due.now",
            "knee_angle.visit.course:due",
        ),
        ("test_safety_range.py", "test_near_straight.py"): (
            "knee_angle.machine.over_range:LACK_OF_FIT",
            "knee_angle.machine.over_range:verdict_over",
            "knee_angle.machine.over_range:_k_in_reach",
            "knee_angle.machine.over_range:_allowed",
            "knee_angle.machine.over_range:check_range",
        ),
        ("test_uncertainty.py::test_the_tapes_error_is_carried_into_the_shank",): (
            "knee_angle.assumptions:U_TAPE_MM",
        ),
        ("test_safety_rules.py",): (
            "knee_angle.store.people:_check_limits",
            "knee_angle.store.people:_check_order",
            "knee_angle.store.rows:check_sha256",
            "knee_angle.store.reading:prescription_on",
            "knee_angle.page.keeping:_kept",
            "knee_angle.settings:Meaning.problem",
            "knee_angle.settings:problems_of",
            "knee_angle.angle.words:probability",
            "knee_angle.angle.words:plus_minus",
            "knee_angle.angle.words:_compared",
        ),
        ("test_safety_photo.py",): (
            "knee_angle.angle.scale:implausible",
            "knee_angle.machine.cautions:odd_lengths",
            "knee_angle.machine.cautions:odd_bars",
            "knee_angle.machine.cautions:of_view",
            "knee_angle.landmarks.choose:without_direction",
            "knee_angle.pipeline:measure_photo",
        ),
        ("test_safety_rules.py", "test_tables.py"): ("knee_angle.files.tables:_as_numbers",),
    }.items()
    for target in targets
}
"""Function or number to the files of tests that guard it; after `::` only tests so named."""

ASKED_FOR: dict[str, tuple[float, ...]] = {
    "knee_angle.assumptions:END_FROM_DEG": (60.0,),
    "knee_angle.assumptions:U_TAPE_MM": (15.0,),
}
"""Other values of a number, tried besides its double and one more: they once went unnoticed."""

LEFT_OUT: tuple[str, ...] = (
    "test_frame_and_hinge_of_the_sample_photos",
    "test_angles_that_agree_do_not_hide",
    "test_the_finding_is_right_in_simulated_photos",
    "test_linear_and_monte_carlo",
)
"""Tests that are too slow to run for every mutant, by a part of their name."""

WARM: tuple[tuple[str, str, str], ...] = (("test_safety_photo", "bed", "bed_01.jpg"),)
"""Cached functions of tests, called once before the mutants: (module, function, argument)."""

CHANGES_NOTHING: dict[str, str] = {
    "knee_angle.machine.empty:check_empty"
    " | for one in seen.values() if one.displayed_deg is not None"
    " | for one in seen.values()": "a photo without its number is refused before",
    "knee_angle.machine.over_range:_allowed | True | False": "x and y are equally long",
    "knee_angle.machine.over_range:verdict_over | 501 | 1002": "a finer grid",
    "knee_angle.machine.over_range:verdict_over | 501 | 502": "a finer grid",
    "knee_angle.machine.over_range:_k_in_reach | 2 | 3": "whatever is not 1 is two-sided",
    "knee_angle.machine.over_range:_k_in_reach | 2 | 4": "whatever is not 1 is two-sided",
    "knee_angle.machine.over_range:_k_in_reach | np.max(difference + k * u - allowed) > 0"
    " | np.max(difference + k * u - allowed) >= 0": "a band meets its limit exactly by chance only",
    "knee_angle.machine.over_range:_k_in_reach | np.min(difference - k * u + allowed) < 0"
    " | np.min(difference - k * u + allowed) <= 0": "a band meets its limit exactly by chance only",
    "knee_angle.machine.adjust:Adjustment.words | self.mm > 0"
    " | self.mm >= 0": "a step of 0 mm is none",
    "knee_angle.machine.adjust:_Tried.risk | 1e-06 | 2e-06": "a guard against rounding",
    "knee_angle.machine.adjust:_Tried.past_by_tape_deg | 1e-06 | 2e-06": "a guard against rounding",
    "knee_angle.machine.adjust:_Tried.past_by_tape_deg | past > self.before + 1e-06"
    " | past >= self.before + 1e-06": "a guard against rounding",
    "knee_angle.machine.adjust:_Tried.past_by_tape_deg"
    " | np.array([longer_mm, longer_mm, 0.0])[:, None] + off"
    " | np.array([longer_mm, longer_mm, 0.0])[:, None] - off": "a doubt either way",
    "knee_angle.machine.adjust:_Tried.risk_when_right | 1e-06 | 2e-06": "a guard against rounding",
    "knee_angle.machine.adjust:_by_tape | 0.0 | 1.0": "replaced by each risk that is told",
    "knee_angle.machine.adjust:_checked | 0.0 | 1.0": "replaced by each risk that is tried",
    "knee_angle.machine.adjust:_safe_plan | 0.0 | 1.0": "the margin is told to a mm",
    "knee_angle.machine.adjust:_safe_plan | high - low > 1.0"
    " | high - low >= 1.0": "48 mm halved are never 1 mm",
    "knee_angle.machine.adjust:_safe_plan | 0.0 (again) (again) (again)"
    " | 1.0": "the hinge is put there by advise",
    "knee_angle.machine.adjust:_safe_plan | 0.0 (again) (again) (again) (again)"
    " | 1.0": "the hinge is put there by advise",
    "knee_angle.machine.adjust:_safe_plan | 0.0 (again) (again) (again) (again) (again)"
    " | 1.0": "the hinge is put there by advise",
    "knee_angle.machine.adjust:_safe_plan | 0.0 (again) (again) (again) (again) (again) (again)"
    " | 1.0": "the hinge is put there by advise",
    "knee_angle.machine.adjust:_proven | 0 | 1": "1.96 mm are less than WORTH_MM",
    "knee_angle.machine.adjust:_check_words | anterior.value > 0"
    " | anterior.value >= 0": "it is at least NEAR_MM in size",
    "knee_angle.machine.adjust:_check_words | 0 | 1": "it is at least NEAR_MM in size",
    "knee_angle.machine.adjust:_check_words | abs(both.value) > COVERAGE * both.u"
    " | abs(both.value) >= COVERAGE * both.u": "draws never meet it",
    "knee_angle.machine.adjust:_check_words | both.value > 0"
    " | both.value >= 0": "its size is above 0",
    **{
        f"knee_angle.angle.bounds:apart | 6.0 | {wider}": "a wider bracket around the same root"
        for wider in (12.0, 7.0)
    },
    "knee_angle.angle.bounds:_standing | knee is not None and p_past >= PROVEN"
    " | p_past >= PROVEN": "without a knee p is 0.5: not proven past",
    "knee_angle.angle.bounds:_standing | knee is not None and camera_seen and"
    " (p_past <= 1.0 - PROVEN) | camera_seen and p_past <= 1.0 - PROVEN": (
        "without a knee p is 0.5: not proven inside"
    ),
    "knee_angle.settings:Meaning.problem | math.isfinite(value) and inside and (value <= self.high)"
    " | inside and value <= self.high": "no number and infinity fail every comparison with bounds",
    "knee_angle.angle.words:_compared | difference > 0 | difference >= 0": (
        "a difference of 0 is the same"
    ),
    **{
        f"knee_angle.visit.course:neutral_zero | {change}": "whole degrees: 0 is written alike"
        for change in (
            "extension > 0 | extension >= 0",
            "flexion < 0 | flexion <= 0",
            "0 (again) | 1",
        )
    },
    "knee_angle.machine.check:_judged | for name, one in used.items() if one.displayed is not None"
    " | for name, one in used.items()": "without a number a photo is not used: `_usable`",
    "knee_angle.machine.check:_too_few_settings | for r in used.values() if r.displayed is not None"
    " | for r in used.values()": "without a number a photo is not used: `_usable`",
    **{
        f"knee_angle.pipeline:measure_photo | 16{' (again)' * again} | {other}": (
            "another seed, of the photo's hash all the same"
        )
        for again in range(4)
        for other in (32, 17)
    },
}
"""Mutants that are the same rule, with the reason."""
