"""Which displayed number is asked for again before anything is advised by it.

Settings as a stranger walked them: knees 33, 54 and 93 at bars 37, 63 and 105; the numbers
were 37, 62 and 105 before somebody typed them wrong.
"""

from __future__ import annotations

import numpy as np
import pytest
from bench.visit_world import Errors, World, estimate_of

from knee_angle.language import tell
from knee_angle.machine.evidence import SettingsOfMachine
from knee_angle.machine.judge import judge_machine
from knee_angle.machine.typed import read_again

BARS = (37.2, 62.8, 105.3)
KNEES = (32.6, 53.9, 93.2)
NO = ("limit", "likely to read", "may read less", "display shows about")
"""Of which nothing may stand in an answer whose numbers do not go together."""


def settings(shown, *, bars=BARS, knees=KNEES, own=0.5, shared=2.0, step=1.0):
    """As many settings as numbers, with the errors of photos with dots."""
    n = len(shown)
    alike = own**2 * np.eye(n) + shared**2
    entries = [("knee", j) for j in range(n)]
    mean, cov = list(knees[:n]), np.kron(np.diag([1.0, 0.25]), alike)
    if bars is not None:
        entries += [("bars", j) for j in range(n)]
        mean += bars[:n]
    m = len(mean)
    names = tuple(f"{chr(97 + j)}.jpg" for j in range(n))
    return SettingsOfMachine(tuple(entries), np.array(mean), cov[:m, :m], shown, step, names)


@pytest.mark.parametrize(
    ("shown", "photo", "about"),
    [
        pytest.param((37, 62, 150), "c.jpg", 104, id="105 typed as 150 at the end"),
        pytest.param((37, 26, 105), "b.jpg", 63, id="62 typed as 26: falls while the knee bends"),
        pytest.param((73, 62, 105), "a.jpg", 37, id="37 typed as 73: falls while the knee bends"),
        pytest.param((37, 82, 105), "b.jpg", 63, id="62 typed as 82: rises, but off the line"),
        pytest.param((49, 74, 171), "c.jpg", 116, id="171 for 117 of a display that is 12 off"),
        pytest.param((62, 26), "b.jpg", 88, id="of two, what falls is told"),
    ],
)
def test_a_number_that_the_others_contradict_is_asked_for_by_its_photo(shown, photo, about):
    found = read_again(settings(shown))
    assert found.contradicted
    (told,) = found.words
    wrong = shown[ord(photo[0]) - 97]
    assert told.startswith(f"Read the display in {photo} again: {wrong}° was given")
    said = float(told.split("about ")[1].split("°")[0])
    assert said == pytest.approx(about, abs=2)
    assert "no value to set" in told


@pytest.mark.parametrize(
    "shown",
    [
        pytest.param((37, 62, 105), id="right"),
        pytest.param((37, None, 105), id="right, one not given"),
        pytest.param((37,), id="one alone"),
        pytest.param((), id="none"),
        pytest.param((42, 68, 110), id="5 more everywhere"),
        pytest.param((39, 59, 93), id="gain of 0.8"),
        pytest.param((35, 65, 105), id="a coarse step"),
    ],
)
def test_a_display_that_goes_with_the_leg_is_asked_for_by_nobody(shown):
    step = 5.0 if shown == (35, 65, 105) else 1.0
    found = read_again(settings(shown, step=step))
    assert found.words == ()
    assert not found.contradicted


def test_a_number_far_from_the_knee_is_checked_first_but_not_where_the_bars_show_it():
    far = read_again(settings((58, 83, 126)))
    assert far.words[0].startswith("Check first that 126° is typed as the display in c.jpg")
    assert not far.contradicted
    assert read_again(settings((37, 62, 105), knees=(15.0, 40.0, 80.0))).words == ()


@pytest.mark.parametrize(
    ("shown", "said"),
    [
        pytest.param((37, 26, 105), "Read the display in b.jpg again: 26°", id="falls"),
        pytest.param((37, 62, 150), "Read the display in c.jpg again: 150°", id="off the line"),
        pytest.param((37, 62, 126), "Check first that 126° is typed", id="far from the knee"),
    ],
)
def test_knees_alone_ask_too(shown, said):
    """Their u is larger: what is proven against the bars is not always against the knee."""
    assert read_again(settings(shown, bars=None)).words[0].startswith(said)


