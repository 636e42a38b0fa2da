"""Following one person: flexion, extension and arc over days, beside what was prescribed."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from html import escape

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import KneeAngleError
from knee_angle.language import figure, joined, say, say_many, tell
from knee_angle.page import memory
from knee_angle.page.charts import person_chart
from knee_angle.page.for_study import study_button
from knee_angle.page.keeping import with_store
from knee_angle.page.paper import paper_button, paper_choice
from knee_angle.page.spoken import date_form
from knee_angle.page.taking_back import TAKEN_BACK, take_measurement_back
from knee_angle.page.ward.here import may
from knee_angle.records import Side
from knee_angle.report.course_words import PAST_WORDS
from knee_angle.store import (
    End,
    KeptMeasurement,
    KeptVisit,
    Prescription,
    Store,
    papers,
)
from knee_angle.store.following import readings_of
from knee_angle.store.table import csv_of
from knee_angle.visit.course import MARKS, Day, KeptAngle, PrescribedLimits, follow_days, marks_of
from knee_angle.visit.zone import LocalZone

__all__ = [
    "STANDING_WORDS",
    "days_of",
    "show",
    "show_people",
]

DAYS_SHOWN = 60
"""The newest days; the export holds all."""
ROWS_SHOWN = 400
ROWS_EXPORTED = 100_000
NEW = say("another patient")

EXCHANGED = say(
    "Flexion lies below extension: was the end of the range noted the wrong way round? Take that "
    "measurement back and keep it again."
)
KNEE_ON = {
    "left": say("Left knee · {day:%A, %-d %B %Y}"),
    "right": say("Right knee · {day:%A, %-d %B %Y}"),
}
PAST_ON = {
    "flexion": say("Past the prescribed flexion on {day:%-d %B}"),
    "extension": say("Past the prescribed extension on {day:%-d %B}"),
}
HEADS = (
    say("Day"), say("Flexion"), say("Extension"), say("Arc"), say("Display"), say("Neutral-zero"),
)  # fmt: skip
STANDING_WORDS = {
    "reached": say("● reached"),
    "not_reached": say("○ not reached"),
    "cannot_tell": say("– cannot tell"),
}


def show() -> None:
    """Draw the page with this machine's store."""
    st.title(tell("Follow a patient"))
    with_store(show_people, _new_person)
    st.caption(tell(words.CAUTION))


def show_people(store: Store) -> None:
    """Draw the page: one person's days, from the newest back."""
    people = {subject.code: subject for subject in store.people()}
    if not people:
        st.info(
            tell(
                "Nobody is followed yet: keep a measurement under a patient's code, or add a code."
            )
        )
        _new_person(lambda: store)
        return
    asked = st.query_params.get("person", "")
    newest = max(people.values(), key=lambda s: s.last_at.timestamp() if s.last_at else 0.0)
    names = {one: f"{one} · {_count(who.rows)}" for one, who in people.items()}
    code = st.selectbox(
        tell("Patient (code)"),
        [*people, NEW],
        index=list(people).index(asked if asked in people else newest.code),
        format_func={NEW: tell(NEW), **names}.__getitem__,
        key=f"person-{asked}",
    )
    if code == NEW:
        _new_person(lambda: store)
        return
    rows = store.measurements(person=code, limit=ROWS_SHOWN)
    if rows:
        side = _knee(code, rows)
        _asked(store, code, side)
        _followed(store, code, [row for row in rows if row.side == side], side)
    else:
        st.info(tell("Nothing is kept for {code} yet.", code=code))
    _prescribed(store, code)
    if rows and may("take back"):
        take_measurement_back(store, rows, store.visits(person=code, limit=TAKEN_BACK))


def days_of(
    rows: Sequence[KeptMeasurement],
    prescriptions: Sequence[Prescription],
    *,
    side: Side,
    visits: Sequence[KeptVisit] = (),
) -> tuple[Day, ...]:
    """Kept rows as the days of one knee at this place; the prescriptions are that knee's."""
    limits = [PrescribedLimits(p.from_day, p.flexion_deg, p.extension_deg) for p in prescriptions]
    return follow_days(readings_of(rows, visits), limits, zone=LocalZone(), side=side)


def _knee(code: str, rows: Sequence[KeptMeasurement]) -> Side:
    """The knee to show: the newest measurement's, or one of the two that were measured."""
    newest = rows[0].side
    if all(row.side == newest for row in rows):
        return newest
    sides: tuple[Side, ...] = ("left", "right")
    picked = st.radio(
        tell("Knee"), sides, index=sides.index(newest),
        format_func={one: tell(knee) for one, knee in words.KNEE_WORDS.items()}.__getitem__,
        horizontal=True, key=f"knee-{code}",
    )  # fmt: skip
    return newest if picked is None else picked


