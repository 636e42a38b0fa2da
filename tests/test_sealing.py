"""Kept pictures encrypted at rest: what lies on the disk, what needs the key, after a stop."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from functools import partial

import pytest
from stores import SETTINGS, SHA, made_check, made_measurement, made_series
from test_store_commands import jpeg
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.errors import InvalidInput, StoreError
from knee_angle.page.drafts import DraftsFolder, new_token
from knee_angle.page.uploads import DiskUploads
from knee_angle.report.paper.leg import leg_drawing
from knee_angle.store import CropJpeg, open_store
from knee_angle.store.encrypting import change_key, encrypt_pictures
from knee_angle.store.exchange.dicom import as_bytes, photographic_image
from knee_angle.store.research import key_from
from knee_angle.store.sealing import (
    ENV_KEY,
    ENV_KEY_FILE,
    Seal,
    about_row,
    is_sealed,
    new_key,
    seal_of,
)

PICTURE = CropJpeg(jpeg(), 1.0, 2.0, 3.5)
MEASURED = made_measurement()
SERIES = made_series()
KEY, OTHER = Seal(b"k" * 32), Seal(b"o" * 32)
runner = CliRunner()


@pytest.fixture(autouse=True)
def _no_key(monkeypatch):
    for name in (ENV_KEY, ENV_KEY_FILE):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def has_key(monkeypatch):
    monkeypatch.setenv(ENV_KEY, KEY.key.hex())


def kept(store, sha256=SHA, **given):
    return store.save_measurement(
        MEASURED, settings=SETTINGS, photo_sha256=sha256, person="P-017", photo=PICTURE, **given
    )


def filled(store):
    """A measurement and a check with a picture each; their rows."""
    store.add_person("P-017")
    store.add_machine("M-03")
    check = store.save_check(
        made_check(), machine="M-03", outcomes=SERIES, settings=SETTINGS,
        photo_sha256=dict.fromkeys(SERIES, SHA), pictures={next(iter(SERIES)): PICTURE},
    )  # fmt: skip
    return kept(store).id, check.id


def pictures(store, measurement, check):
    return [store.photo(measurement), *store.check_pictures(check).values()]


@pytest.mark.usefixtures("has_key")
def test_pictures_from_before_and_after_are_read_as_they_were_kept(store_url):
    with open_store(store_url) as store:
        rows = filled(store)
        assert encrypt_pictures(store, KEY, key_file=None) == 2
        later = kept(store, "1" * 64)
        assert [*pictures(store, *rows), store.photo(later.id)] == [PICTURE] * 3
        with store.engine.connect() as connection:
            raw = connection.exec_driver_sql(
                "SELECT jpeg FROM photos UNION ALL SELECT jpeg FROM check_photos"
            ).scalars()
            assert [is_sealed(bytes(one)) for one in raw] == [True] * 3
        assert encrypt_pictures(store, KEY, key_file=None) == 0  # again: nothing is left to do


@pytest.mark.usefixtures("has_key")
def test_no_file_of_the_store_holds_a_picture_any_more(tmp_path):
    with open_store(tmp_path / "ward.db") as store:
        filled(store)
        files = [one for one in tmp_path.iterdir() if PICTURE.jpeg[40:] in one.read_bytes()]
        assert files != []
        encrypt_pictures(store, KEY, key_file=None)
        kept(store, "1" * 64)
        for one in tmp_path.iterdir():
            assert PICTURE.jpeg[40:120] not in one.read_bytes()


@pytest.mark.parametrize(
    ("named", "said"),
    [
        pytest.param(
            {}, "encrypted under the key .* name its file in KNEE_ANGLE_KEY_FILE", id="none"
        ),
        pytest.param({ENV_KEY: OTHER.key.hex()}, "but the key that is named is", id="another"),
        pytest.param({ENV_KEY: "abc"}, "must hold a key of 64 hexadecimal digits", id="no key"),
        pytest.param({ENV_KEY_FILE: "gone.key"}, "gone.key cannot be read", id="its file is gone"),
    ],
)
def test_without_the_key_all_but_pictures_works_and_is_told_in_one_line(
    tmp_path, monkeypatch, named, said
):
    monkeypatch.chdir(tmp_path)
    with open_store(tmp_path / "ward.db") as store:
        row, check = filled(store)
        encrypt_pictures(store, KEY, key_file=None)
        for name, value in named.items():
            monkeypatch.setenv(name, value)
        before = len(store.measurements())
        for asked in (
            lambda: store.photo(row),
            lambda: store.check_pictures(check),
            lambda: kept(store, "1" * 64),
        ):
            with pytest.raises(StoreError, match=said) as told:
                asked()
            assert "\n" not in str(told.value)
        assert len(store.measurements()) == before  # what could not be encrypted was not kept
        store.save_measurement(MEASURED, settings=SETTINGS, photo_sha256="2" * 64, person="P-017")
        assert len(store.measurements()) == before + 1
        assert store.check(check).row.machine == "M-03"


@pytest.mark.usefixtures("has_key")
def test_a_picture_under_another_row_or_changed_does_not_open(store_url):
    with open_store(store_url) as store:
        filled(store)
    hidden = KEY.sealed(PICTURE.jpeg, about="photos one")
    assert KEY.opened(hidden, about="photos one") == PICTURE.jpeg
    for content, about, seal in (
        (hidden, "photos two", KEY), (hidden[:-1], "photos one", KEY),
        (hidden[:9], "photos one", KEY), (hidden, "photos one", OTHER),
    ):  # fmt: skip
        with pytest.raises(StoreError, match="does not open"):
            seal.opened(content, about=about)


def test_a_store_keeps_its_key(tmp_path):
    with open_store(tmp_path / "ward.db") as store:
        encrypt_pictures(store, KEY, key_file=None)
        with pytest.raises(InvalidInput, match=r"encrypted already, under .* by --new-key"):
            encrypt_pictures(store, OTHER, key_file=None)


@pytest.mark.usefixtures("has_key")
def test_a_backup_stays_encrypted_and_is_restored_with_the_key_alone(
    store_url, tmp_path, monkeypatch
):
    backup = tmp_path / "ward.jsonl"
    with open_store(store_url) as store:
        rows = filled(store)
        encrypt_pictures(store, KEY, key_file=None)
        store.backup(backup)
    with open_store(tmp_path / "again.db") as again:
        again.restore(backup)
        assert pictures(again, *rows) == [PICTURE] * 2
    monkeypatch.delenv(ENV_KEY)
    with open_store(tmp_path / "none.db") as none:
        with pytest.raises(StoreError, match="encrypted under the key"):
            none.restore(backup)
        assert not any(none.overview().counts.values())


@pytest.mark.usefixtures("has_key")
def test_papers_and_picture_archives_get_the_picture(tmp_path):
    with open_store(tmp_path / "ward.db") as store:
        row, _ = filled(store)
        encrypt_pictures(store, KEY, key_file=None)
        picture = store.photo(row)
        assert PICTURE.jpeg in as_bytes(photographic_image(store.measurement(row).row, picture))
        assert "data:image/jpeg" in str(leg_drawing(MEASURED, picture))


STOPPED = """
import os, signal, sys
from pathlib import Path
from knee_angle.store import open_store
from knee_angle.store.encrypting import change_key, encrypt_pictures
from knee_angle.store.sealing import Seal

