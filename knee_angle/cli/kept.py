"""What ``--keep`` kept, said in a line each: the row, its paper, and who held the photo before."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from knee_angle.language import say, say_many, tell

if TYPE_CHECKING:
    from knee_angle.store import Store

__all__ = ["checks_holding", "rows_holding", "say_held_before", "say_kept"]

DIGITS = 12
"""So many digits of a row are said: its paper and the lists say as many, ``--row`` takes them."""
CHECKS_LOOKED_AT = 20
"""So many of a machine's newest checks are looked through for the same photos."""


def rows_holding(store: Store, hashes: Iterable[str], person: str | None) -> list[str]:
    """Rows that stand and hold one of these photos of this person: its visit, else its own.

    Asked before the photos are kept: afterwards they hold themselves.
    """
    from knee_angle.store import checked_code

    code = person and checked_code(person)
    found = (one for photo in hashes for one in store.of_photo(photo) if one.person == code)
    return list(dict.fromkeys(one.setup.visit or one.id for one in found))


def checks_holding(store: Store, hashes: Iterable[str], machine: str) -> list[str]:
    """Checks of this machine that stand and hold one of these photos, of its newest ones."""
    given = set(hashes)
    newest = store.checks(machine=machine, limit=CHECKS_LOOKED_AT)
    return [one.id for one in newest if given & set(store.check(one.id).photo_sha256.values())]


def say_kept(rows: Sequence[str], where: str | None, *, paper: str = "visit") -> None:
    """The rows that are kept now, and the command that makes a paper of the first."""
    if not rows:
        return
    short = [row[:DIGITS] for row in rows]
    kind, *more = paper.split()
    command = " ".join(["knee-angle report", kind, "OUT.pdf", *more, "--row", short[0]])
    if where is not None:
        # An address may hold a password: that is not printed.
        command += " --store " + ("URL" if "://" in where else shlex.quote(where))
    said = say_many(
        "kept as {rows}; its paper: {command}",
        "kept as {rows}; the paper of the first: {command}",
        len(rows),
        rows=", ".join(short),
        command=command,
    )
    print(f"knee-angle: {tell(said)}", file=sys.stderr)


def say_held_before(rows: Sequence[str]) -> None:
    """That photos were kept before: they were kept again all the same, and count twice."""
    if not rows:
        return
    said = say(
        "the same photos were kept before, as {rows}: they are kept again, and count each time",
        rows=", ".join(row[:DIGITS] for row in rows),
    )
    print(f"knee-angle: {tell(said)}", file=sys.stderr)
