"""Where jobs are done: threads here, each with a measuring process, or a Dask cluster.

Both run the same function, `crew.measure_here`, so that a photo's time limit, its own
process and its row are the same in both. Locally there is no Dask: a thread and a pipe
a process do the same with less, and need nothing installed.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import CancelledError, Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from functools import partial
from typing import Any, Protocol

from knee_angle.batch.crew import end_crew, failed, measure_here
from knee_angle.batch.work import Answer, Conditions, Job
from knee_angle.errors import InvalidInput
from knee_angle.language import joined, say

__all__ = ["Workers", "answers", "cluster_workers", "local_workers"]

Measure = Callable[[Job, Conditions], Answer]
Finished = queue.SimpleQueue[tuple[Job, Future[Answer]]]

CONNECT_SECONDS = 15
SILENCE_SECONDS = 60.0
"""After so long without an answer a cluster is asked whether anybody is still there."""


class Workers(Protocol):
    """Something that measures several photos at the same time."""

    @property
    def at_once(self) -> int:
        """How many jobs to hand over before the first answer is awaited."""
        ...

    def submit(self, job: Job) -> Future[Answer]:
        """Hand one job over; its future holds the answer."""
        ...

    def lost(self, job: Job, error: BaseException) -> Answer:
        """The row of a job whose worker was lost; raises where the run cannot go on."""
        ...

    def check(self) -> None:
        """Raise where nobody is left to answer."""
        ...


def answers(workers: Workers, jobs: Iterable[Job]) -> Iterator[Answer]:
    """Every job's answer, in the order in which they are done.

    Only a few jobs are handed over at a time, so that a run of any length needs the same
    memory.
    """
    done: Finished = queue.SimpleQueue()
    waiting = 0
    for job in jobs:
        workers.submit(job).add_done_callback(partial(_put, done, job))
        waiting += 1
        if waiting >= workers.at_once:
            yield _next(workers, done)
            waiting -= 1
    for _ in range(waiting):
        yield _next(workers, done)


def _put(done: Finished, job: Job, future: Future[Answer]) -> None:
    done.put((job, future))


def _next(workers: Workers, done: Finished) -> Answer:
    while True:
        try:
            job, future = done.get(timeout=SILENCE_SECONDS)
        except queue.Empty:
            workers.check()
            continue
        try:
            return future.result()
        except InvalidInput:
            raise
        except (Exception, CancelledError) as error:  # noqa: BLE001  a cluster raises its own
            return workers.lost(job, error)


class _Local:
    def __init__(
        self, pool: ThreadPoolExecutor, *, count: int, measure: Measure, conditions: Conditions
    ) -> None:
        self._pool, self._measure, self._conditions = pool, measure, conditions
        self.at_once = 2 * count

    def submit(self, job: Job) -> Future[Answer]:
        return self._pool.submit(self._measure, job, self._conditions)

    def lost(self, job: Job, error: BaseException) -> Answer:  # noqa: ARG002
        raise error

    def check(self) -> None:
        """The threads are our own: a photo's time limit is what ends a silence."""


@contextmanager
def local_workers(
    count: int,
    conditions: Conditions,
    *,
    measure: Measure = measure_here,
    end: Callable[[str], None] = end_crew,
) -> Iterator[Workers]:
    """So many processes on this machine; all of them end with the block."""
    pool = ThreadPoolExecutor(count, thread_name_prefix="measuring")
    try:
        yield _Local(pool, count=count, measure=measure, conditions=conditions)
    finally:
        pool.shutdown(wait=False, cancel_futures=True)
        end(conditions.run)
        pool.shutdown(wait=True)
        end(conditions.run)  # a thread that had just taken a job may have started another process