left = int(sys.argv[2])
whole = Seal.sealed
def sealed(self, content, *, about):
    global left
    left -= 1
    if left < 0:
        os.kill(os.getpid(), signal.SIGKILL)
    return whole(self, content, about=about)
Seal.sealed = sealed
with open_store(sys.argv[1]) as store:
    if store.overview().counts["encryption"]:
        change_key(store, Seal(b"o" * 32), key_file=Path("other.key"))
    else:
        encrypt_pictures(store, Seal(b"k" * 32), key_file=None)
"""


def test_a_kill_in_the_middle_leaves_the_store_as_it_was(tmp_path, monkeypatch):
    place = tmp_path / "ward.db"
    with open_store(place) as store:
        rows = filled(store)
    done = subprocess.run([sys.executable, "-c", STOPPED, place, "1"], check=False)
    assert done.returncode == -9
    with open_store(place) as store:
        assert store.overview().counts["encryption"] == 0
        assert pictures(store, *rows) == [PICTURE] * 2
        monkeypatch.setenv(ENV_KEY, KEY.key.hex())
        assert encrypt_pictures(store, KEY, key_file=None) == 2
        assert pictures(store, *rows) == [PICTURE] * 2
    # Another key: the first thing that is sealed is the key of before, then the two pictures.
    done = subprocess.run([sys.executable, "-c", STOPPED, place, "2"], check=False)
    assert done.returncode == -9
    with open_store(place) as store:
        assert store.overview().counts["encryption"] == 1
        assert pictures(store, *rows) == [PICTURE] * 2
        assert change_key(store, OTHER, key_file=tmp_path / "other.key") == (2, 0)
        monkeypatch.setenv(ENV_KEY, OTHER.key.hex())
        assert pictures(store, *rows) == [PICTURE] * 2


@pytest.mark.usefixtures("has_key")
def test_a_changed_key_opens_all_and_those_of_before_no_kept_picture(
    store_url, tmp_path, monkeypatch
):
    third = Seal(b"t" * 32)
    with open_store(store_url) as store:
        rows = filled(store)
        with pytest.raises(InvalidInput, match="is not encrypted, so it has no key to change"):
            change_key(store, OTHER, key_file=tmp_path / "other.key")
        encrypt_pictures(store, KEY, key_file=None)
        draft = KEY.sealed(b"photo", about="draft 1")
        for seal, before in ((OTHER, KEY), (third, OTHER)):
            assert change_key(store, seal, key_file=tmp_path / "other.key") == (2, 0)
            with pytest.raises(StoreError, match="but the key that is named is"):
                store.photo(rows[0])
            monkeypatch.setenv(ENV_KEY, seal.key.hex())
            assert pictures(store, *rows) == [PICTURE] * 2
            assert change_key(store, seal, key_file=tmp_path / "other.key") == (0, 0)  # run again
            with store.engine.connect() as connection:
                raw = bytes(connection.exec_driver_sql("SELECT jpeg FROM photos").scalar_one())
                # What lies outside, as a photo of a visit that is open, needs the keys of before.
                assert seal_of(connection).opened(draft, about="draft 1") == b"photo"
            with pytest.raises(StoreError, match="does not open"):
                before.opened(raw, about=about_row("photos", [rows[0]]))
        with pytest.raises(InvalidInput, match="was this store's before"):
            change_key(store, KEY, key_file=tmp_path / "other.key")
        store.backup(tmp_path / "ward.jsonl")
    with open_store(tmp_path / "again.db") as again:
        again.restore(tmp_path / "ward.jsonl")
        assert pictures(again, *rows) == [PICTURE] * 2


def test_the_command_makes_a_key_elsewhere_and_the_store_finds_it(tmp_path):
    place, key = tmp_path / "store" / "ward.db", tmp_path / "keys" / "ward.key"
    key.parent.mkdir()
    with open_store(place) as store:
        rows = filled(store)
    where = ("--store", str(place))
    beside = runner.invoke(app, ["store", "encrypt", "--key", str(place.with_name("k")), *where])
    assert isinstance(beside.exception, InvalidInput)
    assert "must not lie beside the store" in str(beside.exception)
    none = runner.invoke(app, ["store", "encrypt", *where])
    assert "no key is named" in str(none.exception)
    told = runner.invoke(app, ["store", "encrypt", "--key", str(key), *where])
    assert told.exit_code == 0
    assert "2 pictures encrypted, under the key" in told.stdout
    assert "keep a copy apart" in told.stdout
    assert oct(key.stat().st_mode & 0o777) == "0o600"
    with open_store(place) as store:
        assert pictures(store, *rows) == [PICTURE] * 2
    other = key.with_name("other.key")
    both = runner.invoke(app, ["store", "encrypt", "--key", str(key), "--new-key", "x", *where])
    assert "exclude each other" in str(both.exception)
    told = runner.invoke(app, ["store", "encrypt", "--new-key", str(other), *where])
    assert "2 pictures encrypted, under the key" in told.stdout
    assert "name the new one now" in told.stdout
    key.unlink()
    with open_store(place) as store:
        assert pictures(store, *rows) == [PICTURE] * 2


@pytest.mark.usefixtures("has_key")
def test_photos_of_drafts_are_encrypted_too_also_those_from_before(tmp_path):
    seals = [None]
    drafts = DraftsFolder(tmp_path / "drafts", seal=lambda: seals[0])
    token = drafts.begin(new_token(), {}).token
    first = drafts.put_photo(token, b"first photo")
    seals[0] = KEY
    second = drafts.put_photo(token, b"second photo")
    drafts.begin(new_token(), {})
    assert [drafts.photo(token, one) for one in (first, second)] == [
        b"first photo",
        b"second photo",
    ]
    lying = b"".join(one.read_bytes() for one in (tmp_path / "drafts").rglob("*") if one.is_file())
    assert b"photo" not in lying.replace(b"photos", b"")
    assert first == hashlib.sha256(b"first photo").hexdigest()


@pytest.mark.usefixtures("has_key")
def test_uploads_of_the_page_are_encrypted_where_the_store_is(tmp_path, monkeypatch):
    from streamlit.runtime.uploaded_file_manager import UploadedFileRec

    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "ward.db"))
    uploads = DiskUploads("/upload", tmp_path)
    one = UploadedFileRec(file_id="f1", name="a.jpg", type="image/jpeg", data=b"a photo of a leg")
    for encrypted in (False, True):
        uploads.add_file("s", one)
        assert uploads.get_files("s", ["f1"])[0].data == b"a photo of a leg"
        files = [p.read_bytes() for p in tmp_path.iterdir() if not p.name.startswith("ward.db")]
        assert any(b"a photo" in content for content in files) is not encrypted
        with open_store(tmp_path / "ward.db") as store:
            encrypt_pictures(store, KEY, key_file=None)


@pytest.mark.parametrize("key_of", [new_key, partial(key_from, beside=None)])
def test_a_key_that_cannot_be_made_is_told_in_one_line(key_of, tmp_path):
    with pytest.raises(InvalidInput, match=r"the key .* cannot be written \(.*\): name another"):
        key_of(tmp_path / ("k" * 300))
