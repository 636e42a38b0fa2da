"""The settings as options: each command names those that it takes, and gets `Settings`."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Annotated, Any

import typer

from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say
from knee_angle.settings import SETTING_NAMES, Settings, meaning_of, problems_of

__all__ = [
    "DISPLAY",
    "FILMING",
    "MEASURING",
    "given_settings",
    "printed",
    "refused",
    "takes_settings",
]

MEASURING = SETTING_NAMES
"""All: whatever measures a photo uses each of them."""
FILMING = tuple(name for name in MEASURING if name != "use_dots")
"""Those of a film: what a dot is may be another thing in each picture of it."""
DISPLAY = ("display_resolution_deg", "movement_deg", "counts")
"""What a displayed number means, and where its ± comes from."""
PANEL = "Settings"
"""Their heading in the help."""

_DEFAULTS = Settings()


def takes_settings(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command an option for each setting named; it receives them as ``settings``."""

    def decorate(command: Callable[..., None]) -> Callable[..., None]:
        def run(**given: Any) -> None:
            values = {name: given.pop(name) for name in names}
            command(settings=given_settings(values), **given)

        own = inspect.signature(command, eval_str=True).parameters.values()
        kept = [
            one.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for one in own
            if one.name != "settings"
        ]
        signature = inspect.Signature([*kept, *(_option(name) for name in names)])
        run.__signature__ = signature  # type: ignore[attr-defined]
        run.__annotations__ = {one.name: one.annotation for one in signature.parameters.values()}
        run.__doc__, run.__name__ = command.__doc__, command.__name__
        return run

    return decorate


def given_settings(values: Mapping[str, Any], among: Settings = _DEFAULTS) -> Settings:
    """The settings as typed, every problem in one message that calls them as the options do.

    Parameters
    ----------
    values : Mapping of str to value
        Settings by name; the marks' placement as text or as three numbers.
    among : Settings
        The settings that are not named.

    Raises
    ------
    InvalidInput
        A value that cannot be.
    """
    values = {**asdict(among), **values}
    values = {
        name: TYPED[name](value) if name in TYPED and isinstance(value, str) else value
        for name, value in values.items()
    }
    if problems := problems_of(values, named=lambda name: meaning_of(name).option):
        raise InvalidInput(joined("; ", problems))
    return Settings(**values)


def refused(name: str, value: float | None, *, option: str | None = None) -> None:
    """Refuse a value that the setting of that name cannot have; ``option`` as it was typed.

    Raises
    ------
    InvalidInput
        With the option, the rule and what came.
    """
    meaning = meaning_of(name)
    if value is not None and (problem := meaning.problem(option or meaning.option, value)):
        raise InvalidInput(problem)


def printed(name: str, option: str) -> Any:
    """The option of a size that is printed on a sheet."""
    meaning = meaning_of(name)
    low, high = meaning.printable or (meaning.low, meaning.high)
    return typer.Option(option, help=f"{meaning.what} Printed from {low:g} to {high:g}.")


def _option(name: str) -> inspect.Parameter:
    """The parameter that typer makes an option of."""
    meaning, default = meaning_of(name), getattr(_DEFAULTS, name)
    kind: Any = float
    if name in TYPED:
        kind, default = str | None, None if default is None else ",".join(default)
    elif default is None:
        kind = float | None
    elif isinstance(default, int | str):
        kind = type(default)
    option = meaning.option
    if meaning.switch:
        option = f"{option}/--no-{option.removeprefix('--')}"
    shown = typer.Option(option, help=meaning.what, rich_help_panel=PANEL)
    return inspect.Parameter(
        name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=Annotated[kind, shown]
    )


def placement(text: str) -> tuple[float, float, float]:
    """``10/5/5`` as three lengths in mm: hip, knee, ankle."""
    try:
        hip, knee, ankle = (float(part) for part in text.split("/"))
    except ValueError:
        raise InvalidInput(
            say(
                "--placement-mm must be three numbers like 10/5/5 (hip/knee/ankle), but "
                "got {text!r}",
                text=text,
            )
        ) from None
    return hip, knee, ankle


def marks_on(text: str) -> tuple[str, ...]:
    """``skin`` for all marks, or ``cloth,skin,skin`` for hip, knee and ankle."""
    parts = tuple(part.strip() for part in text.replace("/", ",").split(","))
    if len(parts) not in (1, 3):
        raise InvalidInput(
            say(
                "--marks-on must be one word or three, but got {text!r}: {hint}",
                text=text,
                hint=meaning_of("marks_on").hint,
            )
        )
    return parts * 3 if len(parts) == 1 else parts


TYPED: dict[str, Callable[[str], tuple[Any, ...]]] = {
    "marks_on": marks_on,
    "placement_mm": placement,
}
"""Settings that are typed as text, and what reads it."""
