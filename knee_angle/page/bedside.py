"""The therapist's page, the visit: patient and machine, photos, numbers, one answer, one tap.

The order on a phone is the order of the work, with the answer on top of it. Everything that
goes into an answer is read first and the answer is drawn last, into its place at the top: what
stands there always belongs to the inputs below it.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import streamlit as st

from knee_angle.angle import words
from knee_angle.errors import KneeAngleError, NoStoreYet
from knee_angle.landmarks.doubts import MAYBE_MIRRORED
from knee_angle.language import current, in_language, say, tell
from knee_angle.machine.answer import VisitAnswer
from knee_angle.page import answer, keeping, memory, set_up
from knee_angle.page import asked as ask
from knee_angle.page.filmed import film_area
from knee_angle.page.how_to import AFTER, CARE, HOW_TO, drawing
from knee_angle.page.judged import Asked, Judged, judged
from knee_angle.page.points import points_of
from knee_angle.page.shots import shots
from knee_angle.page.shown import offered
from knee_angle.page.tray import MOST, Entry
from knee_angle.page.visit import Visit, next_visit, opened_visit
from knee_angle.page.whose import Known, Whose, known_of, strip, whose
from knee_angle.photo.kinds import ENDINGS
from knee_angle.pipeline import judged_alone
from knee_angle.records import Measurement, NotMeasured
from knee_angle.records.displayed import display_range
from knee_angle.report.overlay import overlay
from knee_angle.report.visit_words import to_do
from knee_angle.settings import Settings, changed
from knee_angle.store import SetUp

if TYPE_CHECKING:
    from streamlit.delta_generator import DeltaGenerator

__all__ = ["show"]

NUMBER_LABELS: dict[str, str] = {
    "flexion": say("Number on the display"),
    "straight-is-180": say("Number on the display (180 is straight)"),
    "negative": say("Number on the display (flexion below zero)"),
}
KNEE_OF = {
    "left": say("the left knee of {person}"),
    "right": say("the right knee of {person}"),
}
SET_FLEXION = say(
    "The machine is set to {set}{own}, past the prescribed flexion of {limit}. Stop the machine "
    "and follow the prescription."
)
SET_EXTENSION = say(
    "The machine is set to {set}{own}, past the prescribed extension of {limit}. Stop the machine "
    "and follow the prescription."
)
NO_REPEAT = "none"


@dataclass(frozen=True)
class Places:
    """Where on the page what is drawn last belongs, and whether the machine failed its check."""

    now: DeltaGenerator
    top: DeltaGenerator
    card: DeltaGenerator
    who: DeltaGenerator
    keep: DeltaGenerator
    beneath: DeltaGenerator
    failed: bool


def show() -> None:
    """Draw the page once, as Streamlit asks for it."""
    st.title(tell("Measure a knee"))  # on its way while the draft is written
    visit = opened_visit()
    for text in (keeping.recovered(visit), visit.notice):
        if text:
            st.info(tell(text))
    visit.notice = ""
    if visit.trouble:
        st.warning(tell(visit.trouble))
    entry = visit.tray.current()
    if entry is None:
        given = whose(visit)
        known = known_of(given)
        _html(strip(given, known))
        _photos(visit)
        film_area(visit, given, known)
        st.html(drawing("frame"))
        st.markdown(tell(CARE))
        st.markdown(tell(HOW_TO))
    else:
        _work(visit, entry)
    st.caption(f"{tell(words.NERVE_BLOCK)} {tell(words.CAUTION)}")


def _html(text: str) -> None:
    """A piece of page, where there is one."""
    if text:
        st.html(text)


def _photos(visit: Visit) -> None:
    """Photograph, or take photos from this device."""
    shots(visit)
    with st.expander(tell("Photos that are on this device"), icon=":material/folder_open:"):
        _from_device(visit)
    for line in visit.tray.refused:
        st.error(tell("The photo could not be used. {line}", line=line))


def _from_device(visit: Visit) -> None:
    """Photos that are on this device already; the input is empty again afterwards."""
    turn = st.session_state.setdefault("uploads", 0)
    files = st.file_uploader(
        tell("Photos of the leg in the machine"),
        type=ENDINGS,
        accept_multiple_files=True,
        key=f"upload-{turn}",
    )
    if not files:
        return
    visit.tray.refused.clear()
    with st.spinner(tell("Looking for the leg ...")):
        for file in files:
            visit.add(file.getvalue(), file.name)
    visit.write_down()
    st.session_state["uploads"] = turn + 1
    st.rerun()


def _work(visit: Visit, entry: Entry) -> None:
    """Everything that is asked, then the answer in its place on top."""
    with st.container(key="now"):
        now = st.empty()
    who = st.container(key="who")
    # Side by side on a wide screen; on a phone one below the other in this order.
    with st.container(key="measure"):
        asking, photo = st.columns([5, 6], gap="medium")
        keeping_it, folded = st.columns([5, 6], gap="medium")
    memory.begin()
    with asking:
        top, card = st.container(), st.empty()
        _number(visit, entry)
        offered(entry, memory.recall("counting", "flexion"))
    with photo:
        shots(visit)
        for line in visit.tray.refused:
            st.error(tell("The photo could not be used. {line}", line=line))
        points_of(entry, key="editor")
        if before := keeping.kept_before(visit, entry.sha256):
            st.warning(tell(before))
        st.caption(tell(AFTER))
        adjusted = _adjusted(visit, entry)
        repeats = _repeats(visit, entry, adjusted)
    with keeping_it:
        given = whose(visit)
        keep = st.container()
    with folded:
        setup, ends = set_up.asked(visit, entry)
        known = known_of(given)
        values = _values(visit, known)
        beneath = st.container()
        _more_photos(visit, entry)
    failed = known.check is not None and known.check.verdict == "outside"
    places = Places(now, top, card, who, keep, beneath, failed)
    try:
        settings = changed(None, values)
        asked = Asked(_numbers(visit), repeats, settings, known.prescribed, adjusted)
        found = judged(visit.tray, asked, first=lambda one: _shown(visit, entry, one, places))
    except KneeAngleError as error:
        with top:
            st.error(tell(str(error)))
        return
    _drawn(visit, entry, found, setup, known, given, places)
    visit.remember()
    with keep:
        wanted = keeping.Wanted(given.person, given.machine, setup, ends, repeats, known.new)
        keeping.keep_area(visit, found, wanted)
    if isinstance(known.unknown, NoStoreYet) and visit.kept is None:
        with top:
            st.info(
                tell(
                    "{no_store} The first measurement kept makes it.",
                    no_store=keeping.no_store_yet(known.unknown),
                )
            )


def _drawn(
    visit: Visit, entry: Entry, found: Judged, setup: SetUp, known: Known, given: Whose,
    places: Places,
) -> None:  # fmt: skip
    """The answer with what is known of both, and what lies behind the ±."""
    with places.who:
        _html(strip(given, known))
    with places.top:
        if known.unknown is not None and not isinstance(known.unknown, NoStoreYet):
            st.error(tell("The prescribed limits are not known: {why}", why=known.unknown))
        for text in dict.fromkeys(text for knee in found.knees for text in _set_past(setup, knee)):
            st.html(answer.note(text))
    _shown(visit, entry, found, places)
    with places.beneath:
        _more(entry, found)


def _shown(visit: Visit, entry: Entry, found: Judged, places: Places) -> None:
    """The card, and the line that stays in sight."""
    places.now.html(answer.now(found, failed=places.failed))
    with places.card.container():
        _answer(visit, entry, found, failed=places.failed)


def _answer(visit: Visit, entry: Entry, found: Judged, *, failed: bool) -> None:
    """The card: of one photo, or of all together; a photo that gave nothing says why."""
    numbers = _numbers(visit)
    result, measured = found.outcomes[entry.sha256], found.measured
    typed = memory.recall(f"number-{entry.key}")
    if len(measured) > 1 and found.answer is not None:
        st.html(answer.visit_card(found, typed=typed, failed=failed))
    elif measured:
        (only,) = measured.values()
        sha256 = next(iter(measured))
        st.html(
            answer.card(
                only,
                found.answer or NotMeasured(say("nothing was measured"), say("photograph again")),
                settings=found.settings,
                number=numbers[sha256],
                typed=typed,
                fingerprint=found.fingerprint,
                whole=found.whole,
                failed=failed,
            )
        )
        if _counts_otherwise(only, numbers[sha256], found.settings):
            number = numbers[sha256] or 0.0
            st.html(
                answer.note(
                    say(
                        "Does this display call a straight knee 180? Then {number:g} means "
                        "{flexion_deg:g}° of flexion: say so under “Prescribed limits, "
                        "display, sizes”.",
                        number=number,
                        flexion_deg=180 - number,
                    )
                )
            )
    if isinstance(result, Measurement) and MAYBE_MIRRORED in result.cautions:
        st.html(answer.note(MAYBE_MIRRORED))  # a limit may be of one side
    if isinstance(result, NotMeasured):
        which = ""
        if len(visit.tray.entries) > 1:
            which = say("Photo {number}: ", number=visit.tray.number(entry))
        st.html(
            answer.refusal(
                result,
                fingerprint=found.fingerprint,
                which=which,
                lacks_points=entry.lacks_points(tag_mm=found.settings.tag_mm),
                usable_dots=bool(entry.usable_dots) and not entry.dots_used,
            )
        )


def _counts_otherwise(result: Measurement, number: float | None, settings: Settings) -> bool:
    """Whether the number makes far more sense where 180 is straight."""
    if number is None or settings.counts != "flexion" or result.comparison is None:
        return False
    as_it_is = abs(result.comparison.discrepancy_deg)
    other = abs(180 - number - result.knee.deg)
    return as_it_is > 30 and other < as_it_is / 2


def _number(visit: Visit, entry: Entry) -> float | None:
    """The number on the display in the photo that is shown."""
    counting = memory.recall("counting", "flexion")
    low, high = display_range(counting)
    label = NUMBER_LABELS[counting]
    if len(visit.tray.entries) > 1:
        label = say("{label}, photo {number}", label=label, number=visit.tray.number(entry))
    return memory.number(
        label, f"number-{entry.key}", low=low, high=high, placeholder=say("as it stands there")
    )


def _numbers(visit: Visit) -> dict[str, float | None]:
    """Every photo's number that can be; of the one that is shown, what counts of it."""
    counting = memory.recall("counting", "flexion")
    low, high = display_range(counting)
    found: dict[str, float | None] = {}
    for sha256, one in visit.tray.entries.items():
        number = memory.counted(f"number-{one.key}")
        found[sha256] = number if number is not None and low <= number <= high else None
    return found


