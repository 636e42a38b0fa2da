"""A kept angle as Comprehensive SR after template TID 1500 (DICOM PS3.16)."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from highdicom import sr
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes as dictionary
from pydicom.uid import ComprehensiveSRStorage, VLPhotographicImageStorage

from knee_angle.records import LEG_POINTS, CropJpeg
from knee_angle.store import KeptMeasurement, StoredMeasurement
from knee_angle.store.exchange.codes import Codes
from knee_angle.store.exchange.dicom.concepts import coded, schemes
from knee_angle.store.exchange.dicom.identity import (
    ISSUER,
    MANUFACTURER,
    as_name,
    date_of,
    study_of,
    time_of,
    uid_of,
)

__all__ = ["structured_report"]

DECIMALS = 3
"""As in the JSON result."""
COVERAGE = 95
"""Of a result's interval, per cent."""
ABOUT_DISPLAY = (
    ("displayed-angle", "displayed_deg"),
    ("display-minus-knee", "discrepancy_deg"),
    ("display-minus-knee-u", "discrepancy_u_deg"),
    ("tolerance", "tolerance_deg"),
)


def structured_report(
    stored: StoredMeasurement,
    *,
    codes: Codes,
    image: Dataset | None = None,
    picture: CropJpeg | None = None,
    begun: datetime | None = None,
    replaces: KeptMeasurement | None = None,
) -> Dataset:
    """The angle, ±, hip, knee and ankle as a polyline, side, observer, software, tracked knee.

    Parameters
    ----------
    stored : StoredMeasurement
        The kept row in full.
    codes : Codes
        A site's codes.
    image, picture : Dataset and CropJpeg, optional
        The kept picture from `photographic_image` and as the store has it; without one the
        report holds no points, for there is nothing that they could lie in.
    begun : datetime, optional
        When its visit began (`begun_of`).
    replaces : KeptMeasurement, optional
        The row that this one corrects: its report may lie in an archive already.

    Raises
    ------
    InvalidInput
        A site's codes lack what DICOM needs.
    """
    row = stored.row
    content = sr.MeasurementReport(
        observation_context=_observed_by(stored),
        procedure_reported=dictionary.SCT.PhotographyOfPatient,
        imaging_measurements=[_group(stored, codes, image, picture)],
        title=dictionary.DCM.ImagingMeasurementReport,
    )
    made = sr.ComprehensiveSR(
        evidence=[_no_picture(row, begun) if image is None else image],
        content=content[0],
        series_instance_uid=uid_of("reports", row.id),
        series_number=2,
        sop_instance_uid=_uid(row, codes),
        instance_number=1,
        manufacturer=MANUFACTURER,
        manufacturer_model_name="knee_angle",
        software_versions=row.software,
        is_complete=True,
        is_final=True,
    )
    if image is None:
        del made.CurrentRequestedProcedureEvidenceSequence
    if replaces is not None:
        made.PredecessorDocumentsSequence = [_named(replaces, codes)]
    return _headed(made, row)


def _uid(row: KeptMeasurement, codes: Codes) -> str:
    """A report's: the same for the same row in the same codes."""
    return uid_of("report", row.id, *codes.mark)


def _named(row: KeptMeasurement, codes: Codes) -> Dataset:
    """Where in an archive the report of a row lies."""
    report, series, study = Dataset(), Dataset(), Dataset()
    report.ReferencedSOPClassUID = ComprehensiveSRStorage
    report.ReferencedSOPInstanceUID = _uid(row, codes)
    series.SeriesInstanceUID = uid_of("reports", row.id)
    series.ReferencedSOPSequence = [report]
    study.StudyInstanceUID = study_of(row).StudyInstanceUID
    study.ReferencedSeriesSequence = [series]
    return study


def _no_picture(row: KeptMeasurement, begun: datetime | None) -> Dataset:
    """What the library reads patient and study from; nothing refers to it."""
    made = study_of(row, begun=begun)
    made.SOPClassUID, made.SOPInstanceUID = VLPhotographicImageStorage, uid_of("none", row.id)
    made.SeriesInstanceUID = uid_of("images", row.id)
    return made


def _headed(made: Dataset, row: KeptMeasurement) -> Dataset:
    """The header as it is whenever the row is exported."""
    made.SpecificCharacterSet = "ISO_IR 192"
    made.TimezoneOffsetFromUTC = "+0000"
    made.StudyDescription = study_of(row).StudyDescription
    made.IssuerOfPatientID = ISSUER
    made.ContentDate, made.ContentTime = date_of(row.saved_at), time_of(row.saved_at)
    made.InstanceCreationDate, made.InstanceCreationTime = made.ContentDate, made.ContentTime
    for one in made.ContributingEquipmentSequence:
        one.pop("ContributionDateTime", None)  # the moment of this export
    made.CodingSchemeIdentificationSequence = schemes(row.software)
    return made


