"""A visit's joint estimate as evidence about its machine."""

from __future__ import annotations

import numpy as np

from knee_angle.machine.evidence import Entry, Quantity, SettingsOfMachine
from knee_angle.visit import VisitEstimate

__all__ = ["evidence_of"]

_QUANTITIES: dict[str, Quantity] = {
    "knee": "knee",
    "frame": "bars",
    "distal": "distal",
    "anterior": "anterior",
}
LEAST_VARIANCE = 1e-6
"""Added to each variance: what repeats of one setting share may leave no scatter at all."""


def evidence_of(estimate: VisitEstimate, *, step_deg: float) -> SettingsOfMachine:
    """Knee, bars and hinge of every setting, with the covariance of all of them.

    Parameters
    ----------
    estimate : VisitEstimate
        The settings stand in its order.
    step_deg : float
        The display's step, degrees.
    """
    order = {setting.name: number for number, setting in enumerate(estimate.settings)}
    entries: list[Entry] = []
    for name in estimate.names:
        quantity, _, setting = name.partition(" ")
        entries.append((_QUANTITIES[quantity], order[setting]))
    cov = np.array(estimate.covariance)
    return SettingsOfMachine(
        entries=tuple(entries),
        mean=np.array(estimate.values),
        cov=(cov + cov.T) / 2.0 + LEAST_VARIANCE * np.eye(len(cov)),
        displayed_deg=tuple(setting.displayed_deg for setting in estimate.settings),
        step_deg=step_deg,
    )
