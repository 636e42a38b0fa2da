"""Results as rows: the columns that lists and trends read, and the records in full.

A photo's file name is left out everywhere: it can hold a person's.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.machine.check import MachineCheck
from knee_angle.records import CropJpeg, Measurement, Outcome
from knee_angle.report import contract
from knee_angle.settings import Settings
from knee_angle.store.codec import to_json
from knee_angle.store.records import SetUp
from knee_angle.store.writing import Json

__all__ = [
    "check_columns",
    "check_sha256",
    "measurement_columns",
    "photo_columns",
    "renamed",
    "unnamed",
]


def check_sha256(digest: str) -> None:
    """Refuse what is no hash of a photo's bytes."""
    if len(digest) != 64 or not set(digest) <= set("0123456789abcdef"):
        raise InvalidInput(f"photo_sha256 must be 64 hexadecimal digits, but got {digest!r}")


def unnamed(outcome: Outcome, name: str) -> Outcome:
    """The outcome without the photo's file name, which can hold a person's."""
    return replace(outcome, photo=name) if isinstance(outcome, Measurement) else outcome


def renamed(result: MachineCheck, names: Mapping[str, str]) -> MachineCheck:
    """The check with other photo names, by the old ones."""
    return replace(
        result,
        photos=tuple(names[n] for n in result.photos),
        left_out=tuple((names[n], _renamed_text(why, names)) for n, why in result.left_out),
        outliers=tuple(names[n] for n in result.outliers),
        cautions=tuple(_renamed_text(caution, names) for caution in result.cautions),
        alarms=(),  # they name photos; each photo's own alarms are in its outcome
    )


def _renamed_text(text: str, names: Mapping[str, str]) -> str:
    """A sentence that may name photos, by their new names; no name within a longer one."""
    either = "|".join(re.escape(name) for name in sorted(names, key=len, reverse=True))
    return re.sub(rf"(?<![\w.-])({either})(?![\w-])", lambda found: names[found[0]], text)


def measurement_columns(
    measurement: Measurement, sha256: str, settings: Settings, setup: SetUp
) -> Json:
    """What lists and trends read of a measurement, and the records in full."""
    check_sha256(sha256)
    name = sha256[:12]
    unnamed = replace(measurement, photo=name)
    compared, finding = measurement.comparison, measurement.finding
    low, high = measurement.knee.interval_deg
    return {
        "side": measurement.side,
        "plane": measurement.plane,
        "flexion_deg": measurement.knee.deg,
        "u_deg": measurement.knee.u_deg,
        "low_deg": low,
        "high_deg": high,
        "displayed_deg": measurement.displayed and measurement.displayed.deg,
        "discrepancy_deg": compared and compared.discrepancy_deg,
        "discrepancy_u_deg": compared and compared.u_deg,
        "tolerance_deg": compared and compared.tolerance_deg,
        "verdict": compared and compared.verdict,
        "finding": finding and finding.kind,
        "software": __version__,
        "photo_sha256": sha256,
        "setup": to_json(setup),
        "settings": to_json(settings),
        "measurement": to_json(unnamed),
        "contract": contract.as_json(name, unnamed, version=__version__),
    }


def photo_columns(photo: CropJpeg, measurement: str) -> Json:
    """A picture beside its measurement's row."""
    return {"measurement": measurement, **{n: getattr(photo, n) for n in CropJpeg.__slots__}}


def check_columns(result: MachineCheck) -> Json:
    """What lists and charts read of a check: by the bars where they were seen, else by the knee."""
    line, verdict, against = result.knee_line, result.knee_verdict, "knee"
    if result.reading is not None and result.reading_verdict is not None:
        line, verdict, against = result.reading, result.reading_verdict, "frame"
    return {
        "against": against,
        "offset_deg": line.offset,
        "gain": line.gain,
        "cov": list(line.cov),
        "low_deg": verdict.low_deg,
        "high_deg": verdict.high_deg,
        "largest_deg": verdict.largest_deg,
        "largest_u_deg": verdict.u_deg,
        "tolerance_deg": verdict.tolerance_deg,
        "verdict": verdict.verdict,
        "finding": result.kind,
        "software": __version__,
    }
