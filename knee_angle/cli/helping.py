"""``--help`` in the language that is spoken: English in the code, told when it is printed.

Typer makes a command's help of docstrings and of ``help=`` texts; each is a sentence of the
catalogue as it stands there.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Iterator, Sequence
from typing import Any

import typer

from knee_angle.language import ENGLISH, current, say, tell

__all__ = ["help_of", "help_texts", "in_our_words", "language_first", "language_of"]

TYPERS_OWN = (
    say("Options"),
    say("Arguments"),
    say("Commands"),
    say("Show this message and exit."),
)
"""What Typer says itself."""
WRONG = (
    say("Missing command"),
    say("Missing argument {name}"),
    say("Missing option {name}"),
    say("No such command {name}. Did you mean {other}?"),
    say("No such command {name}"),
    say("No such option: {name} (Possible options: {others})"),
    say("No such option: {name}"),
    say("Option {name} does not take a value"),
    say("Option {name} requires an argument"),
    say("Got unexpected extra argument ({name})"),
    say("Got unexpected extra arguments ({name})"),
    say("Invalid value for {name}: {given} is not one of {choices}"),
)
"""What Typer says of a wrong call."""
MORE = re.compile(r"  \[([^\[\]]+)\]$")
"""Default and whether it is required, behind an option's text."""
Formatter: Any = typer.Context.formatter_class


class Told(Formatter):  # type: ignore[misc]  # Typer's own, wherever it keeps it
    """Typer's layout of a help, in the language that is spoken."""

    def write_usage(self, prog: str, args: str = "", prefix: str | None = None) -> None:  # noqa: ARG002
        """The line that says how it is called."""
        super().write_usage(prog, args, tell("Usage: "))

    def write_heading(self, heading: str) -> None:
        """What stands above a list."""
        super().write_heading(tell(heading))

    def write_dl(self, rows: Sequence[tuple[str, str]], *given: Any, **named: Any) -> None:
        """Names, each with its text."""
        super().write_dl([(name, _with_more(text)) for name, text in rows], *given, **named)


def help_of(command: Any, context: Any) -> str:
    """A command's help."""
    context.formatter_class = Told
    formatter = context.make_formatter()
    (command if current() is ENGLISH else _told(command)).format_help(context, formatter)
    return str(formatter.getvalue()).rstrip("\n")


def help_texts(command: Any) -> Iterator[str]:
    """Each sentence of a command's help, and of those below it."""
    yield from (command.help or "").split("\n\n")
    yield from (option.help or "" for option in command.params)
    for below in getattr(command, "commands", {}).values():
        yield from help_texts(below)


def language_first(arguments: Sequence[str]) -> list[str]:
    """The arguments with ``--language`` before all others: ``--help`` is printed where it stands.

    Examples
    --------
    >>> language_first(["--help", "--language", "de", "a.jpg"])
    ['--language', 'de', '--help', 'a.jpg']
    """
    given = list(arguments)
    for at, one in enumerate(given):
        taken = 1 if one.startswith("--language=") else 2 if one == "--language" else 0
        if at + taken > len(given):
            break
        if taken:
            return [*given[at : at + taken], *given[:at], *given[at + taken :]]
        if one == "--":
            break
    return given


def language_of(arguments: Sequence[str]) -> str | None:
    """What ``--language`` asks for, wherever it stands.

    Examples
    --------
    >>> language_of(["a.jpg", "--language", "de"]), language_of(["--language=en"])
    ('de', 'en')
    """
    first, second, *_ = *language_first(arguments), "", ""
    if first == "--language":
        return second or None
    return first.removeprefix("--language=") if first.startswith("--language=") else None


def in_our_words(said: str) -> str:
    """What Typer says of a wrong call, as a sentence that can be told; else as it is."""
    for template in WRONG:
        pattern = re.sub(r"\\{(\w+)\\}", r"(?P<\1>.+)", re.escape(str(template)))
        if found := re.fullmatch(pattern, said):
            return template.format(**found.groupdict())
    return said


def _told(command: Any) -> Any:
    """A copy of a command whose texts are told."""
    told = copy.copy(command)
    told.help = "\n\n".join(tell(part) for part in (command.help or "").split("\n\n"))
    told.params = [copy.copy(option) for option in command.params]
    for option in told.params:
        option.help = tell(option.help or "")
    if hasattr(command, "commands"):
        told.commands = {name: _told(below) for name, below in command.commands.items()}
    return told


def _with_more(text: str) -> str:
    """An option's text, with what Typer adds to it."""
    if text in TYPERS_OWN:
        return tell(text)
    found = MORE.search(text)
    if found is None:
        return text
    return f"{text[: found.start()]}  [{'; '.join(map(_added, found[1].split('; ')))}]"


def _added(part: str) -> str:
    name, _, value = part.partition(": ")
    if name == "default":
        return tell("default: {default}", default=tell(value.strip("()")))
    if name == "env var":
        return tell("environment variable {name}", name=value)
    return tell("required") if part == "required" else part
