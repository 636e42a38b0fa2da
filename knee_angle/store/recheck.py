"""Do kept measurements still compute to the angle that was kept? From numbers alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from knee_angle.angle.uncertainty import flexion_with_uncertainty
from knee_angle.errors import StoreError
from knee_angle.language import say
from knee_angle.store.records import StoredMeasurement

__all__ = ["Recheck", "recheck"]

SAME_DEG = 1e-6
"""Another processor or numpy may round the last digits differently."""


@dataclass(frozen=True, slots=True)
class Recheck:
    """A kept angle and u beside those computed again from points, camera and settings."""

    id: str
    kept_deg: float
    kept_u_deg: float
    again_deg: float
    again_u_deg: float

    @property
    def same(self) -> bool:
        """Whether both agree within rounding."""
        return (
            abs(self.kept_deg - self.again_deg) <= SAME_DEG
            and abs(self.kept_u_deg - self.again_u_deg) <= SAME_DEG
        )


def recheck(stored: StoredMeasurement) -> Recheck:
    """Compute one kept measurement's angle again, with the same seed."""
    try:
        seed = int(stored.photo_sha256[:16], 16)
    except ValueError:
        raise StoreError(
            say(
                "the kept row {row_id} cannot be computed again (its photo's hash is none): it was "
                "damaged; bring back the last backup by `knee-angle store restore BACKUP`",
                row_id=stored.row.id,
            )
        ) from None
    rng = np.random.default_rng(seed)
    again = flexion_with_uncertainty(stored.measurement.leg, trials=stored.settings.trials, rng=rng)
    return Recheck(stored.row.id, stored.row.flexion_deg, stored.row.u_deg, again.deg, again.u_deg)
