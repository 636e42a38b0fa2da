"""Which role may do which act. One table; whatever it does not allow is refused.

Our own cut, by what each of them does on a ward (least privilege): a therapist follows
patients, an auditor machines, a researcher reads and exports, an admin hands out accounts
and sees no patient. Whoever is two of them has two accounts.
"""

from __future__ import annotations

from typing import Literal, get_args

from knee_angle.errors import InvalidInput, KneeAngleError
from knee_angle.language import joined, say

__all__ = [
    "ACTS",
    "ACT_WORDS",
    "MAY",
    "ROLES",
    "ROLE_WORDS",
    "Act",
    "NotAllowed",
    "Role",
    "checked_role",
    "refused",
]

Role = Literal["therapist", "auditor", "researcher", "admin"]
Act = Literal[
    "see patients",
    "see machines",
    "measure",
    "keep",
    "prescribe",
    "check machines",
    "take back",
    "take back checks",
    "export",
    "accounts",
    "back up",
]

ROLES: tuple[Role, ...] = get_args(Role)
ACTS: tuple[Act, ...] = get_args(Act)

MAY: dict[Role, frozenset[Act]] = {
    "therapist": frozenset(
        {"see patients", "see machines", "measure", "keep", "prescribe", "take back"}
    ),
    "auditor": frozenset({"see machines", "measure", "check machines", "take back checks"}),
    "researcher": frozenset({"see patients", "see machines", "export"}),
    "admin": frozenset({"accounts"}),
}
"""``back up`` is nobody's: it is done on the computer itself (`knee-angle store`)."""

ROLE_WORDS: dict[Role, str] = {
    "therapist": say("therapist"),
    "auditor": say("auditor"),
    "researcher": say("researcher"),
    "admin": say("admin"),
}
ACT_WORDS: dict[Act, str] = {
    "see patients": say("see patients"),
    "see machines": say("see machines"),
    "measure": say("measure"),
    "keep": say("keep"),
    "prescribe": say("prescribe"),
    "check machines": say("check machines"),
    "take back": say("take back"),
    "take back checks": say("take back checks"),
    "export": say("export"),
    "accounts": say("look after accounts"),
    "back up": say("back up"),
}
WHO: dict[Act, str] = {
    act: joined(say(" or "), [ROLE_WORDS[role] for role in ROLES if act in MAY[role]])
    or say("nobody over the network")
    for act in ACTS
}


class NotAllowed(KneeAngleError):
    """The account's role may not do this; nothing was done."""


def refused(role: Role, act: Act) -> NotAllowed:
    """The refusal, in one line.

    Examples
    --------
    >>> print(refused("auditor", "export"))
    The role auditor may not export; who may: researcher.
    """
    return NotAllowed(
        say(
            "The role {role} may not {act}; who may: {who}.",
            role=ROLE_WORDS[role],
            act=ACT_WORDS[act],
            who=WHO[act],
        )
    )


def checked_role(role: str) -> Role:
    """The role of that name.

    Raises
    ------
    InvalidInput
        There is none.
    """
    for known in ROLES:
        if role == known:
            return known
    raise InvalidInput(
        say("role must be one of {known}, but got {role!r}", known=", ".join(ROLES), role=role)
    )
