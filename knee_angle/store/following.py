"""Kept rows as a course reads them: a visit by its joint answer, any other photo by its own."""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.store.records import KeptMeasurement, KeptVisit, SetUp
from knee_angle.visit.course import KeptAngle

__all__ = ["readings_of"]


def readings_of(
    rows: Sequence[KeptMeasurement], visits: Sequence[KeptVisit]
) -> tuple[KeptAngle, ...]:
    """One angle a setting of each visit, and one of every photo that belongs to none.

    Parameters
    ----------
    rows : sequence of KeptMeasurement
        Measurements that stand.
    visits : sequence of KeptVisit
        Visits that stand; one with photos that are not among the rows is left to its photos.
    """
    by_id = {row.id: row for row in rows}
    whole = [v for v in visits if v.counts and all(one in by_id for one in v.measurements)]
    joint = {row_id for visit in whole for row_id in visit.measurements}
    alone = [_alone(row) for row in rows if row.id not in joint]
    together = [angle for visit in whole for angle in _together(visit, by_id)]
    return (*alone, *together)


def _alone(row: KeptMeasurement) -> KeptAngle:
    """A photo by itself; a setting's number counts within its visit."""
    setup = row.setup
    return KeptAngle(
        row.id, row.taken_at, row.flexion_deg, row.u_deg, row.interval_deg,
        displayed_deg=row.displayed_deg,
        end=setup.end,
        setting=_setting(setup, row.displayed_deg),
        side=row.side,
        set_flexion_deg=setup.flexion_deg,
        set_extension_deg=setup.extension_deg,
    )  # fmt: skip


def _setting(setup: SetUp, displayed_deg: float | None) -> str | None:
    """What the photos of one place share; after adjusting the same number is another place."""
    if setup.setting is None and setup.adjusted == 0:
        return None
    named = setup.setting or f"display {displayed_deg}"
    return f"{setup.visit} {named} {setup.adjusted}".removesuffix(" 0")


def _together(visit: KeptVisit, by_id: dict[str, KeptMeasurement]) -> list[KeptAngle]:
    """The settings of a visit, each with what it shares with the others."""
    names = [f"{visit.id} {knee.setting}" for knee in visit.knees]
    angles = []
    for at, knee in enumerate(visit.knees):
        rows = [by_id[row_id] for row_id in knee.measurements]
        setups = [row.setup for row in rows]
        angles.append(
            KeptAngle(
                names[at], max(row.taken_at for row in rows), knee.deg, knee.u_deg,
                knee.interval_deg,
                displayed_deg=knee.displayed_deg,
                end=next((one.end for one in setups if one.end is not None), None),
                setting=names[at] if any(s.setting or s.adjusted for s in setups) else None,
                photos=len(rows),
                side=visit.side,
                set_flexion_deg=max(
                    (v for s in setups if (v := s.flexion_deg) is not None), default=None
                ),
                set_extension_deg=min(
                    (v for s in setups if (v := s.extension_deg) is not None), default=None
                ),
                shares=tuple(
                    (names[other], visit.covariance[at][other])
                    for other in range(len(names))
                    if other != at
                ),
            )
        )  # fmt: skip
    return angles
