"""What one visit keeps while the visitor goes from page to page.

Streamlit forgets an input as soon as it is not shown: whoever looks at another page would
lose what was typed. Inputs made here are remembered until the visit ends; its draft on the disk
holds them too (`page.visit`).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

import streamlit as st

from knee_angle.language import figure, say, tell

if TYPE_CHECKING:
    from streamlit.delta_generator import DeltaGenerator

__all__ = [
    "begin",
    "choice",
    "counted",
    "everything",
    "forget",
    "number",
    "pair",
    "put",
    "recall",
    "take_over",
    "text",
    "tick",
    "unused",
]

MEMORY = "remembered"
ABOVE = say("{typed} is not used: it must be above {low} and at most {high}. {then}")
BETWEEN = say("{typed} is not used: it must be between {low} and {high}. {then}")
UNUSED = "not-used"
REFUSED = "refused-numbers"
CHECK = "check-"
"""Begins the names of what belongs to a machine check and to no visit."""


def recall(name: str, default: Any = None) -> Any:
    """What is in the input of that name, wherever on the page it stands."""
    remembered = st.session_state.get(MEMORY, {}).get(name, default)
    return st.session_state.get(f"input-{name}", remembered)


def counted(name: str) -> Any:
    """What counts of the input of that name: a number that cannot be does not."""
    return st.session_state.get(MEMORY, {}).get(name)


def everything(*, check: str = "") -> dict[str, Any]:
    """What every input holds now, also those that were changed since the page last ran.

    A number that cannot be is left out: the one before it counts. With ``check``, the inputs
    whose names begin so, of one machine check; without, all that belong to no check.
    """
    held: dict[str, Any] = dict(st.session_state.get(MEMORY, {}))
    refused = st.session_state.get(REFUSED, {})
    for key, value in st.session_state.items():
        name = str(key).removeprefix("input-")
        if name != key and (name not in refused or refused[name] != value):
            held[name] = value
    if check:
        return {name: value for name, value in held.items() if name.startswith(check)}
    return {name: value for name, value in held.items() if not name.startswith(CHECK)}


def put(name: str, value: Any) -> None:
    """Give an input a value, before it is drawn."""
    st.session_state.setdefault(MEMORY, {})[name] = value
    if f"input-{name}" in st.session_state:
        st.session_state[f"input-{name}"] = value


def take_over(values: Mapping[str, Any]) -> None:
    """Give every input the value that the visit's draft holds."""
    held = everything()
    for name, value in values.items():
        if name not in held or held[name] != value:
            put(name, value)


def forget(*, all_but: Collection[str]) -> None:
    """Another visit begins: only these inputs keep what they hold."""
    for name in [one for one in everything() if one not in all_but]:
        st.session_state.get(MEMORY, {}).pop(name, None)
        st.session_state.get(REFUSED, {}).pop(name, None)
        if f"input-{name}" in st.session_state:
            del st.session_state[f"input-{name}"]


def pair(name: str) -> tuple[DeltaGenerator, DeltaGenerator]:
    """Two places side by side for short inputs, on a phone as well."""
    with st.container(key=f"pair-{name}"):
        left, right = st.columns(2, gap="small")
    return left, right


def number(
    label: str, name: str, *, low: float, high: float = 1000.0, above: bool = False, **options: Any
) -> float | None:
    """A number that may be left out.

    One that cannot be is not used: a word beneath the field says so, and the last one that
    could be counts on. Streamlit's own limits would keep it in the browser without a word.
    With ``above``, ``low`` itself cannot be.
    """

    def can_be(value: float) -> bool:
        return (low < value if above else low <= value) and value <= high

    label = tell(label)
    options |= {one: tell(options[one]) for one in ("help", "placeholder") if one in options}
    typed: float | None = st.number_input(
        label,
        value=recall(name, options.pop("default", None)),
        step=options.pop("step", 1.0),
        format="%g",
        key=f"input-{name}",
        **options,
    )
    refused: dict[str, float] = st.session_state.setdefault(REFUSED, {})
    refused.pop(name, None)
    if typed is None or can_be(typed):
        _remember(name, typed)
        return typed
    refused[name] = typed
    last: float | None = st.session_state.get(MEMORY, {}).get(name)
    if last is not None and not can_be(last):  # it was of another way of counting
        last = None
    counts = say("Nothing is entered until then.")
    if last is not None:
        counts = say("{last} still counts.", last=_signed(last))
    template = ABOVE if above else BETWEEN
    st.warning(
        tell(
            template.format(typed=_signed(typed), low=_signed(low), high=_signed(high), then=counts)
        )
    )
    st.session_state.setdefault(UNUSED, []).append(label)
    return last


def _signed(value: float) -> str:
    """A number as it is said, with a true minus."""
    return figure(f"{value:g}".replace("-", "\u2212"))


def begin() -> None:
    """From here on `unused` tells of the inputs that follow."""
    st.session_state[UNUSED] = []


def unused() -> list[str]:
    """The inputs in which a number stands that is not used."""
    found: list[str] = st.session_state.get(UNUSED, [])
    return found


def text(label: str, name: str, **options: Any) -> str:
    """A line of text, without space around it."""
    typed: str = st.text_input(tell(label), value=recall(name, ""), key=f"input-{name}", **options)
    _remember(name, typed.strip())
    return typed.strip()


def tick(label: str, name: str, **options: Any) -> bool:
    """A box that is ticked or not."""
    value = st.checkbox(tell(label), value=recall(name, False), key=f"input-{name}", **options)
    _remember(name, value)
    return value


def choice(label: str, name: str, options: dict[str, str], **more: Any) -> str:
    """One of several values, shown by their words."""
    keys = list(options)
    at = keys.index(recall(name, keys[0]))
    picked = st.radio(
        tell(label),
        keys,
        index=at,
        format_func={one: tell(words) for one, words in options.items()}.__getitem__,
        key=f"input-{name}",
        **more,
    )
    _remember(name, picked)
    return picked


def _remember(name: str, value: Any) -> None:
    st.session_state.setdefault(MEMORY, {})[name] = value
