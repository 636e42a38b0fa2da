"""The draft of a visit on the disk: private, whole, merged, ended in time, found by its token."""

from __future__ import annotations

import hashlib
import json
import stat
import time

import pytest
from conftest import SAMPLES
from starlette.testclient import TestClient

from knee_angle.errors import InvalidInput
from knee_angle.page.drafts import DraftsFolder, drafts_folder, merged, new_token
from knee_angle.page.drafts.folder import ENDS_AFTER_S, KEPT_ENDS_AFTER_S, MOST_BYTES
from knee_angle.page.receiving import Receiving

PHOTO = (SAMPLES / "bed_01.jpg").read_bytes()


@pytest.fixture
def folder(tmp_path) -> DraftsFolder:
    return DraftsFolder(tmp_path / "kept.db-drafts")


@pytest.fixture
def token(folder) -> str:
    return folder.begin(new_token(), {"inputs": {"person": "P-017"}}).token


def test_what_was_written_is_found_by_its_token_and_by_no_other(folder, token):
    draft = folder.find(token)
    assert (draft.version, draft.state) == (1, {"inputs": {"person": "P-017"}})
    for other in (new_token(), "", "../kept.db-drafts", token[:-1], token + "x"):
        assert folder.find(other) is None


def test_tokens_cannot_be_guessed():
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert {len(one) for one in tokens} == {32}


def test_everything_in_a_draft_is_its_owners_alone(folder, token):
    folder.put_photo(token, PHOTO)
    with folder.alone(token):
        folder.change(folder.find(token), {"inputs": {}})
    place = folder.path / token
    assert stat.S_IMODE(place.stat().st_mode) == 0o700
    assert {stat.S_IMODE(one.stat().st_mode) for one in place.iterdir()} == {0o600}


def test_a_photo_is_there_once_under_its_content_and_is_nothing_else(folder, token):
    sha256 = folder.put_photo(token, PHOTO)
    assert folder.put_photo(token, PHOTO) == sha256 == hashlib.sha256(PHOTO).hexdigest()
    assert folder.photos(token) == [sha256]
    assert folder.photo(token, sha256) == PHOTO
    (folder.path / token / sha256).write_bytes(PHOTO[:-1])
    assert folder.photo(token, sha256) is None  # no longer what it was
    folder.drop_photo(token, sha256)
    assert folder.photos(token) == []
    with pytest.raises(InvalidInput, match=r"41 MB, at most 40 are taken"):
        folder.put_photo(token, bytes(MOST_BYTES + 2**20))


@pytest.mark.parametrize(
    ("before", "mine", "theirs", "both"),
    [
        pytest.param({"a": 1}, {"a": 2}, {"a": 1}, {"a": 2}, id="only this tab changed"),
        pytest.param({"a": 1}, {"a": 1}, {"a": 3}, {"a": 3}, id="only the other tab changed"),
        pytest.param({"a": 1}, {"a": 2}, {"a": 3}, {"a": 2}, id="both: the later counts"),
        pytest.param({"p": {}}, {"p": {"x": 1}}, {"p": {"y": 2}}, {"p": {"x": 1, "y": 2}},
                     id="two photos in two tabs"),
        pytest.param({"p": {"x": 1}}, {"p": {}}, {"p": {"x": 1, "y": 2}}, {"p": {"y": 2}},
                     id="one removed, one added"),
        pytest.param({"a": 1}, {"a": None}, {"a": 1}, {"a": None}, id="emptied is a change"),
    ],
)  # fmt: skip
def test_what_two_tabs_changed_is_put_together(before, mine, theirs, both):
    assert merged(before, mine, theirs) == both


@pytest.mark.parametrize(
    ("state", "lives_s"),
    [
        pytest.param({"inputs": {}}, ENDS_AFTER_S, id="in work: a day"),
        pytest.param({"kept": {"id": "x"}}, KEPT_ENDS_AFTER_S, id="kept: an hour"),
        pytest.param({"kept": {"id": "x"}, "pending": {"id": "y"}}, ENDS_AFTER_S,
                     id="a correction that broke off: a day"),
    ],
)  # fmt: skip
@pytest.mark.parametrize(
    "set_by_s",
    [
        pytest.param(0.0, id="the clock goes on"),
        pytest.param(3e6, id="the clock is set a month ahead"),
        pytest.param(-3e6, id="the clock is set back"),
    ],
)
def test_a_draft_ends_by_itself_when_its_time_is_over_and_not_when_the_clock_says_so(
    tmp_path, state, lives_s, set_by_s
):  # fmt: skip
    passed, clock_s = [1000.0], [time.time() - 1000.0]
    folder = DraftsFolder(
        tmp_path, clock=lambda: clock_s[0] + passed[0], ticking=lambda: ("this boot", passed[0])
    )
    token = folder.begin(new_token(), state).token
    clock_s[0] += set_by_s
    folder.end_old()
    passed[0] += lives_s - 60
    assert folder.find(token) is not None
    passed[0] += 120
    assert folder.find(token) is None
    folder.end_old()
    assert not (tmp_path / token).exists()


