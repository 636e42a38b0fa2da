"""Person, rater and repeat as random effects; limits where the tails are heavy.

Sources: Shrout PE, Fleiss JL 1979 (their ratings are in ``published/shrout_fleiss.csv``), and
statsmodels' mixed model by restricted maximum likelihood.
"""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from bench.bench_raters import RATED, heavy_figures, held, rated, rated_figures
from published_tables import columns
from scipy import stats
from typer.testing import CliRunner

from knee_angle import agreement as ag
from knee_angle import compare_methods
from knee_angle.agreement.raters import by_rater, effects_of
from knee_angle.cli import app
from knee_angle.errors import InvalidInput


def of_table(ratings: np.ndarray) -> ag.Pairs:
    person, rater = np.indices(ratings.shape)
    return ag.Pairs(
        np.zeros(ratings.size), ratings.ravel(), person=person.ravel(), rater=rater.ravel()
    )


def test_shrout_and_fleiss_1979_from_the_parts():
    """Printed: ICC(2,1) .29, the share of the persons' variance; case 3 is without raters: .71."""
    ratings = np.column_stack(list(columns("shrout_fleiss").values()))
    parts = by_rater(of_table(ratings)).parts
    person, rater, repeat = (one.value**2 for one in (parts.person, parts.rater, parts.repeat))
    assert person / (person + rater + repeat) == pytest.approx(0.29, abs=0.005)
    assert person / (person + repeat) == pytest.approx(0.71, abs=0.005)
    known = ag.icc(ratings)
    seen = effects_of(of_table(ratings))
    squares = (4 * seen.person[0], 6 * seen.rater[0], seen.repeat[0])
    assert squares == pytest.approx((known.ms_rows, known.ms_columns, known.ms_error))


@pytest.mark.parametrize("seed", [3, 5])
def test_unequal_numbers_agree_with_a_mixed_model(seed):
    """Least squares with every person once are no REML: within a tenth of the interval."""
    pairs = rated(4, 30, 1.5, np.random.default_rng(seed))
    found = by_rater(pairs)
    table = pd.DataFrame({"d": pairs.difference, "p": pairs.person, "r": pairs.rater, "one": 1})
    fit = smf.mixedlm(
        "d ~ 1", table, groups="one", vc_formula={"p": "0 + C(p)", "r": "0 + C(r)"}
    ).fit(reml=True)
    variances = dict(zip(fit.model.exog_vc.names, fit.vcomp, strict=True)) | {"e": fit.scale}
    for name, part in (
        ("p", found.parts.person),
        ("r", found.parts.rater),
        ("e", found.parts.repeat),
    ):
        away = abs(part.value - variances[name] ** 0.5)
        assert away < 0.1 * (part.high - part.low)
    assert abs(found.bias.value - fit.params["Intercept"]) < 0.1 * (
        found.bias.high - found.bias.low
    )


def test_the_pairs_order_and_labels_and_a_shift_change_nothing_else():
    rng = np.random.default_rng(4)
    pairs = rated(3, 12, 1.0, rng)
    order = rng.permutation(pairs.n)
    again = ag.select_pairs(
        reference=pairs.reference[order],
        compared=pairs.compared[order] + 7.0,
        person=[f"P{code}" for code in pairs.person[order]],
        rater=[f"R{code}" for code in pairs.rater[order]],
    )
    one, other = (ag.limits_of_agreement(p) for p in (pairs, again))
    assert other.bias.value == pytest.approx(one.bias.value + 7.0)
    for name in ("person", "rater", "repeat"):
        assert getattr(other.parts, name).interval == pytest.approx(
            getattr(one.parts, name).interval
        )
    assert ag.limits_of_agreement(pairs) != one  # computed anew
    assert ag.limits_of_agreement(pairs).upper == one.upper


def test_intervals_hold_the_truth_with_few_raters_and_unequal_persons():
    """240 studies of 2 to 4 raters: 93 to 97 %, three binomial deviations about that."""
    rng = np.random.default_rng(8)
    shares = held(one for design in RATED for one in rated_figures(*design, 40, rng))
    assert {name: s for name, s in shares.items() if not 0.88 <= s <= 0.997} == {}
    assert 0.92 <= np.mean(list(shares.values())) <= 0.98


def test_quantile_limits_hold_the_truth_where_tails_are_heavy():
    figures = list(heavy_figures(120, 200, several=True, rng=np.random.default_rng(2)))
    assert len(figures) >= 2 * 190  # few studies are refused as too small
    shares = held(iter(figures))
    assert set(shares) == {"lower quantile", "upper quantile"}
    assert {name: s for name, s in shares.items() if not 0.88 <= s <= 0.997} == {}


def of_persons(person: np.ndarray, repeat: np.ndarray) -> ag.Pairs:
    """Differences of persons (persons,) with repeats (persons, repeats) about them."""
    whose = np.repeat(np.arange(len(person)), repeat.shape[1])
    d = (person[:, None] + repeat).ravel()
    return ag.Pairs(np.zeros(len(d)), d, person=whose)


def test_excess_and_p_are_of_the_same_sample():
    """Heavy persons with normal repeats, and the other way round: each is told by its own."""
    rng = np.random.default_rng(12)
    heavy, normal = rng.standard_t(2, 60), rng.normal(0, 1, 60)
    for pairs, told in (
        (of_persons(heavy, rng.normal(0, 1, (60, 2))), "persons"),
        (of_persons(normal, rng.standard_t(2, (60, 2))), "repeats"),
    ):
        tails = ag.tails_of(pairs)
        means = pairs.difference.reshape(60, 2).mean(axis=1)
        left = (pairs.difference.reshape(60, 2) - means[:, None]).ravel()
        sample = means if told == "persons" else left
        assert tails.of == told
        assert tails.heavy
        assert tails.excess == pytest.approx(stats.kurtosis(sample, bias=False))
        p = stats.kurtosistest(sample, alternative="greater").pvalue
        assert tails.p_value == pytest.approx(min(1.0, 2 * p))


