"""Passwords: what may be one, and its hash.

Argon2id with argon2-cffi's defaults (RFC 9106, low-memory profile: 64 MiB, 3 passes, 4
lanes). At most two are computed at a time, so that many attempts at once cost time and not
the computer's memory.
"""

from __future__ import annotations

import threading
from functools import cache
from typing import TYPE_CHECKING

from knee_angle.errors import InvalidInput
from knee_angle.language import say

if TYPE_CHECKING:
    from argon2 import PasswordHasher

__all__ = ["LONGEST", "SHORTEST", "checked_password", "fits", "hashed"]

SHORTEST, LONGEST = 12, 128
"""Letters. NIST SP 800-63B asks for 8 at least and 64 to be allowed (from memory); 12 is our
own, for a page that patients' photos stand behind."""
AT_A_TIME = threading.BoundedSemaphore(2)


@cache
def _hasher() -> PasswordHasher:
    try:
        from argon2 import PasswordHasher
    except ModuleNotFoundError:
        raise InvalidInput(
            say("accounts need the package argon2-cffi: pip install 'knee-angle[ward]'")
        ) from None
    return PasswordHasher()


@cache
def _nobodys() -> str:
    """What an unknown account's password is held against: it costs the same time."""
    return hashed("the hash of no account at all")


def checked_password(password: str, *, account: str) -> str:
    """The password, where it may be one.

    Raises
    ------
    InvalidInput
        It is too short, too long, or quickly guessed. The text does not repeat it.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise InvalidInput(
            say(
                "a password must have {shortest} to {longest} letters, but got "
                "{n_password}: several words with spaces are easy to remember",
                shortest=SHORTEST,
                longest=LONGEST,
                n_password=len(password),
            )
        )
    if len(set(password)) < 5 or account.lower() in password.lower():
        raise InvalidInput(
            say(
                "a password must have at least 5 different letters and not hold the "
                "account's name: choose another"
            )
        )
    return password


def hashed(password: str) -> str:
    """The password's hash, with its own salt and parameters."""
    with AT_A_TIME:
        return _hasher().hash(password)


def fits(password: str, kept: str) -> bool:
    """Whether it is the password of that hash; an empty hash fits none, in the same time."""
    if len(password) > LONGEST:
        password = ""  # it can be none; the time stays the same
    from argon2.exceptions import InvalidHashError, VerificationError

    against = kept or _nobodys()
    with AT_A_TIME:
        try:
            right = _hasher().verify(against, password)
        except (VerificationError, InvalidHashError):
            return False
    return right and bool(kept)
