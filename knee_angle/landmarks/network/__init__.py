"""The leg by a network of our own, trained on rendered scenes alone.

How the weights came about stands in :mod:`knee_angle.training`, how right they are in the
model card beside them. Everything is deterministic: the same photo gives the same answer.

=========== ================================================================
module      what
=========== ================================================================
`search`    **read first**: the whole photo, then closer, until views agree
`windows`   squares of the photo that it looks through
`looks`     what it says of a window, in the photo's own coordinates
`model`     the weights, in a session of the runtime
`detector`  all this as a detector; its last answers are kept
=========== ================================================================
"""

from __future__ import annotations

from knee_angle.landmarks.network.detector import NetworkDetector
from knee_angle.landmarks.network.search import NetworkView

__all__ = ["NetworkDetector", "NetworkView"]
