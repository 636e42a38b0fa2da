"""``knee-angle store recheck``: whether what was kept is still what it was."""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from knee_angle.cli.store import Where, opened_store, store_app
from knee_angle.errors import KeyLacking
from knee_angle.language import say_many, tell

if TYPE_CHECKING:
    from knee_angle.store import Store

__all__: list[str] = []


@store_app.command("recheck")
def store_recheck(store: Where = None) -> None:
    """Compute every kept angle again, open every picture; exit 1 where one is not as kept."""
    from knee_angle.store.recheck import recheck

    total, different = 0, 0
    with opened_store(store) as opened:
        opened.check_pages()
        for one in opened.stored_measurements(all_rows=True):
            told = recheck(one)
            total += 1
            if not told.same:
                different += 1
                print(
                    tell(
                        "{id}: kept {kept_deg:.4f} u {kept_u_deg:.4f}, again {again_deg:.4f} u "
                        "{again_u_deg:.4f}",
                        id=told.id,
                        kept_deg=told.kept_deg,
                        kept_u_deg=told.kept_u_deg,
                        again_deg=told.again_deg,
                        again_u_deg=told.again_u_deg,
                    )
                )
        said = say_many(
            "{count} measurement computed again, different: {different}",
            "{count} measurements computed again, different: {different}",
            total,
            different=different,
        )
        print(tell(said))
        whole = _pictures_rechecked(opened)
    raise typer.Exit(int(different > 0 or not whole))


def _pictures_rechecked(opened: Store) -> bool:
    """Say which kept pictures are not what they were; whether all are."""
    total = wrong = 0
    try:
        for one in opened.rechecked_pictures():
            total += 1
            if one.wrong is not None:
                wrong += 1
                print(f"{tell(one.of)}: {tell(one.wrong)}")
    except KeyLacking as error:
        print(tell("no picture was opened: {why}", why=error))
        return False
    said = say_many(
        "{count} picture opened, not as it was kept: {wrong}",
        "{count} pictures opened, not as they were kept: {wrong}",
        total,
        wrong=wrong,
    )
    print(tell(said))
    return not wrong
