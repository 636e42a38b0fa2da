"""Kept rows as a course over days: a visit by its joint answer, any other photo by its own."""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import Side
from knee_angle.report.course_words import Knee
from knee_angle.store.keeping import Store
from knee_angle.store.records import KeptMeasurement, KeptVisit, SetUp, checked_code
from knee_angle.store.table import row_of, written_out
from knee_angle.visit.course import Day, KeptAngle, PrescribedLimits, follow_days
from knee_angle.visit.zone import LocalZone

__all__ = ["MOST_ROWS", "course_of", "readings_of"]

MOST_ROWS = 100_000
"""So many of the newest rows are looked through."""


def course_of(
    store: Store, person: str, *, side: Side | None = None
) -> tuple[str, tuple[Knee, ...]]:
    """A person's code and the days of each knee that was measured, in this place's days.

    Parameters
    ----------
    store : Store
    person : str
        A code.
    side : {"left", "right"}, optional
        That knee alone.

    Raises
    ------
    InvalidInput
        Nobody is known by that code, or nothing is kept of that knee.
    """
    code = checked_code(person)
    wanted: tuple[Side, ...] = ("left", "right") if side is None else (side,)
    with written_out(row_of(code)):
        rows = store.measurements(person=code, limit=MOST_ROWS)
        visits = store.visits(person=code, limit=MOST_ROWS)
        readings = readings_of(rows, visits)
        knees = [Knee(one, days) for one in wanted if (days := _days(store, code, one, readings))]
    if not knees:
        knee = "" if side is None else side
        raise InvalidInput(
            say(
                "nothing is kept for {code} {knee}: keep a measurement first, or name the other "
                "knee", code=code, knee=knee,
            )
            if knee
            else say("nothing is kept for {code}: keep a measurement first", code=code)
        )  # fmt: skip
    return code, tuple(knees)


def _days(store: Store, code: str, side: Side, readings: Sequence[KeptAngle]) -> tuple[Day, ...]:
    """One knee's days at this place."""
    limits = [
        PrescribedLimits(row.from_day, row.flexion_deg, row.extension_deg)
        for row in store.prescriptions(code, side=side)
    ]
    return follow_days(readings, limits, zone=LocalZone(), side=side)


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
