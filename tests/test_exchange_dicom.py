"""Kept angles and pictures as DICOM: no validator error, and the same numbers when read."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import datetime, timedelta
from io import BytesIO
from pathlib import Path

import numpy as np
import pydicom
import pytest
from highdicom import sr
from PIL import Image
from pydicom.sr.codedict import codes as dictionary
from stores import NOON, SETTINGS, SHA, made_measurement
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.errors import InvalidInput
from knee_angle.records import CropJpeg
from knee_angle.store import KeptMeasurement, SetUp, Store, open_store
from knee_angle.store.exchange.codes import LOCAL_SYSTEM, Codes, Coding
from knee_angle.store.exchange.dicom import (
    as_bytes,
    begun_of,
    photographic_image,
    structured_report,
)
from knee_angle.store.exchange.dicom.report import _observed_by

LOCAL = Codes()
PRIVATE = "99KNEEANGLE"


def picture(mode: str = "RGB", **options: object) -> CropJpeg:
    noise = np.random.default_rng(5).integers(0, 255, (9, 12, 3), dtype=np.uint8)
    out = BytesIO()
    Image.fromarray(noise).convert(mode).resize((480, 361)).save(out, "JPEG", **options)
    return CropJpeg(out.getvalue(), left_px=420.0, top_px=310.0, px_per_px=2.25)


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Iterator[Store]:
    path = tmp_path_factory.mktemp("dicom") / "ward.db"
    with open_store(
        f"sqlite:///{path}", who="Ward^3=\\β\x07\n" + "x" * 53, clock=lambda: NOON
    ) as made:
        made.add_person("P-01789-ABCDE-77")
        made.add_machine("M-03")
        yield made


def kept(store: Store, shown: CropJpeg | None, *, displayed: float | None = 93.0) -> str:
    return store.save_measurement(
        made_measurement(displayed_deg=displayed), settings=SETTINGS, photo_sha256=SHA,
        person="P-01789-ABCDE-77", machine="M-03", photo=shown,
        setup=SetUp(end="flexion", ticks=("heel",)),
    ).id  # fmt: skip


def made_of(
    store: Store, row_id: str, codes: Codes = LOCAL, *, begun: Mapping[str, datetime] | None = None
) -> dict[str, pydicom.Dataset]:
    """The files of a row, read again from their bytes."""
    stored, shown = store.measurement(row_id), store.photo(row_id)
    at = (begun or {}).get(stored.row.setup.visit or "")
    image = None if shown is None else photographic_image(stored.row, shown, begun=at)
    report = structured_report(stored, codes=codes, image=image, picture=shown, begun=at)
    files = {"SR": report} | ({} if image is None else {"XC": image})
    return {name: pydicom.dcmread(BytesIO(as_bytes(one))) for name, one in files.items()}


def said_of(file: pydicom.Dataset, tmp_path: Path) -> list[str]:
    """What dciodvfy says, but for its not knowing our private scheme."""
    validator = shutil.which("dciodvfy")
    if validator is None:
        said = "dciodvfy is missing: apt-get install dicom3tools"
        (pytest.fail if os.environ.get("CI") else pytest.skip)(said)
    path = tmp_path / "one.dcm"
    path.write_bytes(as_bytes(file))
    done = subprocess.run(
        [validator, "-new", str(path)], capture_output=True, text=True, check=False
    )
    private = re.compile(
        rf"Warning - .*Unrecognized defined term = <({PRIVATE}|99WARD|2\.25\.\d+)>$"
    )
    kinds = ("VLPhotographicImage", "ComprehensiveSR")
    lines = done.stderr.splitlines()
    assert any(line in kinds for line in lines), lines  # it did know what it read
    return [
        line for line in lines
        if line.strip() and line not in kinds and not private.match(line)
    ]  # fmt: skip


VARIED = {
    "a picture in colour": picture,
    "a grey picture": lambda: picture("L"),
    "a progressive JPEG": lambda: picture(progressive=True),
    "colours that are not thinned": lambda: picture(subsampling=0),
    "no picture": lambda: None,
}


@pytest.mark.parametrize(
    ("shown", "displayed"),
    [
        *(pytest.param(make, 93.0, id=name) for name, make in VARIED.items()),
        pytest.param(VARIED["no picture"], None, id="no picture, no display"),
    ],
)
def test_a_validator_finds_nothing(store, shown, displayed, tmp_path):
    for file in made_of(store, kept(store, shown(), displayed=displayed)).values():
        assert said_of(file, tmp_path) == []


def test_the_validator_does_see_an_error(store, tmp_path):
    image = made_of(store, kept(store, picture()))["XC"]
    image.Laterality = ""
    assert any(line.startswith("Error") for line in said_of(image, tmp_path))


@pytest.mark.parametrize("shown", list(VARIED.values())[:4], ids=list(VARIED)[:4])
def test_the_picture_is_the_kept_one_without_any_metadata(store, shown):
    kept_picture = shown()
    image = made_of(store, kept(store, kept_picture))["XC"]
    pixels = np.asarray(Image.open(BytesIO(kept_picture.jpeg)))
    assert image.pixel_array.shape[:2] == pixels.shape[:2]
    frame = next(pydicom.encaps.generate_frames(image.PixelData, number_of_frames=1))
    if b"\xff\xc2" not in kept_picture.jpeg[:700]:  # a progressive one is encoded anew
        assert frame.rstrip(b"\0") == kept_picture.jpeg.rstrip(b"\0")
    assert not Image.open(BytesIO(frame)).getexif()
    assert b"Exif" not in as_bytes(image)
    assert image.ImageLaterality == "L"
    again = np.asarray(Image.open(BytesIO(frame)).convert("RGB"), float)
    wanted = np.asarray(Image.open(BytesIO(kept_picture.jpeg)).convert("RGB"), float)
    assert np.abs(again - wanted).mean() < 3
    shown_pixels = np.asarray(Image.fromarray(image.pixel_array).convert("RGB"), float)
    assert np.abs(shown_pixels - wanted).mean() < 3  # as another reader shows its colours


def group(report: pydicom.Dataset) -> sr.MeasurementsAndQualitativeEvaluations:
    (one,) = sr.ComprehensiveSR.from_dataset(report).content.get_image_measurement_groups()
    return one


def numbers(report: pydicom.Dataset) -> dict[str, sr.Measurement]:
    return {one.name.value: one for one in group(report).get_measurements()}


def test_what_is_read_back_is_what_is_kept(store):
    """Angle, ±, display, side, tracking, observers, software, points in the kept picture."""
    row_id = kept(store, picture())
    stored, (report, image) = store.measurement(row_id), made_of(store, row_id).values()
    row: KeptMeasurement = stored.row
    found = numbers(report)
    knee = found["passive-knee-flexion"]
    assert knee.value == round(row.flexion_deg, 3)
    assert knee.unit == dictionary.UCUM.Degree
    said = {
        item.ConceptNameCodeSequence[0].CodeValue: float(item.MeasuredValueSequence[0].NumericValue)
        for item in knee[0].ContentSequence
        if item.ValueType == "NUM"
    }
    units = {
        item.MeasuredValueSequence[0].MeasurementUnitsCodeSequence[0].CodeValue
        for item in knee[0].ContentSequence
        if item.ValueType == "NUM"
    }
    assert units == {"deg"}  # the ± too: a number of degrees is not without unit
    assert (found["coverage"].value, found["coverage"].unit.value) == (95, "%")
    assert said["371886008"] == pytest.approx(row.high_deg - row.flexion_deg, abs=6e-4)
    assert said["371885007"] == pytest.approx(row.flexion_deg - row.low_deg, abs=6e-4)
    assert found["standard-uncertainty"].value == round(row.u_deg, 3)
    assert found["displayed-angle"].value == 93
    assert found["display-minus-knee"].value == round(row.discrepancy_deg, 3)
    whole = group(report)
    assert whole.finding_sites[0].value == dictionary.SCT.Knee
    assert whole.finding_sites[0].laterality == dictionary.SCT.Left
    assert whole.tracking_identifier == "left knee of P-01789-ABCDE-77"
    assert whole.method.value == "photogrammetry-tag"
    evaluated = {e.name.value: e.value for e in whole.get_qualitative_evaluations()}
    assert evaluated["movement"] == dictionary.SCT.PassiveMovement
    assert evaluated["verdict"].value == f"verdict-{row.verdict}"
    assert evaluated["end-of-range"].value == "end-flexion"
    (line,) = knee.referenced_coordinates
    assert line.graphic_type == sr.GraphicTypeValues.POLYLINE
    shown = store.photo(row_id)
    full = np.asarray(line.value) * shown.px_per_px + (shown.left_px, shown.top_px)
    points = [stored.measurement.leg.points[name] for name in ("hip", "knee", "ankle")]
    assert full == pytest.approx(np.array([(p.x_px, p.y_px) for p in points]), abs=1e-3)
    source = line[0] if isinstance(line, list) else line
    assert source.ContentSequence[0].ReferencedSOPSequence[0].ReferencedSOPInstanceUID == (
        image.SOPInstanceUID
    )
    text = str(report)
    assert f"knee_angle {row.software}" in text
    assert "Ward 3" in text


def test_who_placed_the_points_by_hand_is_the_observer_not_the_account(store):
    stored = store.measurement(kept(store, None))
    by_hand = replace(stored, measurement=replace(stored.measurement, rater="R2"))
    assert "R2^" in str(_observed_by(by_hand))
    assert "Ward" not in str(_observed_by(by_hand))
    assert "Ward" in str(_observed_by(stored))


def test_a_report_without_a_picture_has_no_points_and_names_no_image(store):
    (report,) = made_of(store, kept(store, None)).values()
    text = str(report)
    assert numbers(report)["passive-knee-flexion"].value > 0
    assert "SCOORD" not in text
    assert "CurrentRequestedProcedureEvidenceSequence" not in report


def test_the_same_row_is_the_same_instance_and_a_knee_is_tracked_over_days(store):
    first, second = kept(store, picture()), kept(store, picture())
    one, again, other = (made_of(store, row) for row in (first, first, second))
    assert as_bytes(one["SR"]) == as_bytes(again["SR"])
    assert as_bytes(one["XC"]) == as_bytes(again["XC"])
    assert one["SR"].SOPInstanceUID != other["SR"].SOPInstanceUID
    assert group(one["SR"]).tracking_uid == group(other["SR"]).tracking_uid


def test_photos_of_a_visit_are_one_study_that_began_with_the_first(store):
    """An archive refuses or rewrites a study whose files disagree about it."""
    rows = [
        store.save_measurement(
            made_measurement(), settings=SETTINGS, photo_sha256=SHA, person="P-01789-ABCDE-77",
            photo=shown, taken_at=NOON + timedelta(minutes=minutes), setup=SetUp(visit="ef" * 16),
        ).id
        for minutes, shown in ((6, picture()), (2, None))
    ]  # fmt: skip
    begun = begun_of(store.measurements(person="P-01789-ABCDE-77", all_rows=True))
    files = [one for row in rows for one in made_of(store, row, begun=begun).values()]
    assert len(files) == 3
    for name in ("StudyInstanceUID", "StudyID", "StudyDate", "StudyTime", "PatientID"):
        assert len({getattr(one, name) for one in files}) == 1
    assert files[0].StudyTime == (NOON + timedelta(minutes=2)).strftime("%H%M%S.%f")


@pytest.mark.parametrize(
    ("given", "told"),
    [
        pytest.param(NOON - timedelta(hours=2), ["20260302100000.000000"], id="told by the photo"),
        pytest.param(None, [], id="not known: the moment of keeping is none of taking"),
    ],
)
def test_when_a_picture_was_taken_is_said_where_it_is_known(store, given, told, tmp_path):
    row = store.save_measurement(
        made_measurement(), settings=SETTINGS, photo_sha256=SHA, photo=picture(),
        person="P-01789-ABCDE-77", taken_at=given,
    )  # fmt: skip
    image = made_of(store, row.id)["XC"]
    assert [image[name].value for name in image.dir("AcquisitionDateTime")] == told
    assert said_of(image, tmp_path) == []


def test_a_report_in_a_site_s_codes_is_another_instance_and_its_software_the_row_s(store):
    row = kept(store, picture())
    stored, shown = store.measurement(row), store.photo(row)
    older = replace(stored, row=replace(stored.row, software="0.0.9"))
    assert photographic_image(older.row, shown).SoftwareVersions == "0.0.9"
    codes = Codes({"arc": Coding("urn:oid:2.25.1", "A", "Arc", "99WARD")})
    standard = Codes({"side-left": Coding("http://snomed.info/sct", "7771000", "Left")})
    plain, sited, same = (
        structured_report(stored, codes=one).SOPInstanceUID for one in (LOCAL, codes, standard)
    )
    assert plain == same != sited


def test_a_corrected_angle_s_report_names_the_report_that_it_replaces(ward, tmp_path):
    """Which may lie in the archive already; the command finds it."""
    (first, _) = ward.measurements(person="P-017")
    new = ward.save_measurement(
        made_measurement(), settings=SETTINGS, photo_sha256=SHA, person="P-017", corrects=first.id
    )
    before = ward.measurement(first.id)
    called(str(tmp_path / "x"), "--person", "P-017", "--store", str(ward.engine.url))
    report = pydicom.dcmread(tmp_path / "x" / f"{new.id}-SR.dcm")
    assert said_of(report, tmp_path) == []
    (study,) = report.PredecessorDocumentsSequence
    (series,) = study.ReferencedSeriesSequence
    (named,) = series.ReferencedSOPSequence
    old = structured_report(before, codes=LOCAL)
    assert named.ReferencedSOPInstanceUID == old.SOPInstanceUID
    assert named.ReferencedSOPClassUID == old.SOPClassUID
    assert series.SeriesInstanceUID == old.SeriesInstanceUID
    assert study.StudyInstanceUID == old.StudyInstanceUID


def test_only_codes_tell_whose_it_is(store):
    """The photo's file name, its hash and the machine are not in it."""
    for file in made_of(store, kept(store, picture())).values():
        assert file.PatientID == "P-01789-ABCDE-77"
        assert file.IssuerOfPatientID == "knee_angle"  # none of the hospital's own numbers
        assert str(file.PatientName) == "P-01789-ABCDE-77^"
        raw = as_bytes(file)
        assert b"Lovelace" not in raw
        assert SHA.encode() not in raw


