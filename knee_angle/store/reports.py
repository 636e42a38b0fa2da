"""The door of `knee_angle` to the papers of what is kept: one function, a file for each call.

It does what ``knee-angle report`` does, by the same functions: no photo and no model is asked
for.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Literal, cast

from knee_angle.errors import InvalidInput
from knee_angle.files import naming, write_whole
from knee_angle.language import asked_for, current, in_language, joined, say, usual_language
from knee_angle.records import Side
from knee_angle.report.paper.pdf import Size
from knee_angle.report.paper.written import content_of, ending_of
from knee_angle.store import Store, open_store, papers

__all__ = ["Kind", "hand_over", "write_report"]

Kind = Literal["visit", "course", "machine", "fleet"]
TAKES: dict[str, tuple[str, tuple[str, ...]]] = {
    "visit": ("", ("person", "row")),
    "course": ("person", ("side",)),
    "machine": ("machine", ("row",)),
    "fleet": ("", ()),
}
"""What each report needs, and what it may be given besides."""


def write_report(
    kind: Kind,
    out: str | Path,
    *,
    person: str | None = None,
    machine: str | None = None,
    row: str | None = None,
    side: Side | None = None,
    pictures: bool = True,
    size: Size = "a4",
    language: str | None = None,
    note: str = "",
    store: str | Path | None = None,
) -> Path:
    """A paper of what is kept: a visit, a patient's course, a machine's certificate, the fleet.

    Parameters
    ----------
    kind : {"visit", "course", "machine", "fleet"}
    out : path
        File to write, ``.pdf`` or ``.html``; one that has the name is replaced.
    person, machine : str, optional
        The code: a visit (the newest) and a course are a patient's, a certificate a machine's.
    row : str, optional
        The kept visit or check, or how its identifier begins; else the newest.
    side : {"left", "right"}, optional
        That knee's course alone.
    pictures : bool
        Whether a visit's paper and a certificate show photos that were kept.
    size : {"a4", "letter"}
        Of a PDF.
    language : {"en", "de"}, optional
        Else that of ``KNEE_ANGLE_LANGUAGE``, else English.
    note : str
        A line to print on it; it is not kept.
    store : path or URL, optional
        Else ``KNEE_ANGLE_STORE``, else a file in the user's data folder.

    Raises
    ------
    InvalidInput
        A report that there is not, or of nothing that is kept; a name without an ending.
    StoreError
        The store cannot be read.
    """
    given = {"person": person, "machine": machine, "row": row, "side": side}
    named = {name: value for name, value in given.items() if value is not None}
    _refuse(kind, named, language=language)
    ending_of(out)
    spoken = language or usual_language()
    with open_store(store, create=False) as kept, in_language(spoken):
        made = _made(kept, kind, named, pictures=pictures, note=note)
        hand_over(kept, made, out, about=" ".join([kind, *named.values()]), size=size)
    return Path(out)


def hand_over(
    store: Store, paper: papers.Paper, out: str | Path, *, about: str, size: Size
) -> None:
    """Write the paper in the language that is spoken, whole or not at all.

    No paper leaves without its line in the audit trail: that comes before the file.
    """
    content = content_of(paper, ending_of(out), size=size, language=current().code)
    store.note_paper(about)
    with naming(out):
        write_whole(out, content)


def _made(
    store: Store, kind: Kind, named: Mapping[str, str], *, pictures: bool, note: str
) -> papers.Paper:
    person, row, side = named.get("person"), named.get("row"), named.get("side")
    if kind == "visit":
        return papers.of_visit(store, person=person, row=row, pictures=pictures, note=note)
    if kind == "course":
        return papers.of_course(store, person or "", side=cast("Side | None", side), note=note)
    if kind == "machine":
        return papers.of_machine(store, named["machine"], row=row, pictures=pictures, note=note)
    return papers.of_fleet(store, note=note)


def _refuse(kind: str, named: Mapping[str, str], *, language: str | None) -> None:
    """Everything that is wrong with what was asked for, before a store is opened."""
    if kind not in TAKES:
        known = joined(say(" or "), TAKES)
        raise InvalidInput(
            say("a report must be {known}, but got {kind!r}: choose one", known=known, kind=kind)
        )
    needs, may = TAKES[kind]
    if needs and needs not in named:
        raise InvalidInput(say("the report {kind} needs {name}: give it", kind=kind, name=needs))
    foreign = [name for name in named if name not in (needs, *may)]
    if foreign:
        raise InvalidInput(
            say("the report {kind} takes no {name}: leave it out", kind=kind, name=foreign[0])
        )
    wrong = None if language is None else asked_for(language)
    if wrong is not None:
        raise InvalidInput(wrong)
