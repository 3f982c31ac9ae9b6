"""An optional output device. A separate thread opens it, and reopens it after a loss.

A sound device, a serial line and a network port are each managed by one `Outlet`. The flight logic never
waits for them: data given while a device is missing is dropped. A lasting problem is logged once a
minute.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

LOG = logging.getLogger("vario.live")

FIRST_RETRY_S = 1.0
"""Interval between checks of an open device, and the delay before a lost one is reopened."""

LONGEST_RETRY_S = 10.0
"""The delay doubles up to this limit while opening fails."""

PATIENCE_S = 2.0
"""The start waits at most this long for the first attempt. Nearly all devices open, or fail, in less time."""

SAY_AGAIN_S = 60.0
"""Minimum interval between log lines with the same complaint."""


class Seldom:
    """Limits complaints in the log: one per minute of each kind."""

    def __init__(self, every_s: float = SAY_AGAIN_S) -> None:
        self._every_s = every_s
        self._said_s: dict[str, float] = {}

    def may_say(self, kind: str, now_s: float) -> bool:
        """Whether a complaint of this kind may be logged at `now_s`. If so, the next minute begins."""
        said_s = self._said_s.get(kind)
        if said_s is not None and 0.0 <= now_s - said_s < self._every_s:
            return False
        self._said_s[kind] = now_s
        return True


class Closable(Protocol):
    """The interface of a device of an outlet."""

    def close(self) -> None:
        """Close the device."""


D = TypeVar("D", bound=Closable)


class Outlet(Generic[D]):
    """A device that may be missing at the start, be lost in flight and return.

    Args:
        name: for messages, such as "sound".
        make: opens the device; may block; raises an exception if that is not possible.
        problem_of: the problem of an open device; None if it works.
        is_lost: whether a device with a problem must be closed and reopened.
        without: what the flight continues without, for messages.
        retry_s: see `FIRST_RETRY_S`.
        now: seconds of a monotonic clock.
    """

    def __init__(
        self,
        name: str,
        make: Callable[[], D],
        problem_of: Callable[[D], str | None],
        is_lost: Callable[[D], bool],
        *,
        without: str,
        retry_s: float = FIRST_RETRY_S,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._name = name
        self._make = make
        self._problem_of = problem_of
        self._is_lost = is_lost
        self._without = without
        self._retry_s = retry_s
        self._now = now
        self._lock = threading.Lock()
        self._device: D | None = None
        self._problem: str | None = f"opening takes longer than {PATIENCE_S:g} s"
        self._seldom = Seldom()
        self._said = False
        self._tried, self._ends = threading.Event(), threading.Event()
        self._keeper = threading.Thread(target=self._keep, name=name, daemon=True)
        self._keeper.start()
        if not self._tried.wait(PATIENCE_S):
            LOG.error("%s: %s. The flight continues %s", name, self._problem, without)
            self._said = True

    @property
    def problem(self) -> str | None:
        """Why there is no output; None if the device works."""
        device = self._device
        return self._problem if device is None else self._problem_of(device) or self._problem

    def give(self, use: Callable[[D], None]) -> None:
        """Call `use` with the device, if it is open. `use` must not block."""
        # The lock prevents closing the device during the call. It is never held during a blocking
        # operation.
        with self._lock:
            if self._device is not None:
                use(self._device)

    def close(self, timeout_s: float | None = None) -> None:
        """Close the device, and wait until this is done, at most `timeout_s`."""
        self._ends.set()
        self._keeper.join(timeout_s)

    def _keep(self) -> None:
        """The loop of the thread."""
        failures = 0
        while not self._ends.is_set():
            if self._device is not None:
                self._look(self._device)
            elif self._open():
                failures = 0
            else:
                failures = min(failures + 1, 16)
            self._tried.set()
            self._ends.wait(min(self._retry_s * 2.0 ** max(failures - 1, 0), LONGEST_RETRY_S))
        self._drop()

    def _open(self) -> bool:
        try:
            device = self._make()
        except Exception as error:  # after any error the flight continues without this device
            self._complain(str(error) or repr(error))
            return False
        if not self._said:
            self._problem = None
        self._device = device
        return True

    def _look(self, device: D) -> None:
        """Check the device. A reopened device has had one interval to show a problem."""
        problem = self._problem_of(device)
        if problem is None:
            self._problem = None
            if self._said:
                LOG.warning("%s: works again", self._name)
            self._said = False
            return
        self._complain(problem)
        if self._is_lost(device):
            self._drop()

    def _complain(self, problem: str) -> None:
        self._problem = problem
        if self._seldom.may_say("", self._now()):
            LOG.error("%s: %s. The flight continues %s", self._name, problem, self._without)
            self._said = True

    def _drop(self) -> None:
        with self._lock:
            device, self._device = self._device, None
        if device is not None:
            try:
                device.close()
            except Exception as error:  # the device is lost in any case
                LOG.debug("%s: closing: %s", self._name, error)
