"""Following the machines: last check, next due, and whether one has changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from functools import partial
from html import escape
from importlib.util import find_spec

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import KneeAngleError
from knee_angle.language import capital, capital_start, figure, say, say_many, tell
from knee_angle.machine.control_chart import RULES, SETTLED, ControlChart, individuals_chart
from knee_angle.page import memory
from knee_angle.page.charts import control_chart
from knee_angle.page.check_draft import checked_machine
from knee_angle.page.checking import new_check
from knee_angle.page.keeping import with_store
from knee_angle.page.paper import paper_button, paper_choice
from knee_angle.page.taking_back import take_back, take_measurement_back
from knee_angle.page.ward.here import may
from knee_angle.report.check_words import ONE_PLACE
from knee_angle.report.code_sheet import code_sheet
from knee_angle.store import (
    KeptCheck,
    KeptMeasurement,
    MachineCard,
    Store,
    WithdrawalReason,
    papers,
)
from knee_angle.visit.course import EVERY_DAYS, MIDDLE_DEG, Due, difference_at, due
from knee_angle.visit.zone import LocalZone

__all__ = ["show", "show_machines"]

CHECKS_SHOWN = 60
KEPT_SHOWN = 50
NEW = say("another machine")

BY_BARS = say(
    "{day:%-d %B %Y}: display against the machine's bars, {count} photos over {low} to {high}."
)
BY_KNEE = say("{day:%-d %B %Y}: display against the knee, {count} photos over {low} to {high}.")
SERVICE = say("▲ have it serviced, then check it again")
CHECK_HEADS = (say("Check"), say("Value"), say("Verdict"), say("Photos"))
KEPT_HEADS = (say("When"), say("Patient"), say("Knee"), say("Display"), say("Verdict"))
Quantity = tuple[str, Callable[[KeptCheck], tuple[float, float]]]
QUANTITIES: dict[str, Quantity] = {
    "middle": (
        say("displayed minus measured at {at_deg:g}°, degrees", at_deg=MIDDLE_DEG),
        lambda c: difference_at(MIDDLE_DEG, offset_deg=c.offset_deg, gain=c.gain, cov=c.cov),
    ),
    "offset": (say("offset, degrees"), lambda c: (c.offset_deg, math.sqrt(c.cov[0]))),
    "gain": (say("gain"), lambda c: (c.gain, math.sqrt(c.cov[2]))),
}
NAMES = {
    "middle": say("Difference at {at_deg:g}°", at_deg=MIDDLE_DEG),
    "offset": say("Offset"),
    "gain": say("Gain"),
}
"""What can be charted: its words, and value and u of one check."""


def show() -> None:
    """Draw the page with this machine's store."""
    st.title(tell("Machines"))
    with_store(show_machines, _new_machine)
    st.caption(tell(words.CAUTION))


def show_machines(store: Store) -> None:
    """Draw the page: all machines, then one of them."""
    codes = [subject.code for subject in store.machines()]
    if not codes:
        st.info(tell("No machine is known yet: add its code, then check it."))
        _new_machine(lambda: store)
        return
    latest = {check.machine: check for check in store.latest_checks()}
    cards = {code: store.machine_card(code) for code in codes}
    dues = {code: _due(latest.get(code), cards[code]) for code in codes}
    # What is due soonest stands first; a machine that was never checked before all.
    codes.sort(key=lambda c: (-math.inf if (d := dues[c].days_left) is None else d, c))
    st.html(_list(codes, latest, dues))
    asked = checked_machine() or st.query_params.get("machine", "")
    code = st.selectbox(
        tell("Machine (code)"),
        [*codes, NEW],
        index=codes.index(asked) if asked in codes else 0,
        format_func={NEW: tell(NEW), **{one: one for one in codes}}.__getitem__,
        key=f"machine-{asked}",
    )
    if code == NEW:
        _new_machine(lambda: store)
        return
    checks = tuple(reversed(store.checks(machine=code, limit=CHECKS_SHOWN)))
    if checks:
        _followed(checks)
        _papers(store, code, checked=True)
    else:
        st.info(tell("{code} was never checked: start below.", code=code))
    if may("check machines"):
        new_check(store, code)
        _card(store, cards[code])
        _code_to_scan(code)
    if not checks:
        _papers(store, code, checked=False)
    if checks and may("take back checks"):
        _take_check_back(store, checks)
    kept = store.measurements(machine=code, limit=KEPT_SHOWN) if may("see patients") else ()
    if kept:
        with st.expander(tell("Measurements in this machine"), icon=":material/list:"):
            st.html(_kept(kept))
        if may("take back"):
            take_measurement_back(store, kept, store.visits(machine=code, limit=KEPT_SHOWN))


