"""The therapist's page: photo, displayed number, points, one clear answer, kept.

The order on a phone is the order of the work, with the answer on top of it. Everything
that goes into an answer is read first and the answer is drawn last, into its place at the
top: what stands there always belongs to the inputs below it.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Mapping
from dataclasses import dataclass, replace

import streamlit as st

from knee_angle import words
from knee_angle.angle.verdict import display_range, flexion_of_display
from knee_angle.errors import KneeAngleError, NoStoreYet
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.prescribed import LegSettings
from knee_angle.page import answer, keeping, memory
from knee_angle.page import asked as ask
from knee_angle.page.editor import points_editor
from knee_angle.page.how_to import HOW_TO, drawing
from knee_angle.page.tray import MOST, Entry, Tray, the_tray
from knee_angle.records import Measurement, NotMeasured, Side
from knee_angle.report.overlay import overlay
from knee_angle.report.visit_words import to_do
from knee_angle.settings import Settings, changed
from knee_angle.store import Prescription, SetUp, leg_settings

__all__ = ["show"]

Prescribed = Mapping[Side, Prescription | None]
"""What is prescribed for each knee; empty where nothing is."""
KINDS = ["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif"]

NUMBER_LABELS: dict[str, str] = {
    "flexion": "Number on the display",
    "straight-is-180": "Number on the display (180 is straight)",
    "negative": "Number on the display (flexion below zero)",
}


@dataclass(frozen=True)
class Asked:
    """All that goes into one answer besides the photo and its points."""

    number: float | None
    settings: Settings

    @property
    def displayed_deg(self) -> float | None:
        """The display as degrees of flexion."""
        if self.number is None:
            return None
        return flexion_of_display(self.number, counting=self.settings.counts)


def show() -> None:
    """Draw the page once, as Streamlit asks for it."""
    tray = the_tray()
    entry = tray.current()
    st.title("Measure a knee")
    if entry is None:
        _upload(tray)
        st.html(drawing("frame"))
        st.markdown(HOW_TO)
    else:
        _switcher(tray, entry)
        _work(tray, entry)
    st.caption(words.CAUTION)


def _upload(tray: Tray) -> None:
    """Take photos into the tray; the input is empty again afterwards."""
    turn = st.session_state.setdefault("uploads", 0)
    files = st.file_uploader(
        "Photos of the leg in the machine",
        type=KINDS,
        accept_multiple_files=True,
        key=f"upload-{turn}",
    )
    for line in tray.refused:
        st.error(f"The photo could not be used. {line}")
    if not files:
        return
    tray.refused.clear()
    with st.spinner("Looking for the leg ..."):
        for file in files:
            tray.add(file.getvalue(), file.name, batch=turn)
    st.session_state["uploads"] = turn + 1
    st.rerun()


def _switcher(tray: Tray, entry: Entry) -> None:
    """Which photo is shown, where there are several."""
    if len(tray.entries) < 2:
        return
    names = {sha: f"Photo {n}" for n, sha in enumerate(tray.entries, 1)}
    picked = st.segmented_control(
        "Photos",
        list(names),
        format_func=names.__getitem__,
        default=entry.photo.sha256,
        key=f"which-{len(names)}-{entry.key}",
        label_visibility="collapsed",
    )
    if picked is not None and picked != entry.photo.sha256:
        tray.chosen = picked
        st.rerun()


def _work(tray: Tray, entry: Entry) -> None:
    """One photo: everything that is asked, then the answer in its place on top."""
    # Side by side on a wide screen; on a phone one below the other in this order.
    with st.container(key="measure"):
        asking, photo = st.columns([5, 6], gap="medium")
        keeping_it, folded = st.columns([5, 6], gap="medium")
    memory.begin()
    with asking:
        top = st.container()
        number = _number(entry)
        whose = keeping.whose(entry)
    with photo:
        _editor(entry)
    with folded:
        setup = keeping.set_up(entry)
        prescribed, unknown = _prescribed(whose.person)
        values = _values(entry, prescribed)
        beneath = st.container()
        _other_photos(tray, entry)
    try:
        asked = Asked(number, changed(None, values))
        result, legs = _judged(entry, asked, prescribed)
        knees = [legs.of(result.side)] if isinstance(result, Measurement) else legs.both
        asked = replace(asked, settings=knees[0])
    except KneeAngleError as error:
        with top:
            st.error(str(error))
        return
    fingerprint = _fingerprint(entry, asked)
    with top:
        no_store = st.empty()
        if unknown is not None and not isinstance(unknown, NoStoreYet):
            st.error(f"The prescribed limits are not known: {unknown}")
        for text in dict.fromkeys(text for knee in knees for text in _set_past(setup, knee)):
            st.html(answer.note(text))
        _answer(entry, result, asked, fingerprint)
    with keeping_it:
        keeping.keep_area(
            entry,
            result,
            settings=asked.settings,
            setup=setup,
            whose=whose,
            fingerprint=fingerprint,
        )
    if isinstance(unknown, NoStoreYet) and entry.kept is None:
        no_store.info(f"{keeping.no_store_yet(unknown)} The first measurement kept makes it.")
    with beneath:
        _more(entry, result)


def _prescribed(person: str) -> tuple[Prescribed, KneeAngleError | None]:
    """What is prescribed for a person's knees, or why that cannot be told."""
    if not person:
        return {}, None
    try:
        found = keeping.prescribed_for(person)
    except KneeAngleError as error:
        return {}, error
    return (found if any(found.values()) else {}), None


