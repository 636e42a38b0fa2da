"""Agreement of two methods, against published examples, scipy, statsmodels and pingouin."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from published_tables import columns
from scipy import integrate, stats
from statsmodels.stats.proportion import proportion_confint

from knee_angle import agreement as ag
from knee_angle.agreement.limits import limit_factors, tolerance_factor
from knee_angle.agreement.plan import half_width_of
from knee_angle.errors import InvalidInput
from knee_angle.machine.calibration import fit_line

SEVENTEEN = list(range(17))


def random_pairs(seed: int, *, n: int = 40, persons: int | None = None) -> ag.Pairs:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 120, n)
    y = 2.0 + 1.05 * x + rng.normal(0, 4, n)
    whose = None if persons is None else rng.permutation(np.arange(n) % persons)
    return ag.select_pairs(
        reference=x, compared=y, person=whose, u_reference=rng.uniform(0.5, 3, n)
    )


def flow() -> ag.Pairs:
    """Peak flow, large meter compared with the mini meter; first readings."""
    c = columns("bland_altman_1986")
    return ag.select_pairs(reference=c["m1"], compared=c["w1"])


def cardiac() -> ag.Pairs:
    c = columns("bland_altman_2007")
    return ag.select_pairs(reference=c["ic"], compared=c["rv"], person=c["person"].astype(int))


# Limits of agreement


def test_bland_altman_1986_peak_flow():
    """Lancet i:307-310: mean -2.1, SD 38.8; more digits and the limits computed by the project."""
    limits = ag.limits_of_agreement(flow())
    assert (limits.bias.value, limits.sd.value) == pytest.approx((-2.1, 38.8), abs=0.05)
    assert (limits.bias.value, limits.sd.value) == pytest.approx((-2.117647, 38.765130), abs=5e-7)
    assert (limits.lower.value, limits.upper.value) == pytest.approx((-78.0959, 73.8606), abs=5e-5)


def test_bland_altman_2007_where_the_true_value_varies():
    """J Biopharm Stat 17:571-582: bias 0.6021667, SD 0.99062408, limits with 1.96 exactly."""
    limits = ag.limits_of_agreement(cardiac(), true_value="varies")
    assert limits.bias.value == pytest.approx(0.6021667, abs=5e-8)
    assert limits.sd.value == pytest.approx(0.99062408, abs=1e-7)
    assert limits.lower.value == pytest.approx(-1.3394565, abs=5e-5)
    assert limits.upper.value == pytest.approx(2.5437899, abs=5e-5)


def test_very_unequal_numbers_of_pairs_agree_with_a_mixed_model():
    """REML (statsmodels) with a random person: bias and SD within half a standard error."""
    rng = np.random.default_rng(12)
    whose = np.repeat(np.arange(12), [60, 20, 8, 5, 4, 3, 3, 2, 2, 2, 2, 2])
    d = 1.5 + rng.normal(0, 2, 12)[whose] + rng.normal(0, 2, len(whose))
    limits = ag.limits_of_agreement(ag.Pairs(60 + 0 * d, 60 + d, person=whose))
    model = sm.MixedLM(d, np.ones((len(d), 1)), whose).fit(reml=True)
    sd = float(np.sqrt(model.cov_re[0, 0] + model.scale))
    assert limits.bias.value == pytest.approx(model.fe_params[0], abs=0.5 * model.bse_fe[0])
    assert limits.sd.value == pytest.approx(sd, rel=0.1)
    assert np.ptp(limits.bias.interval) > 2 * 1.9 * float(model.bse_fe[0])


def test_bland_altman_2007_where_the_true_value_is_constant():
    """Same paper: mean of the persons' differences 0.7092361, SD 1.0518506."""
    limits = ag.limits_of_agreement(cardiac(), true_value="constant")
    assert limits.bias.value == pytest.approx(0.7092361, abs=5e-8)
    assert limits.sd.value == pytest.approx(1.0518506, abs=5e-8)