def _asked(store: Store, code: str, side: Side) -> None:
    """Ask where limits are prescribed, but not for the knee that was measured."""
    other: Side = "right" if side == "left" else "left"
    today = date.today()
    found = store.prescription_on(code, today, side=other)
    if store.prescription_on(code, today, side=side) is not None or found is None:
        return
    if _ends(found.extension_deg, found.flexion_deg):
        st.html(
            _alarm(
                tell(
                    "The photos show a {side} knee, the prescription is for the {other}: which is "
                    "it? ",
                    side=words.A_SIDE[side],
                    other=words.A_SIDE[other],
                ),
                tell(
                    "No limit is prescribed for the {side} knee: correct the prescription, or take "
                    "the measurement back and photograph from the outer side.",
                    side=words.A_SIDE[side],
                ),
            )
        )


def _count(rows: int) -> str:
    return tell(say_many("{count} measurement", "{count} measurements", rows))


def _followed(store: Store, code: str, rows: Sequence[KeptMeasurement], side: Side) -> None:
    """One knee: the newest day, the chart, the table, the marks, the export."""
    visits = store.visits(person=code, limit=ROWS_SHOWN)
    days = days_of(rows, store.prescriptions(code, side=side), side=side, visits=visits)
    days = days[-DAYS_SHOWN:]
    st.html(_newest(days[-1], side))
    st.altair_chart(
        person_chart(days, MARKS), theme=None, width="stretch", key=f"trend-{code}-{side}"
    )
    st.caption(
        tell(
            "Bars are 95 % intervals. Dotted lines are what daily life takes, for comparison only: "
            "what is aimed at, the prescription says."
        )
    )
    st.html(_table(days))
    with st.expander(tell("What daily life takes"), icon=":material/stairs:"):
        st.html(_marks(days))
    _papers(store, code, side)
    if may("export"):
        _export(store, code)
        study_button(store)


def _papers(store: Store, code: str, side: Side) -> None:
    """The course of a knee and the newest visit, as paper."""
    paper_choice()
    paper_button(
        say("Course as paper"),
        lambda: papers.of_course(store, code, side=side),
        store=store, about=f"course {code}", name=f"{code}-course-{side}",
    )  # fmt: skip
    paper_button(
        say("Newest visit as paper"),
        lambda: papers.of_visit(store, person=code),
        store=store, about=f"visit {code}", name=f"{code}-visit",
    )  # fmt: skip


def _export(store: Store, code: str) -> None:
    """The way to the table of all measurements."""
    st.download_button(
        tell("Export all measurements of this patient (CSV)"),
        data=_exported(store, code),
        file_name=f"{code}.csv",
        mime="text/csv",
        icon=":material/download:",
        on_click="ignore",
        width="stretch",
    )


def _exported(store: Store, code: str) -> Callable[[], bytes]:
    """The table, made only when it is asked for."""

    def made() -> bytes:
        store.note("export", code)
        rows = store.stored_measurements(person=code, all_rows=True)
        return "".join(csv_of(rows, store.visits(person=code, limit=ROWS_EXPORTED))).encode()

    return made


def _newest(day: Day, side: Side) -> str:
    """The newest day's figures, with an alarm where a limit was passed."""
    alarms = [
        _alarm(
            tell(PAST_ON[one.which].format(day=day.day)),
            tell(
                "Past {limit_deg:g}°: {because}. Stop the machine and follow the prescription.",
                limit_deg=one.limit_deg,
                because=joined(", ", [PAST_WORDS[what] for what in one.because]),
            ),
        )
        for one in day.past
    ]
    figures = [
        _figure(tell("Flexion"), _angle(day.flexion), _display(day.flexion)),
        _figure(tell("Extension"), _angle(day.extension), _display(day.extension)),
        _figure(
            tell("Arc"),
            ("–", "") if day.arc is None else _with(day.arc.deg, day.arc.u_deg),
            None if day.displayed_arc_deg is None else f"{_number(day.displayed_arc_deg)}°",
        ),
        _figure(tell("Neutral-zero"), (day.neutral_zero or "–", ""), None),
    ]
    head = tell(KNEE_ON[side].format(day=day.day))
    return (
        f'<section class="answer" aria-label="{tell("Newest day")}">'
        + "".join(alarms)
        + f'<p class="day">{escape(head)}</p>'
        + f'<dl class="figures days">{"".join(figures)}</dl>'
        + (f'<p class="sentence">{tell(EXCHANGED)}</p>' if day.exchanged else "")
        + f'<p class="prescribed">{escape(_limit_words(day.limits))}</p></section>'
    )


