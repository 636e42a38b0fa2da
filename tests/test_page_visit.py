"""The visit on the page: kept as one, and never lost on the way there."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import streamlit as st
from conftest import SAMPLES
from manipulated import Taken, jpeg, stretched
from stores import NOON, SHA, made_series
from streamlit.testing.v1 import AppTest
from test_page import button, changed, field, html, opened, ready, upload, with_photo

from knee_angle.landmarks.dots.refusals import NO_DOTS, NO_LEG_THERE
from knee_angle.language import tell
from knee_angle.machine.check import check_machine
from knee_angle.page import answer, keeping, tray, whose
from knee_angle.page.drafts import drafts_folder
from knee_angle.page.found import found_from, found_text
from knee_angle.page.judged import Asked, judged
from knee_angle.page.server import SCRIPT
from knee_angle.page.tray import Tray
from knee_angle.pipeline import SeenPhoto
from knee_angle.pipeline import look as looked_at
from knee_angle.records import NotMeasured, UnusedDot
from knee_angle.settings import Settings
from knee_angle.store import Store, open_store

ENDS = ("series_d_1.jpg", "series_d_6.jpg")
"""Both ends of one rigid machine; their displays say 12 and 107."""


pytestmark = pytest.mark.usefixtures("store_file")


def again(page: AppTest) -> AppTest:
    """The same address in another session: reloaded, in a second tab, after the server's end."""
    other = AppTest.from_file(str(SCRIPT), default_timeout=60)
    other.query_params["visit"] = page.query_params["visit"]
    other.run()
    assert not other.exception
    return other


def tapped(page: AppTest, label: str) -> AppTest:
    button(page, label).click().run()
    assert not page.exception
    return page


def both_ends(page: AppTest) -> AppTest:
    for name, number in zip(ENDS, (12.0, 107.0), strict=True):
        page = changed(upload(page, name), "Number on the display", number)
    return page


def test_both_ends_are_one_answer_kept_as_one(store_file):
    page = changed(both_ends(opened()), "Patient (code)", "P-017")
    said = html(page)
    assert "Extension end" in said
    assert "Flexion end" in said
    assert '<th scope="row">Arc</th>' in said
    page = tapped(page, "Keep this visit")
    assert "Kept for P-017: a visit of 2 photos, knee" in page.success[0].value
    with open_store(store_file) as store:
        (visit,) = store.visits(person="P-017")
        assert [knee.displayed_deg for knee in visit.knees] == [12.0, 107.0]
        assert len(store.measurements(person="P-017")) == 2


def test_before_and_after_adjusting_are_one_visit_that_says_what_changed(store_file):
    page = changed(both_ends(opened()), "Patient (code)", "P-017")
    page = changed(page, "Number on the display", 12.0)  # as if the leg were bent further now
    assert "Changed" not in html(page)
    page = changed(page, "The machine was adjusted between photo 1 and this", True)
    said = html(page)
    assert "<small>before adjusting</small>" in said
    assert "<small>adjusted</small>" in said
    assert "further apart by" in said
    assert "put the section back as it was" in said
    assert '<th scope="row">Arc</th>' not in said  # one end of the machine as it stands now
    other = again(page)
    assert field(other, "The machine was adjusted").value is True
    tapped(other, "Keep this visit")
    with open_store(store_file) as store:
        (visit,) = store.visits(person="P-017")
    assert [(knee.adjusted, knee.displayed_deg) for knee in visit.knees] == [(0, 12.0), (1, 12.0)]


@pytest.fixture
def dots_left_out(monkeypatch):
    """Every dot of a photo was seen, and none used: as where they contradict the leg network."""

    def look(photo, *, detectors):
        seen = looked_at(photo, detectors=detectors)
        dots = tuple(
            UnusedDot(point, 30.0, "magenta", name, "two could be the knee")
            for name, point in seen.landmarks.points.items()
        )
        return SeenPhoto(seen.tags, NotMeasured("no leg", "look", unused_dots=dots))

    monkeypatch.setattr(tray, "look", look)


