"""MediaPipe's pose landmarker as a value that can be opened, asked and closed.

The model itself runs in a child process (:mod:`knee_angle.landmarks.pose.worker`
says why); importing this module starts nothing and imports no MediaPipe.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import weakref
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from knee_angle.errors import InvalidInput, MissingModel
from knee_angle.landmarks.pose.worker import OK, REPLY, REQUEST
from knee_angle.language import say

__all__ = ["OFFLINE", "POINTS_PER_POSE", "Landmarker", "PoseProcess", "PoseProcessFailed"]

Rgb = NDArray[np.uint8]
Poses = NDArray[np.float32]

POINTS_PER_POSE = 33
VALUES_PER_POINT = 5

NUM_POSES = 2
CONFIDENCE = 0.3
"""Below MediaPipe's 0.5: lying legs score low. Measured on 32 rendered bedside photos
(longer side 720 px): at 0.5 the leg was among the poses in 9, at 0.3 in 15."""

LONGEST_WAIT_S = 60.0
"""For loading, or for one picture (about 20 ms): only a stuck process takes longer."""

OFFLINE = {
    "https_proxy": "http://127.0.0.1:9",
    "HTTPS_PROXY": "http://127.0.0.1:9",
    "http_proxy": "http://127.0.0.1:9",
    "HTTP_PROXY": "http://127.0.0.1:9",
    "all_proxy": "http://127.0.0.1:9",
    "ALL_PROXY": "http://127.0.0.1:9",
    "no_proxy": "",
    "NO_PROXY": "",
}
"""Environment of the child. MediaPipe 1.2 reports to its maker's log server when a
landmarker is closed, and offers no switch. The child is therefore ended without closing
it, and should a report start all the same, MediaPipe's HTTP client obeys the proxy
variables and is sent to this machine's discard port, where nothing listens. Checked on
Linux by watching system calls: with both, no name is looked up and nothing connects."""

QUIET = {"GLOG_minloglevel": "3", "TF_CPP_MIN_LOG_LEVEL": "3"}


class Landmarker(Protocol):
    """What the detector needs of a pose model; tests bring their own."""

    def detect(self, rgb: Rgb) -> Poses:
        """Poses in one picture.

        Parameters
        ----------
        rgb : ndarray of uint8, shape (h, w, 3)
            C-contiguous, not empty.

        Returns
        -------
        ndarray, shape (n, 33, 5)
            x and y as fractions of width and height (outer corners), z as a fraction of
            the width (smaller is nearer), visibility and presence in 0..1.
        """
        ...

    def close(self) -> None:
        """Give the model back; a second call does nothing."""
        ...


class PoseProcessFailed(RuntimeError):
    """The child process broke off or refused a picture."""


class PoseProcess:
    """One child process with one loaded pose landmarker.

    Parameters
    ----------
    bundle : Path
        Pose landmarker bundle.

    Raises
    ------
    MissingModel
        The bundle cannot be loaded, or MediaPipe cannot start on this machine.
    """

    def __init__(self, bundle: Path) -> None:
        worker = Path(__file__).with_name("worker.py")
        # -P: the worker's folder must not become a place to import from.
        command = [sys.executable, "-P", str(worker), str(bundle), str(NUM_POSES), str(CONFIDENCE)]
        self._process = subprocess.Popen(  # noqa: S603  our own script, no shell
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **QUIET, **_own_folder(), **OFFLINE},
        )
        # Ends the child when this object or the interpreter goes without close().
        self._finalizer = weakref.finalize(self, _end, self._process, os.getpid())
        try:
            self._reply()
        except PoseProcessFailed as error:
            self.close()
            raise MissingModel(
                say(
                    "the pose model {bundle_name} could not be started ({error}): name another "
                    "one, or install the system libraries libegl1 and libgles2",
                    bundle_name=bundle.name,
                    error=error,
                )
            ) from error

    def detect(self, rgb: Rgb) -> Poses:
        """Poses in one picture; see :class:`Landmarker`.

        Raises
        ------
        InvalidInput
            Not a picture that the model can take: it never reaches the model, which
            would be unusable after it.
        PoseProcessFailed
            The process is gone, stuck or refused the picture.
        """
        if rgb.dtype != np.uint8 or rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.size == 0:
            raise InvalidInput(
                f"a picture must be (height, width, 3) of uint8 and not empty, but got "
                f"{rgb.shape} of {rgb.dtype}: convert it to RGB first"
            )
        pipe = self._process.stdin
        if pipe is None or pipe.closed:
            raise PoseProcessFailed(say("the pose model was closed"))
        try:
            pipe.write(REQUEST.pack(rgb.shape[0], rgb.shape[1]) + rgb.tobytes())
            pipe.flush()
        except OSError as error:
            raise PoseProcessFailed(say("the pose model's process is gone")) from error
        values = np.frombuffer(self._reply(), dtype="<f4")
        return values.reshape(-1, POINTS_PER_POSE, VALUES_PER_POINT)

    def close(self) -> None:
        """End the process; a second call does nothing."""
        self._finalizer()

    def _reply(self) -> bytes:
        """One reply; a process that does not answer in time is ended."""
        pipe = self._process.stdout
        assert pipe is not None  # noqa: S101  asked for above; tells the type checker
        watchdog = threading.Timer(LONGEST_WAIT_S, self._process.kill)
        watchdog.daemon = True
        watchdog.start()
        try:
            head = pipe.read(REPLY.size)
            if len(head) < REPLY.size:
                raise PoseProcessFailed(say("its process ended"))
            status, length = REPLY.unpack(head)
            body: bytes = pipe.read(length)
        finally:
            watchdog.cancel()
        if len(body) < length:
            raise PoseProcessFailed(say("its process ended"))
        if status != OK:
            raise PoseProcessFailed(" ".join(body.decode(errors="replace").split())[:200])
        return body


def _own_folder() -> dict[str, str]:
    """MediaPipe imports Matplotlib, which keeps a list of fonts: below our folder, not its own."""
    from knee_angle.landmarks.pose.bundles import default_bundle  # which imports this module

    try:
        return {"MPLCONFIGDIR": str(default_bundle().with_name("matplotlib"))}
    except MissingModel:  # no home: Matplotlib makes do with a temporary folder
        return {}


def _end(process: subprocess.Popen[bytes], owner_pid: int) -> None:
    """Kill, not ask: MediaPipe's own shutdown can wait for ever."""
    if os.getpid() != owner_pid:
        return  # a forked copy: the process belongs to the parent
    process.kill()
    process.wait()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            try:
                pipe.close()
            except OSError:
                continue  # the rest of a half-written request