def _adjusted(visit: Visit, entry: Entry) -> dict[str, int]:
    """How often the machine had been adjusted before each photo: said at the first one after."""
    shas = list(visit.tray.entries)
    if entry.sha256 != shas[0]:
        before = visit.tray.number(entry) - 1
        memory.tick(
            tell(say("The machine was adjusted between photo {before} and this", before=before)),
            f"adjusted-{entry.key}",
        )
    times, found = 0, {}
    for sha in shas:
        times += sha != shas[0] and bool(memory.recall(f"adjusted-{sha[:12]}", False))
        found[sha] = times
    return found


def _repeats(visit: Visit, entry: Entry, adjusted: Mapping[str, int]) -> dict[str, str]:
    """Which photo repeats the place of an earlier one, where that was said."""
    shas = list(visit.tray.entries)
    # After adjusting no photo shows a place of before.
    shas = [sha for sha in shas if adjusted[sha] == adjusted[entry.sha256]]
    before = shas[: shas.index(entry.sha256)]
    if before:
        numbers = {sha: visit.tray.number(visit.tray.entries[sha]) for sha in before}
        names = {NO_REPEAT: say("its own place")}
        names |= {sha[:12]: say("again as photo {number}", number=n) for sha, n in numbers.items()}
        memory.choice(say("The machine stood at"), f"repeat-{entry.key}", names, horizontal=True)
    found, every = {}, list(visit.tray.entries)
    for sha in every:
        said = memory.recall(f"repeat-{sha[:12]}", NO_REPEAT)
        first = next((one for one in every if one[:12] == said and one != sha), None)
        if first is None or adjusted[first] != adjusted[sha]:
            continue
        if every.index(first) < every.index(sha):
            found[sha] = first
    return found


