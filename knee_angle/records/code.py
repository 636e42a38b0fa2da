"""Codes for people, machines and raters: short, and never a name."""

from __future__ import annotations

import re

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["checked_code"]

CODE = re.compile(r"[A-Z0-9]+(?:-[A-Z0-9]+)*")
CODE_LONGEST = 16


def checked_code(code: str, *, what: str = "person") -> str:
    """A person's, machine's or rater's code, in capitals, refused where it could be a name.

    A code has 2 to 16 characters: letters A to Z, digits and single dashes between
    them, and at least one digit (``P-017``).

    Raises
    ------
    InvalidInput
        Anything else.

    Examples
    --------
    >>> checked_code(" p-017 ")
    'P-017'
    """
    given = code.strip().upper()
    fits = 2 <= len(given) <= CODE_LONGEST and CODE.fullmatch(given)
    if not fits or not any("0" <= letter <= "9" for letter in given):
        raise InvalidInput(
            say(
                "a {what} code must have 2 to {code_longest} letters, digits and dashes "
                "with at least one digit, such as P-017, but got {code!r}: never use a name",
                what=what,
                code_longest=CODE_LONGEST,
                code=code,
            )
        )
    return given