# Codes --------------------------------------------------------------------------------

LONG = "K" * 300


def test_a_site_s_very_long_code_and_words_are_valid(store, tmp_path):
    codes = Codes(
        {
            "passive-knee-flexion": Coding("urn:oid:2.25.1", LONG, "ä" * 300, "99WARD"),
            "displayed-angle": Coding("http://loinc.org", "1-8", "Display"),
        }
    )
    report = made_of(store, kept(store, None), codes)["SR"]
    assert said_of(report, tmp_path) == []
    found = numbers(report)
    assert found[LONG].name.scheme_designator == "99WARD"
    assert found[LONG].name.meaning == "ä" * 32
    assert found["1-8"].name.scheme_designator == "LN"


def test_a_site_s_code_without_its_scheme_is_asked_for(store):
    codes = Codes({"passive-knee-flexion": Coding("urn:oid:2.25.1", "K", "Knee")})
    with pytest.raises(InvalidInput, match="passive-knee-flexion: DICOM needs a designator"):
        made_of(store, kept(store, None), codes)


def test_the_local_scheme_says_what_it_is(store):
    report = made_of(store, kept(store, None))["SR"]
    (scheme,) = report.CodingSchemeIdentificationSequence
    assert scheme.CodingSchemeDesignator == PRIVATE
    assert LOCAL_SYSTEM.startswith("urn:uuid:")