def _papers(store: Store, code: str, *, checked: bool) -> None:
    """The newest check's certificate, and all machines, as paper."""
    paper_choice()
    if checked:
        pictures = may("see patients")  # photos of a check are of patients' legs
        paper_button(
            say("Certificate of the newest check"),
            lambda: papers.of_machine(store, code, pictures=pictures),
            store=store, about=f"machine {code}", name=f"{code}-certificate",
        )  # fmt: skip
    paper_button(
        say("All machines as paper"),
        lambda: papers.of_fleet(store),
        store=store, about="fleet", name="machines",
    )  # fmt: skip


def _due(check: KeptCheck | None, card: MachineCard) -> Due:
    return due(
        None if check is None else check.taken_at,
        every_days=card.check_every_days or EVERY_DAYS,
        today=date.today(),
        zone=LocalZone(),
    )


def _list(codes: Sequence[str], latest: dict[str, KeptCheck], dues: dict[str, Due]) -> str:
    """One block a machine: verdict by word and shape, last check, next due."""
    blocks = []
    for code in codes:
        check = latest.get(code)
        kind = "undecided" if check is None else check.verdict
        verdict, last = tell("not checked yet"), ""
        if check is not None:
            verdict = tell(words.VERDICT_WORDS[check.verdict])
            last = tell("last check {day:%-d %b %Y}", day=check.taken_at.astimezone())
        failed = check is not None and check.verdict == "outside"
        late = " late" if failed or dues[code].now else ""
        # Days until the next check would read as an all-clear.
        due_words = _due_words(dues[code])
        if failed:
            late_too = f"<br>{due_words}" if dues[code].now else ""
            due_words = f"{tell(SERVICE)}{late_too}"
        blocks.append(
            f'<li class="{kind}"><b>{escape(code)}</b>'
            f'<span class="verdict"><span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
            f"{verdict}</span><span>{last}</span>"
            f'<span class="due{late}">{due_words}</span></li>'
        )
    return f'<ul class="machines" aria-label="{tell("Machines")}">{"".join(blocks)}</ul>'


def _due_words(when: Due) -> str:
    """When the next check is due; what is late begins with a mark."""
    if when.days_left is None:
        return tell("▲ first check due")
    if when.days_left < 0:
        return tell(
            say_many("▲ overdue by {count} day", "▲ overdue by {count} days", -when.days_left)
        )
    if when.days_left == 0:
        return tell("▲ due today")
    return tell(say_many("next in {count} day", "next in {count} days", when.days_left))


def _followed(checks: Sequence[KeptCheck]) -> None:
    """The newest check, the chart over all, and what its rules say."""
    st.html(_newest(checks[-1]))
    # A check against the knee holds the fit as well: it cannot stand in one line with others.
    alike = [check for check in checks if check.against == checks[-1].against]
    name = st.segmented_control(
        tell("Over time"),
        list(QUANTITIES),
        default=next(iter(QUANTITIES)),
        key="quantity",
        format_func={one: tell(name) for one, name in NAMES.items()}.__getitem__,
    )
    title, of = QUANTITIES[name or next(iter(QUANTITIES))]
    told = [check for check in alike if not check.at_one_place]
    if len(told) < len(alike):
        st.caption(tell(_at_one_place(len(alike) - len(told))))
    if told:
        _over_time(told, checks, tell(title), [of(check) for check in told])


def _over_time(
    alike: Sequence[KeptCheck],
    checks: Sequence[KeptCheck],
    title: str,
    found: Sequence[tuple[float, float]],
) -> None:
    """One quantity of checks of a kind: its chart, what the rules say, and its table."""
    values = [value for value, _ in found]
    intervals = [(v - words.plus_minus(u), v + words.plus_minus(u)) for v, u in found]
    # The first checks say how the machine scatters while it is as it was.
    chart = individuals_chart(values, baseline=SETTLED if len(values) > SETTLED else None)
    st.altair_chart(
        control_chart(
            [check.taken_at.astimezone() for check in alike],
            intervals,
            values,
            chart,
            title=title,
        ),
        theme=None,
        width="stretch",
    )
    _rules(chart, alike, [check for check in checks if not check.at_one_place])
    st.html(_table(alike, found, chart))


