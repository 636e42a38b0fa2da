"""A machine check on the page: several photos, the verdict first, then the plot and the table."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from html import escape
from typing import Any

import numpy as np
import streamlit as st

from knee_angle.angle import words
from knee_angle.assumptions import COVERAGE
from knee_angle.errors import KneeAngleError
from knee_angle.language import capital_start, figure, say, tell
from knee_angle.machine.calibration import Line
from knee_angle.machine.check import Checked, MachineCheck, check_machine
from knee_angle.machine.empty import EmptyCheck, shown_in, u_alone_deg
from knee_angle.page import answer, memory
from knee_angle.page import asked as ask
from knee_angle.page.charts import check_chart
from knee_angle.page.check_draft import Check, opened_check
from knee_angle.page.points import points_of
from knee_angle.page.shots import shots, thumb
from knee_angle.page.tray import Entry
from knee_angle.photo.crop import crop_jpeg
from knee_angle.photo.kinds import ENDINGS
from knee_angle.records import (
    Angle,
    BarsAlone,
    Frame,
    Measurement,
    NotMeasured,
    Outcome,
    Verdict,
)
from knee_angle.records.displayed import display_range
from knee_angle.report.check_words import WITHIN_LIMITS, check_text
from knee_angle.settings import Settings, changed, flexion_of_display
from knee_angle.store import Store, new_id
from knee_angle.visit.course import difference_at

__all__ = ["new_check"]

BARS, KNEE = "display minus bars", "display minus knee"
BY_BARS = say("{what}, display against its bars.")
BY_KNEE = say("{what}, display against the knee.")
HEADS = (
    say("Photo"), say("Display"), say("Bars"), say("Knee"), say("− bars"), say("− knee"),
)  # fmt: skip


def new_check(store: Store, code: str) -> None:
    """Several photos with their displayed numbers; the answer, then one tap to keep it."""
    check = opened_check(code)
    said = check.recovered(store) or check.notice
    if said:
        st.info(tell(said))
        check.notice = ""
    if check.trouble:
        st.warning(tell(check.trouble))
    with st.expander(
        tell("Check {code} now", code=code),
        icon=":material/fact_check:",
        expanded=bool(check.tray.entries),
    ):
        st.markdown(
            tell(
                "Photograph the machine at three or more settings over its range, with dots on "
                "thigh bar, hinge and lower-leg bar. {within_limits}",
                within_limits=WITHIN_LIMITS,
            )
        )
        empty = memory.tick(
            say("The machine is empty: no leg in it"), check.own("empty"),
            help=say("Its bars are then seen by tags on them, or by the three dots alone."),
        )  # fmt: skip
        _photos(check)
        for line in check.tray.refused:
            st.error(tell("The photo could not be used. {line}", line=line))
        if check.tray.entries:
            _numbers_and_answer(store, check, empty=empty)


def _photos(check: Check) -> None:
    """Photograph with this phone, or take photos from this device."""
    if check.draft is None:
        st.button(
            tell("Photograph with this phone"), icon=":material/photo_camera:", width="stretch",
            key=check.own("camera"), on_click=check.begin,
        )  # fmt: skip
    else:
        shots(check, key=check.own("shots"))
    turn = st.session_state.setdefault(check.own("turn"), 0)
    files = st.file_uploader(
        tell("Photos of this machine"),
        type=ENDINGS,
        accept_multiple_files=True,
        key=check.own(f"upload-{turn}"),
    )
    if files:
        check.tray.refused.clear()
        check.begin()
        with st.spinner(tell("Looking for leg and machine ...")):
            for file in files:
                check.add(file.getvalue(), file.name)
        check.write_down()
        st.session_state[check.own("turn")] = turn + 1
        st.rerun()


def _numbers_and_answer(store: Store, check: Check, *, empty: bool) -> None:
    """The answer first, then the photos with their numbers and points, and what else is asked."""
    memory.begin()
    first, photos = st.container(), st.container()
    values = _asked(check)
    outcomes = None
    with photos:
        try:
            settings = changed(None, values)
            outcomes = _outcomes(check, settings, empty=empty)
        except KneeAngleError as error:
            st.error(tell(str(error)))
        if not empty:
            _points(check)
    if outcomes is not None:
        result = check_machine(outcomes, settings)
        with first:
            _answered(result, outcomes, settings)
        check.remember()
        if not isinstance(result, NotMeasured):
            _keep(store, check, result, outcomes, settings)
    if st.button(tell("Remove these photos"), width="stretch", key=check.own("forget")):
        check.end()
        st.rerun()


def _asked(check: Check) -> ask.Values:
    """Limits of the leg in the machine, the display, and what was printed."""
    with st.popover(
        tell("Prescribed limits, display, sizes"), icon=":material/tune:", width="stretch"
    ):
        return {**ask.limits(check.own), **ask.display_and_sizes(check.own)}


def _outcomes(check: Check, settings: Settings, *, empty: bool) -> dict[str, Outcome]:
    """Each photo with its number.

    Raises
    ------
    KneeAngleError
        A number that cannot be.
    """
    outcomes: dict[str, Outcome] = {}
    low, high = display_range(settings.counts)
    for number, entry in enumerate(check.tray.entries.values(), start=1):
        picture, typed = memory.pair(f"check-{entry.key}")
        with picture:
            _pictured(entry, tell("Photo {number}", number=number))
        with typed:
            shown = memory.number(
                say("Display in photo {number}", number=number),
                check.number_of(entry),
                low=low,
                high=high,
            )
            deg = None if shown is None else flexion_of_display(shown, counting=settings.counts)
            seen = entry.as_empty if empty else entry.measured
            outcome = seen(displayed_deg=deg, settings=settings)
            st.caption(tell(words.sentence(outcome) if not empty else _bars(outcome)))
        outcomes[say("photo {number}", number=number)] = outcome
    return outcomes


def _pictured(entry: Entry, name: str) -> None:
    """A photo, small, with its name beneath."""
    st.html(
        f'<figure class="checked"><img alt="{escape(name)}" src="{thumb(entry.photo)}">'
        f"<figcaption>{escape(name)}</figcaption></figure>"
    )


def _bars(outcome: Outcome) -> str:
    """What one photo of an empty machine shows."""
    bars = outcome.bars if isinstance(outcome, NotMeasured) else None
    if bars is None:
        return words.sentence(outcome)
    return tell(say("Bars {bars}, no leg.", bars=words.with_u(bars.deg, u_alone_deg(bars))))


def _points(check: Check) -> None:
    """One photo's points at a time, to be corrected as at the bedside."""
    entries = check.tray.entries
    names = {sha: tell("Photo {number}", number=n) for n, sha in enumerate(entries, 1)}
    chosen = st.segmented_control(
        tell("Look at the points of"), list(names), format_func=names.__getitem__,
        key=check.own(f"points-{len(names)}"),
    )  # fmt: skip
    if chosen is not None and chosen in entries:
        points_of(entries[chosen], key=check.own("editor"))


