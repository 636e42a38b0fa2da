"""The child process that holds MediaPipe: pictures in, poses out. Never import it.

Started by :mod:`knee_angle.landmarks.pose.process` as a plain script, so that it
needs nothing of this package. MediaPipe lives in a process of its own because

* its library reports its use to its maker over the network when it is closed, and has no
  switch for it: the process is ended without closing, and the environment that keeps it
  silent (see ``process.OFFLINE``) must not reach anything else;
* it writes notes to standard output and error from C code;
* a picture it dislikes can make its destructor wait for ever: this process is
  simply ended, without destructors.

Protocol, little-endian: a request is height and width (two uint32) and the RGB
bytes. A reply is a status byte, a length (uint32) and as many bytes: float32
``(n, 33, 5)`` when the status is ``OK``, else UTF-8 text. The first reply, with no
request, says that the model is loaded.
"""

from __future__ import annotations

import os
import struct
import sys
from typing import Any, BinaryIO

import numpy as np

OK, FAILED = 0, 1
REQUEST = struct.Struct("<II")
REPLY = struct.Struct("<BI")


def _open(bundle: str, num_poses: int, confidence: float) -> tuple[Any, Any]:
    """MediaPipe and a loaded landmarker; imported here because it takes most of a second."""
    # MediaPipe would open the sound system for tasks not used here; it copes without.
    sys.modules["sounddevice"] = None  # type: ignore[assignment]  # how Python bars an import
    import mediapipe
    from mediapipe.tasks.python import BaseOptions, vision

    options = vision.PoseLandmarkerOptions(
        base_options=BaseOptions(model_asset_path=bundle),
        running_mode=vision.RunningMode.IMAGE,
        num_poses=num_poses,
        min_pose_detection_confidence=confidence,
        min_pose_presence_confidence=confidence,
    )
    return mediapipe, vision.PoseLandmarker.create_from_options(options)


def _poses(mediapipe: Any, landmarker: Any, pixels: bytes, height: int, width: int) -> bytes:
    rgb = np.frombuffer(pixels, dtype=np.uint8).reshape(height, width, 3)
    image = mediapipe.Image(image_format=mediapipe.ImageFormat.SRGB, data=np.ascontiguousarray(rgb))
    found = landmarker.detect(image).pose_landmarks
    rows = [[(p.x, p.y, p.z, p.visibility, p.presence) for p in pose] for pose in found]
    return np.asarray(rows, dtype="<f4").tobytes()


def _serve(requests: BinaryIO, replies: BinaryIO, arguments: list[str]) -> None:
    """Answer until the parent closes its end (or is gone)."""

    def reply(status: int, body: bytes) -> None:
        replies.write(REPLY.pack(status, len(body)) + body)
        replies.flush()

    try:
        bundle, num_poses, confidence = arguments
        mediapipe, landmarker = _open(bundle, int(num_poses), float(confidence))
    except Exception as error:  # noqa: BLE001  the parent tells the person
        reply(FAILED, f"{type(error).__name__}: {error}".encode())
        return
    reply(OK, b"")
    while len(head := requests.read(REQUEST.size)) == REQUEST.size:
        height, width = REQUEST.unpack(head)
        pixels = requests.read(height * width * 3)
        try:
            body = _poses(mediapipe, landmarker, pixels, height, width)
        except Exception as error:  # noqa: BLE001  the parent tells the person
            reply(FAILED, f"{type(error).__name__}: {error}".encode())
        else:
            reply(OK, body)


def main() -> None:
    """Serve on the inherited pipes, then end without running any destructor."""
    replies = os.fdopen(os.dup(1), "wb")
    # Whatever C code prints must not mix with the replies.
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    try:
        _serve(sys.stdin.buffer, replies, sys.argv[1:])
    finally:
        os._exit(0)


if __name__ == "__main__":
    main()
