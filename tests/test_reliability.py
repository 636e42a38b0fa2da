"""Agreement within and between raters, and how many targets, persons or repeats it needs.

Sources: the gauge study of ``published/gauge_study.csv`` (its printed analysis of variance);
Shrout PE, Fleiss JL 1979; Bonett DG 2002 (example: 4 raters, 0.85, width 0.2: 19.2); Bland JM,
Altman DG 1986 (a limit's standard error is about sqrt(3 / n) SD).
"""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from bench.bench_reliability import held
from published_tables import columns
from typer.testing import CliRunner

from knee_angle import agreement as ag
from knee_angle.agreement.plan_repeats import half_width_with_repeats
from knee_angle.agreement.rater_pairs import rater_pairs
from knee_angle.agreement.reliability import mean_squares
from knee_angle.cli import app
from knee_angle.errors import InvalidInput
from knee_angle.report.paper.html import html_of
from knee_angle.report.paper.raters import raters_paper
from knee_angle.report.paper.raters_words import AboutRaters, rating_methods
from knee_angle.report.reporting import GRRAS, STARD, YOURS, Versions, answered


def gauge() -> np.ndarray:
    table = columns("gauge_study")
    return np.array(
        [[[table[f"{who}{k}"][part] for k in (1, 2, 3)] for who in "ABC"] for part in range(10)]
    )


def of(values: np.ndarray) -> ag.Ratings:
    n, r, _ = values.shape
    return ag.Ratings(values, tuple(map(str, range(n))), tuple(f"R{k}" for k in range(r)))


def test_the_gauge_study_s_analysis_of_variance():
    """Printed: sums of squares 88.3619, 3.1673, 0.3590, 2.7589 with 9, 2, 18, 60 freedoms."""
    sums = [(round(square * freedom, 4), freedom) for square, freedom in mean_squares(gauge())]
    assert sums == [(88.3619, 9), (3.1673, 2), (0.359, 18), (2.7589, 60)]


def test_shrout_and_fleiss_1979_without_repeats():
    """Printed: ICC(2,1) .29; within a rater nothing can be told."""
    ratings = np.column_stack(list(columns("shrout_fleiss").values()))[:, :, None]
    found = ag.reliability(of(ratings))
    assert found.icc_between.value == pytest.approx(0.29, abs=0.005)
    assert (found.within, found.icc_within, found.smallest_within) == (None, None, None)
    assert found.view is None
    assert all(one.repeat is None for one in found.alone)


def test_the_parts_are_those_that_eliasziw_1994_defines():
    """From the mean squares S, R, SR, E of n targets, r raters and m repeats."""
    rng = np.random.default_rng(7)
    y = rng.normal(0, 9, (8, 1, 1)) + rng.normal(0, 3, (1, 4, 1)) + rng.normal(0, 2, (8, 4, 1))
    y = y + rng.normal(0, 1, (8, 4, 3))
    (s, _), (r, _), (sr, _), (e, _) = mean_squares(y)
    target, rater, view = (s - sr) / 12, (r - sr) / 24, (sr - e) / 3
    total = target + rater + view + e
    found = ag.reliability(of(y))
    assert found.within.value == pytest.approx(e**0.5)
    assert found.between.value == pytest.approx((rater + view + e) ** 0.5)
    assert found.icc_between.value == pytest.approx(target / total)
    assert found.icc_within.value == pytest.approx(1 - e / total)
    assert found.smallest_between.value == pytest.approx(1.959964 * (2 * (rater + view + e)) ** 0.5)


def exact(n: int, r: int, *, target: float, rater: float, rest: float) -> np.ndarray:
    """A table without repeats whose mean squares give just these standard deviations."""
    rng = np.random.default_rng(1)

    def sized(values: np.ndarray, sum_of_squares: float) -> np.ndarray:
        return values * (sum_of_squares / np.sum(values**2)) ** 0.5

    rows, columns_ = (v - v.mean() for v in (rng.normal(size=n), rng.normal(size=r)))
    left = rng.normal(size=(n, r))
    left += left.mean() - left.mean(axis=0) - left.mean(axis=1, keepdims=True)
    return (
        sized(rows, (n - 1) * (target**2 + rest**2 / r))[:, None]
        + sized(columns_, (r - 1) * (rater**2 + rest**2 / n))
        + sized(left, (n - 1) * (r - 1) * rest**2)
    )[:, :, None]


