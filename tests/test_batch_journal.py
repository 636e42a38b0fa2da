"""The journal: a row counts when its whole line is on disk."""

from __future__ import annotations

import json

import pytest

from knee_angle.batch.journal import Journal
from knee_angle.batch.work import Answer
from knee_angle.errors import InvalidInput

CONDITIONS = {"settings": {"tag_mm": 50.0}, "versions": {"knee-angle": "1"}}


def answer(photo, number=1.5):
    row = {"photo": photo, "status": "measured", "reason": None, "u_deg": number, "word": "é\n"}
    return Answer(photo, row, sha256="ab")


@pytest.fixture
def path(tmp_path):
    return tmp_path / "t.journal.jsonl"


def test_rows_come_back_as_they_went_in(path):
    with Journal(path, CONDITIONS) as journal:
        journal.add(answer("a.jpg", 0.1), "of a")
        journal.add(answer("b.jpg"), "of b")
        journal.add(answer("a.jpg", 0.3), "of a, again")
    with Journal(path, CONDITIONS) as journal:
        assert {name: done.of for name, done in journal.done.items()} == {
            "a.jpg": "of a, again",
            "b.jpg": "of b",
        }
        assert journal.row("a.jpg") == answer("a.jpg", 0.3).row
        assert journal.row("b.jpg") == answer("b.jpg").row


def test_cut_off_at_any_byte_the_whole_lines_count_and_the_run_goes_on(path):
    with Journal(path, CONDITIONS) as journal:
        for name in ("a", "b"):
            journal.add(answer(name), name)
    whole = path.read_bytes()
    ends = [n + 1 for n, byte in enumerate(whole) if byte == ord("\n")]
    for length in range(len(whole) + 1):
        path.write_bytes(whole[:length])
        with Journal(path, CONDITIONS) as journal:
            assert list(journal.done) == ["a", "b"][: max(sum(e <= length for e in ends) - 1, 0)]
            journal.add(answer("c"), "c")
        with Journal(path, CONDITIONS) as journal:
            assert journal.row("c") == answer("c").row


def test_a_line_damaged_in_the_middle_is_dropped_alone(path):
    with Journal(path, CONDITIONS) as journal:
        for name in ("a", "b", "c"):
            journal.add(answer(name), name)
    lines = path.read_text().splitlines(keepends=True)
    lines[2] = lines[2].replace("1.5", "7.5")
    path.write_text("".join(lines))
    with Journal(path, CONDITIONS) as journal:
        assert list(journal.done) == ["a", "c"]
        assert journal.torn_lines == 1


def test_other_settings_or_versions_are_refused_by_name(path):
    Journal(path, CONDITIONS).__exit__()
    other = {"settings": {"tag_mm": 40.0}, "versions": {"knee-angle": "2"}}
    with pytest.raises(InvalidInput, match=r"tag_mm was 50.0, now 40.0; knee-angle was 1, now 2"):
        Journal(path, other)
    with Journal(path, other, fresh=True) as journal:
        assert journal.done == {}


def test_two_runs_never_write_to_one_journal(path):
    with Journal(path, CONDITIONS), pytest.raises(InvalidInput, match="another run is writing"):
        Journal(path, CONDITIONS)


@pytest.mark.parametrize("text", ["photo,u_deg\na,1\n", json.dumps({"entry": 1}) + "\n"])
def test_another_file_of_that_name_is_left_alone(path, text):
    path.write_text(text)
    with pytest.raises(InvalidInput, match="is no journal of this program"):
        Journal(path, CONDITIONS)
    assert path.read_text() == text