# The command --------------------------------------------------------------------------


def called(*arguments: str, fails: bool = False):
    done = CliRunner().invoke(app, ["export", "dicom", *arguments])
    assert fails == (done.exit_code != 0), done.output + repr(done.exception)
    return done


@pytest.fixture
def ward(tmp_path) -> Iterator[Store]:
    with open_store(f"sqlite:///{tmp_path}/ward.db", who="ward 3") as made:
        made.add_person("P-017")
        given = {"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017"}
        made.save_measurement(made_measurement(), photo=picture(), **given)
        made.save_measurement(made_measurement(), **given)
        gone = made.save_measurement(made_measurement(), photo=picture(), **given)
        made.withdraw_measurement(gone.id, "wrong_person")
        yield made


def test_the_command_writes_a_folder_for_its_owner_alone(ward, tmp_path):
    out = tmp_path / "Ada"
    done = called(str(out), "--person", "p-017", "--store", str(ward.engine.url))
    assert done.output == f"{out}: P-017, 2 reports, 1 pictures\n"
    names = sorted(path.name[32:] for path in out.iterdir())
    assert names == ["-SR.dcm", "-SR.dcm", "-XC.dcm"]
    assert out.stat().st_mode & 0o777 == 0o700
    assert {path.stat().st_mode & 0o777 for path in out.iterdir()} == {0o600}
    assert ward.audit()[0].about == "DICOM: P-017, 2 reports, 1 pictures"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == []


