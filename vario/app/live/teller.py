"""What a run says, written by a thread of its own: a terminal or pipe that takes no more costs only words."""

from __future__ import annotations

import logging
import queue
import sys
import threading
from collections.abc import Callable

MOST_WAITING = 1000
"""Lines that may wait for a slow terminal; more are dropped and counted."""


class Teller(logging.Handler):
    """A log handler whose lines, and other output, are written in a thread.

    No method waits but `finish`.
    """

    def __init__(self) -> None:
        super().__init__()
        self._jobs: queue.Queue[Callable[[], object] | None] = queue.Queue(MOST_WAITING)
        self._unsaid = 0
        self._thread = threading.Thread(target=self._work, name="teller", daemon=True)
        self._thread.start()

    def emit(self, record: logging.LogRecord) -> None:
        """Write a log line to standard error."""
        line = self.format(record)
        self.do(lambda: _write(line))

    def do(self, job: Callable[[], object]) -> None:
        """Do something that writes, after what waits already. What it raises is counted as unsaid."""
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            self._unsaid += 1

    def finish(self, timeout_s: float) -> bool:
        """Write what waits and end; whether that was possible in the time."""
        try:
            self._jobs.put(None, timeout=timeout_s)
        except queue.Full:
            return False
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                if self._unsaid:
                    count, self._unsaid = self._unsaid, 0
                    _write(f"lines that could not be written: {count}")
                job()
            except (Exception, SystemExit):  # a terminal that has gone; `rich` answers that with SystemExit
                self._unsaid += 1


def _write(line: str) -> None:
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()
