"""The pose model's bundle: found where it should be."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.landmarks.pose import bundles


@pytest.fixture
def no_bundle(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A machine with an empty cache; the path is where the bundle would be."""
    monkeypatch.delenv("KNEE_ANGLE_POSE_MODEL", raising=False)
    place = tmp_path / "cache" / "pose.task"
    monkeypatch.setattr(bundles, "default_bundle", lambda: place)
    return place


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
    assert "\n" not in text
    assert not no_bundle.exists()


@pytest.mark.usefixtures("no_bundle")
def test_a_named_file_that_is_no_bundle_is_a_wrong_call(tmp_path: Path) -> None:
    photo = tmp_path / "photo.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(InvalidInput, match=r"the pose model .*photo\.jpg is no model bundle"):
        bundles.find_pose_bundle(photo)


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


def test_the_list_of_models_knows_missing_checked_damaged_and_foreign(
    no_bundle: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good = bundles.shipped_bundle().read_bytes()
    own = tmp_path / "weights" / "pose.task"
    monkeypatch.setattr(bundles, "shipped_bundle", lambda: own)

    def state() -> tuple[bool, bool | None]:
        (model,) = bundles.describe_models()
        return model.present, model.sha_ok

    assert state() == (False, False)
    assert "missing" in str(bundles.describe_models()[0])
    own.parent.mkdir()
    own.write_bytes(good)
    assert state() == (True, True)
    own.write_bytes(good[:-1] + b"?")
    assert state() == (True, False)
    no_bundle.parent.mkdir()
    no_bundle.write_bytes(b"no zip")
    assert state() == (True, False)
    with zipfile.ZipFile(no_bundle, "w") as foreign:
        foreign.writestr("pose_detector.tflite", b"?")
    assert state() == (True, None)