def _alarm(head: str, rest: str) -> str:
    return (
        '<div class="alarm" role="alert"><span class="octagon" aria-hidden="true">!</span>'
        f"<p><b>{escape(head)}</b>{escape(rest)}</p></div>"
    )


def _figure(name: str, value: tuple[str, str], more: str | None) -> str:
    other = ""
    if more is not None:
        other = f'<span class="beside">{tell("display")} {escape(more)}</span>'
    return (
        f"<div><dt>{name}</dt><dd><b>{escape(value[0])}</b> <span>{escape(value[1])}</span>"
        f"{other}</dd></div>"
    )


def _angle(reading: KeptAngle | None) -> tuple[str, str]:
    return ("–", tell("not measured")) if reading is None else _with(reading.deg, reading.u_deg)


def _with(deg: float, u_deg: float) -> tuple[str, str]:
    """Whole degrees, as on the card of the visit; the export has tenths."""
    return f"{deg:.0f}°".replace("-", "\u2212"), f"± {words.plus_minus(u_deg):.0f}°"


def _display(reading: KeptAngle | None) -> str | None:
    if reading is None or reading.displayed_deg is None:
        return None
    return f"{_number(reading.displayed_deg)}°"


def _number(value: float) -> str:
    return tell(figure(f"{value:g}".replace("-", "\u2212")))


def _limit_words(limits: PrescribedLimits | None) -> str:
    if limits is None or (limits.flexion_deg, limits.extension_deg) == (None, None):
        return tell("No limits were prescribed for that day.")
    ends = _ends(limits.extension_deg, limits.flexion_deg)
    return tell("Prescribed: {ends} (from {day:%-d %B})", ends=ends, day=limits.from_day)


def _ends(extension_deg: float | None, flexion_deg: float | None) -> str:
    """The limits that are in force, in words; empty where there is none."""
    ends = []
    if extension_deg is not None:
        ends.append(tell("extension {limit}", limit=words.from_straight(extension_deg)))
    if flexion_deg is not None:
        ends.append(tell("flexion {limit_deg:g}°", limit_deg=flexion_deg))
    return ", ".join(ends)


def _table(days: Sequence[Day]) -> str:
    """Every day drawn, the newest first; degrees, 95 %."""
    body = "".join(
        f'<tr><th scope="row">{tell("{day:%-d %b}", day=day.day)}</th>'
        f"<td>{_cell(day.flexion)}{_past(day.past_flexion)}</td>"
        f"<td>{_cell(day.extension)}{_past(day.past_extension)}</td>"
        f"<td>{'–' if day.arc is None else _short(day.arc.deg, day.arc.u_deg)}</td>"
        f'<td class="said">{_plain(day.flexion)} / {_plain(day.extension)}</td>'
        f"<td>{day.neutral_zero or '–'}</td></tr>"
        for day in reversed(days)
    )
    caption = tell("Degrees, ± 95 %; the newest day first")
    if _any_past(days):
        caption = tell("Degrees, ± 95 %; the newest day first; ▲ past the prescribed limit")
    heads = "".join(f"<th>{tell(head)}</th>" for head in HEADS)
    return (
        f'<table class="followed"><caption>{caption}</caption>'
        f"<thead><tr>{heads}</tr></thead><tbody>{body}</tbody></table>"
    )


def _any_past(days: Sequence[Day]) -> bool:
    return any(day.past_flexion or day.past_extension for day in days)


def _past(past: bool) -> str:
    if not past:
        return ""
    return f' <span class="past" title="{tell("past the prescribed limit")}">▲</span>'


def _cell(reading: KeptAngle | None) -> str:
    return "–" if reading is None else _short(reading.deg, reading.u_deg)


def _short(deg: float, u_deg: float) -> str:
    return f"{deg:.0f} ± {words.plus_minus(u_deg):.0f}".replace("-", "\u2212")


def _plain(reading: KeptAngle | None) -> str:
    if reading is None or reading.displayed_deg is None:
        return "–"
    return _number(reading.displayed_deg)


def _marks(days: Sequence[Day]) -> str:
    """Each functional mark against the newest day with a flexion."""
    newest = next((day for day in reversed(days) if day.flexion is not None), None)
    if newest is None or newest.flexion is None:
        return f"<p>{tell('No flexion was measured yet.')}</p>"
    lines, sources = [], dict[str, list[str]]()
    for mark, standing in marks_of(newest.flexion):
        deg = f"{mark.deg:g}°"
        lines.append(
            f'<tr><th scope="row">{escape(tell(mark.words))}</th><td>{deg}</td>'
            f"<td>{escape(tell(STANDING_WORDS[standing]))}</td></tr>"
        )
        sources.setdefault(mark.source, []).append(deg)
    said = tell("On {day:%-d %B}, proven at 95 %. For comparison only, no goals.", day=newest.day)
    heads = "".join(
        f"<th>{tell(one)}</th>" for one in (say("activity"), say("flexion"), say("proven"))
    )
    told = "; ".join(f"{', '.join(deg)}: {source}" for source, deg in sources.items())
    return (
        f"<p>{escape(said)}</p>"
        f'<table class="followed marks"><thead><tr>{heads}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table>"
        f'<p class="sources">{escape(told)}</p>'
    )