# The answer ----------------------------------------------------------------------


def _answered(
    result: Checked | NotMeasured,
    outcomes: Mapping[str, Outcome],
    settings: Settings,
) -> None:
    """Alarms and verdict, the plot, the table in columns, then every figure as text."""
    alarms = result.alarms
    if alarms:
        st.html(answer.alarms(alarms))
    if isinstance(result, NotMeasured):
        st.html(_refused(result))
    else:
        st.html(_card(result))
        rows = _differences(result)
        st.altair_chart(
            check_chart(rows, _bands(result), tolerance_deg=_tolerance(result)),
            theme=None,
            width="stretch",
        )
        st.caption(
            tell(
                "Zero is a display that is right. Bars of the points and the band of the line are "
                "95 %; the grey field is what is allowed."
            )
        )
        st.html(_table(outcomes))
    with st.expander(tell("All figures"), icon=":material/info:"):
        st.text(check_text(result, settings, alarms=alarms))


def _refused(result: NotMeasured) -> str:
    reason, advice = (_capital(words.phrase(t)) for t in (result.reason, result.advice))
    return (
        f'<section class="answer refused" aria-label="{tell("Check")}">'
        f'<p class="verdict"><span class="shape bar"></span>{tell("Not checked yet")}</p>'
        f'<p class="sentence" role="status">{reason}.</p>'
        f'<p class="next"><span class="name">{tell("Do")}</span> {advice}.</p>'
        "</section>"
    )


