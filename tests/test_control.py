"""The individuals control chart against a published example, rule by rule."""

from __future__ import annotations

import numpy as np
import pytest

from knee_angle.errors import InvalidInput
from knee_angle.machine.control_chart import RULES, individuals_chart

# NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2: ten batches of a flowrate. Data
# from memory; mean, mean range and limits seen quoted from there (tolerance: digits printed).
FLOWRATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)


def test_the_handbooks_flowrate_example():
    chart = individuals_chart(FLOWRATE)
    assert chart.centre == pytest.approx(50.81, abs=5e-3)
    assert chart.mean_range == pytest.approx(1.8778, abs=5e-5)
    # The handbook divides by d2 = 1.128, we multiply by the rounded 2.66.
    assert chart.high == pytest.approx(55.8041, abs=2e-3)
    assert chart.low == pytest.approx(45.8159, abs=2e-3)
    assert chart.range_limit == pytest.approx(3.267 * 1.8778, abs=1e-3)
    assert chart.signals == ()
    assert not chart.settled


QUIET = (0.5, -0.5) * 6  # mean 0, mean range 1, limits ± 2.66


@pytest.mark.parametrize(
    ("later", "wanted"),
    [
        pytest.param((0.3, -0.3), [], id="nothing"),
        pytest.param((2.7,), [(12, "beyond")], id="beyond the limit"),
        pytest.param((-2.7,), [(12, "beyond")], id="beyond the lower limit"),
        pytest.param((1.8, 0.2, 1.8), [(14, "two_of_three")], id="two of three"),
        pytest.param((1.8, 0.2, -1.8), [], id="two of three, but on different sides"),
        pytest.param((0.9, 0.9, 0.0, 0.9, 0.9), [(16, "four_of_five")], id="four of five"),
        pytest.param((0.1,) * 8, [(19, "eight_on_one_side")], id="eight on one side"),
        pytest.param((0.1,) * 7, [], id="seven are no run"),
        pytest.param((1.7, -1.7), [(13, "jump")], id="a jump between two good values"),
    ],
)
def test_each_rule_fires_at_the_point_that_completes_it(later, wanted):
    chart = individuals_chart((*QUIET, *later), baseline=12)
    assert (chart.low, chart.high) == pytest.approx((-2.66, 2.66))
    assert [(s.index, s.rule) for s in chart.signals] == wanted
    assert all(s.words == RULES[s.rule] for s in chart.signals)


def test_a_chart_shifted_and_stretched_is_the_same_chart():
    rng = np.random.default_rng(5)
    values = rng.normal(0, 1, 40)
    plain, moved = individuals_chart(values), individuals_chart(3.0 + 2.5 * values)
    assert moved.centre == pytest.approx(3.0 + 2.5 * plain.centre)
    assert moved.sigma == pytest.approx(2.5 * plain.sigma)
    assert moved.signals == plain.signals


def test_sigma_is_that_of_normal_values_and_false_alarms_beyond_the_limits_are_rare():
    values = np.random.default_rng(6).normal(10.0, 2.0, 20_000)
    chart = individuals_chart(values)
    assert chart.sigma == pytest.approx(2.0, rel=0.02)
    beyond = sum(s.rule == "beyond" for s in chart.signals)
    assert beyond / len(values) == pytest.approx(0.0027, abs=0.0012)  # three sigma, normal


def test_two_values_make_no_chart_and_a_wrong_baseline_is_told():
    assert individuals_chart((1.0, 2.0)) is None
    with pytest.raises(InvalidInput, match="baseline must be between 3 and the 4 values"):
        individuals_chart((1.0, 2.0, 3.0, 4.0), baseline=9)


@pytest.mark.parametrize("value", [0.1, 0.7, 1.37, 1.5, -4.3])
@pytest.mark.parametrize("count", [3, 6, 10, 13])
def test_values_that_never_change_raise_no_alarm(value, count):
    assert individuals_chart([value] * count).signals == ()
