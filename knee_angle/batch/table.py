"""What is known about the photos from elsewhere, joined by name.

Nothing is guessed: a photo's row is the one that names it exactly, and every missing and
surplus name is reported at once.
"""

from __future__ import annotations

from collections.abc import Collection

from knee_angle.errors import InvalidInput
from knee_angle.files.tables import Table, named
from knee_angle.language import joined, say

__all__ = ["match"]

MISMATCH = say(
    "the table {table} does not match the photos: {found}; names must be exactly like {example}"
)
MISMATCH_OR_PARTIAL = say(
    "the table {table} does not match the photos: {found}; names must be exactly like {example} "
    "(or allow it with --partial-table)"
)


def match(table: Table, photos: Collection[str], *, partial: bool) -> list[str]:
    """What photos and table do not have in common, as sentences; none where they match.

    Raises
    ------
    InvalidInput
        They do not match, and ``partial`` does not allow it; or not one name is in both.
    """
    rows, given = set(table.photos), set(photos)
    without = [photo for photo in photos if photo not in rows]
    surplus = [photo for photo in table.photos if photo not in given]
    found = []
    if without:
        found.append(
            say(
                "{n_without} photos have no row: {named}",
                n_without=len(without),
                named=named(without),
            )
        )
    if surplus:
        found.append(
            say(
                "{n_surplus} rows name no photo: {named}",
                n_surplus=len(surplus),
                named=named(surplus),
            )
        )
    if found and (not partial or len(without) == len(photos)):
        example = next(iter(photos))
        raise InvalidInput(
            (MISMATCH if partial else MISMATCH_OR_PARTIAL).format(
                table=table.name, found=joined("; ", found), example=example
            )
        )
    return found
