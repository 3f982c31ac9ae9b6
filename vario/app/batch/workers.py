"""Who does the work of a batch: processes on this machine, or a Dask cluster."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Protocol

from vario.app.batch.job import Job, Outcome, run_job
from vario.app.errors import AppError

CRASHED = "the worker process died while playing it (out of memory, or a fault in a library)"


class Workers(Protocol):
    """Does jobs."""

    @property
    def description(self) -> str:
        """For the progress display: "2 processes"."""

    def run(self, jobs: Sequence[Job]) -> Iterator[Outcome]:
        """The outcome of every job, in the order in which they are done."""


class Processes:
    """Processes on this machine.

    Args:
        count: how many; None: one for each processor this process may use.
    """

    def __init__(self, count: int | None = None) -> None:
        self._count = count or usable_processors()

    @property
    def description(self) -> str:
        """How many."""
        return f"{self._count} process{'es' if self._count > 1 else ''}"

    def run(self, jobs: Sequence[Job]) -> Iterator[Outcome]:
        """The outcome of every job. One whose process dies is tried again alone, and then listed."""
        left = {job.name: job for job in jobs}
        try:
            for outcome in self._pooled(list(left.values()), min(self._count, max(1, len(left)))):
                del left[outcome.name]
                yield outcome
        except BrokenProcessPool:
            # Nobody knows whose fault it was, so each of the rest gets a process of its own.
            for job in left.values():
                try:
                    yield from self._pooled([job], 1)
                except BrokenProcessPool:
                    yield Outcome(job.name, "", None, CRASHED)

    @staticmethod
    def _pooled(jobs: Sequence[Job], count: int) -> Iterator[Outcome]:
        # Spawned, not forked: a fork inherits the threads' locks of whoever calls this.
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(count, mp_context=context, initializer=_depend_on_parent) as pool:
            futures: list[Future[Outcome]] = [pool.submit(run_job, job) for job in jobs]
            try:
                for future in as_completed(futures):
                    yield future.result()
            finally:
                pool.shutdown(wait=False, cancel_futures=True)


class Cluster:
    """A Dask cluster that runs already. Its workers need this project, and the recordings under these paths.

    Args:
        address: of its scheduler, such as tcp://host:8786.
        wait_s: a scheduler that does not answer for so long is not there.

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
        """How many workers, and where."""
        count = len(self._client.scheduler_info()["workers"])
        return f"{count} worker{'s' if count != 1 else ''} of {self._address}"

    def run(self, jobs: Sequence[Job]) -> Iterator[Outcome]:
        """The outcome of every job; one that kills its worker again and again is listed."""
        from distributed import as_completed as finished  # noqa: PLC0415  (optional)

        with self._client:
            # Not pure: a result must not be taken from an earlier run of other code.
            futures = {self._client.submit(run_job, job, pure=False, retries=1): job for job in jobs}
            for future in finished(futures, loop=self._client.loop):
                error = future.exception()
                if error is None:
                    yield future.result()
                else:
                    yield Outcome(futures[future].name, "", None, f"{CRASHED}: {type(error).__name__}")
                future.release()


def _depend_on_parent() -> None:
    """A worker lives as long as the process that runs the batch, neither shorter nor longer.

    Ctrl-C reaches every process of a terminal, so workers leave it to that one. If that one is killed, nobody
    ends them: they would finish what they are at, and then wait for more work for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()

    def end_with_it() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=end_with_it, daemon=True).start()


def usable_processors() -> int:
    """How many processors this process may run on."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
