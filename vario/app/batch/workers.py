"""The workers of a batch: processes on this machine, or a Dask cluster."""

from __future__ import annotations

import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from typing import Any, Protocol

from hw_replay.text import escaped
from vario.app.batch.job import Job, JobResult, run_job
from vario.app.errors import AppError

CRASHED = "the worker process died while playing it (out of memory, or a fault in a library)"

POLL_S = 0.2
"""Interval at which the workers are checked."""

CLUSTER_LOST_S = 10.0
"""A scheduler that does not answer for this time is lost."""


class WorkersStoppedError(AppError):
    """The workers stopped before all jobs were done; their outcomes are complete."""


class Workers(Protocol):
    """Does jobs."""

    @property
    def description(self) -> str:
        """For the progress display: "2 processes"."""

    def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
        """The outcome of every job, in the order of completion.

        Raises:
            WorkersStoppedError: if the workers stop before all jobs are done.
        """


class Processes:
    """Processes on this machine.

    After Ctrl-C they finish their current jobs; a second Ctrl-C stops them at once.

    Args:
        count: number of processes; None: one for each processor that this process may use.
        say: called with a text on what the workers do, when it changes.
    """

    def __init__(self, count: int | None = None, say: Callable[[str], None] = lambda _: None) -> None:
        self._count = count or usable_processors()
        self._say = say

    @property
    def description(self) -> str:
        """How many."""
        return f"{self._count} process{'es' if self._count > 1 else ''}"

    def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
        """The outcome of every job. A job whose process dies is repeated alone; then it is a failure.

        Raises:
            WorkersStoppedError: after Ctrl-C.
        """
        left = {job.name: job for job in jobs}
        with _interrupts() as asked:
            try:
                for outcome in self._pooled(list(left.values()), min(self._count, max(1, len(left))), asked):
                    del left[outcome.name]
                    yield outcome
            except BrokenProcessPool:
                # The job that killed the process is not known, so each remaining job gets a separate process.
                for job in list(left.values()):
                    try:
                        yield from self._pooled([job], 1, asked)
                    except BrokenProcessPool:
                        yield JobResult(job.name, "", None, CRASHED)

    def _pooled(self, jobs: Sequence[Job], count: int, asked: Sequence[int]) -> Iterator[JobResult]:
        # Spawned, not forked: a fork inherits the locks of the threads of the caller.
        context = multiprocessing.get_context("spawn")
        others = set(multiprocessing.active_children())
        pool = ProcessPoolExecutor(count, mp_context=context, initializer=_depend_on_parent)
        names: dict[Future[JobResult], str] = {}
        finished = False
        try:
            with _without_interrupts():  # new processes inherit the blocked signals
                names = {pool.submit(run_job, job): job.name for job in jobs}
            yield from self._collected(names, asked)
            finished = True
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
            if not finished:
                for process in set(multiprocessing.active_children()) - others:
                    process.kill()
            pool.shutdown(wait=True)

    def _collected(self, names: Mapping[Future[JobResult], str], asked: Sequence[int]) -> Iterator[JobResult]:
        """The outcomes in the order of completion, until all are done or Ctrl-C stops the work."""
        pending, told = set(names), False
        while pending:
            done, pending = wait(pending, POLL_S, FIRST_COMPLETED)
            for future in done:
                yield _outcome(future, names[future])
            if len(asked) > 1:
                raise WorkersStoppedError("at once, by a second Ctrl-C")
            if asked and not told:
                told = True
                self._say("finishing the current flights; Ctrl-C again stops at once")
                pending = {future for future in pending if not future.cancel()}
        if asked:
            raise WorkersStoppedError("by Ctrl-C")


def _outcome(future: Future[JobResult], name: str) -> JobResult:
    """The outcome of a job, also if it could not be sent."""
    try:
        return future.result()
    except BrokenProcessPool:
        raise
    except Exception as error:  # the failure of a flight becomes a row of the table
        return JobResult(
            name, "", None, f"a fault of this program: {type(error).__name__}: {escaped(str(error))}"
        )