@pytest.mark.usefixtures("new_server", "dots_left_out")
def test_dots_that_were_seen_and_not_used_are_named_and_one_tap_uses_them():
    page = upload(opened(), "bed_01.jpg")
    assert "Not measured" in html(page)
    told = next(one.value for one in page.info if one.value.startswith("Dots seen and not used"))
    assert "Hip (magenta), Knee (magenta), Ankle (magenta)" in told
    assert told.endswith("They are ringed in the photo. Two could be the knee.")
    assert "Tap &quot;Use them&quot;" in html(page)
    page = tapped(page, "Use them")
    assert "Tap &quot;Use them&quot;" not in html(page)
    assert "<dt>Knee</dt><dd><b>89°</b>" in html(page)
    entry = page.session_state["tray"].current()
    assert entry.found.points["hip"].source == "dot"
    st.cache_resource.clear()
    page = again(page)  # the draft knows it
    assert "<dt>Knee</dt><dd><b>89°</b>" in html(page)
    assert "Not measured" in html(tapped(page, "Do not use them"))


@pytest.mark.usefixtures("new_server")
def test_dots_that_nobody_can_tell_apart_are_said_with_why(monkeypatch):
    """Which is which a person says: no tap can use them, and they stood in a folded part alone."""

    def look(photo, *, detectors):
        seen = looked_at(photo, detectors=detectors)
        spare = tuple(
            UnusedDot(seen.landmarks.points[name], 30.0, "magenta", None, "two could be the one")
            for name in ("thigh_bar", "shank_bar")
        )
        return SeenPhoto(seen.tags, replace(seen.landmarks, unused_dots=spare))

    monkeypatch.setattr(tray, "look", look)
    page = upload(opened(), "bed_01.jpg")
    assert any(
        one.value.startswith(
            "2 dots seen and not used (magenta), ringed in the photo. Two could be"
        )
        for one in page.info
    )
    assert "Use them" not in [one.label for one in page.button]


@pytest.mark.usefixtures("new_server")
def test_where_the_picture_is_what_lacks_no_tap_on_points_is_asked_for(tmp_path):
    """It asked for hip, knee and ankle, which were there, and said the same after each tap."""
    file = tmp_path / "stretched.jpg"
    file.write_bytes(stretched(Taken.of(SAMPLES / "bed_01.jpg"), across=1.2, exif="kept"))
    page = upload(opened(), str(file))
    assert "it was cropped, stretched or edited" in html(page)
    assert "Use the photo as the camera saved it (camera set to 4:3" in html(page)
    assert "Tap hip, knee and ankle" not in html(page)


def test_of_a_front_camera_the_page_asks_which_leg_it_is(tmp_path):
    """It stood in a folded part alone, and limits may be prescribed for one side."""
    one, file = Taken.of(SAMPLES / "bed_13.jpg"), tmp_path / "selfie.jpg"
    mirrored = np.ascontiguousarray(one.pixels[:, ::-1])
    file.write_bytes(jpeg(mirrored, f35_mm=one.f35_mm, exif_size=one.size, lens="front camera"))
    assert "Check the side, or photograph with the camera at the back" in html(
        upload(opened(), str(file))
    )


def test_a_second_photo_keeps_codes_limits_and_their_alarm():
    page = changed(ready(), "Prescribed flexion", 60.0)
    page = upload(page, "bed_03.jpg")
    assert field(page, "Patient (code)").value == "p-017"
    assert field(page, "Prescribed flexion").value == 60.0
    assert "PAST THE PRESCRIBED FLEXION" in html(page)


