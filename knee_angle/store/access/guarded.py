"""A store that asks, before every act, whether the account's role may do it.

Each public method of the store stands in one table with its act. One that does not stand
there is refused: a new method is nobody's until somebody says whose it is.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from functools import wraps
from typing import Any

from knee_angle.store import Store
from knee_angle.store.access.roles import MAY, Act, refused
from knee_angle.store.access.sessions import Session

__all__ = ["ACT_OF", "GuardedStore", "guarded"]

ACT_OF: dict[str, tuple[Act, ...]] = {
    "add_machine": ("keep", "check machines"),
    "add_person": ("keep",),
    "as_user": ("back up",),
    "audit": ("accounts",),
    "backup": ("back up",),
    "check": ("see machines",),
    "check_pages": ("back up",),
    "check_pictures": ("check machines", "see patients"),
    "checks": ("see machines",),
    "close": ("back up",),
    "first_taken": ("export",),
    "knows_machine": ("see machines",),
    "knows_person": ("see patients",),
    "latest_checks": ("see machines",),
    "leg_settings": ("see patients",),
    "machine_card": ("see machines",),
    "machines": ("see machines",),
    "measurement": ("see patients",),
    "measurements": ("see patients",),
    "note": ("export",),
    "note_machine": ("check machines",),
    "note_paper": ("see patients", "see machines"),
    "of_photo": ("see patients",),
    "overview": ("see machines",),
    "people": ("see patients",),
    "photo": ("see patients",),
    "prescribe": ("prescribe",),
    "prescription_on": ("see patients",),
    "prescriptions": ("see patients",),
    "rechecked_pictures": ("back up",),
    "restore": ("back up",),
    "kept_under": ("see patients",),
    "save_check": ("check machines",),
    "save_measurement": ("keep",),
    "save_visit": ("keep",),
    "stored_measurements": ("export",),
    "stored_visits": ("export",),
    "visit": ("see patients",),
    "visits": ("see patients",),
    "withdraw_check": ("take back checks",),
    "withdraw_measurement": ("take back",),
    "withdraw_visit": ("take back",),
}
"""Each public method of the store, and the acts of which one has to be allowed."""

SEEN_AGAIN = timedelta(minutes=10)
"""A page asks the store at every touch: the trail says once in so long who saw what."""
CODE = 16
"""No code is longer; identifiers of rows are."""
_seen: dict[tuple[str, str], datetime] = {}
_lock = threading.Lock()


@dataclass(frozen=True)
class GuardedStore(Store):
    """The store as one session may use it."""

    session: Session

    def __getattribute__(self, name: str) -> Any:
        """The attribute; a public method asks first."""
        value = super().__getattribute__(name)
        if name.startswith("_") or name in FIELDS:
            return value
        return _asking(self, name, value)


FIELDS = frozenset(field.name for field in fields(GuardedStore))


def guarded(store: Store, session: Session) -> GuardedStore:
    """The store, writing under the session's account and asking for its role."""
    return GuardedStore(store.engine, session.account, store.clock, session)


def _asking(store: GuardedStore, name: str, method: Callable[..., Any]) -> Callable[..., Any]:
    """The method, asking when it is called."""
    acts = ACT_OF.get(name, ("back up",))

    @wraps(method)
    def asked(*arguments: Any, **named: Any) -> Any:
        about = _about(arguments, named)
        if MAY[store.session.role].isdisjoint(acts):
            with_trail(store, "refused", f"{acts[0]} {about}")
            raise refused(store.session.role, acts[0])
        if not SEEING.isdisjoint(acts):
            about = about.strip()
            about = about.upper() if len(about) <= CODE else about
            _saw(store, about or f"a list: {name.replace('_', ' ')}")
        return method(*arguments, **named)

    return asked


SEEING = frozenset({"see patients", "see machines"})
"""Acts that leave a line about the code or row that was seen, or about the list."""


def with_trail(store: GuardedStore, what: str, about: str) -> None:
    """A line in the audit trail under the session's account."""
    now = store._now()
    line = (about.strip()[:64], now)
    store._write(lambda connection: store._note(connection, what, *line))


def _about(arguments: tuple[Any, ...], named: dict[str, Any]) -> str:
    told = named.get("person") or named.get("machine") or (arguments[0] if arguments else "")
    return told if isinstance(told, str) else ""


def _saw(store: GuardedStore, whom: str) -> None:
    """The session saw a patient, a machine or a list: a line, unless there was one just before."""
    key, now = (store.session.id, whom), store._now()
    with _lock:
        last = _seen.get(key)
        if last is not None and now - last < SEEN_AGAIN:
            return
        for old in [one for one, at in _seen.items() if now - at >= SEEN_AGAIN]:
            del _seen[old]
        _seen[key] = now
    with_trail(store, "saw", key[1])