@pytest.mark.parametrize(
    ("n", "r", "target", "rater", "rest", "limit"),
    [
        pytest.param(80, 10, 0.264, 0.235, 0.737, 1.438, id="80 subjects, 10 observers"),
        pytest.param(40, 5, 1.2, 0.285, 0.579, 1.131, id="Jones 2011, 40 tumours, 5 readers"),
        pytest.param(15, 20, 0.322, 0.235, 0.687, 1.387, id="15 subjects, 20 observers"),
    ],
)
def test_limits_of_agreement_with_the_mean_are_the_published_ones(n, r, target, rater, rest, limit):
    """Printed by the package of Christensen et al. 2020 for these standard deviations.

    The tumours' own standard deviation is not printed; it changes nothing here.
    """
    found = ag.reliability(of(exact(n, r, target=target, rater=rater, rest=rest)))
    assert found.from_mean.value == pytest.approx(limit, abs=0.0015)
    assert found.rater.value == pytest.approx(rater, abs=1e-6)


def test_limits_of_agreement_with_the_mean_are_the_scatter_that_is_seen():
    """With repeats too: 1.96 times the root mean square of ratings about their target's mean."""
    rng = np.random.default_rng(3)
    y = rng.normal(0, 9, (20, 1, 1)) + rng.normal(0, 2, (1, 4, 1)) + rng.normal(0, 1, (20, 4, 1))
    y = y + rng.normal(0, 1.5, (20, 4, 2))
    away = y - y.mean(axis=(1, 2), keepdims=True)
    found = ag.reliability(of(y))
    assert found.from_mean.value == pytest.approx(1.959964 * float(np.mean(away**2)) ** 0.5)


def test_every_two_raters_are_compared_as_two_methods():
    """Without repeats: the mean and 1.96 standard deviations of the differences."""
    y = gauge()
    first, second, *_ = rater_pairs(of(y[:, :, :1]))
    d = y[:, 2, 0] - y[:, 0, 0]
    assert (second.first, second.second) == ("R0", "R2")
    assert second.limits.bias.value == pytest.approx(d.mean())
    assert second.limits.upper.value == pytest.approx(d.mean() + 1.959964 * d.std(ddof=1))
    repeated = rater_pairs(of(y))[0].limits
    means = y.mean(axis=2)
    scatter = (means[:, 1] - means[:, 0]).var(ddof=1)
    within = sum(y[:, k].var(axis=1, ddof=1).mean() for k in (0, 1))
    assert repeated.sd.value == pytest.approx((scatter + (1 - 1 / 3) * within) ** 0.5)
    assert first.first == "R0"


def test_intervals_hold_the_truth():
    """200 studies of 20 targets, 3 raters, 2 repeats: 93 to 97 % and three deviations."""
    shares = held(20, 3, 2, 200, np.random.default_rng(2))
    assert {name: share for name, share in shares.items() if not 0.89 <= share <= 0.999} == {}
    assert len(shares) == 8


def test_raters_who_seem_alike_are_not_told_to_be_so_for_certain():
    """Their means vary less than chance: nought is the best guess, but four raters show little."""
    y = exact(12, 4, target=20, rater=0.0, rest=3.0)[:, :, 0]
    y = y - 0.9 * (y.mean(axis=0) - y.mean())  # their mean square: 1 % of what is left
    found = ag.reliability(of(y[:, :, None]))
    assert found.rater.value == found.rater.low == 0
    assert found.rater.high == pytest.approx(0.09**0.5 * (3 / 0.2158) ** 0.5 / 12**0.5, rel=1e-3)
    assert found.view is None  # one with the repeat, and never told to be nothing


def test_a_rater_who_is_off_or_scatters_more_is_seen():
    rng = np.random.default_rng(4)
    y = rng.normal(60, 20, (25, 1, 1)) + rng.normal(0, 1, (25, 3, 2))
    y[:, 1] += 5.0
    y[:, 2] += rng.normal(0, 4, (25, 2))
    alone = ag.reliability(of(y)).alone
    assert alone[1].deviation.low > 2
    assert alone[2].repeat.low > alone[0].repeat.high


def rows(*left_out: tuple[int, int, int]) -> dict[str, list]:
    """A long table of 4 targets, 2 raters and 2 repeats, some of them missing."""
    made = {"values": [], "target": [], "rater": []}
    for t in range(4):
        for r in range(2):
            for k in range(2):
                if (t, r, k) not in left_out:
                    made["values"].append(10.0 * t + r + 0.3 * k)
                    made["target"].append(f"p{t}")
                    made["rater"].append(f"R{r}")
    return made