def _judged(
    entry: Entry, asked: Asked, prescribed: Prescribed
) -> tuple[Measurement | NotMeasured, LegSettings]:
    """The answer by the limits of the knee that the photo shows."""
    legs = LegSettings(asked.settings, asked.settings)
    if prescribed:
        legs = leg_settings(prescribed, lambda limits: changed(asked.settings, limits))
    result = entry.measured(displayed_deg=asked.displayed_deg, settings=asked.settings)
    result = legs.judged(result, asked.displayed_deg)
    if isinstance(result, Measurement):
        result = entry.judged(result, _fingerprint(entry, asked))
    return result, legs


def _other_photos(tray: Tray, entry: Entry) -> None:
    """Further photos, and letting go of this one."""
    with st.expander("Other photos", icon=":material/add_a_photo:"):
        if len(tray.entries) < MOST:
            _upload(tray)
        if st.button("Remove this photo", width="stretch"):
            tray.remove(entry)
            st.rerun()


def _number(entry: Entry) -> float | None:
    counting = memory.recall("counting", "flexion")
    low, high = display_range(counting)
    return memory.number(
        NUMBER_LABELS[counting],
        f"number-{entry.key}",
        low=low,
        high=high,
        placeholder="as it stands there",
    )


def _editor(entry: Entry) -> None:
    """The photo with its points."""
    key = f"editor-{entry.key}"
    if key not in st.session_state:
        entry.editor_is_new()
    found = entry.found

    def taken() -> None:
        entry.take(st.session_state[key].get("points"))

    points_editor(
        entry.photo,
        key=key,
        revision=entry.revision,
        found=found,
        side=None if found is None else found.side,
        tags=tuple(tag.corners_px for tag in entry.seen.tags),
        edit=entry.seed,
        on_change=taken,
    )


def _values(entry: Entry, prescribed: Prescribed) -> ask.Values:
    """Limits, sizes and tolerance, folded away: most days nobody touches them."""
    with st.expander("Prescribed limits, display, sizes", icon=":material/tune:"):
        limits = {} if prescribed else ask.limits(entry.own)
        rows = {side: row for side, row in prescribed.items() if row is not None}
        each = len(set(rows.values())) == 1 and len(rows) == 2
        for side, row in list(rows.items())[: 1 if each else 2]:
            whose = row.person if each else f"the {side} knee of {row.person}"
            st.markdown(
                f"The limits are those prescribed for {whose} from {row.from_day:%d.%m.%Y} on."
            )
        return {**limits, **ask.display_and_sizes(entry.own)}