def test_the_next_patient_begins_with_no_ones_code():
    page = tapped(changed(ready(), "Prescribed flexion", 120.0), "Keep this measurement")
    before = page.query_params["visit"]
    page = tapped(page, "Next patient")
    assert page.query_params["visit"] != before
    assert field(page, "Patient (code)").value == ""
    page = upload(page, "bed_03.jpg")
    assert field(page, "Machine (code)").value == ""
    assert field(page, "Prescribed flexion").value is None


def test_a_reloaded_page_goes_on_where_it_was():
    page = changed(changed(ready(), "Prescribed flexion", 120.0), "Photographed at", "flexion")
    entry = page.session_state["tray"].current()
    entry.take({"revision": entry.revision, "moved": {"knee": [900, 500]}, "removed": []})
    page.run()
    st.cache_resource.clear()  # the server was started anew
    other = again(page)
    assert field(other, "Number on the display").value == 93.0
    assert field(other, "Patient (code)").value == "p-017"
    assert field(other, "Prescribed flexion").value == 120.0
    assert field(other, "Photographed at").value == "flexion"
    found = other.session_state["tray"].current()
    assert found.edit.moved == {"knee": (900.0, 500.0)}
    assert answered(other) == answered(page)


def test_after_a_restart_no_photo_is_looked_at_or_measured_again(monkeypatch):
    page = both_ends(opened())
    before = [(one.looked, one.answered) for one in page.session_state["tray"].entries.values()]
    st.cache_resource.clear()  # the server was started anew
    monkeypatch.setattr(tray, "look", called_again)
    with monkeypatch.context() as none_is_measured:
        none_is_measured.setattr(tray, "measure", called_again)
        other = again(page)
    found = other.session_state["tray"].entries.values()
    assert [(one.looked, one.answered) for one in found] == before
    assert answered(other) == answered(page)
    # What is changed afterwards is measured, from what was seen.
    other = changed(other, "Number on the display", 90.0)
    assert answered(other) != answered(page)
    assert [one.looked for one in found] == [looked for looked, _ in before]


def called_again(*_, **__):
    raise AssertionError("it was known already")


@pytest.mark.parametrize(
    "spoilt",
    [
        pytest.param(lambda text: text[:-40], id="cut off"),
        pytest.param(lambda text: text.replace('"knee-angle"', '"other"'), id="another version's"),
        pytest.param(lambda text: text.replace('"x_px": ', '"x": '), id="of another shape"),
        pytest.param(lambda _: "[]", id="something else"),
        pytest.param(lambda _: "[" * 100_000, id="nested without end"),
    ],
)
def test_what_was_found_is_used_whole_or_not_at_all(spoilt):
    photo = Tray()
    entry = photo.add((SAMPLES / "bed_01.jpg").read_bytes(), "a.jpg")
    entry.measured(displayed_deg=93.0, settings=Settings())
    text = found_text(entry)
    assert found_from(text) == (entry.looked, entry.answered)
    assert found_from(spoilt(text)) is None


def answered(page: AppTest) -> str:
    return html(page).partition('data-of="')[2][:16]


def test_two_tabs_of_one_visit_hold_what_both_of_them_did():
    first = ready()
    second = again(first)
    changed(first, "Machine (code)", "M-07")
    second = changed(second, "Number on the display", 94.0)
    assert field(second, "Machine (code)").value == "M-07"
    assert field(first.run(), "Number on the display").value == 94.0
    first = upload(first, "bed_03.jpg")
    assert len(second.run().session_state["tray"].entries) == 2


def test_a_photo_that_a_phone_sent_while_nobody_looked_is_there():
    page = ready()
    drafts_folder().put_photo(page.query_params["visit"], (SAMPLES / "series_d_6.jpg").read_bytes())
    page.run()
    assert len(page.session_state["tray"].entries) == 2
    assert field(page, "Patient (code)").value == "p-017"


class Killed(Exception):
    """Ends the run there and then; only what stands on a disk is left."""


def killed_at(monkeypatch, where: str) -> None:
    """The server ends in the middle of a save: nothing after that moment happens."""
    saved = Store.save_visit

    def broken(*arguments, **named):
        if where == "after":
            saved(*arguments, **named)
        raise Killed

    monkeypatch.setattr(Store, "save_visit", broken)