def test_a_target_that_is_not_whole_is_refused_or_left_out_and_listed():
    table = rows((2, 1, 0))
    with pytest.raises(InvalidInput, match=r"1 of 4 are not rated 2 times .* \(p2\)"):
        ag.select_ratings(**table)
    found = ag.select_ratings(**table, missing="drop")
    assert found.targets == ("p0", "p1", "p3")
    assert {one.reason for one in found.excluded} == {"not rated 2 times by every rater"}
    assert len(found.excluded) == 3


def test_a_rating_without_a_value_is_listed_with_its_reason():
    table = rows()
    table["values"][3] = float("nan")
    why = [None] * 16
    why[3] = "no leg was found"
    found = ag.select_ratings(**table, reasons=why, missing="drop")
    assert [one.reason for one in found.excluded if one.row == 4] == ["no value: no leg was found"]


def test_a_rating_without_a_value_that_was_done_again_is_listed_and_its_target_stays():
    table = rows()
    again = {name: [*column, column[3]] for name, column in table.items()}
    again["values"][3] = float("nan")
    found = ag.select_ratings(**again)
    assert len(found.targets) == 4
    assert [(one.row, one.reason) for one in found.excluded] == [(4, "no value")]


def altered(**columns: list) -> dict[str, list]:
    return rows() | columns


@pytest.mark.parametrize(
    ("table", "words"),
    [
        pytest.param(altered(rater=["R1"] * 16), "two or more", id="one rater"),
        pytest.param(altered(rater=[None, *["R1", "R2"] * 7, "R1"]), "none missing", id="nobody"),
        pytest.param(altered(target=[None] * 16), "what was rated", id="nothing rated"),
        pytest.param(
            rows(*((t, 0, k) for t in (1, 2) for k in (0, 1))), "needs 3 targets", id="two whole"
        ),
        pytest.param(
            altered(repeat=[1, 2] * 7 + [1, 1]), "row 16 is repeat 1 of p3 by R1", id="one twice"
        ),
    ],
)
def test_tables_that_tell_nothing_are_refused(table, words):
    with pytest.raises(InvalidInput, match=words):
        ag.select_ratings(**table, missing="drop")


def test_targets_that_are_all_alike_are_refused():
    with pytest.raises(InvalidInput, match="must differ"):
        ag.reliability(of(np.ones((4, 2, 2))))


# Planning -----------------------------------------------------------------------------


def test_bonett_2002_s_example():
    """Printed: 19.2, so 20 subjects."""
    plan = ag.plan_icc(icc=0.85, raters=4, width=0.2)
    assert (round(plan.exact, 1), plan.n) == (19.2, 20)


def test_two_raters_and_a_high_coefficient_need_five_times_it_more():
    low, high = (ag.plan_icc(icc=icc, raters=2, width=0.2).exact for icc in (0.69999, 0.7))
    assert high - low == pytest.approx(5 * 0.7, abs=0.01)


def test_walter_1998_finds_its_own_power():
    """The planned number, in 2000 drawn studies with the exact F test: 80 % and 3 deviations."""
    plan = ag.plan_icc_above(icc=0.8, above=0.6, raters=2)
    assert plan.n == 39
    rng = np.random.default_rng(3)
    n, k, runs = plan.n, 2, 2000
    y = rng.normal(0, 2.0, (runs, n, 1)) + rng.normal(0, 1.0, (runs, n, k))
    means = y.mean(axis=2)
    between = k * means.var(axis=1, ddof=1)
    within = ((y - means[:, :, None]) ** 2).sum(axis=(1, 2)) / (n * (k - 1))
    from scipy import stats

    least = (1 + k * 0.6 / 0.4) * stats.f.ppf(0.95, n - 1, n * (k - 1))
    assert abs(np.mean(between / within > least) - 0.8) < 0.03


@pytest.mark.parametrize("between", [0.0, 0.4, 1.0])
def test_one_pair_a_person_is_bland_and_altman_s(between):
    """1.96 sqrt(1 / n + 1.96² / (2 (n - 1))) SD, about sqrt(3 / n) for the standard error."""
    half = half_width_with_repeats(100, repeats=1, sd=3.0, between=between)
    assert half == pytest.approx(1.96 * (3 / 100) ** 0.5 * 3.0, rel=0.02)


def test_repeats_that_are_all_alike_help_nothing_and_strangers_are_persons():
    one = half_width_with_repeats(40, repeats=1, sd=3.0, between=1.0)
    assert half_width_with_repeats(40, repeats=5, sd=3.0, between=1.0) == pytest.approx(one)
    many = half_width_with_repeats(40, repeats=5, sd=3.0, between=0.0)
    alone = half_width_with_repeats(200, repeats=1, sd=3.0, between=0.0)
    assert many == pytest.approx(alone, rel=0.02)


