"""End a run: in order if possible, and always within `LONGEST_S`, even if something hangs.

A separate thread receives the signals (`signal.set_wakeup_fd`), because the loop itself may hang.
"""

from __future__ import annotations

import logging
import os
import select
import signal
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from types import FrameType, TracebackType
from typing import Self

LOG = logging.getLogger("vario.live")

LONGEST_S = 4.0
"""Time from the signal to the exit. The last lines on standard error may take one second more."""

LOOP_S = 1.5
"""Part of this time for the loop to end. After it, everything is closed without the loop."""

SPARE_S = 0.5
"""Time kept to report what did not close."""

STOPS = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT)
"""Each of these ends the run. Without this, SIGQUIT would leave a recording without its index."""

IGNORED = (signal.SIGUSR1, signal.SIGUSR2, signal.SIGALRM)
"""Their default action ends the process immediately."""

_CLOSED = 0
"""Written into the pipe instead of a signal number: the watcher ends."""


class Ending:
    """Receives the signals, closes everything, and exits when the time is over.

    Use it as a context manager, in the main thread.

    Args:
        leave: ends the process immediately with an exit code.
        longest_s: see `LONGEST_S`.
    """

    def __init__(self, leave: Callable[[int], object] = os._exit, longest_s: float = LONGEST_S) -> None:
        self._leave = leave
        self._longest_s = longest_s
        self._parts: list[tuple[str, Callable[[], object]]] = []
        self._lock = threading.Lock()
        self._closing = False
        self._done = threading.Event()
        self._end_s: float | None = None
        self.asked = False
        """Whether the process must end."""
        self.left_behind: tuple[str, ...] = ()
        """The items that did not close in time."""

    def add(self, name: str, close: Callable[[], object]) -> None:
        """Register something to be closed at the end. All items are closed concurrently."""
        self._parts.append((name, close))

    def begin(self) -> None:
        """Start the time limit, if it is not yet running."""
        self._set_end()
        with suppress(BlockingIOError):  # so many signals have arrived that the watcher is awake anyway
            os.write(self._write_end, bytes([STOPS[0]]))

    def close(self) -> None:
        """Close everything, except items that take too long. A second call waits for the first one."""
        with self._lock:
            is_first = not self._closing
            self._closing = True
        if is_first:
            self.begin()
            self._close_parts(self._set_end() - SPARE_S)
            self._done.set()
        else:
            self._done.wait(max(0.0, self._set_end() - time.monotonic()))

    def _close_parts(self, end_s: float) -> None:
        threads = []
        for name, close in self._parts:
            thread = threading.Thread(target=_closed, args=(name, close), name=f"close {name}", daemon=True)
            thread.start()
            threads.append((name, thread))
        for _, thread in threads:
            thread.join(max(0.0, end_s - time.monotonic()))
        self.left_behind = tuple(name for name, thread in threads if thread.is_alive())
        if self.left_behind:
            LOG.error("not closed, because it hangs: %s", ", ".join(self.left_behind))

    def __enter__(self) -> Self:
        self._read_end, self._write_end = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        self._wakeup_before = signal.set_wakeup_fd(self._write_end, warn_on_full_buffer=False)
        # A process started with nohup(1) must survive the terminal.
        stops = [one for one in STOPS if one != signal.SIGHUP or signal.getsignal(one) != signal.SIG_IGN]
        self._numbers = frozenset(int(one) for one in stops)
        self._before = {one: signal.signal(one, self._note) for one in stops}
        self._before |= {one: signal.signal(one, signal.SIG_IGN) for one in IGNORED}
        self._watcher = threading.Thread(target=self._watch, name="ending", daemon=True)
        self._watcher.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
        signal.set_wakeup_fd(self._wakeup_before)
        for one, handler in self._before.items():
            signal.signal(one, handler)
        if self.left_behind:
            return  # what hangs may prevent the interpreter from exiting, so the watcher continues
        os.write(self._write_end, bytes([_CLOSED]))
        self._watcher.join()
        os.close(self._write_end)
        os.close(self._read_end)

    def _note(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002  (see signal.signal)
        self.asked = True

    def _set_end(self) -> float:
        if self._end_s is None:
            self._end_s = time.monotonic() + self._longest_s
        return self._end_s

    def _watch(self) -> None:
        """The loop of the watcher thread."""
        loop_hangs = False
        while True:
            end_s = self._end_s
            if end_s is None:
                wait_s = None
            else:
                on_its_own = self._closing or loop_hangs
                due_s = end_s if on_its_own else end_s - self._longest_s + LOOP_S
                wait_s = max(0.0, due_s - time.monotonic())
            if select.select([self._read_end], [], [], wait_s)[0]:
                numbers = os.read(self._read_end, 4096)
                if _CLOSED in numbers:
                    return
                if not self._numbers.isdisjoint(numbers):
                    self._set_end()
            elif on_its_own:
                self._leave(1)
                return
            else:  # the recording at least is completed
                loop_hangs = True
                threading.Thread(target=self.close, name="close all", daemon=True).start()


def _closed(name: str, close: Callable[[], object]) -> None:
    try:
        close()
    except Exception:  # the other items are closed nevertheless
        LOG.exception("%s: closing failed", name)
