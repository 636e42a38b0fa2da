"""Results as rows: the columns that lists and trends read, and the records in full.

A photo's file name is left out everywhere: it can hold a person's.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import replace

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.machine.answer import VisitAnswer
from knee_angle.machine.check import Checked, MachineCheck
from knee_angle.records import CropJpeg, Measurement, Outcome
from knee_angle.report import contract
from knee_angle.report.columns import kept_columns
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.settings import Settings
from knee_angle.store.codec import to_json
from knee_angle.store.records import SetUp
from knee_angle.store.writing import Json
from knee_angle.visit import SettingEstimate

__all__ = [
    "check_columns",
    "check_photo_columns",
    "check_sha256",
    "measurement_columns",
    "photo_columns",
    "renamed",
    "unnamed",
    "unnamed_visit",
    "visit_columns",
]


def check_sha256(digest: str) -> None:
    """Refuse what is no hash of a photo's bytes."""
    if len(digest) != 64 or not set(digest) <= set("0123456789abcdef"):
        raise InvalidInput(
            say("photo_sha256 must be 64 hexadecimal digits, but got {digest!r}", digest=digest)
        )


def unnamed(outcome: Outcome, name: str) -> Outcome:
    """The outcome without the photo's file name, which can hold a person's."""
    return replace(outcome, photo=name) if isinstance(outcome, Measurement) else outcome


def renamed(result: Checked, names: Mapping[str, str]) -> Checked:
    """The check with other photo names, by the old ones."""

    def told(sentences: Iterable[str]) -> tuple[str, ...]:
        return tuple(_renamed_text(one, names) for one in sentences)

    as_now = replace(
        result,
        photos=tuple(names[n] for n in result.photos),
        left_out=tuple((names[n], _renamed_text(why, names)) for n, why in result.left_out),
        outliers=tuple(names[n] for n in result.outliers),
        words=told(result.words),
        alarms=(),  # they name photos; each photo's own alarms are in its outcome
    )
    if isinstance(as_now, MachineCheck):
        return replace(as_now, cautions=told(as_now.cautions))
    return as_now


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
    return {
        **{kept.name: kept.value(measurement) for _, kept in kept_columns()},
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


def check_photo_columns(photo: CropJpeg, check: str, name: str) -> Json:
    """A picture beside its check's row, under the photo's name in it."""
    return {"checked": check, "name": name, **{n: getattr(photo, n) for n in CropJpeg.__slots__}}


def check_columns(result: Checked) -> Json:
    """What lists and charts read of a check: by the bars where they were seen, else by the knee."""
    line, verdict = result.line_judged
    return {
        "against": "knee" if result.reading is None else "frame",
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


def unnamed_visit(answer: VisitAnswer) -> VisitAnswer:
    """The answer with numbers for photos and settings: a file's name can be a person's."""
    estimate = answer.estimate
    given = [name for name, _ in answer.outcomes] or [photo.name for photo in estimate.photos]
    photos = {name: f"photo {number}" for number, name in enumerate(given, start=1)}
    settings = {one.name: str(n) for n, one in enumerate(estimate.settings, start=1)}

    def numbered(one: SettingEstimate) -> SettingEstimate:
        return replace(
            one, name=settings[one.name], photos=tuple(photos[name] for name in one.photos)
        )

    vector = (name.partition(" ") for name in estimate.names)
    estimate = replace(
        estimate,
        photos=tuple(
            replace(photo, name=photos[photo.name], setting=settings[photo.setting])
            for photo in estimate.photos
        ),
        settings=tuple(numbered(one) for one in estimate.settings),
        names=tuple(f"{q} {settings[name]}" if name else q for q, _, name in vector),
        wild=tuple((photos[name], point) for name, point in estimate.wild),
        left_out=tuple((photos[n], _renamed_text(why, photos)) for n, why in estimate.left_out),
        cautions=tuple(_renamed_text(caution, photos) for caution in estimate.cautions),
    )
    return replace(
        answer,
        settings=tuple(replace(one, estimate=numbered(one.estimate)) for one in answer.settings),
        estimate=estimate,
        outcomes=tuple((photos[name], outcome) for name, outcome in answer.outcomes),
        changes=tuple(
            replace(one, before=settings[one.before], after=settings[one.after])
            for one in answer.changes
        ),
    )


def visit_columns(answer: VisitAnswer, rows: Mapping[str, str]) -> Json:
    """What lists and courses read of a visit, and its result as it is handed on.

    Parameters
    ----------
    answer : VisitAnswer
    rows : Mapping of photo name to row
        Of every photo that the answer rests on.
    """
    told = unnamed_visit(answer)
    estimate = answer.estimate
    at = [estimate.names.index(f"knee {one.estimate.name}") for one in answer.settings]
    knees = [
        {
            "setting": as_told.estimate.name,
            "measurements": [rows[name] for name in one.estimate.photos],
            "displayed_deg": one.estimate.displayed_deg,
            "deg": one.estimate.knee.value,
            "u_deg": one.estimate.knee.u,
            "interval_deg": list(one.estimate.knee.interval),
            **({"adjusted": one.estimate.adjusted} if one.estimate.adjusted else {}),
        }
        for one, as_told in zip(answer.settings, told.settings, strict=True)
    ]
    return {
        "side": answer.side,
        "knees": knees,
        "covariance": [[estimate.covariance[i][k] for k in at] for i in at],
        "arc_deg": answer.arc and answer.arc.value,
        "arc_u_deg": answer.arc and answer.arc.u,
        "standing": answer.standing,
        "finding": answer.machine and answer.machine.kind,
        "software": __version__,
        "settings": to_json(answer.used),
        "contract": visit_as_json(told, version=__version__),
    }