def test_goniometer_sem_and_smallest_detectable_difference():
    """Lenssen et al. 2007, BMC Musculoskelet Disord 8:83, between two physiotherapists.

    Printed: n 30, mean 1.4, limits -16.2 to 19. SD 8.98, SEM 6.35 and SDD 17.6 computed from
    them by the project.
    """
    rng = np.random.default_rng(1)
    d = rng.normal(size=30)
    d = 1.4 + 8.98 * (d - d.mean()) / d.std(ddof=1)
    limits = ag.limits_of_agreement(ag.select_pairs(reference=np.zeros(30), compared=d))
    assert (limits.lower.value, limits.upper.value) == pytest.approx((-16.2, 19.0), abs=0.05)
    assert (limits.sem.value, limits.sdd.value) == pytest.approx((6.35, 17.6), abs=0.005)


@pytest.mark.parametrize(
    ("n", "factor"),
    [
        pytest.param(10, 2.911, id="ten values"),
        pytest.param(20, 2.396, id="twenty values"),
        pytest.param(30, 2.220, id="thirty values"),
    ],
)
def test_one_sided_tolerance_factors(n, factor):
    """95 % content at 95 % confidence, NIST/SEMATECH e-Handbook 7.2.6.3 (Natrella 1963)."""
    assert tolerance_factor(n, content=0.95, confidence=0.95) == pytest.approx(factor, abs=5.1e-4)


@pytest.mark.parametrize("n", [3, 8, 30, 500])
def test_the_factors_of_the_limits_hold_by_plain_integration(n):
    """P(mean + k s > mu + 1.96 sigma) over the distribution of s, without the noncentral t."""
    for k, probability in zip(limit_factors(n), (0.025, 0.975), strict=True):

        def beyond(s: float, k: float = k) -> float:
            density = stats.chi.pdf(s * math.sqrt(n - 1), n - 1) * math.sqrt(n - 1)
            return density * stats.norm.cdf((k * s - 1.959963984540054) * math.sqrt(n))

        got, _ = integrate.quad(beyond, 0, 1 + 12 / math.sqrt(n), limit=200, points=[1.0])
        assert got == pytest.approx(probability, abs=1e-6)


def test_the_exact_interval_reaches_further_out_than_bland_and_altmans():
    """1986: ± t sqrt(3 s² / n), symmetric; Carkeet 2015 shows it too narrow outwards."""
    limits = ag.limits_of_agreement(flow())
    t = stats.t.ppf(0.975, 16)
    approximate = t * math.sqrt(3 * limits.sd.value**2 / 17)
    assert limits.upper.high - limits.upper.value > approximate
    assert limits.upper.value - limits.upper.low < approximate


@pytest.mark.parametrize("seed", range(3))
def test_the_bias_has_scipys_t_interval(seed):
    pairs = random_pairs(seed)
    interval = stats.ttest_1samp(pairs.difference, 0).confidence_interval(0.95)
    assert ag.limits_of_agreement(pairs).bias.interval == pytest.approx(tuple(interval))


def test_one_pair_a_person_is_the_same_with_and_without_persons():
    alone = random_pairs(1)
    named = ag.Pairs(alone.reference, alone.compared, person=np.arange(alone.n))
    for one, other in (
        (ag.limits_of_agreement(alone).upper, ag.limits_of_agreement(named).upper),
        (ag.trend(alone).gain, ag.trend(named).gain),
        (ag.icc_of_pairs(alone).forms["2,1"], ag.icc_of_pairs(named).forms["2,1"]),
        (ag.concordance(alone).coefficient, ag.concordance(named).coefficient),
        (ag.share_within(alone, 5).share, ag.share_within(named, 5).share),
    ):
        assert one == other


def test_repeating_every_pair_does_not_make_the_limits_look_better_known():
    """Ten copies of each person are still one person each."""
    once = random_pairs(3, n=20)
    rows = np.repeat(np.arange(20), 10)
    copied = ag.Pairs(once.reference[rows], once.compared[rows], person=rows)
    single, many = ag.limits_of_agreement(once), ag.limits_of_agreement(copied)
    assert many.bias.interval == pytest.approx(single.bias.interval)
    width = many.upper.high - many.upper.low
    assert width > 0.9 * (single.upper.high - single.upper.low)
    naive = ag.limits_of_agreement(ag.Pairs(copied.reference, copied.compared)).upper
    assert naive.high - naive.low < width / 2.5


