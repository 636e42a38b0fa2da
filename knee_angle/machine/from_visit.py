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
    "thigh": "thigh",
    "shank": "shank",
}
LEAST_VARIANCE = 1e-6
"""Added to each variance: what repeats of one setting share may leave no scatter at all."""


def evidence_of(
    estimate: VisitEstimate, *, step_deg: float, adjusted: int | None = None
) -> SettingsOfMachine:
    """Knee, bars and hinge of every setting and the leg's lengths, with the covariance of all.

    Parameters
    ----------
    estimate : VisitEstimate
        The settings stand in its order.
    step_deg : float
        The display's step, degrees.
    adjusted : int, optional
        Only the settings since the machine was adjusted so often: one geometry. None: all.
    """
    of = [one for one in estimate.settings if adjusted is None or one.adjusted == adjusted]
    order = {setting.name: number for number, setting in enumerate(of)}
    entries: list[Entry] = []
    at = []
    for place, name in enumerate(estimate.names):
        quantity, _, setting = name.partition(" ")
        if not setting or setting in order:  # the leg's lengths are no setting's
            entries.append((_QUANTITIES[quantity], order[setting] if setting else None))
            at.append(place)
    cov = np.array(estimate.covariance)[np.ix_(at, at)]
    return SettingsOfMachine(
        entries=tuple(entries),
        mean=np.array(estimate.values)[at],
        cov=(cov + cov.T) / 2.0 + LEAST_VARIANCE * np.eye(len(cov)),
        displayed_deg=tuple(setting.displayed_deg for setting in of),
        step_deg=step_deg,
        photos=tuple(", ".join(setting.photos) for setting in of),
    )
