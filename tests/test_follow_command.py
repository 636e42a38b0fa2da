"""`knee-angle follow`: a patient's kept visits over days, printed."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest
from called import called
from stores import NOON, SETTINGS, SHA, at_angle, made_measurement, made_visit

from knee_angle.store import SetUp, new_id, open_store


@pytest.fixture(scope="module")
def ward(tmp_path_factory):
    """Four days of a left knee: 4 degrees of flexion gained and 1 of extension a day."""
    where = tmp_path_factory.mktemp("ward") / "a.db"
    base = made_measurement()
    with open_store(where, clock=lambda: NOON) as store:
        store.add_person("P-017")
        store.prescribe(
            "P-017", from_day=NOON.date(), flexion_deg=100.0, extension_deg=0.0, side="left"
        )
        for n in range(4):
            for end, deg in (("flexion", 70.0 + 4 * n), ("extension", 12.0 - n)):
                store.save_measurement(
                    at_angle(base, deg, u_deg=1.0), settings=SETTINGS, photo_sha256=SHA,
                    person="P-017", setup=SetUp(end=end), taken_at=NOON + timedelta(days=n),
                )  # fmt: skip
        store.save_measurement(
            at_angle(base, 105.0, u_deg=1.0), settings=SETTINGS, photo_sha256=SHA,
            person="P-017", setup=SetUp(end="flexion"), taken_at=NOON + timedelta(days=5),
        )  # fmt: skip
    return where


def test_the_course_is_printed_by_side_with_trends_days_and_what_was_past(ward):
    made = called("follow", "P-017", "--store", str(ward))
    assert made.returncode == 0, made.stderr
    lines = made.stdout.splitlines()
    assert lines[0] == "Patient P-017, Left knee"
    assert lines[1].endswith(
        "Flexion past 100°: the knee is (proven). Stop the machine and follow the prescription."
    )
    assert lines[2].startswith("Flexion changes by +")
    assert lines[3].startswith("Extension changes by \u22121.0° a day (")
    assert "over 4 days" in lines[3]
    assert len(lines) == 10  # four lines of the knee, the head, five days
    assert "70° ± 2" in lines[5]
    assert "12° ± 2" in lines[5]
    assert lines[5].endswith("2 photos")
    assert lines[-1].endswith("1 photo")


def test_programs_get_the_same_as_json(ward):
    made = called("follow", "P-017", "--format", "json", "--side", "left", "--store", str(ward))
    course = json.loads(made.stdout)
    (knee,) = course["knees"]
    assert (course["person"], knee["side"], len(knee["days"])) == ("P-017", "left", 5)
    first, last = knee["days"][0], knee["days"][-1]
    assert (first["flexion"]["deg"], first["extension"]["deg"]) == (70.0, 12.0)
    assert first["arc"]["deg"] == 58.0
    assert (first["neutral_zero"], first["past"], first["photos"]) == ("0-12-70", [], 2)
    assert (last["extension"], last["arc"]) == (None, None)
    assert last["past"] == [{"which": "flexion", "limit_deg": 100.0, "because": ["knee"]}]
    straight = knee["trend"]["extension"]
    low, high = straight["interval_deg"]
    assert straight["per_day_deg"] == pytest.approx(-1.0)
    assert low < -1.0 < high
    assert (straight["days"], knee["trend"]["flexion"]["days"]) == (4, 5)


def test_german_is_spoken(ward):
    made = called("follow", "P-017", "--store", str(ward), "--language", "de")
    assert "Beugung" in made.stdout
    assert "Flexion changes" not in made.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param(("P-099",), "nothing is kept for P-099", id="nobody by that code"),
        pytest.param(("P-017", "--side", "right"), "P-017 right", id="the other knee"),
        pytest.param(("P-017", "--format", "csv"), "'csv' is not one of", id="no table of it"),
    ],
)
def test_what_cannot_be_followed_is_one_line(ward, arguments, words):
    made = called("follow", *arguments, "--store", str(ward))
    assert made.returncode == 2
    assert words in made.stderr
    assert made.stderr.count("\n") == 1


def test_visits_judged_together_bring_their_own_arc(tmp_path):
    """What both ends share cancels in the joint arc, and the same visit daily has no trend."""
    where, (answer, photos) = tmp_path / "a.db", made_visit()
    for n in range(3):
        with open_store(where, clock=lambda n=n: NOON + timedelta(days=n)) as store:
            if n == 0:
                store.add_person("P-017")
            store.save_visit(answer, photos, visit_id=new_id(), settings=SETTINGS, person="P-017")
    told = json.loads(called("follow", "P-017", "--format", "json", "--store", where).stdout)
    (knee,) = told["knees"]
    assert [day["arc"]["u_deg"] for day in knee["days"]] == pytest.approx([answer.arc.u] * 3, 1e-3)
    apart = [day[end]["u_deg"] for day in knee["days"][:1] for end in ("flexion", "extension")]
    assert answer.arc.u < 0.95 * sum(u**2 for u in apart) ** 0.5
    low, high = knee["trend"]["flexion"]["interval_deg"]
    assert low < 0.0 < high
    lines = called("follow", "P-017", "--store", where).stdout.splitlines()
    assert lines[-1].endswith("3 photos")