def _values(visit: Visit, known: Known) -> ask.Values:
    """Limits, sizes and tolerance, folded away: most days nobody touches them."""
    with st.expander(tell("Prescribed limits, display, sizes"), icon=":material/tune:"):
        limits = {} if known.prescribed else ask.limits(visit.own)
        rows = {side: row for side, row in known.prescribed.items() if row is not None}
        each = len(set(rows.values())) == 1 and len(rows) == 2
        for side, row in list(rows.items())[: 1 if each else 2]:
            whom = row.person if each else KNEE_OF[side].format(person=row.person)
            st.markdown(
                tell(
                    "The limits are those prescribed for {whom} from {day:%-d %b %Y} on.",
                    whom=whom,
                    day=row.from_day,
                )
            )
        return {**limits, **ask.display_and_sizes(visit.own)}


def _more_photos(visit: Visit, entry: Entry) -> None:
    """Further photos from this device, letting go of this one, and the next patient."""
    with st.expander(tell("Other photos"), icon=":material/add_a_photo:"):
        if len(visit.tray.entries) < MOST:
            _from_device(visit)
        if st.button(tell("Remove this photo"), width="stretch"):
            visit.remove(entry)
            st.rerun()
    if visit.kept is None and st.button(tell("Begin anew, without keeping"), width="stretch"):
        next_visit()
        st.rerun()