@pytest.mark.parametrize(
    ("which", "wrong"),
    [
        pytest.param(3, 150.0, id="shows far more at the end"),
        pytest.param(1, 26.0, id="falls half-way"),
        pytest.param(0, 52.0, id="shows more near straight"),
    ],
)
def test_an_answer_by_a_mistyped_number_advises_no_limit_and_no_direction(which, wrong):
    seen = estimate_of(
        World(thigh_fault=-25), np.array([20.0, 50.0, 80.0, 105.0]), Errors(),
        np.random.default_rng(3),
    )  # fmt: skip
    shown = list(seen.displayed_deg)
    shown[which] = wrong
    typed = SettingsOfMachine(seen.entries, seen.mean, seen.cov, tuple(shown), seen.step_deg)
    found = judge_machine(typed, range_deg=(15.0, 110.0))
    assert found.words[0].startswith(f"Read the display in {which + 1} again: {wrong:g}°")
    assert found.advice is None
    assert not [word for word in NO if word in " ".join(found.words)]


def test_an_assumed_camera_contradicts_no_number_but_asks_for_a_far_one():
    asked = read_again(settings((37, 26, 150)), provable=False)
    assert not asked.contradicted
    assert asked.words[0].startswith("Check first that 150° is typed as the display in c.jpg")


def test_numbers_of_no_line_are_told_without_naming_one():
    """Up and down by 6: no five of them fit a line either."""
    bars = (20.0, 35.0, 50.0, 65.0, 80.0, 95.0)
    shown = (26.0, 29.0, 56.0, 59.0, 86.0, 89.0)
    found = read_again(settings(shown, bars=bars, knees=bars))
    assert found.contradicted
    assert found.words[0].startswith("The displayed numbers 26°, 29°, 56°, 59°, 86°, 89° do not")


@pytest.mark.parametrize("world", [World(), World(offset=4), World(gain=0.92)], ids=str)
def test_right_numbers_are_doubted_in_no_visit(world):
    for seed in range(6):
        bars = np.linspace(20, 105, 3 + seed % 3)
        seen = estimate_of(world, bars, Errors(), np.random.default_rng(seed))
        assert not read_again(seen).contradicted


def test_what_is_only_to_be_checked_goes_before_the_weightiest_in_one():
    far = read_again(settings((58, 83, 126)))
    said = far.before(("Display wrong.", "Hinge."))
    assert tell(said[0]).endswith("measured knee. Display wrong.")
    assert said[1:] == ("Hinge.",)


def test_a_gain_that_shows_more_here_and_less_there_says_so_of_each_place():
    """Two opposite directions stood one under the other, each as if of the whole range."""
    seen = estimate_of(
        World(offset=12, gain=0.86, thigh_fault=20), np.array([20.0, 50.0, 80.0, 105.0]), Errors(),
        np.random.default_rng(0),
    )  # fmt: skip
    found = judge_machine(seen, range_deg=(15.0, 110.0))
    assert "the display shows about 8° more at 20°" in found.words[0]
    assert found.advice.first == "display"
    assert found.advice.lower_limit_deg > 0
    assert found.words[-1].startswith("Elsewhere in the range the display is likely to read less")
    by = found.advice.less_extension_deg
    assert by >= 8
    assert f"set the extension limit {by}° further from straight than" in found.words[-1]


@pytest.mark.parametrize("offset", [-7.0, -9.0])
def test_a_display_proven_to_show_less_is_not_said_to_be_likely_to(offset):
    """It "may read less" beneath "the display shows about 7° less" sounded like a doubt."""
    seen = estimate_of(World(offset=offset), np.array([60.0]), Errors(), np.random.default_rng(0))
    found = judge_machine(seen, range_deg=(15.0, 110.0))
    assert f"the display shows about {-offset:.0f}° less at 60°" in found.words[0]
    assert found.advice.first == "display"
    assert found.words[-1].startswith(
        "The display shows less than the bars, so the knee may bend further than shown. Set the"
    )