@given(st.integers(0, 10_000), st.floats(-50, 50), st.floats(0.1, 20))
def test_limits_move_with_a_shift_and_grow_with_a_unit(seed, shift, unit):
    pairs = random_pairs(seed, n=12, persons=5)
    moved = ag.Pairs(unit * pairs.reference, unit * (pairs.compared + shift), person=pairs.person)
    before, after = ag.limits_of_agreement(pairs), ag.limits_of_agreement(moved)
    for name in ("bias", "lower", "upper"):
        was, now = getattr(before, name), getattr(after, name)
        assert now.interval == pytest.approx([unit * (end + shift) for end in was.interval])
    assert after.sd.interval == pytest.approx([unit * end for end in before.sd.interval])


# Repeatability


def test_bland_altman_1986_repeatability():
    """Coefficients 43.2 and 56.4 of the paper (2 sqrt(mean d²); computed 43.294 and 56.316)."""
    c = columns("bland_altman_1986")
    for meter, coefficient in (("w", 43.294), ("m", 56.316)):
        values = np.concatenate([c[f"{meter}1"], c[f"{meter}2"]])
        result = ag.repeatability(values, person=SEVENTEEN * 2)
        assert 2 * math.sqrt(2) * result.sd.value == pytest.approx(coefficient, abs=5e-4)
        assert result.coefficient.value == pytest.approx(coefficient * 1.959964 / 2, abs=5e-4)


def test_bland_altman_2007_variances_within_persons():
    """RV 0.107227795 and IC 0.137874069, printed from a table of rounded sums."""
    c = columns("bland_altman_2007")
    for method, variance in (("rv", 0.107227795), ("ic", 0.137874069)):
        result = ag.repeatability(c[method], person=c["person"].astype(int))
        assert result.sd.value**2 == pytest.approx(variance, abs=5e-8)
        assert result.freedom == 48


# Coefficients


def test_shrout_and_fleiss_1979():
    """Psychol Bull 86:420-428: .17 .29 .71 .44 .62 .91 (printed values from memory)."""
    ratings = np.column_stack(list(columns("shrout_fleiss").values()))
    forms = ag.icc(ratings).forms
    printed = {"1,1": 0.17, "2,1": 0.29, "3,1": 0.71, "1,k": 0.44, "2,k": 0.62, "3,k": 0.91}
    assert {f: e.value for f, e in forms.items()} == pytest.approx(printed, abs=0.005)


@pytest.mark.parametrize(
    ("seed", "targets", "raters"),
    [
        pytest.param(1, 30, 2, id="thirty targets, two raters"),
        pytest.param(2, 6, 4, id="six targets, four raters"),
        pytest.param(3, 12, 3, id="twelve targets, three raters"),
    ],
)
@pytest.mark.filterwarnings("ignore")  # pingouin's own, of pandas 3 and of division by zero
def test_pingouin_gives_the_same_six_coefficients_and_intervals(seed, targets, raters):
    """Pingouin prints intervals to two decimals."""
    import pingouin  # here: every process of a run reads this file, and this takes a second

    rng = np.random.default_rng(seed)
    ratings = rng.normal(size=(targets, 1)) + rng.normal(scale=0.7, size=(targets, raters))
    ratings += rng.normal(scale=0.3, size=(1, raters))
    rows = [
        (target, rater, ratings[target, rater])
        for target in range(targets)
        for rater in range(raters)
    ]
    frame = pd.DataFrame(rows, columns=["target", "rater", "score"])
    theirs = pingouin.intraclass_corr(frame, "target", "rater", "score")
    for (_, row), form in zip(theirs.iterrows(), ag.FORMS, strict=True):
        ours = ag.icc(ratings).forms[form]
        assert ours.value == pytest.approx(row["ICC"], abs=1e-6)
        assert ours.interval == pytest.approx(tuple(row["CI95"]), abs=0.00501)


def test_concordance_is_the_ratio_of_lin_and_never_above_the_correlation():
    pairs = random_pairs(4)
    (vx, cxy), (_, vy) = np.cov(pairs.reference, pairs.compared, ddof=0)
    expected = 2 * cxy / (vx + vy + (pairs.reference.mean() - pairs.compared.mean()) ** 2)
    result = ag.concordance(pairs)
    assert result.coefficient.value == pytest.approx(expected)
    assert result.precision == pytest.approx(stats.pearsonr(pairs.reference, pairs.compared)[0])
    assert result.precision * result.accuracy == pytest.approx(expected)
    assert result.coefficient.low < expected < result.coefficient.high < 1