def _rules(
    chart: ControlChart | None, alike: Sequence[KeptCheck], checks: Sequence[KeptCheck]
) -> None:
    """What the chart says, in words."""
    if chart is None:
        st.caption(tell("Control limits need three checks of the same kind."))
    elif chart.signals:
        lines = []
        for rule, meaning in RULES.items():
            days = [
                tell("{day:%-d %b %Y}", day=alike[s.index].taken_at.astimezone())
                for s in chart.signals
                if s.rule == rule
            ]
            if days:
                lines.append(f"- {tell(meaning)}: {', '.join(days)}")
        st.warning("\n".join([tell("**A sign that the machine has changed**"), *lines]))
    else:
        st.caption(tell("No rule fired: no sign that the machine has changed."))
    if chart is not None:
        first = say("The limits come from the first {count} checks: they still move with each one.")
        if chart.settled:
            first = say("The limits come from the first {count} checks.")
        st.caption(tell(first.format(count=chart.baseline)))
    if len(alike) < len(checks):
        with_bars = alike[-1].against != "frame"
        st.caption(tell(_not_drawn(len(checks) - len(alike), with_bars=with_bars)))
    st.caption(
        tell("The chart says whether the machine stays as it was, each verdict whether it agrees.")
    )


def _at_one_place(count: int) -> str:
    """How many checks tell no offset and no gain, and so stand in no chart of them."""
    return say_many(
        "{count} check is not drawn: all its settings are close together.",
        "{count} checks are not drawn: all settings of each are close together.",
        count,
    )


def _not_drawn(count: int, *, with_bars: bool) -> str:
    """How many checks the chart leaves out: those of the display with the other of the two."""
    if with_bars:
        return say_many(
            "{count} check is not drawn: it compares the display with the bars, this chart does "
            "not.",
            "{count} checks are not drawn: they compare the display with the bars, this chart "
            "does not.",
            count,
        )
    return say_many(
        "{count} check is not drawn: it compares the display with the knee, this chart does not.",
        "{count} checks are not drawn: they compare the display with the knee, this chart does "
        "not.",
        count,
    )


def _newest(check: KeptCheck) -> str:
    by_bars = check.against == "frame"
    against = BY_BARS if by_bars else BY_KNEE
    low, high = check.range_deg
    found = words.check_finding(check.finding, display=check.verdict, by_bars=by_bars)
    finding = tell(capital(found))
    allowed = say(
        "± {u}, allowed {tolerance_deg:g}°",
        u=words.degrees(words.plus_minus(check.largest_u_deg)),
        tolerance_deg=check.tolerance_deg,
    )
    told = [(say("Largest difference"), words.degrees(check.largest_deg, sign=True), allowed)]
    if not check.at_one_place:
        told += _line_of(check)
    figures = "".join(
        f"<div><dt>{tell(name)}</dt><dd><b>{tell(value)}</b> <span>{tell(more)}</span></dd></div>"
        for name, value, more in told
    )
    why = ""
    if check.at_one_place:
        why = f'<p class="sentence">{escape(tell(capital(ONE_PLACE)))}</p>'
    said = against.format(
        day=check.taken_at.astimezone(), count=check.photos,
        low=words.degrees(low), high=words.degrees(high),
    )  # fmt: skip
    return (
        f'<section class="answer {check.verdict}" aria-label="{tell("Newest check")}">'
        f'<p class="verdict"><span class="shape {words.VERDICT_SHAPES[check.verdict]}"></span>'
        f"{tell(capital_start(words.VERDICT_WORDS[check.verdict]))}</p>"
        f'<dl class="figures days">{figures}</dl>'
        f'<p class="sentence">{escape(tell(said))}</p>{why}'
        f'<p class="next"><b>{escape(finding)}</b></p></section>'
    )


def _line_of(check: KeptCheck) -> list[tuple[str, str, str]]:
    """Offset and gain, each with its ±."""
    u_offset, u_gain = math.sqrt(check.cov[0]), math.sqrt(check.cov[2])
    offset = words.degrees(check.offset_deg, sign=True)
    u = words.degrees(words.plus_minus(u_offset))
    gain, more = figure(f"{check.gain:.3f}"), figure(f"± {words.plus_minus(u_gain):.3f}")
    return [(say("Offset"), offset, say("± {u}", u=u)), (say("Gain"), gain, more)]