@contextmanager
def _interrupts() -> Iterator[list[int]]:
    """A list that fills with each Ctrl-C, which does nothing else; outside the main thread it stays empty."""
    asked: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return
    before = signal.signal(signal.SIGINT, lambda number, _: asked.append(number))
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _without_interrupts() -> Iterator[None]:
    """Delay Ctrl-C until the end of the block."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


class Cluster:
    """A running Dask cluster. Its workers need this project, and the recordings under the same paths.

    Args:
        address: address of the scheduler, such as tcp://host:8786.
        wait_s: time to wait for an answer of the scheduler.

    Raises:
        AppError: if the extra `cluster` is not installed or the scheduler does not answer.
    """

    def __init__(self, address: str, wait_s: float = 10.0) -> None:
        try:
            from distributed import Client  # noqa: PLC0415  (optional)
        except ImportError as error:
            raise AppError(
                "--scheduler needs Dask, which is not installed: pip install 'glider-vario[cluster]'"
            ) from error
        self._address = address
        try:
            self._client = Client(address, timeout=wait_s, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            raise AppError(
                f"--scheduler {address}: no answer from a Dask scheduler; expected its address, such as "
                f"tcp://localhost:8786 ({str(error).splitlines()[0] if str(error) else 'timed out'})"
            ) from error

    @property
    def description(self) -> str:
        """The number of workers and the address."""
        count = len(self._client.scheduler_info()["workers"])
        return f"{count} worker{'s' if count != 1 else ''} of {self._address}"

    def run(self, jobs: Sequence[Job]) -> Iterator[JobResult]:
        """The outcome of every job; a job that repeatedly kills its worker is a failure.

        Raises:
            WorkersStoppedError: if the scheduler is lost, or after Ctrl-C.
        """
        _quieten_dask()
        seen_s = time.monotonic()
        try:
            # pure=False: a cached result of other code must not be used.
            names = {self._client.submit(run_job, job, pure=False, retries=1): job.name for job in jobs}
            while names:
                time.sleep(POLL_S)
                if self._client.status == "running":
                    seen_s = time.monotonic()
                elif self._client.status == "closed" or time.monotonic() - seen_s > CLUSTER_LOST_S:
                    raise self._lost()
                for future in [future for future in names if future.status in {"finished", "error"}]:
                    yield self._outcome(future, names.pop(future))
                    future.release()
                if any(future.status in {"cancelled", "lost"} for future in names):
                    raise self._lost()
        except KeyboardInterrupt:
            raise WorkersStoppedError("by Ctrl-C") from None
        except (OSError, CancelledError) as error:  # raised if the call is the first to detect the loss
            raise self._lost() from error
        finally:
            with suppress(OSError, TimeoutError, CancelledError):
                self._client.close(timeout=POLL_S)

    def _outcome(self, future: Any, name: str) -> JobResult:
        error = future.exception(timeout=CLUSTER_LOST_S)
        if error is not None:
            return JobResult(name, "", None, f"{CRASHED}: {type(error).__name__}")
        outcome: JobResult = future.result(timeout=CLUSTER_LOST_S)
        return outcome

    def _lost(self) -> WorkersStoppedError:
        return WorkersStoppedError(f"the Dask scheduler {self._address} no longer answers")


def _quieten_dask() -> None:
    """Turn off the log of Dask: it reports a lost scheduler by tracebacks, also while the process ends."""
    for name in list(logging.root.manager.loggerDict):
        if name.partition(".")[0] in {"distributed", "tornado", "asyncio"}:
            logging.getLogger(name).disabled = True


def _depend_on_parent() -> None:
    """Tie the lifetime of a worker to the process that runs the batch.

    Ctrl-C is sent to every process of a terminal; workers ignore it and leave it to the main process. Without
    this function, workers of a killed main process would wait for more jobs for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()

    def end_with_it() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=end_with_it, daemon=True).start()


def usable_processors() -> int:
    """The number of processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
