"""The table of displayed numbers, as people and spreadsheets write it."""

from __future__ import annotations

from pathlib import Path

import pytest

from knee_angle.cli.photos import read_displayed_table
from knee_angle.errors import InvalidInput

PHOTOS = [Path("a.jpg"), Path("b.jpg")]


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(b"photo,displayed_deg\na.jpg,93.5\nb.jpg,\n", id="plain"),
        pytest.param(b"\xef\xbb\xbfphoto,displayed_deg\r\na.jpg,93.5\r\n", id="BOM, CR LF"),
        pytest.param(b"photo;displayed_deg\r\na.jpg;93,5\r\n;\r\n", id="semicolons, empty row"),
        pytest.param(b"photo\tdisplayed_deg\na.jpg\t93.5\n", id="tabs"),
        pytest.param(b'photo,displayed_deg\na.jpg,"93,5"\n', id="decimal comma in quotes"),
        pytest.param(b"photo, displayed_deg ,note\n a.jpg , 93.5,ok\n", id="spaces"),
        pytest.param(b"photo,displayed_deg\n\n\na.jpg,93.5\n\n", id="empty lines"),
        pytest.param(b"photo,displayed_deg\nb.jpg,\na.jpg,93.5\nz.jpg,12\n", id="more than given"),
    ],
)
def test_the_number_is_read_as_meant(tmp_path, content):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    table = read_displayed_table(path, PHOTOS)
    assert {photo.name: table.get(photo.name) for photo in PHOTOS} == {"a.jpg": 93.5, "b.jpg": None}


def test_a_named_photo_with_an_empty_cell_is_not_an_unnamed_one(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("photo,displayed_deg\na.jpg,\n")
    assert read_displayed_table(path, PHOTOS) == {"a.jpg": None}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "must have the columns photo, displayed_deg, but has none: name them"),
        (b"photo\na.jpg\n", "must have the columns photo, displayed_deg, but has photo: name"),
        (
            b"photo,displayed_deg,displayed_deg\na.jpg,93,12\n",
            "the column 'displayed_deg' is there twice",
        ),
        (
            b"photo,displayed_deg\na.jpg,93,5\n",
            "line 2: has 3 cells, but the header has 2: decimals need a point",
        ),
        (b"photo,displayed_deg\n\na.jpg,x\n", "line 3: displayed_deg must be a number"),
        (b"photo,displayed_deg\na.jpg,nan\n", "must be a number, but got 'nan'"),
        (b"photo,displayed_deg\na.jpg,9_3\n", "must be a number, but got '9_3'"),
        (b"photo;displayed_deg\na.jpg;1.234,5\n", "must be a number, but got '1.234,5'"),
        (b"photo,displayed_deg\na.jpg,412\n", "must be between -30 and 180, but got 412"),
        (b"photo,displayed_deg\na.jpg,1\na.jpg,9\n", "line 3: a.jpg is named twice"),
        (b"photo,displayed_deg\n,93\n", "line 2: names no photo"),
        (b"photo,displayed_deg\nc.jpg,90\n", "names c.jpg (is b.jpg meant?), but no such"),
        (
            b"photo,displayed_deg\na.jpg,90\nb .jpg,40\n",
            "names b .jpg (is b.jpg meant?), but no such photo was given, "
            "and has no row for b.jpg: correct the names",
        ),
        (
            b'photo,displayed_deg\n"a.jpg,93\n',
            "cannot be read as UTF-8 CSV (unexpected end of data)",
        ),
        (b"photo;displayed_deg\n\xc4.jpg;93\n", "save it as CSV UTF-8"),
        ("photo,displayed_deg\na.jpg,93\n".encode("utf-16"), "save it as CSV UTF-8"),
        (None, "No such file or directory"),
    ],
)
def test_anything_unclear_is_refused_in_one_line(tmp_path, content, message):
    path = tmp_path / "t.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(InvalidInput) as refused:
        read_displayed_table(path, PHOTOS)
    assert message in str(refused.value)
    assert "\n" not in str(refused.value)


def test_another_number_in_a_name_is_no_slip_but_two_figures_exchanged_are(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("photo,displayed_deg\nbed_14.jpg,90\nbed_31.jpg,9\n")
    told = r"names bed_14\.jpg, bed_31\.jpg \(is bed_13\.jpg meant\?\), but no such photo"
    with pytest.raises(InvalidInput, match=told):
        read_displayed_table(path, [Path("bed_13.jpg")])


def test_one_number_is_not_given_to_two_photos_of_one_name(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("photo,displayed_deg\nleg.jpg,93\n")
    with pytest.raises(InvalidInput, match=r"several photos given are called leg\.jpg"):
        read_displayed_table(path, [Path("a/leg.jpg"), Path("b/leg.jpg")])
    assert read_displayed_table(path, [Path("leg.jpg"), Path("leg.jpg")]) == {"leg.jpg": 93.0}