def test_concordance_nears_the_absolute_agreement_coefficient_in_large_tables():
    """They differ by terms in 1 / n (Nickerson CA 1997, Biometrics 53:1503-1507; memory)."""
    pairs = random_pairs(5, n=20_000)
    assert ag.concordance(pairs).coefficient.value == pytest.approx(
        ag.icc_of_pairs(pairs).forms["2,1"].value, abs=1e-4
    )


# Lines


def test_deming():
    """Var(Y) 0.008, Var(X) 0.032: a -0.089745, b 1.001194 (computed by the project)."""
    c = columns("deming")
    pairs = ag.select_pairs(reference=c["x"], compared=c["y"])
    line = ag.deming(pairs, variance_ratio=0.008 / 0.032)
    assert (line.offset.value, line.gain.value) == pytest.approx((-0.089745, 1.001194), abs=5e-7)


def test_york_pearson():
    """Pearson's points with York's weights: a 5.47991022, b -0.48053341."""
    c = columns("york_pearson")
    line = ag.errors_in_both(
        ag.select_pairs(reference=c["x"], compared=c["y"]),
        u_reference=c["w_x"] ** -0.5,
        u_compared=c["w_y"] ** -0.5,
    )
    assert (line.offset.value, line.gain.value) == pytest.approx(
        (5.47991022, -0.48053341), abs=5e-9
    )


@pytest.mark.parametrize("seed", range(3))
def test_errors_in_both_is_the_line_of_the_machine_check(seed):
    """Two solvers of ours that share no code: matrices there, sums here."""
    pairs = random_pairs(seed)
    u_y = np.linspace(1, 4, pairs.n)
    ours = ag.errors_in_both(pairs, u_reference=pairs.u_reference, u_compared=u_y)
    theirs = fit_line(pairs.reference, pairs.compared, u_x=pairs.u_reference, u_y=u_y)
    assert (ours.offset.value, ours.gain.value) == pytest.approx(
        (theirs.offset, theirs.gain), rel=1e-7
    )
    assert ours.chi2_per_dof == pytest.approx(theirs.chi2 / theirs.dof)


@pytest.mark.parametrize("persons", [pytest.param(None, id="pairs"), pytest.param(9, id="persons")])
def test_the_jackknife_from_sums_is_the_one_that_refits_without_each(persons):
    pairs = random_pairs(6, n=30, persons=persons)
    unit = np.arange(30) if pairs.person is None else pairs.person
    u_y = np.full(30, 2.0)

    def rest(i: int) -> ag.Pairs:
        return ag.Pairs(pairs.reference[unit != i], pairs.compared[unit != i])

    left = {
        "deming": [ag.deming(rest(i)).gain.value for i in range(pairs.units)],
        "both": [
            ag.errors_in_both(
                rest(i), u_reference=pairs.u_reference[unit != i], u_compared=u_y[unit != i]
            ).gain.value
            for i in range(pairs.units)
        ],
    }
    ours = {
        "deming": ag.deming(pairs).gain,
        "both": ag.errors_in_both(pairs, u_reference=pairs.u_reference, u_compared=u_y).gain,
    }
    g = pairs.units
    t = stats.t.ppf(0.975, g - 2)
    for name, gains in left.items():
        half = t * math.sqrt((g - 1) / g * np.sum((gains - np.mean(gains)) ** 2))
        assert ours[name].high - ours[name].value == pytest.approx(half, rel=1e-4)


def test_one_step_without_each_unit_is_near_enough_in_large_tables(monkeypatch):
    """Above 250,000 units times pairs the refinement is left out."""
    pairs = random_pairs(7, n=400)
    u_y = np.full(400, 2.0)
    exact = ag.errors_in_both(pairs, u_reference=pairs.u_reference, u_compared=u_y)
    monkeypatch.setattr("knee_angle.agreement.lines.SMALL", 0)
    quick = ag.errors_in_both(pairs, u_reference=pairs.u_reference, u_compared=u_y)
    assert quick.gain.interval == pytest.approx(exact.gain.interval, rel=1e-4)


def test_proportional_bias_has_the_intervals_of_statsmodels():
    pairs = random_pairs(8)
    fitted = sm.OLS(pairs.difference, sm.add_constant(pairs.mean)).fit()
    line = ag.trend(pairs)
    assert (line.offset.value, line.gain.value) == pytest.approx(tuple(fitted.params))
    assert [*line.offset.interval, *line.gain.interval] == pytest.approx(fitted.conf_int().ravel())


