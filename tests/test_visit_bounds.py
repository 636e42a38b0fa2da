"""Always an answer, and limits in three words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from knee_angle.visit import bounds
from knee_angle.visit.limits import judge_limits


@pytest.mark.parametrize(("difference", "u"), [(0.0, 2.0), (4.0, 2.0), (-4.0, 2.0), (12.0, 3.0)])
def test_the_bound_holds_with_95_percent(difference, u):
    """The folded normal distribution of scipy is the independent check."""
    bound = bounds.at_most(difference, u=u)
    assert bound == pytest.approx(stats.foldnorm.ppf(0.95, abs(difference) / u, scale=u), rel=1e-6)


def test_the_bound_of_a_certainty_is_the_difference():
    assert bounds.at_most(-3.0, u=0.0) == 3.0


def apart(displayed: float, knee: float, u: float = 2.0, **kind):
    return bounds.apart(
        displayed, knee_deg=knee, u_knee_deg=u, u_display_deg=0.0, tolerance_deg=10.0, **kind
    )


@pytest.mark.parametrize(
    ("displayed", "knee", "ladder"),
    [
        pytest.param(
            93.0, 88.0, ("undecided", "within", "within", "within"),
            id="5 degrees more: within 10 is shown, within 5 is not",
        ),
        pytest.param(
            110.0, 90.0, ("outside", "outside", "outside", "undecided"),
            id="20 degrees more: beyond 15 is shown",
        ),
        pytest.param(
            90.0, 90.0, ("within", "within", "within", "within"), id="no difference is within all"
        ),
    ],
)  # fmt: skip
def test_what_is_proven_at_each_tolerance(displayed, knee, ladder):
    found = apart(displayed, knee)
    assert tuple(one.verdict for one in found.ladder) == ladder
    assert [one.tolerance_deg for one in found.ladder] == [5.0, 10.0, 15.0, 20.0]


@given(st.floats(-30.0, 30.0), st.floats(0.1, 10.0))
def test_bound_and_verdicts_never_contradict_one_another(difference, u):
    """Within a tolerance is proven where the bound is no larger, and only there."""
    found = apart(60.0 + difference, 60.0, u)
    for one in found.ladder:
        if abs(found.at_most_deg - one.tolerance_deg) > 1e-6:
            assert (one.verdict == "within") == (found.at_most_deg < one.tolerance_deg)


@pytest.mark.parametrize(
    ("knee", "displayed", "tolerance"),
    [
        pytest.param(60.0, 62.0, 10.0, id="in flexion a site's own"),
        pytest.param(19.0, 30.0, 5.0, id="a knee below 20 allows 5"),
        pytest.param(30.0, 19.0, 5.0, id="a display below 20 allows 5"),
        pytest.param(20.0, 20.0, 10.0, id="20 is flexion"),
    ],
)
def test_near_extension_the_tolerance_is_5(knee, displayed, tolerance):
    assert apart(displayed, knee).main.tolerance_deg == tolerance
    assert bounds.tolerance_at(3.0, knee_deg=knee, displayed_deg=displayed) == 3.0


def test_a_flat_picture_bounds_and_proves_nothing():
    for displayed in (60.0, 100.0):
        found = apart(displayed, 60.0, camera_seen=False)
        assert {one.verdict for one in (found.main, *found.ladder)} == {"undecided"}
        assert found.at_most_deg > 0.0


@pytest.mark.parametrize(
    ("knee", "u", "seen", "lacks"),
    [
        pytest.param(10.0, 2.0, True, 6.71, id="10 with u 2: at least 6.7 are lacking"),
        pytest.param(3.0, 2.0, True, None, id="3 with u 2: none is proven"),
        pytest.param(-4.0, 1.0, True, None, id="a hyperextended knee lacks none"),
        pytest.param(10.0, 2.0, False, None, id="flat nothing is proven"),
    ],
)
def test_lacking_extension_is_said_where_proven(knee, u, seen, lacks):
    found = bounds.lacks_extension(knee, u_deg=u, camera_seen=seen)
    assert found == (None if lacks is None else pytest.approx(lacks, abs=0.005))


def limit(**given):
    return judge_limits(**{"knee_deg": 90.0, "u_knee_deg": 2.0, **given})


@pytest.mark.parametrize(
    ("given_", "word", "causes"),
    [
        pytest.param({"knee_deg": 90.0}, "inside", (), id="a knee 5 inside is inside"),
        pytest.param({"knee_deg": 93.0}, "at", (), id="2 inside proves nothing"),
        pytest.param({"knee_deg": 97.0}, "at", (), id="2 beyond proves nothing"),
        pytest.param({"knee_deg": 98.5}, "past", ("knee",), id="3.5 beyond is proven"),
        pytest.param(
            {"displayed_deg": 110.0}, "past", ("display",),
            id="a display of 110 at a limit of 95 is past by itself",
        ),
        pytest.param({"displayed_deg": 95.0}, "inside", (), id="a display on the limit is allowed"),
        pytest.param(
            {"set_flexion_deg": 100.0}, "past", ("machine setting",),
            id="a machine set beyond is past before it gets there",
        ),
        pytest.param(
            {"knee_deg": 99.0, "displayed_deg": 99.0, "set_flexion_deg": 99.0}, "past",
            ("knee", "display", "machine setting"), id="all that is past is named",
        ),
        pytest.param({"camera_seen": False}, "at", (), id="a flat picture proves no inside"),
        pytest.param({"camera_seen": False, "knee_deg": 120.0}, "at", (), id="nor a past"),
        pytest.param(
            {"camera_seen": False, "displayed_deg": 110.0}, "past", ("display",),
            id="but the display needs no picture",
        ),
    ],
)  # fmt: skip
def test_three_words_for_the_flexion_limit(given_, word, causes):
    (found,) = limit(limit_flexion_deg=95.0, **given_)
    assert (found.side, found.word, found.causes) == ("flexion", word, causes)


@pytest.mark.parametrize(
    ("given_", "word", "causes"),
    [
        pytest.param({"knee_deg": 10.0}, "inside", (), id="5 more than prescribed is inside"),
        pytest.param({"knee_deg": 4.0}, "at", (), id="1 beyond proves nothing"),
        pytest.param({"knee_deg": 0.0}, "past", ("knee",), id="straight where 5 short is asked"),
        pytest.param(
            {"knee_deg": 10.0, "displayed_deg": 0.0}, "past", ("display",),
            id="a display of 0 where 5 short of straight is prescribed",
        ),
        pytest.param(
            {"knee_deg": 10.0, "set_extension_deg": -2.0}, "past", ("machine setting",),
            id="a machine set into hyperextension",
        ),
        pytest.param(
            {"knee_deg": 10.0, "set_flexion_deg": 120.0}, "inside", (),
            id="the flexion it is set to is no matter of extension",
        ),
    ],
)  # fmt: skip
def test_three_words_for_the_extension_limit(given_, word, causes):
    (found,) = limit(limit_extension_deg=5.0, **given_)
    assert (found.side, found.word, found.causes) == ("extension", word, causes)


def test_a_limit_that_is_not_known_is_not_judged():
    assert limit() == ()
    both = limit(limit_flexion_deg=95.0, limit_extension_deg=0.0)
    assert [one.side for one in both] == ["flexion", "extension"]


@pytest.mark.parametrize("true_deg", [95.0, 94.0])
def test_past_is_cried_wrongly_at_most_one_time_in_twenty(true_deg):
    """At the very limit, and a degree inside; `inside` is as honest beyond it."""
    rng = np.random.default_rng(4)
    words = [
        limit(knee_deg=true_deg + 2.0 * z, limit_flexion_deg=95.0)[0].word
        for z in rng.standard_normal(4000)
    ]
    assert np.mean([word == "past" for word in words]) <= 0.058
    if true_deg == 95.0:
        assert np.mean([word == "inside" for word in words]) <= 0.058