def _new_person(opened: Callable[[], Store]) -> None:
    with st.form("new-person", clear_on_submit=True):
        code = st.text_input(tell("New code (letters, digits, dashes; never a name)"), max_chars=16)
        if st.form_submit_button(tell("Add this patient"), width="stretch"):
            try:
                st.query_params["person"] = opened().add_person(code)
            except KneeAngleError as error:
                st.error(tell(str(error)))
                return
            st.rerun()


FOR: dict[str, tuple[str, Side | None]] = {
    "each": (say("each knee"), None),
    "left": (say("the left knee"), "left"),
    "right": (say("the right knee"), "right"),
}
"""Whose limits are entered: words, and what is kept."""


def _in_force(store: Store, code: str, side: Side | None) -> None:
    """What was prescribed for a knee, the newest first, and what binds today."""
    prescriptions = store.prescriptions(code, side=side)
    knee = "" if side is None else f"{tell(words.KNEE_WORDS[side])}: "
    none = tell("no limit")
    for row in reversed(prescriptions):
        lifted = ""
        if row.lifted:
            ends = joined(say(" and "), [words.ENDS_WORDS[end] for end in row.lifted])
            lifted = tell(" ({ends} lifted)", ends=ends)
        limits = f"{knee}{_ends(row.extension_deg, row.flexion_deg) or none}{lifted}"
        st.markdown(tell("From **{day:%-d %B %Y}**: {limits}", day=row.from_day, limits=limits))
    begun = [row for row in prescriptions if row.from_day <= date.today()]
    now = _ends(begun[-1].extension_deg, begun[-1].flexion_deg) if begun else ""
    st.markdown(f"{tell('**In force today:**')} {knee}{now or none}")


def _prescribed(store: Store, code: str) -> None:
    """Limits by date; each stands until it is entered anew or lifted by its own tick."""
    with st.expander(tell("Prescribed limits"), icon=":material/rule:"):
        prescriptions = store.prescriptions(code)
        sides: tuple[Side | None, ...] = (None,)
        if any(row.side is not None for row in prescriptions):
            sides = ("left", "right")
        for side in sides:
            _in_force(store, code, side)
        # Empty again once something was entered: an empty field leaves its limit as it is.
        turn = f"{code}-{len(prescriptions)}"
        with st.form(f"prescribe-{code}"):
            left, right = memory.pair("prescribe")
            with left:
                extension, no_extension = _limit_fields("extension", turn)
            with right:
                flexion, no_flexion = _limit_fields("flexion", turn)
            from_day = st.date_input(
                tell("From this day on"), value=date.today(), format=date_form()
            )
            whose = st.radio(
                tell("For"), list(FOR),
                format_func={one: tell(told) for one, (told, _) in FOR.items()}.__getitem__,
                horizontal=True,
                key=f"for-{turn}",
            )  # fmt: skip
            st.caption(
                tell(
                    "As the prescriber wrote it. A limit stands until another is entered or it is "
                    "lifted; an empty field changes nothing. Earlier rows stay as they are."
                )
            )
            if st.form_submit_button(tell("Enter these limits"), width="stretch"):
                ticks: list[tuple[End, bool]] = [
                    ("flexion", no_flexion), ("extension", no_extension)
                ]  # fmt: skip
                try:
                    store.prescribe(
                        code,
                        from_day=from_day,
                        flexion_deg=flexion,
                        extension_deg=extension,
                        lifted=[name for name, ticked in ticks if ticked],
                        side=FOR[whose][1],
                    )
                except KneeAngleError as error:
                    st.error(tell("Not entered: {error}", error=error))
                    return
                st.rerun()


def _limit_fields(name: End, turn: str) -> tuple[float | None, bool]:
    """One limit as typed, and whether it is lifted."""
    deg = st.number_input(
        tell(LIMIT[name][0]), value=None, step=1.0, format="%g",
        key=f"limit-{name}-{turn}", placeholder=tell("stays as it is"),
    )  # fmt: skip
    return deg, st.checkbox(tell(LIMIT[name][1]), key=f"lift-{name}-{turn}")


LIMIT: dict[End, tuple[str, str]] = {
    "flexion": (say("Flexion limit"), say("The flexion limit is lifted")),
    "extension": (say("Extension limit"), say("The extension limit is lifted")),
}