def _observed_by(stored: StoredMeasurement) -> sr.ObservationContext:
    """The software, and who placed the points by hand (a code); else the account that kept it."""
    row = stored.row
    who = stored.measurement.rater or row.who
    device = sr.ObserverContext(
        observer_type=dictionary.DCM.Device,
        observer_identifying_attributes=sr.DeviceObserverIdentifyingAttributes(
            uid=uid_of("software", row.software),
            name="knee_angle",
            manufacturer_name=MANUFACTURER,
            model_name=f"knee_angle {row.software}",
        ),
    )
    if not who:
        return sr.ObservationContext(observer_device_context=device)
    name = as_name(who)
    person = sr.ObserverContext(
        observer_type=dictionary.DCM.Person,
        observer_identifying_attributes=sr.PersonObserverIdentifyingAttributes(name=name),
    )
    return sr.ObservationContext(observer_person_context=person, observer_device_context=device)


def _group(
    stored: StoredMeasurement, codes: Codes, image: Dataset | None, picture: CropJpeg | None
) -> sr.MeasurementsAndQualitativeEvaluations:
    """All that was measured of the knee (TID 1501)."""
    row = stored.row
    return sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(
            uid=uid_of("knee", row.person or row.id, row.side),
            identifier=f"{row.side} knee of {row.person or row.id}",
        ),
        finding_type=dictionary.SCT.Flexion,
        method=coded(codes, f"photogrammetry-{row.plane}"),
        algorithm_id=sr.AlgorithmIdentification("knee_angle", row.software),
        finding_sites=[
            sr.FindingSite(dictionary.SCT.Knee, laterality=coded(codes, f"side-{row.side}"))
        ],
        measurements=[_angle(stored, codes, image, picture), *_numbers(row, codes)],
        qualitative_evaluations=_evaluations(row, codes),
    )


def _angle(
    stored: StoredMeasurement, codes: Codes, image: Dataset | None, picture: CropJpeg | None
) -> sr.Measurement:
    """The knee's flexion: 95 % interval as its ±, and the line that it was read from."""
    row = stored.row
    return sr.Measurement(
        name=coded(codes, "passive-knee-flexion"),
        value=round(row.flexion_deg, DECIMALS),
        unit=dictionary.UCUM.Degree,
        properties=_interval(row),
        referenced_coordinates=_line(stored, image, picture),
    )


def _interval(row: KeptMeasurement) -> sr.MeasurementProperties:
    """The 95 % interval as its ±, in degrees: the library writes numbers without a unit."""
    made = sr.MeasurementProperties(
        upper_measurement_uncertainty=round(row.high_deg - row.flexion_deg, DECIMALS),
        lower_measurement_uncertainty=round(row.flexion_deg - row.low_deg, DECIMALS),
    )
    for item in made:
        (value,) = item.MeasuredValueSequence
        value.MeasurementUnitsCodeSequence = [sr.CodedConcept.from_code(dictionary.UCUM.Degree)]
    return made


def _line(
    stored: StoredMeasurement, image: Dataset | None, picture: CropJpeg | None
) -> Sequence[sr.CoordinatesForMeasurement] | None:
    """Hip, knee and ankle in the kept picture; DICOM counts from its outer corner, as we do."""
    if image is None or picture is None:
        return None
    points = stored.measurement.leg.points
    full = np.array([(points[name].x_px, points[name].y_px) for name in LEG_POINTS])
    within = (full - (picture.left_px, picture.top_px)) / picture.px_per_px
    return [
        sr.CoordinatesForMeasurement(
            graphic_type=sr.GraphicTypeValues.POLYLINE,
            graphic_data=within,
            source_image=sr.SourceImageForRegion(image.SOPClassUID, image.SOPInstanceUID),
        )
    ]


def _numbers(row: KeptMeasurement, codes: Codes) -> list[sr.Measurement]:
    """Standard uncertainty, what the ± covers, and the display where there was one."""
    named = [("standard-uncertainty", row.u_deg)]
    named += [
        (name, value) for name, field in ABOUT_DISPLAY if (value := getattr(row, field)) is not None
    ]
    return [
        sr.Measurement(coded(codes, "coverage"), COVERAGE, dictionary.UCUM.Percent),
        *(
            sr.Measurement(coded(codes, name), round(value, DECIMALS), dictionary.UCUM.Degree)
            for name, value in named
        ),
    ]


def _evaluations(row: KeptMeasurement, codes: Codes) -> list[sr.QualitativeEvaluation]:
    """Passive, and what was judged."""
    given = [(name, value, prefix) for name, value, prefix in _judged(row) if value is not None]
    return [
        sr.QualitativeEvaluation(coded(codes, "movement"), dictionary.SCT.PassiveMovement),
        *(
            sr.QualitativeEvaluation(coded(codes, name), coded(codes, prefix + value))
            for name, value, prefix in given
        ),
    ]


def _judged(row: KeptMeasurement) -> list[tuple[str, str | None, str]]:
    return [
        ("verdict", row.verdict, "verdict-"),
        ("finding", row.finding, "finding-"),
        ("end-of-range", row.setup.end, "end-"),
    ]
