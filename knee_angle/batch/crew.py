"""Processes that measure, each with its time limit: one that crashes or hangs is replaced.

A photo costs itself only: the others go on, and its row says what happened.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import weakref
from collections.abc import Sequence
from dataclasses import asdict

from knee_angle import __version__
from knee_angle.batch.work import Answer, Conditions, Job, Json, Trouble
from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.records import NotMeasured
from knee_angle.report.contract import as_json

__all__ = ["Crew", "end_crew", "failed", "measure_here"]

START_SECONDS = 120.0
"""For loading the models (about 2 s); only a stuck process takes longer."""

PHOTOS_PER_PROCESS = 1000
"""After so many photos a process is replaced: whatever a library leaks ends with it."""

ONE_THREAD = {
    "OMP_NUM_THREADS": "1",
    "OPENBLAS_NUM_THREADS": "1",
    "MKL_NUM_THREADS": "1",
    "VECLIB_MAXIMUM_THREADS": "1",
}
"""One process a core: more threads would only wait for each other."""

# -P: the folder a run is started in must not become a place to import from.
CHILD = (sys.executable, "-P", "-m", "knee_angle.batch.child")

ADVICE = say("measure it alone; to try it again in the run, use --resume --retry-failed")


class ProcessGone(Exception):
    """The process ended or was ended before it answered."""

    def __init__(self, reason: str, trouble: Trouble) -> None:
        super().__init__(reason)
        self.trouble: Trouble = trouble


class _Process:
    """One process of :mod:`knee_angle.batch.child`, ready to measure."""

    def __init__(self, command: Sequence[str]) -> None:
        self._process = subprocess.Popen(  # noqa: S603  our own program, no shell
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env={**os.environ, **ONE_THREAD},
            text=True,
            encoding="utf-8",
            start_new_session=True,  # Ctrl+C reaches the run, which ends its processes itself
        )
        # Ends it when this object or the interpreter goes without end().
        self.end = weakref.finalize(self, _end, self._process, os.getpid())
        self.photos = 0
        try:
            self.identity: Json = self._reply(START_SECONDS)["ready"]
        except ProcessGone as gone:
            self.end()
            raise InvalidInput(
                say(
                    "a worker process could not start ({gone}): does 'knee-angle measure' work "
                    "here?",
                    gone=gone,
                )
            ) from None

    def ask(self, request: Json, *, seconds: float) -> Json:
        """The reply to one request.

        Raises
        ------
        ProcessGone
            It crashed, or took too long and was ended.
        InvalidInput
            What it says holds for every photo.
        """
        self.photos += 1
        pipe = self._process.stdin
        assert pipe is not None  # noqa: S101  asked for above; tells the type checker
        try:
            pipe.write(json.dumps(request, allow_nan=False) + "\n")
            pipe.flush()
        except OSError:
            raise ProcessGone(self._how_it_ended(), "crash") from None
        return self._reply(seconds)

    def lives(self) -> bool:
        """Whether it can be asked."""
        return self._process.poll() is None

    def _reply(self, seconds: float) -> Json:
        pipe = self._process.stdout
        assert pipe is not None  # noqa: S101  asked for above
        late = threading.Event()

        def stop() -> None:
            late.set()
            _kill(self._process)

        watchdog = threading.Timer(seconds, stop)
        watchdog.daemon = True
        watchdog.start()
        try:
            line = pipe.readline()
        finally:
            watchdog.cancel()
            watchdog.join()  # it may be ending the process just now
        if late.is_set():
            reason = say(
                "measuring it took longer than {seconds:g} s and was stopped", seconds=seconds
            )
            raise ProcessGone(reason, "time_limit")
        if not line.endswith("\n"):
            raise ProcessGone(self._how_it_ended(), "crash")
        reply: Json = json.loads(line)
        if "stop" in reply:
            raise InvalidInput(str(reply["stop"]))
        return reply

    def _how_it_ended(self) -> str:
        code = self._process.wait()
        how = signal.Signals(-code).name if code < 0 else f"exit status {code}"
        return say("measuring it ended the worker process ({how})", how=how)


def _kill(process: subprocess.Popen[str]) -> None:
    """End it with all that it started: it leads a group of its own."""
    try:
        os.killpg(process.pid, signal.SIGKILL)
    except ProcessLookupError:
        process.kill()


def _end(process: subprocess.Popen[str], owner_pid: int) -> None:
    if os.getpid() != owner_pid:
        return  # a forked copy: the process belongs to the parent
    _kill(process)
    process.wait()
    for pipe in (process.stdin, process.stdout):
        try:
            if pipe is not None:
                pipe.close()
        except OSError:
            continue  # the rest of a half-written request


class Crew:
    """Measuring processes: as many as photos are asked for at the same time.

    Parameters
    ----------
    command : sequence of str
        What starts one; tests bring their own.
    """

    def __init__(self, command: Sequence[str] = CHILD) -> None:
        self._command = tuple(command)
        self._lock = threading.Lock()
        self._idle: list[_Process] = []
        self._all: weakref.WeakSet[_Process] = weakref.WeakSet()
        self._ended = False

    def measure(self, job: Job, conditions: Conditions) -> Answer:
        """One photo; blocks until it is done, or its time is over.

        Raises
        ------
        InvalidInput
            No process can start, it has other versions or models than the run, or what
            it found wrong holds for every photo.
        """
        process = self._taken(conditions)
        request: Json = {
            "job": asdict(job),
            "settings": asdict(conditions.settings),
            "limit_megapixels": conditions.limit_megapixels,
        }
        try:
            reply = process.ask(request, seconds=conditions.photo_seconds)
        except ProcessGone as gone:
            process.end()
            return failed(job, str(gone), gone.trouble)
        except BaseException:
            process.end()
            raise
        self._given_back(process)
        return Answer(job.photo, reply["row"], reply["sha256"], reply["trouble"])

    def end(self) -> None:
        """End every process, busy or idle; nothing can be measured after it."""
        with self._lock:
            self._ended = True
            everyone = list(self._all)
            self._idle.clear()
        for process in everyone:
            process.end()

    def rest(self) -> None:
        """End the idle processes; the next photo starts one again."""
        with self._lock:
            idle, self._idle = self._idle, []
        for process in idle:
            process.end()

    def _taken(self, conditions: Conditions) -> _Process:
        with self._lock:
            if self._ended:
                raise InvalidInput(say("the run was stopped"))
            while self._idle:
                process = self._idle.pop()
                if process.lives():
                    return process
                process.end()  # it died after its last photo: not the next one's fault
        process = _Process(self._command)
        with self._lock:
            self._all.add(process)
            ended = self._ended
        other = _difference(process.identity, conditions.identity)
        if ended or other:
            process.end()
            raise InvalidInput(other or say("the run was stopped"))
        return process

    def _given_back(self, process: _Process) -> None:
        with self._lock:
            if not self._ended and process.photos < PHOTOS_PER_PROCESS:
                self._idle.append(process)
                return
        process.end()


def _difference(theirs: Json, ours: Json) -> str:
    """What a worker has otherwise than the run; empty where all is the same."""
    different = [name for name in ours if theirs.get(name) != ours[name]]
    if not different:
        return ""
    parts = (
        f"{name} {_short(theirs.get(name))} instead of {_short(ours[name])}" for name in different
    )
    return say(
        "a worker has {parts}: the same versions and models must stand on every "
        "machine, or the numbers would differ",
        parts=", ".join(parts),
    )


def _short(value: str | None) -> str:
    return "none" if value is None else value[:12]


def failed(job: Job, reason: str, trouble: Trouble) -> Answer:
    """The row of a photo whose measuring failed."""
    row = as_json(job.photo, NotMeasured(reason, ADVICE), version=__version__)
    return Answer(job.photo, row, None, trouble)


_CREWS: dict[str, Crew] = {}
"""This program's crew of each run; a cluster's worker may serve several."""

_CREWS_LOCK = threading.Lock()


def measure_here(job: Job, conditions: Conditions) -> Answer:
    """One photo by this program's crew for the run: what a thread here or on a cluster runs."""
    with _CREWS_LOCK:
        crew = _CREWS.get(conditions.run)
        if crew is None:
            for other in _CREWS.values():
                other.rest()  # perhaps of a run that was killed
            named = () if conditions.pose_model is None else (conditions.pose_model,)
            crew = _CREWS[conditions.run] = Crew((*CHILD, *named))
    return crew.measure(job, conditions)


def end_crew(run: str) -> None:
    """End this program's measuring processes of one run, if there are any."""
    with _CREWS_LOCK:
        crew = _CREWS.pop(run, None)
    if crew is not None:
        crew.end()