def _capital(text: str) -> str:
    """Told with a capital, as HTML."""
    return escape(tell(capital_start(text)))


def _card(result: Checked) -> str:
    """The verdict on the display, what is found, and the figures that it rests on."""
    kind, largest, at, tolerance, against = _judged(result)
    sentences = result.words or (result.advice,) if isinstance(result, MachineCheck) else ()
    sentences = sentences or result.words
    told = "".join(f'<p class="told">{escape(tell(text))}</p>' for text in sentences)
    what, do = say("An empty machine"), ""
    if isinstance(result, MachineCheck):
        what = say("{count} photos", count=len(result.photos))
        by_bars = result.reading is not None
        finding = _capital(words.check_finding(result.kind, display=kind, by_bars=by_bars))
        do = f'<p class="next"><span class="name">{tell("Do")}</span> <b>{finding}.</b></p>'
    at_words = say(
        "at {at}, allowed {tolerance_deg:g}°", at=words.degrees(at), tolerance_deg=tolerance
    )
    return (
        f'<section class="answer {kind}" aria-label="{tell("Check")}">'
        f'<p class="verdict" role="status"><span class="shape {words.VERDICT_SHAPES[kind]}"></span>'
        f"{_capital(words.VERDICT_WORDS[kind])}</p>"
        f'<dl class="figures days"><div><dt>{tell("Largest difference")}</dt><dd>'
        f"<b>{tell(words.degrees(largest, sign=True))}</b> "
        f"<span>{tell(at_words)}</span></dd></div></dl>"
        f'<p class="sentence">{escape(tell(against.format(what=what)))}</p>'
        f"{do}{told}</section>"
    )


def _judged(result: Checked) -> tuple[Verdict, float, float, float, str]:
    """Verdict, largest difference and where, tolerance, and what the display is held against."""
    _, verdict = result.line_judged
    against = BY_KNEE if result.reading is None else BY_BARS
    return verdict.verdict, verdict.largest_deg, verdict.at_deg, verdict.tolerance_deg, against


def _tolerance(result: Checked) -> float:
    return _judged(result)[3]


Rows = list[dict[str, Any]]


def _lines(result: Checked) -> list[tuple[str, Line]]:
    """Displayed against bars where they were seen, and against the knee where a leg was."""
    lines = [] if result.reading is None else [(BARS, result.reading)]
    return [*lines, *([(KNEE, result.knee_line)] if isinstance(result, MachineCheck) else [])]


def _differences(result: Checked) -> Rows:
    """Display minus bars and minus knee at every setting, each with its 95 % interval."""
    return [row for kind, line in _lines(result) for row in _of_line(kind, line)]


def _of_line(kind: str, line: Line) -> Rows:
    x, y = np.array(line.x), np.array(line.y)
    var = np.diag(line.cov_x) + np.diag(line.cov_y) - 2.0 * np.diag(line.cov_xy)
    u = np.sqrt(np.maximum(var, 0.0))
    return [_difference(kind, at, deg, ud) for at, deg, ud in zip(x, y - x, u, strict=True)]


def _difference(kind: str, at: float, deg: float, u: float) -> dict[str, Any]:
    half = COVERAGE * float(u)
    return {
        "kind": kind, "at": round(float(at), 2), "deg": round(float(deg), 2),
        "low": round(float(deg) - half, 2), "high": round(float(deg) + half, 2),
    }  # fmt: skip


def _bands(result: Checked) -> Rows:
    """The lines through the differences with their 95 % bands."""
    rows: Rows = []
    for kind, line in _lines(result):
        for at in np.linspace(min(line.x), max(line.x), 15):
            deg, u = difference_at(float(at), offset_deg=line.offset, gain=line.gain, cov=line.cov)
            rows.append(_difference(kind, float(at), deg, u))
    return rows