def test_a_gain_of_five_percent_shows_in_every_line():
    pairs = random_pairs(9, n=400)
    assert ag.trend(pairs).gain.low > 0
    assert ag.deming(pairs).gain.interval == pytest.approx((1.05, 1.05), abs=0.03)


# Shares


@pytest.mark.parametrize(("count", "n"), [(0, 12), (3, 12), (37, 40), (40, 40)])
def test_wilsons_interval_is_that_of_statsmodels_and_scipy(count, n):
    ours = ag.wilson(count / n, n=n)
    assert ours == pytest.approx(proportion_confint(count, n, method="wilson"))
    theirs = stats.binomtest(count, n).proportion_ci(0.95, method="wilson")
    assert ours == pytest.approx((theirs.low, theirs.high))


def test_persons_who_agree_with_themselves_are_worth_fewer_pairs():
    """Ten copies of each pair: the effective size is near the number of persons."""
    once = random_pairs(10, n=30)
    rows = np.repeat(np.arange(30), 10)
    copied = ag.Pairs(once.reference[rows], once.compared[rows], person=rows)
    assert ag.share_within(copied, 5).effective_n == pytest.approx(29)
    assert ag.share_within(copied, 5).share.value == ag.share_within(once, 5).share.value


def test_a_difference_on_the_tolerance_is_within():
    pairs = ag.select_pairs(reference=[10, 20, 30], compared=[15, 14.9, 30])
    assert ag.share_within(pairs, 5).count == 2


# Rows that are no pairs


def test_missing_values_are_refused_and_named():
    with pytest.raises(InvalidInput) as refused:
        ag.select_pairs(
            reference=[1.0, math.nan, 3.0],
            compared=[1.0, 2.0, math.inf],
            names=["a.jpg", "b.jpg", "c.jpg"],
            reasons=[None, "no leg found", None],
            words=("flexion_deg", "displayed_deg"),
        )
    assert str(refused.value) == (
        "2 of 3 rows cannot be used (b.jpg: flexion_deg is missing: no leg found; "
        "c.jpg: displayed_deg is not finite): correct them, or choose to drop them "
        "(--missing drop), which lists them"
    )


def test_dropped_rows_are_counted_and_named():
    pairs = ag.select_pairs(
        reference=[1.0, math.nan, 3.0, 4.0],
        compared=[1.0, 2.0, 3.0, 4.0],
        person=["p1", "p2", None, "p1"],
        u_reference=[1.0, 1.0, 1.0, 0.0],
        missing="drop",
    )
    assert pairs.kept.tolist() == [0]
    assert pairs.excluded == (
        ag.Excluded(2, "row 2", "reference is missing"),
        ag.Excluded(3, "row 3", "the person is missing"),
        ag.Excluded(4, "row 4", "the u of reference is not a positive number"),
    )


