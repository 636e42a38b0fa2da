"""A visit is kept at once: its photos' rows and what they say together, in both databases."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, date, timedelta

import numpy as np
import pytest
import sqlalchemy as sa
from stores import NOON, SETTINGS, VISITED, made_visit

from knee_angle.errors import InvalidInput
from knee_angle.store import PhotoToKeep, new_id, open_store
from knee_angle.store.following import readings_of
from knee_angle.store.table import csv_of, visit_lines_of
from knee_angle.store.visits import row_of
from knee_angle.visit.course import follow_days


@pytest.fixture(scope="module")
def three():
    return made_visit()


@pytest.fixture
def store(store_url):
    with open_store(store_url, who="ward 3", clock=lambda: NOON) as opened:
        opened.add_person("P-017")
        opened.add_machine("M-03")
        yield opened


@pytest.fixture
def lite(tmp_path):
    with open_store(tmp_path / "a.db", clock=lambda: NOON) as opened:
        opened.add_person("P-017")
        opened.add_machine("M-03")
        yield opened


def keep(store, answer, photos, **given):
    given = {"visit_id": new_id(), "person": "P-017", "machine": "M-03", **given}
    return store.save_visit(answer, photos, settings=SETTINGS, **given)


def test_a_visit_comes_back_with_its_joint_answer_and_its_photos_rows(store, three):
    answer, photos = three
    kept = keep(store, answer, photos)
    (row,) = store.visits(person="P-017")
    assert row == kept.visit == store.visits(machine="M-03")[0]
    assert [(k.setting, len(k.measurements), k.displayed_deg) for k in row.knees] == [
        ("1", 1, 13.0), ("2", 2, 87.0),
    ]  # fmt: skip
    assert [k.deg for k in row.knees] == [one.estimate.knee.value for one in answer.settings]
    assert (row.arc_deg, row.arc_u_deg) == (answer.arc.value, answer.arc.u)
    assert (row.side, row.standing, row.finding) == (
        "left", answer.standing, answer.machine.kind,
    )  # fmt: skip
    stored = store.visit(row.id)
    assert stored.contract["covariance"]["names"][0] == "knee 1"
    assert stored.settings == SETTINGS
    assert {m.setup.visit for m in kept.measurements} == {row.id}
    assert set(row.measurements) == {row_of(row.id, sha) for sha in VISITED.values()}


def test_no_name_of_a_photo_or_setting_is_kept(lite, three):
    kept = keep(lite, *three)
    assert "Ada" not in json.dumps(lite.visit(kept.visit.id).contract)
    with lite.engine.connect() as connection:
        for table in sa.inspect(lite.engine).get_table_names():
            rows = connection.execute(sa.select(sa.text("*")).select_from(sa.table(table))).all()
            assert "Ada" not in repr(rows), table


def test_kept_again_under_its_identifier_a_visit_is_kept_once(store, three):
    visit_id = new_id()
    first = keep(store, *three, visit_id=visit_id)
    assert keep(store, *three, visit_id=visit_id) == first
    assert len(store.visits()) == 1
    assert len(store.measurements()) == 3
    assert store.kept_under(visit_id, VISITED.values()) is not None
    assert store.kept_under(new_id(), VISITED.values()) is None


def test_a_save_that_breaks_off_in_the_middle_leaves_nothing(store, three, monkeypatch):
    def broken(*_, **__):
        raise InvalidInput("broken off")

    monkeypatch.setattr("knee_angle.store.visits.kept_visit", broken)
    with pytest.raises(InvalidInput, match="broken off"):
        keep(store, *three)
    assert store.measurements(all_rows=True) == ()
    with store.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM visits").scalar() == 0


def test_an_answer_whose_photo_is_not_handed_over_is_refused(lite, three):
    answer, photos = three
    with pytest.raises(InvalidInput, match="keeps every photo that its answer rests on"):
        keep(lite, answer, photos[:2])
    assert lite.measurements() == ()


def test_photos_that_could_not_be_judged_together_are_kept_each_alone(lite, three):
    kept = keep(lite, None, three[1])
    assert (kept.visit, len(kept.measurements)) == (None, 3)
    assert lite.visits() == ()


def test_taken_back_a_visit_and_its_photos_no_longer_count_but_stay(store, three):
    kept = keep(store, *three)
    store.withdraw_visit(kept.visit.id, "wrong_person")
    assert (store.visits(), store.measurements()) == ((), ())
    (row,) = store.visits(all_rows=True)
    assert (row.withdrawn, row.counts, len(store.measurements(all_rows=True))) == (True, False, 3)
    with pytest.raises(InvalidInput, match="reason must be one of"):
        store.withdraw_visit(kept.visit.id, "Ada")


def corrected_alone(store, row, photo):
    """The same photo kept again as the correction of that row, in no visit."""
    sha256 = photo.measurement.photo_sha256
    given = {"person": "P-017", "machine": "M-03", "corrects": row}
    return store.save_measurement(
        photo.measurement, settings=SETTINGS, photo_sha256=sha256, setup=photo.setup, **given
    ).id


def test_taken_back_a_visit_takes_with_it_the_photo_that_was_corrected_alone(store, three):
    """Corrected twice, even: the last of them counted, of a visit that does not."""
    kept = keep(store, *three)
    photo = three[1][0]
    once = corrected_alone(store, row_of(kept.visit.id, photo.measurement.photo_sha256), photo)
    twice = corrected_alone(store, once, photo)
    assert twice in {m.id for m in store.measurements()}
    store.withdraw_visit(kept.visit.id, "wrong_person")
    assert store.measurements() == ()


def test_taken_back_a_visit_leaves_the_one_that_corrected_it(store, three):
    first = keep(store, *three)
    photos = [
        PhotoToKeep(p.name, p.measurement, p.setup,
                    corrects=row_of(first.visit.id, p.measurement.photo_sha256))
        for p in three[1]
    ]  # fmt: skip
    second = keep(store, three[0], photos, corrects=first.visit.id)
    store.withdraw_visit(first.visit.id, "other")
    assert store.visits() == (second.visit,)
    assert len(store.measurements()) == 3


def test_with_one_photo_taken_back_the_joint_answer_no_longer_counts(store, three):
    kept = keep(store, *three)
    store.withdraw_measurement(kept.measurements[0].id, "wrong_photo")
    assert store.visits() == ()
    (row,) = store.visits(all_rows=True)
    assert (row.whole, row.withdrawn) == (False, False)
    assert len(store.measurements()) == 2


def test_a_correction_replaces_the_visit_and_leaves_out_the_photo_that_went(store, three):
    first = keep(store, *three)
    names = tuple(VISITED)[:2]
    answer, photos = made_visit(names)
    before = {m.id: m for m in first.measurements}
    photos = [
        PhotoToKeep(p.name, p.measurement, p.setup,
                    corrects=row_of(first.visit.id, p.measurement.photo_sha256))
        for p in photos
    ]  # fmt: skip
    second = keep(store, answer, photos, corrects=first.visit.id)
    assert store.visits() == (second.visit,)
    assert {m.id for m in store.measurements()} == {m.id for m in second.measurements}
    gone = row_of(first.visit.id, VISITED[tuple(VISITED)[2]])
    assert before[gone].id in {m.id for m in store.measurements(all_rows=True) if m.withdrawn}


def test_the_course_takes_a_visits_joint_knees_and_its_arc(lite, three):
    answer, photos = three
    kept = keep(lite, answer, photos)
    rows = lite.measurements(person="P-017")
    (day,) = follow_days(readings_of(rows, lite.visits()), [], zone=UTC, side="left")
    assert day.flexion.deg == pytest.approx(answer.settings[-1].estimate.knee.value)
    assert day.arc.deg == pytest.approx(answer.arc.value)
    # What both ends share cancels: the joint arc is surer than two angles apart.
    assert day.arc.u_deg == pytest.approx(answer.arc.u, rel=0.02)
    assert day.arc.u_deg < 0.9 * float(np.hypot(day.flexion.u_deg, day.extension.u_deg))
    assert day.readings == 3
    lite.withdraw_measurement(kept.measurements[0].id, "wrong_photo")
    rows = lite.measurements(person="P-017")
    assert {r.photos for r in readings_of(rows, lite.visits(all_rows=True))} == {1}


def test_the_export_holds_the_joint_answer_beside_each_photos_own(lite, three):
    answer, photos = three
    kept = keep(lite, answer, photos)
    header, first, *_ = "".join(csv_of(lite.stored_measurements(), lite.visits())).splitlines()
    cell = dict(zip(header.split(","), first.split(","), strict=False))
    assert float(cell["visit_arc_u_deg"]) == pytest.approx(answer.arc.u)
    assert cell["visit_finding"] == answer.machine.kind
    (line,) = (json.loads(text) for text in visit_lines_of(lite.stored_visits()))
    assert line["kept"]["measurements"] == list(kept.visit.measurements)
    assert len(line["covariance"]["matrix"]) == len(answer.estimate.names)


def test_a_backup_holds_visits_and_one_from_before_them_is_restored(lite, three, tmp_path):
    keep(lite, *three)
    lite.backup(tmp_path / "new.backup")
    with open_store(tmp_path / "again.db") as again:
        again.restore(tmp_path / "new.backup")
        assert again.visits() == lite.visits()
    lite.withdraw_visit(lite.visits()[0].id, "other")
    old = before_visits((tmp_path / "new.backup").read_bytes())
    (tmp_path / "old.backup").write_bytes(old)
    with open_store(tmp_path / "older.db") as older:
        older.restore(tmp_path / "old.backup")
        assert (len(older.measurements()), older.visits()) == (3, ())


@pytest.mark.parametrize(
    ("column", "value", "said"),
    [
        pytest.param("covariance", [[1.0]], "must be 2 by 2", id="a covariance of other knees"),
        pytest.param("knees", [{"setting": "1"}], "cannot be used", id="a knee without an angle"),
        pytest.param("standing", "Ada", "cannot be used", id="a standing that is none"),
        pytest.param("contract", [1], "cannot be used", id="a result that is no object"),
    ],
)
def test_a_backup_whose_visit_cannot_be_is_refused_in_words(
    lite, three, tmp_path, column, value, said
):
    keep(lite, *three)
    lite.backup(tmp_path / "a.backup")
    *lines, _ = (json.loads(line) for line in (tmp_path / "a.backup").read_bytes().splitlines())
    row = next(line["row"] for line in lines if line.get("table") == "visits")
    row[column] = value
    (tmp_path / "b.backup").write_bytes(hashed(lines))
    with open_store(tmp_path / "b.db") as other:
        with pytest.raises(InvalidInput, match=said):
            other.restore(tmp_path / "b.backup")
        assert not any(other.overview().counts.values())


def hashed(lines: list[dict]) -> bytes:
    text = b"".join(json.dumps(line).encode() + b"\n" for line in lines)
    return text + json.dumps({"sha256": hashlib.sha256(text).hexdigest()}).encode() + b"\n"


def before_visits(backup: bytes) -> bytes:
    """The backup as the software before this table wrote it."""
    head, *rows, _ = (json.loads(line) for line in backup.splitlines())
    head["tables"] = "0003"
    head["rows"] = {n: count for n, count in head["rows"].items() if "visit" not in n}
    kept = [row for row in rows if "visit" not in row["table"]]
    return hashed([head, *kept])


def test_of_two_visits_at_the_same_number_the_later_counts_and_not_the_luckier(lite, three):
    answer, photos = three
    for after in (0, 2):
        moved = [
            PhotoToKeep(p.name, p.measurement, p.setup, NOON + timedelta(hours=after))
            for p in photos
        ]
        kept = keep(lite, answer, moved)
        assert kept.visit.taken_at == NOON + timedelta(hours=after)
    rows = lite.measurements(person="P-017")
    (day,) = follow_days(readings_of(rows, lite.visits()), [], zone=UTC, side="left")
    assert day.day == date(2026, 3, 2)
    assert day.flexion.at == NOON + timedelta(hours=2)
