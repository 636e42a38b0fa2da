"""A code that somebody typed, as the store knows it; else refused with the one likely meant."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches
from typing import TYPE_CHECKING

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.records import checked_code

if TYPE_CHECKING:
    from knee_angle.store import Store

__all__ = ["known_machine", "known_person"]

NEAR = 0.7
"""How alike a code must be to be taken for a slip of the typed one (`difflib`; our own)."""


def known_person(store: Store, person: str) -> str:
    """The checked form of a patient's code.

    Raises
    ------
    InvalidInput
        It is no code, or the store does not know it.
    """
    code = checked_code(person)
    if store.knows_person(code):
        return code
    near = _near(code, (one.code for one in store.people()))
    if near is None:
        raise InvalidInput(
            say("the store knows no patient {person}: correct the code", person=code)
        )
    raise InvalidInput(
        say(
            "the store knows no patient {person}, but {near}: correct the code",
            person=code,
            near=near,
        )
    )


def known_machine(store: Store, machine: str) -> str:
    """The checked form of a machine's code.

    Raises
    ------
    InvalidInput
        It is no code, or the store does not know it.
    """
    code = checked_code(machine, what="machine")
    if store.knows_machine(code):
        return code
    near = _near(code, (one.code for one in store.machines()))
    if near is None:
        raise InvalidInput(
            say("the store knows no machine {machine}: correct the code", machine=code)
        )
    raise InvalidInput(
        say(
            "the store knows no machine {machine}, but {near}: correct the code",
            machine=code,
            near=near,
        )
    )


def _near(code: str, known: Iterable[str]) -> str | None:
    return next(iter(get_close_matches(code, list(known), n=1, cutoff=NEAR)), None)
