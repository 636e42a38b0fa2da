"""DICOM: a kept picture as VL Photographic Image, a kept angle as Structured Report (TID 1500).

Modules: `identity` (unique identifiers, patient and study), `concepts` (codes in DICOM's form),
`picture` (the image), `report` (the angle with its ±, points, side, observer and software).
"""

from io import BytesIO

from pydicom.dataset import Dataset

from knee_angle.store.exchange.dicom.identity import begun_of
from knee_angle.store.exchange.dicom.picture import photographic_image
from knee_angle.store.exchange.dicom.report import structured_report

__all__ = ["as_bytes", "begun_of", "photographic_image", "structured_report"]


def as_bytes(made: Dataset) -> bytes:
    """A whole DICOM file."""
    out = BytesIO()
    made.save_as(out, enforce_file_format=True)
    return out.getvalue()
