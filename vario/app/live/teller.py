"""Write the output of a run in a separate thread, so that a blocked terminal or pipe loses only text."""

from __future__ import annotations

import logging
import queue
import sys
import threading
from collections.abc import Callable

from hw_replay.text import shown

MOST_WAITING = 1000
"""Maximum number of lines that wait for a slow terminal. More are dropped and counted."""


class ShownLog(logging.Formatter):
    """Formatter of the log, whose lines also contain names and marks."""

    def format(self, record: logging.LogRecord) -> str:
        """See the library."""
        return shown(super().format(record))


class Teller(logging.Handler):
    """A log handler that writes its lines, and other output, in a thread.

    No method except `finish` blocks.
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
        """Call a function that writes, after the waiting lines. If it raises, the output counts as lost."""
        try:
            self._jobs.put_nowait(job)
        except queue.Full:
            self._unsaid += 1

    def finish(self, timeout_s: float) -> bool:
        """Write the waiting lines and end; returns whether that was possible in the time."""
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
            except (Exception, SystemExit):  # the terminal was closed; `rich` raises SystemExit then
                self._unsaid += 1


def _write(line: str) -> None:
    sys.stderr.write(f"{line}\n")
    sys.stderr.flush()
