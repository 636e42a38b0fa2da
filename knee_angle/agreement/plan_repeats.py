"""How many persons, each with several pairs, give limits of agreement of a wanted sharpness.

Conventions
-----------
``sd`` is that of the difference of a new pair; ``between`` the share of its variance that lies
between persons (0: a person's pairs are as different as those of strangers, 1: all alike).
What is measured changes from pair to pair (Bland JM, Altman DG 2007, J Biopharm Stat
17:571-582). The half-width is 1.96 times the standard error of a limit, from the variance of
the bias and, by the delta method, of the SD::

    var(bias) = between / n + within / (n m)
    var(SD²)  = 2 (between + within / m)² / (n - 1) + 2 ((1 - 1/m) within)² / (n (m - 1))
    var(limit) = var(bias) + 1.96² var(SD²) / (4 SD²)

With one pair a person that is Bland and Altman's ``sqrt(3 / n) sd`` (1986; 2.92 for 3).
"""

from __future__ import annotations

import math

from knee_angle.agreement.estimate import Z
from knee_angle.agreement.plan import FEWEST, MOST, LimitsPlan
from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["half_width_with_repeats", "plan_limits_with_repeats"]


def half_width_with_repeats(n: int, *, repeats: int, sd: float, between: float) -> float:
    """Half-width of a limit's interval from n persons with `repeats` pairs each."""
    total = sd**2
    b, w, m = between * total, (1.0 - between) * total, float(repeats)
    bias = b / n + w / (n * m)
    spread = 2.0 * (b + w / m) ** 2 / (n - 1)
    if repeats > 1:
        spread += 2.0 * ((1.0 - 1.0 / m) * w) ** 2 / (n * (m - 1.0))
    return Z * math.sqrt(bias + Z**2 * spread / (4.0 * total))


def plan_limits_with_repeats(
    *, sd: float, half_width: float, repeats: int, between: float
) -> LimitsPlan:
    """The smallest number of persons whose limits are as sharp as wanted.

    Parameters
    ----------
    sd, half_width : float
        As in `plan_limits`.
    repeats : int
        Pairs of each person.
    between : float
        0 to 1; see the module.

    Raises
    ------
    InvalidInput
        Values that cannot be, or more than 100,000 persons.
    """
    for name, value in (("sd", sd), ("half_width", half_width)):
        if not (value > 0 and math.isfinite(value)):
            raise InvalidInput(
                say("{name} must be above 0, but got {value:g}", name=name, value=value)
            )
    if repeats < 1:
        raise InvalidInput(say("repeats must be 1 or more, but got {repeats}", repeats=repeats))
    if not 0 <= between <= 1:
        raise InvalidInput(say("between must be from 0 to 1, but got {between:g}", between=between))

    def reached(n: int) -> float:
        return half_width_with_repeats(n, repeats=repeats, sd=sd, between=between)

    if reached(MOST) > half_width:
        raise InvalidInput(
            say(
                "half_width must be at least {least:.3g}, which {most} persons give, but got "
                "{half_width:g}: lower the scatter first",
                least=reached(MOST),
                most=MOST,
                half_width=half_width,
            )
        )
    low, high = FEWEST, MOST
    while low < high:
        middle = (low + high) // 2
        if reached(middle) <= half_width:
            high = middle
        else:
            low = middle + 1
    return LimitsPlan(low, reached(low), sd, half_width, None, repeats, between)
