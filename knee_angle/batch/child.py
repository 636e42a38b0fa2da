"""The process that measures: jobs in, answers out, one JSON object a line. Never import it.

A process of its own, because a decoder or a model can crash or hang, and only a process
can be ended then. It uses one thread: a run starts one such process a core. It ends
itself at once when its owner is gone.

The first line that it writes is ``{"ready": identity}`` or ``{"stop": text}``. A request
is ``{"job": ..., "settings": ..., "limit_megapixels": ...}``; the reply is
``{"row": ..., "sha256": ..., "trouble": ...}``, or ``{"stop": text}`` where no further
photo can succeed either.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import queue
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from PIL import Image

from knee_angle import __version__
from knee_angle.batch.sources import StorageTrouble, read_bytes
from knee_angle.batch.work import Answer, Job, Json, Trouble, identity_of
from knee_angle.errors import InvalidInput, KneeAngleError, UnreadablePhoto
from knee_angle.files import write_whole
from knee_angle.landmarks.base import Detector
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.language import say
from knee_angle.machine.cause import with_display_alarms
from knee_angle.photo.display.networks import networks
from knee_angle.photo.memory import OUT_OF_MEMORY
from knee_angle.photo.reading import Photo, read_photo
from knee_angle.pipeline import internal_fault, measure
from knee_angle.records import Measurement, NotMeasured, Outcome, Unreadable
from knee_angle.report.contract import as_json
from knee_angle.settings import Settings

__all__ = ["main"]

Reply = Callable[[Json], None]


def main() -> None:
    """Answer until the owner closes its end."""
    replies = os.fdopen(os.dup(1), "w", encoding="utf-8")
    # Whatever C code prints must not mix with the replies.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    requests: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(requests,), daemon=True).start()

    def reply(message: Json) -> None:
        replies.write(json.dumps(message, allow_nan=False) + "\n")
        replies.flush()

    try:
        _serve(requests, reply, Path(sys.argv[1]) if sys.argv[1:] else None)
    except KneeAngleError as error:
        reply({"stop": str(error)})
    except Exception as error:  # noqa: BLE001  the owner tells the person
        reply({"stop": f"a worker could not start ({type(error).__name__}: {error})"})


def _listen(requests: queue.SimpleQueue[str]) -> None:
    """Pass requests on; when there are no more, end this process and all that it started."""
    for line in sys.stdin:
        requests.put(line)
    if os.getpgid(0) == os.getpid():
        os.killpg(os.getpid(), signal.SIGKILL)
    os._exit(0)


def _serve(requests: queue.SimpleQueue[str], reply: Reply, pose_model: Path | None) -> None:
    import cv2

    cv2.setNumThreads(1)
    with opened_detectors(pose_model, threads=1) as detectors:
        _load(detectors)
        reply({"ready": identity_of(pose_model)})
        while True:
            request = json.loads(requests.get())
            given: dict[str, Any] = {
                name: tuple(value) if isinstance(value, list) else value
                for name, value in request["settings"].items()
            }
            settings = Settings(**given)
            answer = _answer(
                Job(**request["job"]), detectors, settings, request["limit_megapixels"]
            )
            reply({"row": answer.row, "sha256": answer.sha256, "trouble": answer.trouble})


def _load(detectors: Sequence[Detector]) -> None:
    """Have the models in memory before the first photo's time begins.

    The pose model, rarely asked, is left for when it is.
    """
    picture = io.BytesIO()
    Image.new("RGB", (64, 64)).save(picture, "PNG")
    photo = read_photo(picture.getvalue())
    networks()
    for detector in detectors:
        if detector.source != "pose":
            detector.find(photo)


def _answer(
    job: Job, detectors: Sequence[Detector], settings: Settings, limit_megapixels: float
) -> Answer:
    """One photo; whatever goes wrong with it becomes its row."""
    outcome: Outcome
    sha256: str | None = None
    trouble: Trouble | None = None
    try:
        data = read_bytes(job, limit_megapixels)
        sha256 = hashlib.sha256(data).hexdigest()
        outcome = measure(
            data,
            name=job.photo,
            displayed_deg=job.displayed_deg,
            manual=job.points,
            settings=settings,
            detectors=detectors,
            limit_megapixels=limit_megapixels,
            on_measured=None if job.overlay is None else partial(_draw, Path(job.overlay)),
        )
        if isinstance(outcome, NotMeasured) and outcome.fault:
            trouble = "error"
    except UnreadablePhoto as error:
        outcome = Unreadable(error.reason)
    except StorageTrouble as error:
        outcome, trouble = Unreadable(str(error)), "storage"
    except _NotDrawn:
        raise
    except InvalidInput as error:
        if job.points is None:
            raise
        outcome = NotMeasured(f"the points by hand cannot be used: {error}", "correct them")
    except KneeAngleError:
        raise  # a missing model, a folder that cannot be written: the same for every photo
    except Exception as error:  # noqa: BLE001  a mistake of ours costs one photo, not the night
        outcome, trouble = internal_fault(error), "error"
    if isinstance(outcome, Unreadable) and outcome.reason == OUT_OF_MEMORY:
        trouble = "memory"
    outcome = with_display_alarms(outcome, job.displayed_deg, settings)
    return Answer(job.photo, as_json(job.photo, outcome, version=__version__), sha256, trouble)


class _NotDrawn(InvalidInput):
    """A picture that cannot be written: no photo is to blame."""


def _draw(target: Path, photo: Photo, outcome: Measurement) -> None:
    from knee_angle.report.overlay import as_jpeg, overlay

    try:
        write_whole(target, as_jpeg(overlay(photo, outcome)))
    except OSError as error:
        raise _NotDrawn(
            say(
                "the picture {target_name} cannot be written ({error}): name another "
                "folder with --overlay",
                target_name=target.name,
                error=error.strerror,
            )
        ) from None


if __name__ == "__main__":
    main()