def test_after_a_new_start_of_the_computer_the_clock_alone_counts(tmp_path):
    now, boot = [time.time()], ["first"]
    folder = DraftsFolder(tmp_path, clock=lambda: now[0], ticking=lambda: (boot[0], 50.0))
    token = folder.begin(new_token(), {}).token
    now[0] += ENDS_AFTER_S + 60
    assert folder.find(token) is not None
    boot[0] = "second"
    assert folder.find(token) is None


def test_a_damaged_draft_is_none_and_a_change_is_whole_or_not_at_all(folder, token, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("knee_angle.files.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        folder.change(folder.find(token), {"inputs": {"person": "P-018"}})
    monkeypatch.undo()
    assert folder.find(token).state == {"inputs": {"person": "P-017"}}
    assert sorted(one.name for one in (folder.path / token).iterdir()) == ["draft.json"]
    (folder.path / token / "draft.json").write_text("{")
    assert folder.find(token) is None


def test_a_disk_is_not_filled_by_opening_pages(folder, monkeypatch):
    monkeypatch.setattr("knee_angle.page.drafts.folder.MOST_DRAFTS", 2)
    for _ in range(2):
        folder.begin(new_token(), {})
    with pytest.raises(OSError, match="2 visits are open already"):
        folder.begin(new_token(), {})


@pytest.mark.parametrize(
    "text",
    [
        pytest.param("[" * 100_000, id="nested without end"),
        pytest.param("[1]", id="no object"),
        pytest.param('{"version": Infinity, "state": {}}', id="no number of a version"),
    ],
)
def test_a_draft_that_is_none_stops_no_other(folder, token, text):
    folder.begin(token, {})
    (folder.path / token / "draft.json").write_text(text)
    assert folder.find(token) is None
    folder.end_old()
    other = new_token()
    folder.begin(other, {"person": "P-1"})
    assert folder.find(other).state == {"person": "P-1"}


def test_drafts_lie_beside_their_store(tmp_path, monkeypatch):
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "ward.db"))
    assert drafts_folder().path == tmp_path / "ward.db-drafts"
    monkeypatch.setenv("KNEE_ANGLE_STORE", "postgresql://ward@/knees")
    assert "knees" not in str(drafts_folder().path)


# Sending a photo


async def _beneath(*_) -> None:
    raise AssertionError("it was to be taken")


@pytest.fixture
def phone(tmp_path, monkeypatch):
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "kept.db"))
    return TestClient(Receiving(_beneath))


def test_a_phone_sends_a_photo_to_its_visit_and_twice_is_once(phone, folder, token):
    for _ in ("sent", "sent again after a broken connection"):
        answer = phone.post(f"/visit-photos/{token}", content=PHOTO)
        assert answer.status_code == 200
        assert folder.photos(token) == [answer.json()["sha256"]]


@pytest.mark.parametrize(
    ("path", "content", "status", "said"),
    [
        pytest.param("{other}", PHOTO, 404, "This visit has ended", id="a visit that is none"),
        pytest.param("a/b", PHOTO, 404, "This visit has ended", id="another path"),
        pytest.param("{token}", bytes(MOST_BYTES + 1), 413, "larger than 40 MB", id="too large"),
        pytest.param("{token}", b"", 503, "send it again", id="cut off at its beginning"),
    ],
)
def test_what_cannot_be_taken_is_said(phone, folder, token, path, content, status, said):
    name = path.format(token=token, other=new_token())
    answer = phone.post(f"/visit-photos/{name}", content=content)
    assert (answer.status_code, folder.photos(token)) == (status, [])
    assert said in answer.text


def test_an_accounts_visit_takes_photos_of_that_account_alone(phone, folder):
    theirs = folder.begin(new_token(), {"account": "therapist-2"}).token
    answer = phone.post(f"/visit-photos/{theirs}", content=PHOTO)
    assert (answer.status_code, folder.photos(theirs)) == (404, [])


def test_a_visit_takes_no_more_photos_than_it_needs(phone, token, monkeypatch):
    monkeypatch.setattr("knee_angle.page.receiving.MOST_PHOTOS", 1)
    assert phone.post(f"/visit-photos/{token}", content=PHOTO).status_code == 200
    answer = phone.post(f"/visit-photos/{token}", content=PHOTO[:-1])
    assert (answer.status_code, "remove one first" in answer.text) == (409, True)


def test_a_draft_says_nothing_but_what_the_visit_needs(folder, token):
    """No file's name, no name of a person: they are not asked for."""
    held = json.loads((folder.path / token / "draft.json").read_text())
    assert set(held) - {"boot", "clock_ahead_s"} == {"version", "state"}  # the computer's clock
    assert [one.name for one in folder.path.iterdir()] == [token]
