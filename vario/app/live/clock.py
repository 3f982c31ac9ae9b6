"""The clock of a live run. It is a parameter, so that tests and accelerated runs use their own."""

from __future__ import annotations

import time
from typing import Protocol

FIRST_S = 1.0
"""Time at the start of a run. A sample has a time before it is read, and no time may be negative."""


class Clock(Protocol):
    """Monotonic time in seconds, with a waiting function."""

    def now_s(self) -> float:
        """The time."""

    def wait_until(self, t_s: float) -> None:
        """Return at `t_s` or shortly after; immediately if that time has passed."""


class MonotonicClock:
    """The monotonic clock of the system, counted from the start of the run.

    It does not jump when GNSS or the network sets the date.
    """

    def __init__(self) -> None:
        self._zero_s = time.monotonic() - FIRST_S

    def now_s(self) -> float:
        """The time."""
        return time.monotonic() - self._zero_s

    def wait_until(self, t_s: float) -> None:
        """Sleep."""
        left_s = t_s - self.now_s()
        if left_s > 0.0:
            time.sleep(left_s)


class SteppedClock:
    """A clock that jumps instead of waiting: the run is accelerated, and always the same."""

    def __init__(self, start_s: float = FIRST_S) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        """The time."""
        return self._now_s

    def wait_until(self, t_s: float) -> None:
        """Jump to `t_s`."""
        self._now_s = max(self._now_s, t_s)
