"""Which photos a run measures, and what they are called."""

from __future__ import annotations

import os

import pytest

from knee_angle.batch import sources
from knee_angle.batch.sources import find_photos, read_bytes, said_of
from knee_angle.batch.work import Job
from knee_angle.errors import InvalidInput, UnreadablePhoto


@pytest.fixture
def folder(tmp_path):
    """Photos at two depths, a hidden one, and two files that are no photos."""
    photos = tmp_path / "photos"
    for name in ("b.jpg", "a.JPG", "ward [2]/c.png", ".hidden.jpg", "notes.txt", "a.json"):
        path = photos / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(name.encode())
    return photos


def left_out(source) -> dict[str, str]:
    return {entry.name: entry.reason for entry in find_photos(str(source)).left_out}


def names(source) -> list[str]:
    return list(find_photos(str(source)).files)


def test_a_folder_with_all_below_it_sorted_by_name_and_the_rest_counted(folder):
    found = find_photos(str(folder))
    assert list(found.files) == ["a.JPG", "b.jpg", "ward [2]/c.png"]
    assert [(entry.name, entry.reason) for entry in found.left_out] == [
        (".hidden.jpg", "hidden"),
        ("a.json", "not called like a photo"),
        ("notes.txt", "not called like a photo"),
    ]
    assert [file.size_bytes for file in found.files.values()] == [5, 5, 14]
    assert find_photos(f"{folder}/").files == found.files


def test_every_entry_that_is_not_measured_is_named_with_its_reason(folder):
    """A photo that is silently missing from a study is a wrong study."""
    (folder / "linked.jpg").symlink_to(folder / "b.jpg")
    (folder / "broken.jpg").symlink_to(folder / "nothing.jpg")
    (folder / "other ward").symlink_to(folder / "ward [2]")
    os.mkfifo(folder / "pipe.jpg")
    link = "a symbolic link: put the photo itself there, or name it in a list"
    odd = {
        "linked.jpg": link,
        "broken.jpg": link,
        "other ward": link,
        "pipe.jpg": "a device or pipe",
    }
    plain = {
        ".hidden.jpg": "hidden",
        "a.json": "not called like a photo",
        "notes.txt": "not called like a photo",
    }
    assert left_out(folder) == odd | plain
    assert left_out(folder / "**") == odd | plain
    assert left_out(folder / "*") == odd | plain | {"ward [2]": "a folder"}
    assert left_out(folder / "*.jpg").keys() == {*odd, ".hidden.jpg"} - {"other ward"}


def test_a_folder_that_may_not_be_read_is_named(folder, monkeypatch):
    """Asked, not tried: the administrator, under whom tests may run, may read everything."""
    monkeypatch.setattr(sources.os, "access", lambda path, _: not path.endswith("ward [2]"))
    assert left_out(folder)["ward [2]"] == "a folder that this user may not read"


def test_many_entries_are_counted_and_the_first_named(folder):
    for n in range(100):
        (folder / f"n{n:03d}\n.md").touch()
    said = said_of(find_photos(str(folder)).left_out)
    assert said.startswith("103 entries are not measured: .hidden.jpg (hidden), a.json (not")
    assert said.endswith("n017\\n.md (not called like a photo) and 83 more")


def test_a_folder_whose_name_looks_like_a_pattern_is_a_folder(folder):
    assert names(folder / "ward [2]") == ["c.png"]


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        ("*.jpg", ["b.jpg"]),
        ("**", ["a.JPG", "b.jpg", "ward [2]/c.png"]),
        ("ward*/*", ["ward [2]/c.png"]),
        ("b.jpg", ["b.jpg"]),
    ],
)
def test_a_pattern_names_photos_below_its_fixed_folder(folder, pattern, expected):
    assert names(folder / pattern) == expected


def test_a_list_keeps_its_order_and_its_words_and_what_is_not_there(folder):
    listed = folder.parent / "list.txt"
    listed.write_text("photos/b.jpg\n\nphotos/gone.jpg\nphotos/a.JPG\n")
    found = find_photos(str(listed)).files
    assert list(found) == ["photos/b.jpg", "photos/gone.jpg", "photos/a.JPG"]
    assert [file.size_bytes for file in found.values()] == [5, None, 5]


def test_whole_addresses_in_a_list_lose_the_folder_they_share(folder):
    listed = folder.parent / "list.txt"
    listed.write_text(f"{folder}/b.jpg\n{folder}/ward [2]/c.png\n")
    assert names(listed) == ["b.jpg", "ward [2]/c.png"]


def test_a_changed_file_has_another_stamp(folder):
    import os

    before = find_photos(str(folder)).files["b.jpg"]
    os.utime(folder / "b.jpg", (1, 1))
    assert find_photos(str(folder)).files["b.jpg"].stamp != before.stamp


@pytest.mark.parametrize(
    ("source", "message"),
    [
        ("nowhere", "nowhere is not there: name a folder"),
        ("empty", "no photo in .*empty: photos are called .jpg.*; nothing else is there"),
        ("linked", "no photo in .*; 1 entry is not measured: a.jpg .a symbolic link"),
        ("nothing-*.jpg", "no photo in"),
        ("twice.txt", "names a photo twice: a.jpg"),
        ("nosuch://bucket/x", "nosuch://bucket/x cannot be read .*check the address"),
    ],
)
def test_a_source_without_photos_says_so_in_one_line(tmp_path, source, message):
    (tmp_path / "empty").mkdir()
    (tmp_path / "linked").mkdir()
    (tmp_path / "linked" / "a.jpg").symlink_to(tmp_path / "twice.txt")
    (tmp_path / "twice.txt").write_text("a.jpg\na.jpg\n")
    address = source if "://" in source else str(tmp_path / source)
    with pytest.raises(InvalidInput, match=message) as error:
        find_photos(address)
    assert "\n" not in str(error.value)


def test_a_missing_and_a_too_large_photo_are_unreadable(tmp_path):
    with pytest.raises(UnreadablePhoto, match="missing"):
        read_bytes(Job("a.jpg", str(tmp_path / "a.jpg"), None), 1.0)
    with pytest.raises(UnreadablePhoto, match="at most"):
        read_bytes(Job("a.jpg", "memory://a.jpg", 10**9), 1.0)


def test_a_name_that_no_table_can_hold_is_refused(tmp_path):
    (tmp_path / "kn\udcffe.jpg").write_bytes(b"x")
    with pytest.raises(InvalidInput, match="not UTF-8"):
        find_photos(str(tmp_path))
