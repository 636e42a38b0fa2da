"""A kept picture as VL Photographic Image: pixels, a code, a time, and nothing else."""

from __future__ import annotations

from datetime import datetime
from io import BytesIO

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sr.codedict import codes as dictionary
from pydicom.uid import UID, JPEGBaseline8Bit, VLPhotographicImageStorage

from knee_angle.records import CropJpeg
from knee_angle.report.kept_picture import opened_picture
from knee_angle.store import KeptMeasurement
from knee_angle.store.exchange.dicom.identity import (
    MANUFACTURER,
    date_of,
    study_of,
    time_of,
    uid_of,
)

__all__ = ["photographic_image"]

BASELINE = b"\xff\xc0"
"""Marker of a baseline frame (ITU-T T.81): what DICOM's 8-bit JPEG is made of."""
SCAN = b"\xff\xda"
"""Marker that begins the pixels."""
GOOD = 95
"""Quality of a picture that has to be encoded anew: our own, above that of kept ones."""


def photographic_image(
    row: KeptMeasurement, picture: CropJpeg, *, begun: datetime | None = None
) -> Dataset:
    """The kept picture of a measurement.

    Parameters
    ----------
    row : KeptMeasurement
    picture : CropJpeg
        As the store has it; the JPEG goes in as it is, unless it is no baseline one.
    begun : datetime, optional
        When its visit began (`begun_of`).
    """
    jpeg, (width, height), colour = _baseline(picture.jpeg)
    made = study_of(row, begun=begun)
    made.file_meta = FileMetaDataset()
    made.file_meta.MediaStorageSOPClassUID = VLPhotographicImageStorage
    made.file_meta.MediaStorageSOPInstanceUID = UID(uid_of("image", row.id))
    made.file_meta.TransferSyntaxUID = JPEGBaseline8Bit
    made.SOPClassUID = VLPhotographicImageStorage
    made.SOPInstanceUID = uid_of("image", row.id)
    _series(made, row)
    made.ImageType = ["DERIVED", "PRIMARY"]
    made.InstanceNumber = 1
    made.ContentDate, made.ContentTime = date_of(row.taken_at), time_of(row.taken_at)
    if row.taken_at_given:  # else it is the moment of keeping
        made.AcquisitionDateTime = date_of(row.taken_at) + time_of(row.taken_at)
    made.DerivationDescription = "Cropped to leg and machine, made smaller, encoded anew"
    made.BurnedInAnnotation = "NO"
    made.LossyImageCompression = "01"
    made.LossyImageCompressionMethod = "ISO_10918_1"
    made.LossyImageCompressionRatio = round(width * height * (3 if colour else 1) / len(jpeg), 2)
    made.AcquisitionContextSequence = []
    made.SamplesPerPixel = 3 if colour else 1
    made.PhotometricInterpretation = "YBR_FULL_422" if colour else "MONOCHROME2"
    if colour:
        made.PlanarConfiguration = 0
    made.Rows, made.Columns = height, width
    made.BitsAllocated = made.BitsStored = 8
    made.HighBit, made.PixelRepresentation = 7, 0
    made.PixelData = encapsulate([jpeg])
    return made


def _series(made: Dataset, row: KeptMeasurement) -> None:
    """Series, equipment and what is seen."""
    made.Modality = "XC"
    made.SeriesInstanceUID = uid_of("images", row.id)
    made.SeriesNumber = 1
    made.SeriesDescription = "Bedside photo"
    made.ImageLaterality = "L" if row.side == "left" else "R"
    made.PatientOrientation = ""
    made.Manufacturer = MANUFACTURER
    made.ManufacturerModelName = "knee_angle"
    made.SoftwareVersions = [row.software]
    knee = dictionary.SCT.Knee
    site = Dataset()
    site.CodeValue, site.CodingSchemeDesignator = knee.value, knee.scheme_designator
    site.CodeMeaning = knee.meaning
    made.AnatomicRegionSequence = [site]


def _baseline(jpeg: bytes) -> tuple[bytes, tuple[int, int], bool]:
    """A baseline JPEG, its width and height, and whether it has colours."""
    with opened_picture(jpeg) as opened:
        size, mode = opened.size, opened.mode
        if mode in ("RGB", "L") and BASELINE in jpeg.partition(SCAN)[0]:
            return jpeg, size, mode == "RGB"
        out = BytesIO()
        opened.convert("RGB").save(out, "JPEG", quality=GOOD)
    return out.getvalue(), size, True