def _set_past(setup: SetUp, settings: Settings) -> list[str]:
    """What to say where the machine is set beyond what is prescribed."""
    low, high = settings.limit_extension_deg, settings.limit_flexion_deg
    past = []
    if high is not None and setup.flexion_deg is not None and setup.flexion_deg > high:
        past.append((SET_FLEXION, setup.flexion_deg, high))
    if low is not None and setup.extension_deg is not None and setup.extension_deg < low:
        past.append((SET_EXTENSION, setup.extension_deg, low))
    return [
        template.format(
            set=words.degrees(set_deg),
            own=words.shown_as(set_deg, settings),
            limit=words.degrees(limit),
        )
        for template, set_deg, limit in past
    ]


def _more(entry: Entry, found: Judged) -> None:
    """The tenths, where the ± comes from, what to keep in mind, the picture to take along."""
    result = found.outcomes[entry.sha256]
    if isinstance(result, Measurement):
        alone = found.answer if len(found.measured) == 1 else None
        _behind(entry, result, found, alone)


def _behind(
    entry: Entry, result: Measurement, found: Judged, alone: VisitAnswer | NotMeasured | None
) -> None:
    with st.expander(tell("Where the ± comes from"), icon=":material/info:"):
        if isinstance(found.answer, VisitAnswer) and alone is None:
            st.html(answer.visit_table(found.answer))
            st.markdown(tell("**This photo alone:**"))
        st.markdown(tell(words.sentence(result)))
        for told in to_do(found.answer)[1] if isinstance(found.answer, VisitAnswer) else ():
            st.markdown(tell("Also: {told}", told=told))
        st.markdown(tell("Marks: {marks}.", marks=words.placed(result.settings or Settings())))
        st.markdown(tell("Points: {sources}.", sources=words.sources(result.landmarks)))
        st.markdown(tell("Camera: {camera}.", camera=words.PLANE_WORDS[result.plane]))
        lines = "\n".join(
            f"| {tell(words.BUDGET_WORDS[line])} | {tell(words.degrees(words.plus_minus(u)))} |"
            for line, u in result.knee.budget_deg.items()
        )
        st.markdown(f"| {tell('alone it would give')} | ± |\n| --- | ---: |\n{lines}")
        for caution in result.cautions:
            st.markdown(tell("Caution: {caution}", caution=caution))
        st.download_button(
            tell("Picture with the answer"),
            data=partial(_picture, entry, result, current().code),
            file_name="knee.jpg",
            mime="image/jpeg",
            on_click="ignore",
            width="stretch",
        )


def _picture(entry: Entry, result: Measurement, language: str) -> bytes:
    """The picture in the language of the page that offered it: it is made outside its run."""
    out = io.BytesIO()
    with in_language(language):
        overlay(entry.photo, judged_alone(result)[0]).save(out, "JPEG", quality=88)
    return out.getvalue()