@pytest.mark.parametrize(
    ("call", "says"),
    [
        pytest.param(
            lambda: ag.select_pairs(reference=[1.0], compared=[1.0, 2.0]),
            "every column must have one value a row, but the lengths are reference 1, compared 2",
            id="columns of different length",
        ),
        pytest.param(
            lambda: ag.limits_of_agreement(ag.select_pairs(reference=[1, 2], compared=[1, 2])),
            "limits of agreement need 3 pairs or more, but got 2: measure more",
            id="two pairs",
        ),
        pytest.param(
            lambda: ag.deming(random_pairs(1), variance_ratio=0),
            "variance_ratio must be positive, but got 0",
            id="a ratio of nothing",
        ),
        pytest.param(
            lambda: ag.share_within(random_pairs(1), -5),
            "a tolerance must be positive, but got -5",
            id="a negative tolerance",
        ),
        pytest.param(
            lambda: ag.trend(ag.select_pairs(reference=[1, 2, 3, 4], compared=[4, 3, 2, 1])),
            "the means of the pairs must differ for a trend, but are all the same",
            id="means that are all the same",
        ),
        pytest.param(
            lambda: ag.icc([[1, 1], [1, 1], [1, 1]]),
            "targets must differ for an intraclass correlation, but their means are all the same",
            id="targets without variance",
        ),
        pytest.param(
            lambda: ag.icc([[1, 2, 3]]),
            "ratings must be 3 targets by 2 raters or more, but have shape (1, 3)",
            id="one target",
        ),
        pytest.param(
            lambda: ag.icc([[1, 2], [3, math.nan], [5, 6]]),
            "ratings must all be finite: leave out targets with a missing rating",
            id="a missing rating",
        ),
        pytest.param(
            lambda: ag.repeatability([1, 2, 3], person=[1, 2, 3]),
            "repeatability needs a person with two values, but each has one",
            id="no repeats",
        ),
        pytest.param(
            lambda: ag.concordance(ag.select_pairs(reference=[1] * 5, compared=range(5))),
            "both methods must vary for a concordance, but one is constant",
            id="a constant method",
        ),
        pytest.param(
            lambda: ag.errors_in_both(
                random_pairs(1), u_reference=np.zeros(40), u_compared=np.zeros(40)
            ),
            "each pair needs a positive uncertainty in reference or compared",
            id="no uncertainty at all",
        ),
        pytest.param(
            lambda: ag.plan_limits(sd=4, half_width=0.001),
            "half_width must be at least 0.0424, which 100000 pairs give, but got 0.001: "
            "lower the scatter first",
            id="more than any study",
        ),
        pytest.param(
            lambda: ag.plan_limits(sd=0, half_width=1),
            "sd must be above 0, but got 0",
            id="no scatter",
        ),
        pytest.param(
            lambda: ag.plan_limits(sd=4, half_width=1, assurance=1.0),
            "assurance must be between 0.5 and 0.999, but got 1",
            id="certainty",
        ),
        pytest.param(
            lambda: ag.study_agreement(
                random_pairs(1, n=100), by={"photo": [f"{i}.jpg" for i in range(100)]}
            ),
            "the column photo must group the rows, but has 100 different values "
            "(at most 60): choose another",
            id="a column that is no grouping",
        ),
    ],
)
def test_what_cannot_be_answered_is_told_in_one_line(call, says):
    with pytest.raises(InvalidInput) as told:
        call()
    assert str(told.value) == says


# Sample size


def test_the_plan_reaches_what_was_wanted_and_one_pair_less_does_not():
    for assurance in (None, 0.8):
        plan = ag.plan_limits(sd=4.0, half_width=1.5, assurance=assurance)
        assert plan.half_width <= 1.5
        assert half_width_of(plan.n - 1, sd=4.0, assurance=assurance) > 1.5


def test_the_plan_nears_bland_and_altmans_rule_for_large_studies():
    """Lancet 1986: half-width 1.96 sqrt(3 s² / n), so n = 3 (1.96 s / w)²; 1.71 by more digits."""
    plan = ag.plan_limits(sd=4.0, half_width=0.3)
    z = 1.959964
    assert plan.n == pytest.approx((1 + z**2 / 2) * (z * 4.0 / 0.3) ** 2, rel=0.01)


def test_the_planned_half_width_is_what_studies_of_that_size_get():
    """2,000 simulated studies: the mean, and the share that is sharp enough."""
    rng = np.random.default_rng(11)
    plain = ag.plan_limits(sd=4.0, half_width=1.5)
    sure = ag.plan_limits(sd=4.0, half_width=1.5, assurance=0.8)
    got = {}
    for plan in (plain, sure):
        low, high = limit_factors(plan.n)
        s = rng.normal(scale=4.0, size=(2000, plan.n)).std(axis=1, ddof=1)
        got[plan.assurance] = s * (high - low) / 2
    assert got[None].mean() == pytest.approx(plain.half_width, rel=0.01)
    assert np.mean(got[0.8] <= 1.5) == pytest.approx(0.8, abs=0.04)


# The whole study


def test_a_study_holds_every_figure_of_its_pairs():
    pairs = random_pairs(12, n=60)
    study = ag.study_agreement(pairs, u_compared=1.0, by={"machine": ["B", "A"] * 30})
    assert study.limits.upper == ag.limits_of_agreement(pairs).upper
    assert [w.tolerance for w in study.within] == [5.0, 10.0]
    assert study.deming.gain == ag.deming(pairs).gain
    assert study.both.gain.value == pytest.approx(study.deming.gain.value, abs=0.02)
    assert study.repeats == {}
    assert [(s.label, s.pairs.n) for s in study.subgroups] == [("A", 30), ("B", 30)]
    assert [s.label for s in study.bands] == ["0 to 30", "30 to 60", "60 to 90", "90 to 120"]
    assert sum(s.pairs.n for s in study.bands) == 60