@pytest.mark.parametrize(
    ("where", "said", "rows"),
    [
        pytest.param("before", "nothing was kept. Nothing here is lost", 0, id="before the save"),
        pytest.param("after", "it was kept, once and whole", 1, id="after it, before the word"),
    ],
)
def test_a_server_killed_while_keeping_says_afterwards_what_was_kept(
    monkeypatch, store_file, where, said, rows
):
    page = ready()
    with monkeypatch.context() as dying:
        killed_at(dying, where)
        button(page, "Keep this measurement").click().run()
    st.cache_resource.clear()
    other = again(page)
    assert said in " ".join(info.value for info in other.info)
    with open_store(store_file) as store:
        assert len(store.measurements()) == rows
    if not rows:
        other = tapped(other, "Keep this measurement")
    assert "Kept for P-017" in other.success[0].value
    with open_store(store_file) as store:
        assert len(store.measurements(all_rows=True)) == 1


def test_a_visit_that_has_ended_is_said_to_have():
    page = ready()
    drafts_folder().end(page.query_params["visit"])
    assert "That visit has ended" in " ".join(info.value for info in again(page).info)
    page.run()
    assert "That visit has ended" in " ".join(info.value for info in page.info)
    assert page.session_state["tray"].entries == {}


def test_where_nothing_can_be_written_the_page_says_so_and_goes_on(monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("knee_angle.page.drafts.folder.write_whole", full)
    page = with_photo("bed_01.jpg")
    assert "cannot be written to the disk (No space left on device)" in page.warning[0].value
    assert "89°" in html(page)


def test_a_photo_sent_twice_is_said_and_counts_once():
    page = upload(upload(opened(), "bed_01.jpg"), "bed_01.jpg")
    assert "it is the same picture as photo 1, which counts once" in page.error[0].value
    assert len(page.session_state["tray"].entries) == 1


def test_a_photo_that_was_kept_before_is_said():
    page = tapped(ready(), "Keep this measurement")
    assert not [one for one in page.warning if "was kept before" in one.value]
    page = upload(tapped(page, "Next patient"), "bed_01.jpg")
    assert "This photo was kept before, for P-017 and M-03 on" in page.warning[0].value


def test_a_photo_taken_out_is_left_out_of_what_is_corrected(store_file):
    page = changed(both_ends(opened()), "Patient (code)", "P-017")
    page = tapped(tapped(page, "Keep this visit"), "Remove this photo")
    page = tapped(page, "Keep the correction")
    with open_store(store_file) as store:
        (row,) = store.measurements(person="P-017")
        assert row.displayed_deg == 12.0
        assert len(store.visits()) == 1


@pytest.fixture
def ward(store_file):
    with open_store(store_file, clock=lambda: NOON) as store:
        store.add_person("P-017")
        store.prescribe("P-017", from_day=date(2026, 3, 1), flexion_deg=95, extension_deg=0)
        for code in ("M-03", "M-04"):
            store.add_machine(code)
        yield store


@pytest.mark.parametrize(
    ("offset", "said"),
    [
        pytest.param(1.5, "M-03</b> <span", id="checked and right"),
        pytest.param(12.0, "M-03 failed its last check</b> on 2 Mar 2026", id="failed"),
        pytest.param(None, "M-03</b> no check is kept of this machine", id="never checked"),
    ],
)
def test_prescription_and_the_machines_last_check_stand_on_top(ward, offset, said):
    if offset is not None:
        series = made_series(offset_deg=offset, gain=1.0)
        checked = check_machine(series, Settings())
        ward.save_check(
            checked, machine="M-03", outcomes=series, settings=Settings(),
            photo_sha256={"Ada 0.jpg": SHA},
        )  # fmt: skip
    page = opened()
    page = changed(changed(page, "Patient (code)", "P-017"), "Machine (code)", "M-03")
    assert "straight to 95° prescribed, from 1 Mar" in html(page)
    assert said in html(page)
    page = changed(upload(page, "bed_09.jpg"), "Number on the display", 21.0)
    assert said in html(page)
    # A machine that failed elsewhere in its range gets no all-clear here.
    failed = "failed" in said
    assert ("Display agrees here" in html(page)) == failed
    assert ('class="answer within warned"' in html(page)) == failed
    assert ('class="now within warned"' in html(page)) == failed


def test_a_new_code_is_confirmed_by_the_button_that_keeps_it(ward):
    page = changed(ready(), "Patient (code)", "P-71")
    assert button(page, "Keep").label == "Keep this measurement, and add P-71 as new"
    page = changed(page, "Patient (code)", "P-017")
    assert button(page, "Keep").label == "Keep this measurement"
    assert keeping.the_store().people() == ward.people()


def test_knee_and_limits_are_shown_before_the_machine_is_judged_and_are_the_same_then():
    tray = Tray()
    tray.add((SAMPLES / "bed_01.jpg").read_bytes(), "a.jpg")
    numbers = dict.fromkeys(tray.entries, 93.0)
    asked, seen = Asked(numbers, {}, Settings(limit_flexion_deg=95.0), {}), []
    whole = judged(tray, asked, first=seen.append)
    (quick,) = seen
    assert (quick.whole, whole.whole) == (False, True)
    assert quick.answer.machine is None
    assert whole.answer.machine is not None
    said = [
        [(s.estimate.knee, s.comparison, s.apart, s.limits) for s in one.answer.settings]
        for one in (quick, whole)
    ]
    assert said[0] == said[1]
    assert (quick.alarms, quick.fingerprint) == (whole.alarms, whole.fingerprint)
    assert "Looking at the machine" in answer.card(
        next(iter(quick.measured.values())), quick.answer, settings=quick.settings, number=93.0,
        typed=93.0, fingerprint=quick.fingerprint, whole=False,
    )  # fmt: skip
    judged(tray, asked, first=seen.append)
    assert len(seen) == 1  # the same answer is not judged again


@pytest.mark.parametrize(
    "who",
    [
        pytest.param("an auditor", id="a role that sees no patients"),
        pytest.param("P 017!", id="a code that is none"),
    ],
)
def test_what_nobody_looked_up_is_not_called_unprescribed(who, monkeypatch):
    with open_store(create=True) as store:
        store.add_person("P-017")
        store.prescribe("P-017", from_day=date(2026, 1, 2), flexion_deg=95.0, extension_deg=None)
    if who == "an auditor":
        monkeypatch.setattr(whose, "may", lambda _act: False)
    given = whose.Whose("P-017" if who == "an auditor" else who, "")
    said = whose.strip(given, whose.known_of(given))
    assert "what is prescribed is not known" in said
    assert "no limits are prescribed" not in said


def test_a_photo_that_may_be_of_an_empty_machine_names_the_way_to_its_check():
    """Its next step was to tap a hip that is not there."""
    told = answer.refusal(NO_LEG_THERE, fingerprint="1")
    assert "open Machines, choose its code, open its check and tick" in told
    assert "open Machines" not in answer.refusal(NO_DOTS, fingerprint="1")


def test_photos_kept_without_a_joint_answer_are_told_as_kept_each_by_itself():
    """The knee of the first stood there alone, as if it were the visit's."""
    kept = {
        "rows": {"a": "1", "b": "2"}, "knees": [[41.0, 2.0]], "display_deg": 40.0,
        "has_photo": False, "person": "P-017", "machine": None,
        "saved_at": "2026-03-02T12:00:00+00:00",
    }  # fmt: skip
    told = tell(keeping._kept_words(kept))
    assert "2 photos, each by itself (they could not be judged together)" in told
    assert "41" not in told
