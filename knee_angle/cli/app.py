"""The command line itself: its name, its help, and how it stops.

Exit status: 0 everything measured, 1 some photos not measured or unreadable,
2 the call itself is wrong. Results go to stdout, everything else to stderr.
"""

from __future__ import annotations

import os
from contextvars import ContextVar
from functools import partial
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from knee_angle.angle import words
from knee_angle.cli.helping import help_of, language_first, language_of
from knee_angle.errors import InvalidInput
from knee_angle.language import asked_for, say, set_language, tell_all

__all__ = ["LANGUAGE_VARIABLE", "Commands", "app", "for_programs"]

LANGUAGE_VARIABLE = "KNEE_ANGLE_LANGUAGE"
_asked: ContextVar[str | None] = ContextVar("knee_angle_language_asked", default=None)


class Commands(TyperGroup):
    """Commands that each take ``--language``, and their group too."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.params.append(_language_option())

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of that name."""
        command: Any = super().get_command(ctx, cmd_name)
        if command is not None and not any(one.name == "language" for one in command.params):
            command.params.append(_language_option())
            if not isinstance(command, Commands):
                command.get_help = partial(help_of, command)
                command.parse_args = partial(_parsed, command.parse_args)
        return command

    def get_help(self, ctx: Any) -> str:
        """The help, in the language asked for."""
        if ctx.parent is None and _asked.get() is None:
            _speak(ctx, None)  # ``--help`` comes before any option's turn
        return help_of(self, ctx)

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """The arguments read; a language that the command asks for tells what is wrong here too."""
        code = _spoken_of(ctx, args)
        return super().parse_args(ctx, [*(["--language", code] if code else []), *args])


def _parsed(parse: Any, ctx: Any, args: list[str]) -> Any:
    _spoken_of(ctx, args)
    return parse(ctx, language_first(args))


def _spoken_of(ctx: Any, args: list[str]) -> str | None:
    """The language that is asked for, spoken before Typer finds what is wrong with the call."""
    if code := language_of(args):
        _speak(ctx, code)
    return code


def _speak(context: typer.Context, code: str | None) -> None:
    """Speak the language asked for: a command's own option goes before that of its group."""
    if context.parent is None or code:
        _asked.set(code)
    spoken = _asked.get() or os.environ.get(LANGUAGE_VARIABLE, "").strip().lower() or "en"
    if problem := asked_for(spoken):
        named = "--language" if _asked.get() else LANGUAGE_VARIABLE
        raise InvalidInput(say("{named}: {problem}", named=named, problem=problem))
    set_language(spoken)


def _language_option() -> Any:
    """The option as Typer makes it of a command that has nothing else."""

    def command(
        language: Annotated[
            str | None,
            typer.Option(
                help="Language of what is said, en or de; "
                f"else that of {LANGUAGE_VARIABLE}, else en.",
                callback=_speak,
                is_eager=True,
                expose_value=False,
            ),
        ] = None,
    ) -> None:
        """Never run."""

    only = typer.Typer(add_completion=False)
    only.command()(command)
    return typer.main.get_command(only).params[0]


def for_programs(value: Any) -> Any:
    """JSON values as a program gets them: English, unless a language was asked for in the call.

    Names of fields and values that are codes are the same in every language.
    """
    return value if _asked.get() is None else tell_all(value)


app = typer.Typer(
    name="knee-angle",
    cls=Commands,
    help="Measure from a bedside photo what a knee really does in a CPM machine.\n\n"
    + words.CAUTION,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    context_settings={"max_content_width": 100},
    rich_markup_mode=None,  # plain text: drawing boxes takes longer than all the rest
)


@app.callback(invoke_without_command=True)
def _top(
    version: Annotated[bool, typer.Option("--version", help="Show the version and stop.")] = False,
) -> None:
    if version:
        from knee_angle import __version__

        print(__version__)
        raise typer.Exit
