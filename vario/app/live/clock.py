"""The clock of a live run: passed in, so that a test or an accelerated run brings its own."""

from __future__ import annotations

import time
from typing import Protocol

FIRST_S = 1.0
"""Where a run's time begins. A reading is stamped earlier than it is fetched; no stamp may be negative."""


class Clock(Protocol):
    """Monotonic seconds, and waiting for them."""

    def now_s(self) -> float:
        """The time."""

    def wait_until(self, t_s: float) -> None:
        """Return at `t_s`, or a little later; at once if that has passed."""


class MonotonicClock:
    """The system's monotonic clock, counted from the start of the run.

    It never jumps when GNSS or the network sets the date.
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
    """A clock that jumps instead of waiting: a run as fast as it will go, and the same every time."""

    def __init__(self, start_s: float = FIRST_S) -> None:
        self._now_s = start_s

    def now_s(self) -> float:
        """The time."""
        return self._now_s

    def wait_until(self, t_s: float) -> None:
        """Jump there."""
        self._now_s = max(self._now_s, t_s)