def _table(outcomes: Mapping[str, Outcome]) -> str:
    """Every photo: display, bars, knee, and what the display says more than each."""
    rows = []
    for name, one in outcomes.items():
        frame = _bars_of(one)
        if not isinstance(one, Measurement) and frame is None:
            rows.append(
                f'<tr><th scope="row">{_capital(name)}</th>'
                f'<td colspan="5">{escape(tell(words.phrase(one.reason)))}</td></tr>'
            )
            continue
        knee = one.knee if isinstance(one, Measurement) else None
        shown = _shown_in(one)
        cells = [
            "–" if shown is None else tell(figure(f"{shown:g}°")),
            _with(frame), _with(knee), _less(shown, frame), _less(shown, knee),
        ]  # fmt: skip
        body = "".join(f"<td>{cell}</td>" for cell in cells)
        rows.append(f'<tr><th scope="row">{_capital(name)}</th>{body}</tr>')
    return (
        f'<table class="followed"><caption>{tell("Each photo by itself, degrees, ± 95 %")}'
        f"</caption><thead><tr>{''.join(f'<th>{tell(head)}</th>' for head in HEADS)}</tr></thead>"
        f"<tbody>{''.join(rows)}</tbody></table>"
    )


def _bars_of(one: Outcome) -> Frame | BarsAlone | None:
    """The bars that a photo shows, beside a leg or without."""
    if isinstance(one, Measurement):
        return None if one.machine is None else one.machine.frame
    return one.bars if isinstance(one, NotMeasured) else None


def _shown_in(one: Outcome) -> float | None:
    """The number that was on the display of a photo."""
    if isinstance(one, Measurement):
        return None if one.displayed is None else one.displayed.deg
    return one.bars.displayed_deg if isinstance(one, NotMeasured) and one.bars else None


def _with(seen: Frame | BarsAlone | Angle | None) -> str:
    if seen is None:
        return "–"
    u_deg = u_alone_deg(seen) if isinstance(seen, BarsAlone) else seen.u_deg
    return f"{seen.deg:.0f} ± {words.plus_minus(u_deg):.0f}".replace("-", "\u2212")


def _less(shown: float | None, seen: Frame | BarsAlone | Angle | None) -> str:
    if shown is None or seen is None:
        return "–"
    return f"{shown - seen.deg:+.0f}".replace("-", "\u2212")


def _keep(
    store: Store,
    check: Check,
    result: Checked,
    outcomes: dict[str, Outcome],
    settings: Settings,
) -> None:
    """The button; the same photos and numbers are kept once, however often it is tapped."""
    if unused := memory.unused():
        st.info(tell("To keep this check, first correct: {inputs}.", inputs=", ".join(unused)))
        return
    what = say("Keep the photos too (cut to the leg)")
    if isinstance(result, EmptyCheck):
        what = say("Keep the photos too (cut to the machine's bars)")
    with_photos = memory.tick(what, check.own("photos"))
    entries = {
        say("photo {number}", number=n): entry
        for n, entry in enumerate(check.tray.entries.values(), start=1)
    }
    hashes = dict(zip(entries, check.tray.entries, strict=True))
    named = repr((check.machine, hashes, result, with_photos))
    asked = hashlib.sha256(named.encode()).hexdigest()
    # Named by its answer: where a number changed in the same moment, nothing is kept.
    key = f"keep-check-{asked[:16]}"
    if not st.button(tell("Keep this check"), type="primary", width="stretch", key=key):
        return
    if check.pending is None or check.pending["of"] != asked:
        check.pending = {"id": new_id(), "of": asked}
        check.write_down()
    try:
        store.save_check(
            result,
            machine=check.machine,
            outcomes=outcomes,
            settings=settings,
            photo_sha256=hashes,
            row_id=check.pending["id"],
            pictures={
                name: crop_jpeg(entries[name].photo, shows)
                for name, one in outcomes.items()
                if with_photos and (shows := shown_in(one)) is not None
            },
        )
    except KneeAngleError as error:
        st.error(tell("Not kept: {error}", error=error))
        return
    check.end()
    st.rerun()
