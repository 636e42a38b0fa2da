"""What was found in the photos of a visit, beside them in its draft: a restart answers at once.

Looking at a photo takes seconds, and a server that was started anew knows none of it. So what
the detectors saw and the photo's last answer lie there as JSON, with the versions and models
that made them: another version looks again.
"""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from knee_angle.batch.work import identity_of
from knee_angle.page.tray import Answered, Entry, Looked
from knee_angle.records import Unreadable
from knee_angle.store.codec import from_json, outcome_from_json, outcome_to_json, to_json

__all__ = ["found_from", "found_text"]


def found_text(entry: Entry) -> str:
    """All that was found in a photo, as a draft holds it."""
    answered = entry.answered
    told = {
        "made_by": _made_by(),
        "looked": to_json(entry.looked),
        "answered": None if answered is None else [answered[0], outcome_to_json(answered[1])],
    }
    return json.dumps(told, allow_nan=False)


def found_from(text: str) -> tuple[Looked, Answered | None] | None:
    """What was seen, and the last answer; None where it is damaged or of another version."""
    try:
        told = json.loads(text)
        if told["made_by"] != _made_by():
            return None
        answered = told["answered"]
        looked = from_json(told["looked"], Looked)
        if answered is None:
            return looked, None
        outcome = outcome_from_json(answered[1])
        return looked, None if isinstance(outcome, Unreadable) else (str(answered[0]), outcome)
    except Exception:  # noqa: BLE001  whatever is wrong with it, looking again is right
        return None


@cache
def _made_by() -> dict[str, Any]:
    """Versions and models of this server."""
    return identity_of(None)
