"""Packages that only some work needs: without one, a line that names the extra to install."""

from __future__ import annotations

from importlib.util import find_spec

from knee_angle.errors import InvalidInput
from knee_angle.language import say

__all__ = ["EXTRA_OF", "missing", "needs"]

EXTRA_OF: dict[str, str] = {
    "altair": "page",
    "argon2": "ward",
    "av": "clip",
    "cryptography": "encrypted",
    "distributed": "cluster",
    "fhir": "fhir",
    "highdicom": "dicom",
    "psycopg": "postgres",
    "pyarrow": "tables",
    "pydicom": "dicom",
    "segno": "ward",
    "streamlit": "page",
    "typst": "papers",
}
"""Which extra brings a package, by the name that is imported."""


def missing(package: str) -> InvalidInput | None:
    """What to say where that package is missing; None for one that no extra brings."""
    extra = EXTRA_OF.get(package.partition(".")[0])
    if extra is None:
        return None
    return InvalidInput(
        say(
            "this needs the package {package}, which is not installed: pip install "
            "'knee-angle[{extra}]'",
            package=package.partition(".")[0],
            extra=extra,
        )
    )


def needs(package: str) -> None:
    """Refuse work that needs a package, before it begins.

    Raises
    ------
    InvalidInput
        It is not installed; the text names the extra.
    """
    if find_spec(package) is None and (error := missing(package)) is not None:
        raise error
