"""Displayed against bars or knee as a line, and the verdict on a display as its machine was judged.

Shared by checks with a leg in the machine and without.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from knee_angle.angle.verdict import u_display_deg
from knee_angle.machine import calibration, over_range
from knee_angle.machine.evidence import Quantity, SettingsOfMachine
from knee_angle.machine.judge import MachineJudged
from knee_angle.settings import Settings

__all__ = ["fitted", "reading_of", "settings_with"]


def settings_with(seen: SettingsOfMachine, quantity: Quantity) -> list[int]:
    """Settings at which this was seen."""
    return [j for j in range(seen.settings) if (quantity, j) in seen.entries]


def fitted(seen: SettingsOfMachine, quantity: Quantity, settings: Settings) -> calibration.Line:
    """Displayed against knee or bars, a point for each setting.

    Settings a whole number of steps apart are all rounded alike: so the step's u is once each
    reading's own and once shared by all.

    Raises
    ------
    InvalidInput
        No line goes through them.
    """
    used = settings_with(seen, quantity)
    x, cov = seen.part([(quantity, j) for j in used])
    shown = [float(number) for j in used if (number := seen.displayed_deg[j]) is not None]
    u_step = u_display_deg(settings)
    return calibration.fit_line(
        [float(v) for v in x], shown, cov_x=cov, u_y=u_step, common_u_y=u_step
    )


def reading_of(
    seen: SettingsOfMachine, said: MachineJudged, settings: Settings
) -> tuple[calibration.Line, over_range.RangeVerdict]:
    """Displayed against bars with the judged display's offset, gain and ±, and its verdict.

    Parameters
    ----------
    seen : SettingsOfMachine
        With bars at three settings or more.
    said : MachineJudged
        What was judged of it, its display among it.
    settings : Settings
        The display's step.

    Raises
    ------
    InvalidInput
        No line goes through them.
    """
    line = _as_judged(fitted(seen, "bars", settings), said)
    return line, _reading_verdict(line, said)


def _as_judged(line: calibration.Line, said: MachineJudged) -> calibration.Line:
    """The line with offset, gain and covariance of the judged display."""
    assert said.display is not None  # noqa: S101  asked before
    both = said.display.draws[:, :2]
    (offset, gain), cov = both.mean(axis=0), np.cov(both.T)
    return replace(
        line,
        offset=float(offset),
        gain=float(gain),
        cov=(float(cov[0, 0]), float(cov[0, 1]), float(cov[1, 1])),
        residuals=tuple(float(y - offset - gain * x) for x, y in zip(line.x, line.y, strict=True)),
    )


def _reading_verdict(line: calibration.Line, said: MachineJudged) -> over_range.RangeVerdict:
    """Display minus bars as the machine was judged; no all-clear for points off every line."""
    assert said.display is not None  # noqa: S101  asked before
    assert said.display_verdict is not None  # noqa: S101
    judged = said.display_verdict
    low, high = judged.range_deg
    by_line = over_range.verdict_over(
        line, low_deg=low, high_deg=high, tolerance_deg=judged.tolerance_deg
    )
    clear = by_line.on_a_line or judged.verdict != "within"
    wrong = judged.verdict == "outside"
    told = said.display_here if wrong and said.display_here is not None else judged
    return replace(
        by_line,
        verdict=judged.verdict if clear else "undecided",
        largest_deg=told.largest_deg,
        at_deg=told.at_deg,
        u_deg=said.display.error_at(told.at_deg).u,
        outside_at_deg=told.at_deg if wrong else None,
    )