def test_the_planned_half_width_is_what_drawn_studies_have():
    """60 persons with 3 pairs: the mean half-width of our own intervals, within 10 %."""
    rng = np.random.default_rng(5)
    halves = []
    for _ in range(100):
        d = np.repeat(rng.normal(0, 2, 60), 3) + rng.normal(0, 2, 180)
        pairs = ag.Pairs(np.zeros(180), d, person=np.repeat(np.arange(60), 3))
        upper = ag.limits_of_agreement(pairs).upper
        halves.append((upper.high - upper.low) / 2)
    planned = half_width_with_repeats(60, repeats=3, sd=8**0.5, between=0.5)
    assert np.mean(halves) == pytest.approx(planned, rel=0.1)
    plan = ag.plan_limits_with_repeats(sd=8**0.5, half_width=planned, repeats=3, between=0.5)
    assert plan.n == 60


@pytest.mark.parametrize(
    ("call", "words"),
    [
        pytest.param(lambda: ag.plan_icc(icc=1.0, raters=2, width=0.1), "below 1", id="icc"),
        pytest.param(lambda: ag.plan_icc(icc=0.8, raters=1, width=0.1), "2 or more", id="raters"),
        pytest.param(lambda: ag.plan_icc(icc=0.8, raters=2, width=0), "width", id="width"),
        pytest.param(
            lambda: ag.plan_icc_above(icc=0.6, above=0.6, raters=2), "below 0.6", id="above"
        ),
        pytest.param(
            lambda: ag.plan_icc_above(icc=0.6, above=0.5, raters=2, power=1), "power", id="power"
        ),
        pytest.param(
            lambda: ag.plan_limits_with_repeats(sd=0, half_width=1, repeats=2, between=0.5),
            "sd",
            id="sd",
        ),
        pytest.param(
            lambda: ag.plan_limits_with_repeats(sd=4, half_width=1, repeats=0, between=0.5),
            "repeats",
            id="repeats",
        ),
        pytest.param(
            lambda: ag.plan_limits_with_repeats(sd=4, half_width=1, repeats=2, between=1.5),
            "between",
            id="between",
        ),
        pytest.param(
            lambda: ag.plan_limits_with_repeats(sd=4, half_width=1e-4, repeats=2, between=0.5),
            "at least",
            id="too sharp",
        ),
    ],
)
def test_plans_that_cannot_be_are_refused(call, words):
    with pytest.raises(InvalidInput, match=words):
        call()


# Items and command --------------------------------------------------------------------


def test_grras_has_its_fifteen_items_and_stard_its_thirty_in_order():
    """STARD 2015 numbers 10, 12, 13 and 21 as a and b."""
    assert [item.number for item in GRRAS] == [str(n) for n in range(1, 16)]
    thirty = [str(n) for n in range(1, 31)]
    parts = [f"{n}{part}" if n in ("10", "12", "13", "21") else n for n in thirty for part in "ab"]
    assert [item.number for item in STARD] == list(dict.fromkeys(parts))
    told = {item.number: said for item, said in answered(GRRAS, {"13": "see the figures"})}
    assert told["13"] == "see the figures"
    assert told["14"] == YOURS
    with pytest.raises(ValueError, match="16"):
        answered(GRRAS, {"16": "x"})


@pytest.fixture
def table(tmp_path):
    rng = np.random.default_rng(3)
    lines = ["photo,rater,repeat,flexion_deg"]
    for photo in range(8):
        for r in range(3):
            for k in (1, 2):
                value = 12.0 * photo + r + rng.normal(0, 1)
                gone = (photo, r, k) == (5, 1, 2)
                lines.append(f"p{photo}.jpg,R{r + 1},{k},{'' if gone else f'{value:.3f}'}")
    path = tmp_path / "ratings.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def called(*arguments: str, fails: bool = False):
    done = CliRunner().invoke(app, ["rating", *arguments])
    assert fails == (done.exit_code != 0), done.output + repr(done.exception)
    return done


