"""``knee-angle accounts``: who may sign in where the page serves a network."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from knee_angle.cli.app import Commands, app
from knee_angle.cli.store import Where, opened_store
from knee_angle.errors import InvalidInput
from knee_angle.language import say, tell

if TYPE_CHECKING:
    from knee_angle.store.access.signing_in import Access

__all__ = ["accounts_app", "opened_access"]

accounts_app = typer.Typer(
    cls=Commands,
    help="Accounts of a ward's page, their sessions and paired phones.",
    no_args_is_help=True,
)
app.add_typer(accounts_app, name="accounts")

Name = Annotated[str, typer.Argument(help="Such as therapist-1: what the audit trail says.")]
PasswordFile = Annotated[
    Path | None,
    typer.Option(help="Read the password from a file's first line (-: standard input) instead of "
                 "asking for it.", allow_dash=True),
]  # fmt: skip


class RoleName(StrEnum):
    """Who may do what: see the table in DEVELOPERS.md."""

    THERAPIST = "therapist"
    AUDITOR = "auditor"
    RESEARCHER = "researcher"
    ADMIN = "admin"


RoleOption = Annotated[RoleName, typer.Option(help="What the account may do.")]


@contextmanager
def opened_access(where: str | None, *, create: bool = False) -> Iterator[Access]:
    """Accounts and sessions of a store; the trail says who changed them at this computer."""
    from knee_angle.store.access.signing_in import Access

    with opened_store(where, create=create) as store:
        yield Access(store, store.who)


@accounts_app.command("add")
def accounts_add(
    name: Name,
    role: RoleOption,
    subject: Annotated[
        str, typer.Option(help="What the hospital's provider calls the person: no password then.")
    ] = "",
    password_file: PasswordFile = None,
    store: Where = None,
) -> None:
    """Make an account."""
    password = "" if subject and password_file is None else _password(password_file)
    with opened_access(store, create=True) as access:
        account = access.accounts.add(name, role=role, password=password, subject=subject)
    print(f"{account.name}: {account.role}")


@accounts_app.command("list")
def accounts_list(store: Where = None) -> None:
    """Every account, its role and how it signs in."""
    with opened_access(store) as access:
        for one in access.accounts.all():
            ways = [*["password"] * one.has_password, *["provider"] * bool(one.subject)]
            print(f"{one.name:32}  {one.role:10}  {' and '.join(ways)}")


@accounts_app.command("role")
def accounts_role(
    name: Name,
    role: Annotated[RoleName, typer.Argument(help="What it may do from now on.")],
    store: Where = None,
) -> None:
    """Give an account another role; it has to sign in again."""
    with opened_access(store) as access:
        access.accounts.give_role(name, role)
    print(tell("{name}: {role}; its sessions are ended", name=name, role=role))


@accounts_app.command("password")
def accounts_password(name: Name, password_file: PasswordFile = None, store: Where = None) -> None:
    """Give an account another password; it has to sign in again."""
    password = _password(password_file)
    with opened_access(store) as access:
        access.accounts.give_password(name, password)
    print(tell("{name}: the password is changed; its sessions are ended", name=name))


@accounts_app.command("remove")
def accounts_remove(name: Name, store: Where = None) -> None:
    """Let an account sign in no longer; its name stays taken."""
    with opened_access(store) as access:
        access.accounts.remove(name)
    print(tell("{name}: removed; its sessions are ended", name=name))


@accounts_app.command("sessions")
def accounts_sessions(store: Where = None) -> None:
    """Who is signed in, on which device, until when."""
    with opened_access(store) as access:
        for one in access.sessions.standing():
            until = f"{one.ends_at.astimezone():%Y-%m-%d %H:%M}"
            print(
                tell(
                    "{id}  {account:32}  {way:8}  {device:9}  until {until}",
                    id=one.id,
                    account=one.account,
                    way=one.way,
                    device=one.device,
                    until=until,
                )
            )


@accounts_app.command("end")
def accounts_end(
    session: Annotated[str, typer.Argument(help="Its identifier, from `accounts sessions`.")],
    store: Where = None,
) -> None:
    """End a session: a lost phone, a computer left open."""
    with opened_access(store) as access:
        access.sessions.end(session, told="ended a session")
    print(tell("{session}: ended", session=session))


@accounts_app.command("trail")
def accounts_trail(
    who: Annotated[str | None, typer.Option(help="Of this account or role alone.")] = None,
    about: Annotated[
        str | None, typer.Option(help="About this code or row alone, such as P-017.")
    ] = None,
    limit: Annotated[int, typer.Option(help="At most so many lines, the newest.", min=1)] = 1000,
    store: Where = None,
) -> None:
    """Who did and saw what, the newest first: the audit trail."""
    with opened_store(store) as opened:
        for one in opened.audit(limit=limit, who=who, about=about):
            print(
                f"{one.at.astimezone():%Y-%m-%d %H:%M:%S}  {one.who:16}  {one.what:24}  {one.about}"
            )


def _password(file: Path | None) -> str:
    """The password as typed twice, or the first line of a file."""
    if file is None:
        typed: str = typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
        return typed
    try:
        text = sys.stdin.read() if str(file) == "-" else file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InvalidInput(
            say("--password-file {file} cannot be read ({error})", file=file, error=error)
        ) from None
    return (text.splitlines() or [""])[0]