def test_a_subgroup_is_the_study_of_its_rows_alone():
    pairs = random_pairs(13, n=60, persons=20)
    labels = [None if i % 3 == 0 else str(10 - i % 3) for i in range(60)]
    study = ag.study_agreement(pairs, by={"ward": labels})
    assert [s.label for s in study.subgroups] == ["8", "9", "not stated"]
    rows = np.arange(60)[2::3]
    alone = ag.limits_of_agreement(
        ag.select_pairs(
            reference=pairs.reference[rows], compared=pairs.compared[rows],
            person=pairs.person[rows],
        )
    )  # fmt: skip
    assert study.subgroups[0].limits.upper == alone.upper


def test_a_figure_that_the_pairs_do_not_allow_is_refused_and_the_rest_goes_on():
    pairs = ag.select_pairs(reference=[50.0, 50.0, 50.0, 50.0], compared=[51.0, 52.0, 50.0, 53.0])
    study = ag.study_agreement(pairs, by={"room": ["a", "a", "a", "b"]})
    assert study.limits.bias.value == 1.5
    assert isinstance(study.deming, ag.NotComputed)
    assert study.subgroups[1].limits == ag.NotComputed(
        "limits of agreement need 3 pairs or more, but got 1: measure more"
    )


@pytest.mark.parametrize("shift", [pytest.param(0, id="equal"), pytest.param(3, id="shifted")])
def test_methods_that_never_differ_by_chance_have_intervals_without_width(shift):
    x = np.array([10.0, 30, 60, 90, 100])
    study = ag.study_agreement(ag.select_pairs(reference=x, compared=x + shift))
    assert study.limits.upper == ag.Estimate(shift, (shift, shift))
    assert study.deming.gain.interval == pytest.approx((1, 1))
    assert study.trend.gain.interval == pytest.approx((0, 0))
    assert study.icc.forms["3,1"].interval == pytest.approx((1, 1))
    assert study.outside == 0


@pytest.mark.parametrize(
    ("true_value", "names"),
    [
        pytest.param("varies", {"difference"}, id="only the difference repeats where it varies"),
        pytest.param("constant", {"reference", "compared"}, id="each method where it is constant"),
    ],
)
def test_repeats_are_told_of_what_stays_the_same(true_value, names):
    study = ag.study_agreement(cardiac(), settings=ag.StudySettings(true_value=true_value))
    assert set(study.repeats) == names


def test_a_subgroup_of_one_person_says_nothing_of_others():
    x = np.arange(20.0, 100.0, 10.0)
    pairs = ag.select_pairs(reference=x, compared=x + [1, 2, 9, 1, 2, 3, 1, 2], person="aaabbccd")
    study = ag.study_agreement(pairs, by={"ward": list("uuuvvvvv")})
    alone = study.subgroups[0]
    assert isinstance(alone.limits, ag.NotComputed)
    assert (alone.within[0].count, alone.within[0].share.interval) == (2, (0.0, 1.0))


def test_no_row_left_and_values_that_are_no_angles_are_told_in_one_line():
    nothing = ag.select_pairs(
        reference=[np.nan] * 3, compared=[1.0, 2, 3], person="abc", missing="drop"
    )
    with pytest.raises(InvalidInput, match="3 persons or more, but got 0"):
        ag.study_agreement(nothing)
    x = [10.0, 20, 30, 40, 9e18]
    with pytest.raises(InvalidInput, match="bands of 30 would be more than 60"):
        ag.study_agreement(ag.select_pairs(reference=x, compared=x))


def test_agreement_that_hangs_on_one_person_has_no_interval_of_a_coefficient():
    x = np.random.default_rng(0).uniform(10, 110, 12)
    y = x + [1, 2, 3, *[0] * 9]
    study = ag.study_agreement(ag.select_pairs(reference=x, compared=y, person="aaabbbcccddd"))
    for figure in (study.icc, study.concordance):
        assert isinstance(figure, ag.NotComputed)
        assert "without one person both methods agree exactly" in figure.reason
    same = ag.icc_of_pairs(ag.select_pairs(reference=x, compared=x))
    assert {one.interval for one in same.forms.values()} == {(1.0, 1.0)}
