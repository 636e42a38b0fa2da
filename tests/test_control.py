"""The control chart: judged against the checks before, seldom wrong, by each check's own ±."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from knee_angle.errors import InvalidInput
from knee_angle.machine.control_chart import RULES, individuals_chart

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: ten batches of a flowrate. Data
# from memory; the mean seen quoted from there (tolerance: digits printed).
FLOWRATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_the_handbooks_flowrate_example():
    """The handbook's chart of these ten raises no alarm either."""
    chart = individuals_chart(FLOWRATE)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.signals == ()
    assert not chart.settled


def test_the_limits_are_the_prediction_limits_of_one_more_value():
    """Three sigma's probability, by Student's distribution, for a mean of ten (textbook)."""
    chart = individuals_chart(FLOWRATE)
    half = stats.t.ppf(stats.norm.cdf(3.0), 9) * np.std(FLOWRATE, ddof=1) * np.sqrt(1.1)
    assert (chart.low, chart.high) == pytest.approx((50.81 - half, 50.81 + half))
    assert chart.sigma == pytest.approx(np.std(FLOWRATE, ddof=1))


def test_deviations_of_an_unchanged_machine_are_standard_normal_and_independent():
    """Self-starting chart (Hawkins 1987, from memory): no value is judged by itself."""
    rng = np.random.default_rng(3)
    found = np.array(
        [
            individuals_chart(rng.normal(7.0, 2.5, 30), baseline=30).deviations[2:]
            for _ in range(300)
        ]
    )
    assert stats.kstest(found.ravel(), "norm").pvalue > 0.01
    near = np.corrcoef(found[:, 10], found[:, 11])[0, 1]
    assert abs(near) < 0.2


QUIET = (0.5, -0.5) * 12


@pytest.mark.parametrize(
    ("later", "wanted"),
    [
        pytest.param((0.3, -0.3), [], id="nothing"),
        pytest.param((2.2,), [(24, "beyond")], id="beyond the limit"),
        pytest.param((-2.2,), [(24, "beyond")], id="beyond the lower limit"),
        pytest.param((0.6,) * 9, [(32, "nine_on_one_side")], id="nine on one side"),
        pytest.param((0.6,) * 8, [], id="eight are no run"),
        pytest.param((0.6, 0.6, -0.6) * 4, [], id="changing sides"),
    ],
)
def test_each_rule_fires_at_the_point_that_completes_it(later, wanted):
    chart = individuals_chart((*QUIET, *later), baseline=len(QUIET))
    assert [(s.index, s.rule) for s in chart.signals] == wanted
    assert all(s.words == RULES[s.rule] for s in chart.signals)


@pytest.mark.parametrize("baseline", [None, 60], ids=["the first twelve", "all before"])
@pytest.mark.parametrize("told", ["no u", "its own u", "u too small", "u too large"])
def test_an_unchanged_machine_is_left_in_peace(baseline, told):
    """Average run length of 200 checks or more: no more than 26 % alarmed within 60.

    The five rules of before alarmed in 71 %. Bound: 26 % and three binomial deviations.
    """
    rng = np.random.default_rng(8)
    alarmed = 0
    for _ in range(200):
        u = rng.uniform(0.5, 1.5, 60)
        values = u * rng.standard_normal(60) if told != "no u" else rng.standard_normal(60)
        size = {"no u": None, "its own u": 1.0, "u too small": 0.5, "u too large": 2.0}[told]
        given = None if size is None else size * u
        alarmed += bool(individuals_chart(values, u=given, baseline=baseline).signals)
    assert alarmed / 200 < 0.26 + 3 * np.sqrt(0.26 * 0.74 / 200)


def test_a_machine_that_changed_is_found():
    """Four times the scatter: in most machines within five checks."""
    rng = np.random.default_rng(4)
    found = 0
    for _ in range(100):
        values = rng.standard_normal(25)
        values[20:] += 4.0
        found += any(s.index >= 20 for s in individuals_chart(values, u=[1.0] * 25).signals)
    assert found >= 80


def test_a_sure_check_weighs_more_and_an_unsure_one_raises_no_alarm():
    sure = individuals_chart((*QUIET, 3.0), u=[0.5] * 25, baseline=24)
    unsure = individuals_chart((*QUIET, 3.0), u=[*[0.5] * 24, 2.0], baseline=24)
    assert [s.rule for s in sure.signals] == ["beyond"]
    assert unsure.signals == ()
    weighed = individuals_chart((0.0, 0.0, 10.0), u=[1.0, 1.0, 10.0])
    assert weighed.centre == pytest.approx(10.0 / 100 / 2.01)


def test_a_chart_shifted_and_stretched_is_the_same_chart():
    rng = np.random.default_rng(5)
    values = rng.normal(0, 1, 40)
    plain, moved = individuals_chart(values), individuals_chart(3.0 + 2.5 * values)
    assert moved.centre == pytest.approx(3.0 + 2.5 * plain.centre)
    assert moved.sigma == pytest.approx(2.5 * plain.sigma)
    assert moved.signals == plain.signals


@pytest.mark.parametrize(
    ("call", "rule"),
    [
        pytest.param(
            lambda: individuals_chart((1.0, 2.0, 3.0, 4.0), baseline=9),
            "baseline must be between 3 and the 4 values",
            id="a baseline longer than the values",
        ),
        pytest.param(
            lambda: individuals_chart((1.0, 2.0, 3.0), u=[1.0]), "u must be 3", id="too few u"
        ),
        pytest.param(
            lambda: individuals_chart((1.0, 2.0, 3.0), u=[1.0, 0.0, 1.0]),
            "positive",
            id="a check without doubt",
        ),
    ],
)
def test_two_values_make_no_chart_and_what_is_wrong_is_told(call, rule):
    assert individuals_chart((1.0, 2.0)) is None
    with pytest.raises(InvalidInput, match=rule):
        call()


@pytest.mark.parametrize("value", [0.1, 0.7, 1.37, 1.5, -4.3])
@pytest.mark.parametrize("count", [3, 6, 10, 13])
def test_values_that_never_change_raise_no_alarm(value, count):
    assert individuals_chart([value] * count).signals == ()