def _fingerprint(entry: Entry, asked: Asked) -> str:
    """Names everything that goes into one answer."""
    words = repr((entry.photo.sha256, sorted(entry.edit.moved.items()), entry.edit.removed, asked))
    return hashlib.sha256(words.encode()).hexdigest()[:16]


def _set_past(setup: SetUp, settings: Settings) -> list[str]:
    """What to say where the machine is set beyond what is prescribed."""
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    past = []
    if high is not None and setup.flexion_deg is not None and setup.flexion_deg > high:
        past.append(("flexion", setup.flexion_deg, high))
    if low is not None and setup.extension_deg is not None and setup.extension_deg < low:
        past.append(("extension", setup.extension_deg, low))
    return [
        f"The machine is set to {words.degrees(set_deg)}{words.shown_as(set_deg, settings)}, past "
        f"the prescribed {name} of "
        f"{words.degrees(limit)}. Stop the machine and follow the prescription."
        for name, set_deg, limit in past
    ]


def _answer(
    entry: Entry, result: Measurement | NotMeasured, asked: Asked, fingerprint: str
) -> None:
    if isinstance(result, NotMeasured):
        st.html(answer.refusal(result, fingerprint=fingerprint))
        return
    st.html(
        answer.card(
            result,
            entry.alone,
            settings=asked.settings,
            number=asked.number,
            typed=memory.recall(f"number-{entry.key}"),
            fingerprint=fingerprint,
        )
    )
    if _counts_otherwise(result, asked):
        st.html(
            answer.note(
                f"Does this display call a straight knee 180? Then {asked.number:g} means "
                f"{180 - (asked.number or 0):g}° of flexion: say so under “Prescribed limits, "
                "display, sizes”."
            )
        )


def _counts_otherwise(result: Measurement, asked: Asked) -> bool:
    """Whether the number makes far more sense where 180 is straight."""
    if asked.number is None or asked.settings.counts != "flexion" or result.comparison is None:
        return False
    as_it_is = abs(result.comparison.discrepancy_deg)
    other = abs(180 - asked.number - result.knee.deg)
    return as_it_is > 30 and other < as_it_is / 2


def _more(entry: Entry, result: Measurement | NotMeasured) -> None:
    """The tenths, where the ± comes from, what to keep in mind, the picture to take along."""
    if isinstance(result, NotMeasured):
        return
    alone = entry.alone
    with st.expander("Where the ± comes from", icon=":material/info:"):
        st.markdown(words.sentence(result))
        for told in to_do(alone)[1] if isinstance(alone, VisitAnswer) else ():
            st.markdown(f"Also: {told}")
        st.markdown(f"Marks: {words.placed(result.settings or Settings())}.")
        st.markdown(f"Points: {words.sources(result.landmarks)}.")
        st.markdown(f"Camera: {words.PLANE_WORDS[result.plane]}.")
        lines = "\n".join(
            f"| {line.replace('_', ' ')} | {words.degrees(words.plus_minus(u))} |"
            for line, u in result.knee.budget_deg.items()
        )
        st.markdown(f"| alone it would give | ± |\n| --- | ---: |\n{lines}")
        for caution in result.cautions:
            st.markdown(f"Caution: {caution}")
        st.download_button(
            "Picture with the answer",
            data=lambda: _picture(entry, result),
            file_name="knee.jpg",
            mime="image/jpeg",
            on_click="ignore",
            width="stretch",
        )


def _picture(entry: Entry, result: Measurement) -> bytes:
    out = io.BytesIO()
    overlay(entry.photo, result).save(out, "JPEG", quality=88)
    return out.getvalue()
