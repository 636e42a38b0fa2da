"""`knee-angle store recheck` and kept pictures: each is there, opens, and is what was kept."""

from __future__ import annotations

import re
import shutil
import sqlite3
from pathlib import Path

import pytest
from test_sealing import KEY, OTHER, PICTURE, filled, kept
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.store import open_store
from knee_angle.store.encrypting import encrypt_pictures
from knee_angle.store.sealing import ENV_KEY, ENV_KEY_FILE


@pytest.fixture(autouse=True)
def _no_key(monkeypatch):
    monkeypatch.delenv(ENV_KEY_FILE, raising=False)
    monkeypatch.setenv(ENV_KEY, KEY.key.hex())


@pytest.fixture(scope="module")
def stores(tmp_path_factory) -> dict[bool, Path]:
    """Two measurements and a check, with a picture each: as they are, and encrypted."""
    folder = tmp_path_factory.mktemp("stores")
    places = {encrypted: folder / f"{encrypted}.db" for encrypted in (False, True)}
    with open_store(places[False]) as store:
        filled(store)
        kept(store)
    shutil.copy(places[False], places[True])
    with open_store(places[True]) as store, pytest.MonkeyPatch.context() as patch:
        patch.setenv(ENV_KEY, KEY.key.hex())
        encrypt_pictures(store, KEY, key_file=None)
    return places


@pytest.fixture
def place_of(stores, tmp_path):
    return lambda *, encrypted: shutil.copy(stores[encrypted], tmp_path / "ward.db")


def spoilt(place: Path, statement: str) -> None:
    """As a hand at the file would do it: past the triggers."""
    db = sqlite3.connect(place)
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type='trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    db.execute("PRAGMA foreign_keys = OFF")
    db.executescript(statement)
    db.commit()
    db.close()


CHANGED = (
    "UPDATE photos SET jpeg = CAST(substr(jpeg, 1, length(jpeg) - 9) || x'00' AS BLOB) "
    "WHERE rowid = (SELECT min(rowid) FROM photos);"
)
EXCHANGED = (
    "UPDATE photos SET jpeg = (SELECT jpeg FROM check_photos) "
    "WHERE rowid = (SELECT min(rowid) FROM photos);"
)
WITHOUT_HASH = "DELETE FROM picture_hashes;"
FEWER = "UPDATE check_photos SET jpeg = CAST(substr(jpeg, 1, 200) AS BLOB);"


@pytest.mark.parametrize(
    ("encrypted", "statement", "says"),
    [
        pytest.param(False, "", None, id="as they were kept"),
        pytest.param(True, "", None, id="encrypted, as they were kept"),
        pytest.param(False, CHANGED, "measurement .* is not the one that was kept", id="changed"),
        pytest.param(True, CHANGED, "measurement .* does not open", id="sealed, changed"),
        pytest.param(True, EXCHANGED, "measurement .* does not open", id="sealed, another row's"),
        pytest.param(
            False, "DELETE FROM check_photos;", "machine check .*, photo 1: .* is gone", id="gone"
        ),
        pytest.param(False, WITHOUT_HASH, None, id="kept before hashes were"),
        pytest.param(
            False, WITHOUT_HASH + FEWER, "machine check .* does not open", id="cut, without a hash"
        ),
    ],
)
def test_a_picture_that_is_not_what_was_kept_is_one_line_and_the_exit_status(
    place_of, encrypted, statement, says
):
    place = place_of(encrypted=encrypted)
    spoilt(place, statement)
    told = CliRunner().invoke(app, ["store", "recheck", "--store", str(place)])
    lines = told.stdout.splitlines()
    wrong = [line for line in lines if "again, different" not in line and "opened, not" not in line]
    assert "2 measurements computed again, different: 0" in lines
    assert told.exit_code == (says is not None)
    assert len(wrong) == (says is not None)
    assert says is None or re.search(says, wrong[0])
    assert f"not as they were kept: {len(wrong)}" in lines[-1]


@pytest.mark.parametrize("named", [None, OTHER.key.hex()], ids=["none", "another"])
def test_without_the_key_angles_are_rechecked_and_pictures_are_said_not_to_be(
    place_of, named, monkeypatch
):
    place = place_of(encrypted=True)
    monkeypatch.delenv(ENV_KEY)
    if named:
        monkeypatch.setenv(ENV_KEY, named)
    told = CliRunner().invoke(app, ["store", "recheck", "--store", str(place)])
    assert told.exit_code == 1
    assert "2 measurements computed again, different: 0" in told.stdout
    assert "no picture was opened: the store's pictures are encrypted" in told.stdout


def test_hashes_go_through_backups_with_their_pictures(place_of, tmp_path):
    place, backup = place_of(encrypted=False), tmp_path / "ward.jsonl"
    with open_store(place) as store:
        assert [one.wrong for one in store.rechecked_pictures()] == [None] * 3
        store.backup(backup)
    with open_store(tmp_path / "again.db") as again:
        again.restore(backup)
        assert again.overview().counts["picture_hashes"] == 3
        assert [one.wrong for one in again.rechecked_pictures()] == [None] * 3
        assert again.photo(again.measurements()[0].id) == PICTURE
