"""Points by hand for a batch: a table, or a JSON file a photo."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pytest
from called import called
from conftest import SAMPLES

from knee_angle.batch.points import points_mark, points_of_photos
from knee_angle.errors import InvalidInput

PHOTOS = ("a/bed_02.jpg", "bed_04.jpg")
KNEE = {"knee": {"x": 3.5, "y": 4.0}}


def marks(name: str) -> dict[str, dict[str, float]]:
    truth = json.loads((SAMPLES / name).with_suffix(".json").read_text())["landmarks"]
    return {
        n: dict(zip("xy", truth[n]["marker_px"], strict=True)) for n in ("hip", "knee", "ankle")
    }


def folder_of(tmp_path: Path, **files: object) -> Path:
    for name, content in files.items():
        path = tmp_path / "points" / name.replace("__", "/")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(content))
    return tmp_path / "points"


def table_of(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "points.csv"
    path.write_text(text)
    return path


def test_a_folder_has_a_file_for_each_photo_by_either_name(tmp_path):
    folder = folder_of(
        tmp_path, **{"a__bed_02.json": KNEE, "bed_04.jpg.json": {"hip": KNEE["knee"]}}
    )
    found = points_of_photos(folder, PHOTOS)
    assert found == {PHOTOS[0]: KNEE, PHOTOS[1]: {"hip": KNEE["knee"]}}


def test_a_table_has_the_columns_of_a_result(tmp_path):
    table = table_of(
        tmp_path,
        "photo,rater,photo_sha256,knee_x_px,knee_y_px,knee_u_px,hip_x_px,hip_y_px,note,"
        "hinge_x_px,hinge_y_px,hinge_source\n"
        f"a/bed_02.jpg,R1,{'ab' * 32},3.5,4,0.5,,,x,,,\nbed_04.jpg,,,,,,1,2,y,5,6,network\n",
    )
    assert points_of_photos(table, PHOTOS) == {
        PHOTOS[0]: {
            "knee": {"x": 3.5, "y": 4.0, "u_px": 0.5},
            "photo_sha256": "ab" * 32,
            "rater": "R1",
        },
        PHOTOS[1]: {
            "hip": {"x": 1.0, "y": 2.0},
            "hinge": {"x": 5.0, "y": 6.0, "source": "network"},
        },
    }  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param("photo,hip_x_px\nbed_04.jpg,1\n", "x and y of hip", id="x alone"),
        pytest.param("photo,note\nbed_04.jpg,1\n", "columns of points", id="no points"),
        pytest.param("photo,hip_x_px,hip_y_px\nbed_04.jpg,1,\n", "one of x and y", id="half"),
        pytest.param("photo,hip_x_px,hip_y_px\nbed_09.jpg,1,2\n", "no points", id="none here"),
        pytest.param(
            "photo,hip_x_px,hip_y_px\nbed_04.jpg,1,2\nbed_09.jpg,1,2\n", "bed_09", id="surplus"
        ),
        pytest.param(
            "photo,hip_x_px,hip_y_px\nbed_04.jpg,1,2\nbed_04.jpg,1,2\n", "named twice", id="twice"
        ),
        pytest.param(
            "photo,hip_x_px,hip_y_px\nbed_04.jpg,left,2\n", "must be a number", id="words"
        ),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused(text, words, tmp_path):
    with pytest.raises(InvalidInput, match=words):
        points_of_photos(table_of(tmp_path, text), PHOTOS)


@pytest.mark.parametrize(
    ("files", "words"),
    [
        pytest.param({"bed_04.json": KNEE, "bed_04.jpg.json": KNEE}, "two files", id="two files"),
        pytest.param({"bed_04.json": KNEE, "bed_05.json": KNEE}, "bed_05", id="surplus"),
        pytest.param({"bed_05.json": KNEE}, "no points", id="none here"),
        pytest.param({"bed_04.json": []}, "one JSON object", id="no object"),
    ],
)
def test_a_folder_that_cannot_be_meant_is_refused(files, words, tmp_path):
    with pytest.raises(InvalidInput, match=words):
        points_of_photos(folder_of(tmp_path, **files), PHOTOS)


def test_other_points_have_another_mark():
    assert points_mark(None) == ""
    assert points_mark(KNEE) != points_mark({"knee": {"x": 3.5, "y": 4.1}})


def rows(path: Path) -> dict[str, dict[str, str]]:
    with path.open(newline="") as file:
        return {row["photo"]: row for row in csv.DictReader(file)}


def test_a_batch_measures_with_points_by_hand_and_again_where_they_change(tmp_path):
    """One photo by hand, one by itself, one with a point that is no number; then the hand moves."""
    photos = tmp_path / "photos"
    photos.mkdir()
    for name in ("bed_02.jpg", "bed_04.jpg", "bed_05.jpg"):
        shutil.copy(SAMPLES / name, photos)
    folder_of(
        tmp_path,
        **{"bed_02.json": {**marks("bed_02.jpg"), "rater": "R1"},
           "bed_05.json": {**marks("bed_05.jpg"), "knee": {"x": float("nan"), "y": 1}}},
    )  # fmt: skip
    call = ("batch", "photos", "--out", "one.csv", "--points", "points", "--workers", 1)
    done = called(*call, cwd=tmp_path)
    assert done.returncode == 1, done.stderr
    assert "the points by hand cannot be used: x of point 'knee' must be a number" in done.stdout
    first = rows(tmp_path / "one.csv")
    assert [first[n]["rater"] for n in sorted(first)] == ["R1", "", ""]
    assert first["bed_02.jpg"]["hip_source"] == "manual"
    assert first["bed_04.jpg"]["status"] == "measured"
    assert first["bed_04.jpg"]["hip_source"] != "manual"
    moved = marks("bed_02.jpg")
    moved["ankle"]["y"] -= 20
    folder_of(tmp_path, **{"bed_02.json": moved})
    again = called(*call, "--resume", cwd=tmp_path)
    assert "2 photos were done before" in again.stdout
    second = rows(tmp_path / "one.csv")
    assert second["bed_02.jpg"]["flexion_deg"] != first["bed_02.jpg"]["flexion_deg"]
    assert second["bed_04.jpg"] == first["bed_04.jpg"]