def test_command_report_and_json_tell_the_same(table, tmp_path):
    html, pdf = tmp_path / "r.html", tmp_path / "r.pdf"
    call = ("report", str(table), "--missing", "drop")
    said = called(*call, "--out", str(html), "--out", str(pdf)).output
    row = json.loads(called(*call, "--format", "json").output)
    assert (row["targets"], row["raters"], row["repeats"]) == (7, 3, 2)
    assert len(row["excluded"]) == 6
    figure = f"{row['smallest_detectable_difference']['between_raters']['value']:.1f}°"
    page = html.read_text()
    for text in (said, page):
        assert f"Two raters differ by less than {figure}" in text
        assert "left out: no value" in text
    for method in row["methods"]:
        assert method.replace("'", "&#39;") in page
    assert row["weights_sha256"] in page
    assert "Ann" not in page
    assert pdf.read_bytes().startswith(b"%PDF")


@pytest.mark.parametrize(
    ("covered", "said"),
    [
        pytest.param((0, 8), "display was covered in 0 of 8 photographs", id="nowhere"),
        pytest.param((8, 8), "display was covered in the photographs", id="everywhere"),
    ],
)
def test_the_methods_claim_no_more_blindness_than_there_was(covered, said):
    found = ag.reliability(of(np.random.default_rng(1).normal(0, 9, (8, 2, 2))))
    about = AboutRaters(
        "t.csv", "flexion_deg", "photo", "rater", "drop", 32, "2026-01-01",
        Versions("1", "ab" * 32), blind=True, seed=7, covered=covered,
    )  # fmt: skip
    assert said in rating_methods(found, about)
    assert "seed 7" in rating_methods(found, about)
    assert "between a photograph and its repeat" not in rating_methods(found, about)
    repeated = rating_methods(found, replace(about, between=4, found=3))
    assert "with at least 4 others between a photograph and its repeat" in repeated
    assert f"{said}, in 3 of them where software had found it" in repeated
    timed = rating_methods(found, replace(about, seconds=11.2, minutes=20.0))
    assert "A rating took 11 s (median). Repeats came 20 min after the rating before" in timed
    unsure = rating_methods(found, replace(about, unsure=2))
    assert f"{said}, in 2 nothing to cover was found" in unsure
    page = html_of(raters_paper(found, about))
    assert page.count(said.replace("'", "&#39;")) >= 3  # methods, GRRAS 8, STARD 13a
    assert "display" not in rating_methods(found, replace(about, blind=False))
    german = html_of(raters_paper(found, about), "de").partition("<body>")[2]
    assert "Zwei Rater unterscheiden sich in 95 von 100 Fällen" in german
    said = re.sub("(Psychol|Stat) Methods", "", german)  # names of journals
    assert not re.search(r"\b(the|raters|each|Methods|rating)\b", said)


def test_a_coefficient_is_never_rounded_up_to_a_perfect_one():
    rng = np.random.default_rng(7)
    ratings = (
        rng.normal(70, 12, (5, 1, 1)) + rng.normal(0, 2, (1, 3, 1)) + rng.normal(0, 1, (5, 3, 2))
    )
    found = ag.reliability(of(ratings))
    assert found.icc_between.interval[1] - found.icc_between.interval[0] > 0.1
    about = AboutRaters(
        "t.csv", "flexion_deg", "photo", "rater", "drop", 30, "2026-01-01", Versions("1", "ab" * 32)
    )
    page = html_of(raters_paper(found, about))
    assert f"raters {found.icc_between.value:.3f} (" in page


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param((), "p5.jpg", id="not whole, not dropped"),
        pytest.param(("--rater", "who"), "has the columns|must have the columns", id="no column"),
        pytest.param(("--out", "r.txt"), "r.txt", id="another ending"),
        pytest.param(("--missing", "drop", "--study", "no"), "no rater study", id="no study"),
    ],
)
def test_a_report_that_cannot_be_meant_is_refused(table, arguments, words):
    import re

    done = called("report", str(table), *arguments, fails=True)
    assert re.search(words, str(done.exception))


def test_plans_answer_in_a_sentence():
    assert called("plan", "--icc", "0.85", "--raters", "4", "--width", "0.2").output.startswith(
        "20 targets, each rated by 4 raters"
    )
    assert called("plan", "--icc", "0.8", "--above", "0.6", "--raters", "2").output.startswith("39")
    row = json.loads(called("plan", "--icc", "0.85", "--raters", "4", "--format", "json").output)
    assert (row["n"], row["raters"], row["width"], row["above"]) == (
        74,
        4,
        0.1,
        None,
    )  # 73.6 by hand
    assert "two questions" in str(
        called("plan", "--above", "0.6", "--width", "0.1", fails=True).exception
    )
    planned = CliRunner().invoke(app, ["agreement", "plan", "--repeats", "3", "--format", "json"])
    row = json.loads(planned.output)
    assert (row["persons"], row["pairs"], row["repeats"]) == (45, 135, 3)