@pytest.mark.parametrize(
    ("name", "person", "words"),
    [
        pytest.param("new", "P-999", "no patient P-999", id="unknown person"),
        pytest.param("there", "P-017", "name a new folder", id="a folder that is there"),
        pytest.param("no/where", "P-017", "name a new folder", id="no such folder above"),
    ],
)
def test_a_call_that_cannot_be_meant_is_refused(ward, name, person, words, tmp_path):
    (tmp_path / "there").mkdir()
    arguments = (str(tmp_path / name), "--person", person, "--store", str(ward.engine.url))
    assert words in str(called(*arguments, fails=True).exception)
    assert list((tmp_path / "there").iterdir()) == []


def test_a_folder_that_is_there_is_told_before_any_report_is_made(ward, tmp_path, monkeypatch):
    """A person's course of 200 days takes a minute."""

    def made(*_: object) -> Iterator[tuple[str, bytes]]:
        pytest.fail("a report was made")
        yield "", b""

    monkeypatch.setattr("knee_angle.cli.export._dicom", made)
    arguments = (str(tmp_path), "--person", "P-017", "--store", str(ward.engine.url))
    assert "name a new folder" in str(called(*arguments, fails=True).exception)


def test_without_the_extra_its_name_is_said(ward, tmp_path, monkeypatch):
    for name in [one for one in sys.modules if one.startswith("knee_angle.store.exchange.dicom")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "highdicom", None)
    arguments = (str(tmp_path / "x"), "--person", "P-017", "--store", str(ward.engine.url))
    assert "pip install 'knee-angle[dicom]'" in str(called(*arguments, fails=True).exception)
