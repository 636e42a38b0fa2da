"""What is known about the photos from elsewhere, joined by name.

Nothing is guessed: a photo's row is the one that names it exactly, and every missing and
surplus name is reported at once.
"""

from __future__ import annotations

from collections.abc import Collection

from knee_angle.errors import InvalidInput
from knee_angle.tables import Table, named

__all__ = ["match"]


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
        found.append(f"{len(without)} photos have no row: {named(without)}")
    if surplus:
        found.append(f"{len(surplus)} rows name no photo: {named(surplus)}")
    if found and (not partial or len(without) == len(photos)):
        example = next(iter(photos))
        raise InvalidInput(
            f"the table {table.name} does not match the photos: {'; '.join(found)}; names must be "
            f"exactly like {example}" + ("" if partial else " (or allow it with --partial-table)")
        )
    return found