def test_heavy_tails_of_few_differences_send_nobody_to_quantiles_that_are_missing(tmp_path):
    """Sixty pairs, three of them far off: the tails are proven, 120 would be needed."""
    d = np.random.default_rng(4).normal(0, 1, 60)
    d[:3] = 25.0, -22.0, 30.0
    table, page = tmp_path / "t.csv", tmp_path / "t.html"
    rows = "\n".join(f"{40 + i},{40 + i + one:.4f}" for i, one in enumerate(d))
    table.write_text(f"flexion_deg,displayed_deg\n{rows}\n")
    said = CliRunner().invoke(app, ["agreement", str(table), "--html", str(page)]).stdout
    for text in (said, page.read_text()):
        assert "heavier than normal" in text
        assert "need about 120" in text
        assert "read the limits by quantiles" not in text
        assert "read neither limits as holding 95 %" in text


def test_a_few_misread_displays_spoil_the_normal_limits_and_the_test_says_which_to_read():
    """3 % are off by 20 degrees: 1.96 SD are nearly twice what 95 % of differences keep."""
    rng = np.random.default_rng(3)
    d = np.where(rng.random(2000) < 0.03, rng.normal(0, 20, 2000), rng.normal(0, 2, 2000))
    knee = rng.uniform(10, 110, 2000)
    study = ag.study_agreement(ag.Pairs(knee, knee + d))
    assert study.tails.heavy
    assert study.limits.upper.low > study.quantiles.upper.high
    normal = [ag.tails_of(ag.Pairs(np.zeros(60), rng.normal(0, 4, 60))).heavy for _ in range(200)]
    assert np.mean(normal) <= 0.04


def test_on_normal_differences_both_limits_agree():
    d = np.random.default_rng(6).normal(2, 3, 4000)
    pairs = ag.Pairs(np.zeros(4000), d)
    limits, quantiles = ag.limits_of_agreement(pairs), ag.quantile_limits(pairs)
    assert quantiles.upper.low < limits.upper.value < quantiles.upper.high
    assert quantiles.lower.low < limits.lower.value < quantiles.lower.high


def alone(person, rater):
    n = len(person)
    return ag.Pairs(
        np.zeros(n), np.arange(float(n)) ** 1.5, person=np.array(person), rater=np.array(rater)
    )


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        pytest.param(alone([0, 0, 1, 1, 2, 2], [0] * 6), "two or more", id="one rater"),
        pytest.param(
            alone([0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 0, 0]), "share none", id="no person shared"
        ),
        pytest.param(alone([0, 0, 1, 2], [0, 1, 0, 1]), "need more than 4 pairs", id="no repeats"),
    ],
)
def test_raters_that_cannot_be_told_are_refused(pairs, says):
    with pytest.raises(InvalidInput, match=says):
        ag.limits_of_agreement(pairs)


def test_a_knee_that_stays_has_no_raters():
    pairs = rated(2, 12, 1.0, np.random.default_rng(1))
    with pytest.raises(InvalidInput, match="constant true value"):
        ag.limits_of_agreement(pairs, true_value="constant")


def test_a_rater_that_is_not_known_is_named():
    with pytest.raises(InvalidInput, match="row 2: the rater is missing"):
        ag.select_pairs(reference=[1, 2, 3], compared=[1, 2, 3], rater=["A", None, "A"])


def written(path, *, compared: str = "displayed_deg"):
    pairs = rated(3, 20, 1.5, np.random.default_rng(11))
    rows = zip(pairs.reference, pairs.compared, pairs.person, pairs.rater, strict=True)
    lines = [f"{x},{y},P{p:02d},R{r}" for x, y, p, r in rows]
    path.write_text("\n".join([f"flexion_deg,{compared},code,who", *lines]))
    return pairs


def test_command_page_json_and_python_tell_the_raters(tmp_path):
    table, page = tmp_path / "t.csv", tmp_path / "t.html"
    pairs = written(table)
    call = ["agreement", str(table), "--person", "code", "--rater", "who"]
    text = CliRunner().invoke(app, [*call, "--html", str(page)]).stdout
    row = json.loads(CliRunner().invoke(app, [*call, "--format", "json"]).stdout)
    study = compare_methods(table, person="code", rater="who")
    limits = ag.limits_of_agreement(pairs)
    assert study.limits.bias == limits.bias
    assert (row["design"], row["raters"], row["settings"]["rater"]) == ("raters", 3, "who")
    assert row["limits"]["sd_rater"]["value"] == pytest.approx(limits.parts.rater.value, abs=1e-6)
    assert row["tails"]["heavy"] is False
    for said in ("SD between raters", "SD between persons", "SD of repeats", "Only 3 raters"):
        assert said in text
        assert said in page.read_text()
    assert "Limits by quantiles" in page.read_text()


@pytest.mark.parametrize("compared", ["displayed_deg", "frame_deg"])
def test_scatter_of_display_or_bars_against_the_knee_is_never_an_error_of_measurement(
    compared, tmp_path
):
    table, page = tmp_path / "t.csv", tmp_path / "t.html"
    written(table, compared=compared)
    call = ["agreement", str(table), "--compared", compared, "--person", "code"]
    text = CliRunner().invoke(app, [*call, "--html", str(page)]).stdout
    row = json.loads(CliRunner().invoke(app, [*call, "--format", "json"]).stdout)
    assert not {"sem", "sdd"} & set(row["limits"])
    for said in (text, page.read_text()):
        assert "SEM" not in said
        assert "smallest detectable" not in said.lower()
