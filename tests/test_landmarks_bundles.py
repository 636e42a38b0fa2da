"""The pose model's bundle: found where it should be, built from the npm package safely."""

from __future__ import annotations

import io
import json
import tarfile
import zipfile
from pathlib import Path

import pytest

from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.landmarks.pose import bundles

DETECTOR = b"detector weights"
LANDMARKS = b"landmark weights"
LOADER = (
    b'loadPackage({"files": [{"filename": "/x/other.bin", "start": 0, "end": 4}, '
    b'{"filename": "/x/pose_detection.tflite", "start": 4, "end": 20}]});'
)
PACKAGE = {
    "package/package.json": json.dumps({"version": "9.9.9"}).encode(),
    "package/pose_solution_packed_assets_loader.js": LOADER,
    "package/pose_solution_packed_assets.data": b"four" + DETECTOR,
    "package/pose_landmark_full.tflite": LANDMARKS,
}


def archive_of(path: Path, members: dict[str, bytes]) -> Path:
    with tarfile.open(path, "w:gz") as tar:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            tar.addfile(info, io.BytesIO(data))
    return path


@pytest.fixture
def no_bundle(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A machine with an empty cache; the path is where the bundle would be."""
    monkeypatch.delenv("KNEE_ANGLE_POSE_MODEL", raising=False)
    place = tmp_path / "cache" / "pose.task"
    monkeypatch.setattr(bundles, "default_bundle", lambda: place)
    return place


@pytest.fixture
def plain_models(monkeypatch: pytest.MonkeyPatch) -> None:
    """The synthetic package is the recorded one, and its models need no MediaPipe."""
    monkeypatch.setattr(bundles, "DETECTOR_SHA256", bundles._sha256(DETECTOR))
    monkeypatch.setitem(bundles.LANDMARKS_SHA256, "full", bundles._sha256(LANDMARKS))
    monkeypatch.setattr(bundles, "_with_range", lambda model, _mean, _std: model + b"+range")
    monkeypatch.setattr(bundles, "_check_runs", lambda _path: None)


@pytest.mark.usefixtures("no_bundle")
def test_the_bundle_of_the_package_is_there_and_holds_the_published_models() -> None:
    """Whole people are measured without npm: the models are part of the wheel, unchanged."""
    assert bundles.find_pose_bundle() == bundles.shipped_bundle()
    (model,) = bundles.describe_models()
    assert (model.path, model.present, model.sha_ok) == (bundles.shipped_bundle(), True, True)


def test_the_weights_in_the_wheel_stay_within_25_megabytes() -> None:
    package = Path(bundles.__file__).parents[2]
    weights = [path for path in package.rglob("*") if path.suffix in {".onnx", ".task"}]
    assert bundles.shipped_bundle() in weights
    assert sum(path.stat().st_size for path in weights) <= 25_000_000


def test_a_package_without_its_bundle_says_what_to_do(
    no_bundle: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundles, "shipped_bundle", lambda: no_bundle.with_name("gone.task"))
    with pytest.raises(MissingModel) as raised:
        bundles.find_pose_bundle()
    text = str(raised.value)
    assert "reinstall the package" in text
    assert "npm pack @mediapipe/pose" in text
    assert "knee-angle models build mediapipe-pose-*.tgz" in text
    assert "\n" not in text
    assert not no_bundle.exists()


@pytest.mark.usefixtures("no_bundle")
def test_a_named_file_that_is_no_bundle_is_a_wrong_call(tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(InvalidInput, match=r"the pose model .*photo\.jpg is no model bundle"):
        bundles.find_pose_bundle(photo)


def test_a_folder_without_the_package_is_called_by_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    with pytest.raises(InvalidInput, match=r"^here lacks "):
        bundles.build_pose_bundle(Path())


@pytest.mark.usefixtures("no_bundle")
def test_a_named_bundle_that_is_not_there_is_a_wrong_call(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(InvalidInput, match="is not there"):
        bundles.find_pose_bundle(tmp_path / "none.task")
    monkeypatch.setenv("KNEE_ANGLE_POSE_MODEL", str(tmp_path / "none.task"))
    with pytest.raises(InvalidInput, match="is not there"):
        bundles.find_pose_bundle()


def test_the_order_is_argument_then_variable_then_cache_then_the_package(
    no_bundle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert bundles.find_pose_bundle() == bundles.shipped_bundle()
    named, in_variable = tmp_path / "a.task", tmp_path / "b.task"
    no_bundle.parent.mkdir()
    for path in (named, in_variable, no_bundle):
        with zipfile.ZipFile(path, "w") as bundle:
            bundle.writestr("model.tflite", b"x")
    assert bundles.find_pose_bundle() == no_bundle
    monkeypatch.setenv("KNEE_ANGLE_POSE_MODEL", str(in_variable))
    assert bundles.find_pose_bundle() == in_variable
    assert bundles.find_pose_bundle(named) == named


@pytest.mark.usefixtures("plain_models")
@pytest.mark.parametrize("packed", [True, False], ids=["the archive", "the unpacked folder"])
def test_a_bundle_is_a_stored_zip_of_both_models(tmp_path: Path, packed: bool) -> None:
    archive = archive_of(tmp_path / "p.tgz", PACKAGE)
    if not packed:
        archive = tmp_path
        for name, data in PACKAGE.items():
            (tmp_path / name).parent.mkdir(exist_ok=True)
            (tmp_path / name).write_bytes(data)
    out = bundles.build_pose_bundle(archive, tmp_path / "new" / "pose.task")
    with zipfile.ZipFile(out) as bundle:
        assert bundle.read("pose_detector.tflite") == DETECTOR + b"+range"
        assert bundle.read("pose_landmarks_detector.tflite") == LANDMARKS + b"+range"
        assert {info.compress_type for info in bundle.infolist()} == {zipfile.ZIP_STORED}
    assert [path.name for path in out.parent.iterdir()] == ["pose.task"]


@pytest.mark.usefixtures("plain_models")
def test_the_same_package_gives_the_same_bytes(tmp_path: Path) -> None:
    archive = archive_of(tmp_path / "p.tgz", PACKAGE)
    first = bundles.build_pose_bundle(archive, tmp_path / "1.task").read_bytes()
    assert bundles.build_pose_bundle(archive, tmp_path / "2.task").read_bytes() == first


@pytest.mark.usefixtures("plain_models")
@pytest.mark.parametrize(
    "name", ["../evil.txt", "/anywhere/evil.txt", "package/../../evil.txt"], ids=str
)
def test_a_path_that_climbs_out_writes_nothing(tmp_path: Path, name: str) -> None:
    work = tmp_path / "deep" / "work"
    work.mkdir(parents=True)
    archive = archive_of(work / "p.tgz", {name: b"evil", **PACKAGE})
    bundles.build_pose_bundle(archive, work / "pose.task")
    assert {path.name for path in tmp_path.rglob("*") if path.is_file()} == {"p.tgz", "pose.task"}


@pytest.mark.usefixtures("plain_models")
def test_a_link_in_place_of_a_model_is_not_followed(tmp_path: Path) -> None:
    archive = tmp_path / "p.tgz"
    with tarfile.open(archive, "w:gz") as tar:
        for name, data in PACKAGE.items():
            info = tarfile.TarInfo(name)
            if name.endswith("full.tflite"):
                info.type, info.linkname = tarfile.SYMTYPE, "/etc/hostname"
                tar.addfile(info)
            else:
                info.size = len(data)
                tar.addfile(info, io.BytesIO(data))
    with pytest.raises(InvalidInput, match=r"lacks pose_landmark_full\.tflite"):
        bundles.build_pose_bundle(archive, tmp_path / "pose.task")


@pytest.mark.usefixtures("plain_models")
@pytest.mark.parametrize("missing", sorted(PACKAGE), ids=str)
def test_a_package_without_a_needed_file_is_refused(tmp_path: Path, missing: str) -> None:
    rest = {name: data for name, data in PACKAGE.items() if name != missing}
    with pytest.raises(InvalidInput, match=f"lacks {missing.removeprefix('package/')}"):
        bundles.build_pose_bundle(archive_of(tmp_path / "p.tgz", rest), tmp_path / "pose.task")
    assert not (tmp_path / "pose.task").exists()


@pytest.mark.usefixtures("plain_models")
def test_other_models_need_a_clear_yes(tmp_path: Path) -> None:
    changed = {**PACKAGE, "package/pose_landmark_full.tflite": b"other weights"}
    archive, out = archive_of(tmp_path / "p.tgz", changed), tmp_path / "pose.task"
    with pytest.raises(InvalidInput, match=r"holds version 9\.9\.9, with other models"):
        bundles.build_pose_bundle(archive, out)
    assert not out.exists()
    assert bundles.build_pose_bundle(archive, out, accept_unknown=True) == out


@pytest.mark.usefixtures("plain_models")
def test_a_package_that_unpacks_too_large_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundles, "MAX_MEMBER_BYTES", 1000)
    archive = archive_of(tmp_path / "p.tgz", {"package/bomb": bytes(1001), **PACKAGE})
    with pytest.raises(InvalidInput, match="larger inside"):
        bundles.build_pose_bundle(archive, tmp_path / "pose.task")


@pytest.mark.usefixtures("plain_models")
@pytest.mark.parametrize(
    ("loader", "why"),
    [
        pytest.param(b"nothing", "does not say where", id="no entry"),
        pytest.param(
            LOADER.replace(b"20}", b"99}"), "does not say where", id="an end beyond the data"
        ),
    ],
)
def test_wrong_offsets_of_the_packed_detector_are_refused(
    tmp_path: Path, loader: bytes, why: str
) -> None:
    changed = {**PACKAGE, "package/pose_solution_packed_assets_loader.js": loader}
    with pytest.raises(InvalidInput, match=why):
        bundles.build_pose_bundle(archive_of(tmp_path / "p.tgz", changed), tmp_path / "pose.task")


@pytest.mark.parametrize("content", [b"", b"no archive at all", b"\x1f\x8b\x08\x00cut"], ids=str)
def test_a_broken_archive_is_one_line_for_a_person(tmp_path: Path, content: bytes) -> None:
    archive = tmp_path / "p.tgz"
    archive.write_bytes(content)
    with pytest.raises(InvalidInput, match=r"p\.tgz (is no readable|lacks)"):
        bundles.build_pose_bundle(archive, tmp_path / "pose.task")


def test_an_archive_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(InvalidInput, match=r"none\.tgz is not there"):
        bundles.build_pose_bundle(tmp_path / "none.tgz", tmp_path / "pose.task")


@pytest.mark.usefixtures("plain_models")
def test_a_bundle_that_does_not_run_leaves_the_old_one_in_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "models" / "pose.task"
    out.parent.mkdir()
    out.write_bytes(b"the old one")

    def does_not_run(_path: Path) -> None:
        raise MissingModel("no")

    monkeypatch.setattr(bundles, "_check_runs", does_not_run)
    with pytest.raises(MissingModel):
        bundles.build_pose_bundle(archive_of(tmp_path / "p.tgz", PACKAGE), out)
    assert [path.name for path in out.parent.iterdir()] == ["pose.task"]
    assert out.read_bytes() == b"the old one"


@pytest.mark.usefixtures("plain_models")
def test_the_list_of_models_knows_missing_checked_damaged_and_foreign(
    no_bundle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bundles, "shipped_bundle", lambda: no_bundle)

    def state() -> tuple[bool, bool | None]:
        (model,) = bundles.describe_models()
        assert model.path == no_bundle
        return model.present, model.sha_ok

    assert state() == (False, False)
    assert "missing" in str(bundles.describe_models()[0])
    bundles.build_pose_bundle(archive_of(tmp_path / "p.tgz", PACKAGE))
    assert state() == (True, True)
    good = no_bundle.read_bytes()
    no_bundle.write_bytes(good.replace(DETECTOR, DETECTOR.upper()))
    assert state() == (True, False)
    no_bundle.write_bytes(b"no zip")
    assert state() == (True, False)
    with zipfile.ZipFile(no_bundle, "w") as foreign:
        foreign.writestr("pose_detector.tflite", b"?")
    assert state() == (True, None)


def test_bytes_that_are_no_model_are_refused() -> None:
    with pytest.raises(InvalidInput, match="no TFLite file"):
        bundles._with_range(b"\xff" * 64, 0.0, 1.0)
