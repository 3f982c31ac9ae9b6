"""What the instrument can do without: opened by a thread of its own, and opened again when it has gone.

A sound device, a serial line and a network port are each kept by one `Outlet`. The flight never waits for
one: what it gives while there is none is dropped. A lasting problem is said once a minute.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from typing import Generic, Protocol, TypeVar

LOG = logging.getLogger("vario.live")

FIRST_RETRY_S = 1.0
"""How often an open device is looked at, and how soon one that has gone is opened again."""

LONGEST_RETRY_S = 10.0
"""The wait doubles up to this as long as opening fails."""

PATIENCE_S = 2.0
"""The start waits this long for the first try. Nearly every device is opened, or refuses, in less."""

SAY_AGAIN_S = 60.0
"""The same complaint is logged at most this often."""


class Seldom:
    """Tells whether a complaint may be logged now: each kind once a minute."""

    def __init__(self, every_s: float = SAY_AGAIN_S) -> None:
        self._every_s = every_s
        self._said_s: dict[str, float] = {}

    def may_say(self, kind: str, now_s: float) -> bool:
        """Whether to log a complaint of this kind at `now_s`; if so, the next minute begins."""
        said_s = self._said_s.get(kind)
        if said_s is not None and 0.0 <= now_s - said_s < self._every_s:
            return False
        self._said_s[kind] = now_s
        return True


class Closable(Protocol):
    """What an outlet opens."""

    def close(self) -> None:
        """Let the device go."""


D = TypeVar("D", bound=Closable)


class Outlet(Generic[D]):
    """A device that may be missing at the start, go in flight and come back.

    Args:
        name: for messages, such as "sound".
        make: opens the device; may wait; raises an exception while that is not possible.
        problem_of: says what is wrong with an open device; None if nothing is.
        is_lost: whether a device with a problem has to be closed and opened again.
        without: how the flight goes on, for messages.
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
            LOG.error("%s: %s. Flying on %s", name, self._problem, without)
            self._said = True

    @property
    def problem(self) -> str | None:
        """Why nothing gets out; None if all is well."""
        device = self._device
        return self._problem if device is None else self._problem_of(device) or self._problem

    def give(self, use: Callable[[D], None]) -> None:
        """Call `use` with the device, if it is open. `use` must not wait."""
        # The lock keeps the device from being closed meanwhile; it is never held while something waits.
        with self._lock:
            if self._device is not None:
                use(self._device)

    def close(self, timeout_s: float | None = None) -> None:
        """Close the device, and wait until that is done, or at most for the time."""
        self._ends.set()
        self._keeper.join(timeout_s)

    def _keep(self) -> None:
        """The keeper's thread."""
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
        except Exception as error:  # whatever it is, the flight goes on without this device
            self._complain(str(error) or repr(error))
            return False
        if not self._said:
            self._problem = None
        self._device = device
        return True

    def _look(self, device: D) -> None:
        """See whether all is well. A device that was just opened again has had one turn to show it."""
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
            LOG.error("%s: %s. Flying on %s", self._name, problem, self._without)
            self._said = True

    def _drop(self) -> None:
        with self._lock:
            device, self._device = self._device, None
        if device is not None:
            try:
                device.close()
            except Exception as error:  # it has gone anyway
                LOG.debug("%s: closing: %s", self._name, error)