class _Cluster:
    at_once = 500
    """Small jobs: enough for hundreds of workers."""

    def __init__(self, client: Any, conditions: Conditions) -> None:
        self._client, self._conditions = client, conditions
        self._executor = client.get_executor(pure=False)

    def submit(self, job: Job) -> Future[Answer]:
        future: Future[Answer] = self._executor.submit(measure_here, job, self._conditions)
        return future

    def lost(self, job: Job, error: BaseException) -> Answer:
        from distributed.scheduler import KilledWorker

        if isinstance(error, KilledWorker):
            return failed(job, say("its worker machine was lost several times"), "crash")
        reason = " ".join([type(error).__name__, *str(error).split()])[:200]
        raise InvalidInput(
            say(
                "the cluster is gone or stopped the run ({reason}): what is done is kept, "
                "go on with --resume",
                reason=reason,
            )
        )

    def check(self) -> None:
        if not self._client.nthreads():
            raise InvalidInput(
                say("no worker is left on the cluster: what is done is kept, go on with --resume")
            )

    def close(self) -> None:
        with suppress(Exception):  # the cluster may be gone; what is done is kept
            self._executor.shutdown(wait=False)
            self._client.run(end_crew, self._conditions.run, on_error="ignore")


@contextmanager
def cluster_workers(scheduler: str, conditions: Conditions) -> Iterator[Workers]:
    """The workers of a running Dask scheduler.

    Parameters
    ----------
    scheduler : str
        Its address (``tcp://host:port``, or ``tls://...`` with the certificates named in
        Dask's own configuration). Whoever reaches a scheduler can run any program on its
        workers: it belongs on a trusted network.
    conditions : Conditions
        What all photos of the run share.

    Raises
    ------
    InvalidInput
        No scheduler or worker answers, or its versions do not fit.
    """
    client = _connected(scheduler)
    try:
        _check_versions(client.get_versions())
        workers = _Cluster(client, conditions)
        try:
            yield workers
        finally:
            workers.close()
    finally:
        client.close(timeout=5)


def _connected(scheduler: str) -> Any:
    import logging
    import warnings

    try:
        from distributed import Client
    except ImportError:
        raise InvalidInput(
            say("--scheduler needs Dask: pip install 'knee-angle[cluster]'")
        ) from None
    for name in ("distributed", "distributed.client", "distributed.core"):
        # A lost cluster ends the run with one line; Dask would write its own tracebacks.
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # versions are compared below, in one line
            client = Client(scheduler, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, TimeoutError, ValueError, TypeError) as error:
        reason = " ".join(str(error).split())[:160]
        raise InvalidInput(
            say(
                "no Dask scheduler answers at {scheduler} ({reason}): start one with 'dask "
                "scheduler'",
                scheduler=scheduler,
                reason=reason,
            )
        ) from None
    if not client.nthreads():
        client.close(timeout=5)
        raise InvalidInput(
            say(
                "the scheduler at {scheduler} has no worker: start one with 'dask worker "
                "{scheduler}'",
                scheduler=scheduler,
            )
        )
    return client


def _check_versions(found: dict[str, Any]) -> None:
    """Refuse a cluster that does not speak the same Dask or Python.

    Raises
    ------
    InvalidInput
        With every difference by name.
    """
    here = _spoken(found["client"])
    others = {"the scheduler": found["scheduler"], **found["workers"]}
    differences = [
        say(
            "{who} has {name} {get} instead of {version}",
            who=who,
            name=name,
            get=_spoken(versions).get(name),
            version=version,
        )
        for who, versions in others.items()
        for name, version in here.items()
        if _spoken(versions).get(name) != version
    ]
    if differences:
        raise InvalidInput(
            say(
                "the cluster does not fit: {differences}: install the same versions everywhere",
                differences=joined("; ", differences),
            )
        )


def _spoken(versions: dict[str, Any] | None) -> dict[str, str]:
    """What two sides of a cluster must share to understand each other."""
    packages = (versions or {}).get("packages", {})
    python = ".".join(str(packages.get("python", "unknown")).split(".")[:2])
    return {
        "Python": python,
        "dask": str(packages.get("dask")),
        "distributed": str(packages.get("distributed")),
    }