def _table(
    checks: Sequence[KeptCheck],
    found: Sequence[tuple[float, float]],
    chart: ControlChart | None,
) -> str:
    fired = set() if chart is None else {signal.index for signal in chart.signals}
    mark = f' <span class="past" title="{tell("a rule fired")}">▲</span>'
    rows = [
        f'<tr><th scope="row">{tell("{day:%-d %b %y}", day=check.taken_at.astimezone())}</th>'
        f"<td>{tell(figure(f'{_signed(value)} ± {words.plus_minus(u):.2f}'))}"
        f"{mark if number in fired else ''}</td>"
        f'<td class="said">{tell(words.VERDICT_WORDS[check.verdict])}</td>'
        f"<td>{check.photos}</td></tr>"
        for number, (check, (value, u)) in enumerate(zip(checks, found, strict=True))
    ]
    return (
        f'<table class="followed"><caption>{tell("As drawn, ± 95 %; the newest check first")}'
        f"</caption><thead><tr>{_heads(CHECK_HEADS)}</tr></thead>"
        f"<tbody>{''.join(reversed(rows))}</tbody></table>"
    )


def _take_check_back(store: Store, checks: Sequence[KeptCheck]) -> None:
    """Let a check no longer count."""

    def withdraw(row_id: str, reason: WithdrawalReason) -> None:
        store.withdraw_check(row_id, reason)
        # The same photos can be kept again, as another row.
        for name in [n for n, value in st.session_state.items() if value == row_id]:
            del st.session_state[name]

    rows = {
        check.id: say(
            "{at:%-d %b %Y %H:%M}, {count} photos",
            at=check.taken_at.astimezone(),
            count=check.photos,
        )
        for check in reversed(checks)
    }
    take_back("check", rows, withdraw)


def _kept(rows: Sequence[KeptMeasurement]) -> str:
    """The newest measurements of knees in this machine, whosever they are."""
    lines = [
        f'<tr><th scope="row">{tell("{at:%-d %b %H:%M}", at=row.taken_at.astimezone())}</th>'
        f"<td>{escape(row.person or '–')}</td>"
        f"<td>{tell(words.with_u(row.flexion_deg, row.u_deg))}</td>"
        f"<td>{'–' if row.displayed_deg is None else tell(words.degrees(row.displayed_deg))}</td>"
        f'<td class="said">{_verdict_of(row)}</td></tr>'
        for row in rows
    ]
    return (
        f'<table class="followed"><caption>{tell("The newest first, ± 95 %")}</caption>'
        f"<thead><tr>{_heads(KEPT_HEADS)}</tr></thead>"
        f"<tbody>{''.join(lines)}</tbody></table>"
    )


def _verdict_of(row: KeptMeasurement) -> str:
    return "–" if row.verdict is None else tell(words.VERDICT_WORDS[row.verdict])


def _heads(names: Sequence[str]) -> str:
    return "".join(f"<th>{tell(name)}</th>" for name in names)


def _signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "\u2212")


# Codes and cards -------------------------------------------------------------------


def _new_machine(opened: Callable[[], Store]) -> None:
    with st.form("new-machine", clear_on_submit=True):
        code = st.text_input(tell("New code (letters, digits, dashes)"), max_chars=16)
        if st.form_submit_button(tell("Add this machine"), width="stretch"):
            try:
                st.query_params["machine"] = opened().add_machine(code)
            except KneeAngleError as error:
                st.error(tell(str(error)))
                return
            st.rerun()


def _code_to_scan(code: str) -> None:
    """A card with the machine's code, to be scanned instead of typed; where codes can be drawn."""
    if find_spec("segno") is not None:
        st.download_button(
            tell("Card with the code of {code}", code=code), data=partial(code_sheet, [code]),
            file_name=f"code-{code}.pdf", mime="application/pdf", icon=":material/qr_code:",
            on_click="ignore", width="stretch", key=f"code-{code}",
        )  # fmt: skip


def _card(store: Store, card: MachineCard) -> None:
    """Check interval and last section lengths; a new card is a new row."""
    with (
        st.expander(tell("Check interval, section lengths"), icon=":material/straighten:"),
        st.form(f"card-{card.machine}"),
    ):
        every = st.number_input(
            tell("Days between two checks"), 1, 3660, card.check_every_days or EVERY_DAYS
        )
        left, right = memory.pair("sections")
        with left:
            thigh = st.number_input(
                tell("Thigh section, mm"), 100.0, 800.0, card.thigh_section_mm, 5.0, format="%g"
            )
        with right:
            shank = st.number_input(
                tell("Lower-leg section, mm"), 100.0, 800.0, card.shank_section_mm, 5.0, format="%g"
            )
        if st.form_submit_button(tell("Keep these"), width="stretch"):
            try:
                store.note_machine(
                    replace(
                        card, check_every_days=every, thigh_section_mm=thigh, shank_section_mm=shank
                    )
                )
            except KneeAngleError as error:
                st.error(tell(str(error)))
                return
            st.rerun()
