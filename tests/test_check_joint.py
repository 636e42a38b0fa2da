"""A machine check stands on one joint estimate of all its photos.

Drawn from a truth of its own (tests/drawn_visits.py): one leg, one machine, exact cameras.
"""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from drawn_visits import Body, Shot, drawn, random_body
from stores import as_measured

from knee_angle.machine.check import MachineCheck, check_machine
from knee_angle.records import Measurement, NotMeasured
from knee_angle.settings import Settings

BARS_DEG = (12.0, 35.0, 58.0, 81.0, 104.0)


def measured(
    body: Body, shots: list[Shot], rng: np.random.Generator | None = None
) -> dict[str, Measurement]:
    """What the pipeline hands on of drawn photos."""
    return {shot.name: as_measured(drawn(body, shot, rng)) for shot in shots}


def shots(*, slack_deg: float = 0.0, step_deg: float = 1.0, yaw: bool = True, **more) -> list[Shot]:
    """One photo a setting; the display is right but for its step."""
    return [
        Shot(
            f"photo {n}", f"{bars:g}", bars - slack_deg,
            yaw_deg=(-14.0, 6.0, 18.0, -5.0, 11.0)[n % 5] if yaw else 0.0,
            frame_deg=bars, displayed_deg=step_deg * round(bars / step_deg), **more,
        )
        for n, bars in enumerate(BARS_DEG)
    ]  # fmt: skip


@functools.cache
def right() -> MachineCheck | NotMeasured:
    """The check of a machine with nothing wrong."""
    return check_machine(measured(Body(), shots()), Settings())


@pytest.mark.parametrize(
    ("hinge_mm", "said"),
    [
        pytest.param((0.0, -45.0), "behind the knee", id="45 mm behind"),
        pytest.param((0.0, 45.0), "in front of the knee", id="45 mm in front"),
        pytest.param((45.0, 0.0), "towards the foot of the knee", id="45 mm distal"),
    ],
)
def test_a_hinge_off_in_any_direction_is_said(hinge_mm, said):
    result = check_machine(measured(Body(), shots(hinge_mm=hinge_mm)), Settings())
    assert result.kind == "fit"
    assert said in " ".join(result.words)
    assert (result.hinge.verdict, result.across.verdict) == (
        ("outside", "within") if hinge_mm[0] else ("within", "outside")
    )


def test_a_hinge_that_meets_the_knee_is_not_accused():
    result = right()
    assert result.kind == "none"
    assert result.judged.display_verdict.verdict == result.reading_verdict.verdict == "within"


def test_slack_of_six_degrees_is_said():
    result = check_machine(measured(Body(), shots(slack_deg=6.0)), Settings())
    assert "straighter than its place in the machine explains" in " ".join(result.words)
    assert result.fits.slack_deg == pytest.approx(6.0, abs=2.0)
    assert "straighter" not in " ".join(right().words)


def test_photos_of_one_displayed_number_are_repeats():
    again = [replace(one, name=f"{one.name} again", yaw_deg=-one.yaw_deg) for one in shots()]
    result = check_machine(measured(Body(), [*shots(), *again]), Settings())
    assert len(result.photos) == 10
    assert len(result.reading.x) == len(result.knee_line.x) == 5


def test_both_legs_in_one_check_are_refused_in_words():
    left, right = (measured(Body(side=side), shots()) for side in ("left", "right"))
    mixed = left | {"photo 4": right["photo 4"]}
    refused = check_machine(mixed, Settings())
    assert isinstance(refused, NotMeasured)
    assert "the right one in photo 4" in refused.reason
    assert refused.advice == "check each side by photos of its own"


@functools.cache
def many(count: int, *, step_deg: float) -> tuple[MachineCheck | NotMeasured, ...]:
    """Checks of right machines, whose bodies, strips, depths and phones are all a bit off."""
    rng = np.random.default_rng(5)
    results = []
    for _ in range(count):
        away = float(rng.uniform(-3.0, 3.0))
        taken = [
            replace(
                one,
                flexion_deg=one.flexion_deg + away,
                frame_deg=one.frame_deg + away,
                displayed_deg=step_deg * round((one.frame_deg + away) / step_deg),
                yaw_deg=float(rng.uniform(-20, 20)),
            )
            for one in shots()
        ]
        numbers = [one.displayed_deg for one in taken]
        assert len(set(numbers)) == len(numbers)
        settings = Settings(display_resolution_deg=step_deg, trials=2000)
        results.append(check_machine(measured(random_body(rng), taken, rng), settings))
    return tuple(results)


@pytest.mark.parametrize("step_deg", [1.0, 5.0], ids=["whole degrees", "steps of five"])
def test_a_right_display_keeps_its_region_and_is_not_accused(step_deg):
    results = many(16, step_deg=step_deg)
    checked = [one for one in results if not isinstance(one, NotMeasured)]
    assert len(checked) >= 15
    held = [one.judged.display.holds(offset_deg=0.0, gain=1.0) for one in checked]
    accused = [one.reading_verdict.verdict == "outside" for one in checked]
    # 16 drawn: 95 % regions, 5 % accusations at the very edge, and these stand well inside.
    assert sum(held) >= 14
    assert sum(accused) <= 1


def test_the_knee_lines_gain_holds():
    results = [one for one in many(16, step_deg=1.0) if not isinstance(one, NotMeasured)]
    held = [low <= 1.0 <= high for one in results for low, high in [one.knee_line.interval[1]]]
    assert sum(held) >= len(held) - 2
    assert sum(one.knee_line.p_value < 0.01 for one in results) <= 1
