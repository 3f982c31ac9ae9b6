"""The needle's damping: a first-order low pass."""

from __future__ import annotations

import math


class Damping:
    """First-order damping; an unknown value passes straight through and starts it afresh.

    Exact for a value that holds over each frame, however uneven the frames are.
    """

    def __init__(self, time_constant_s: float) -> None:
        self._value: float | None = None
        self.configure(time_constant_s)

    def configure(self, time_constant_s: float) -> None:
        """Take a changed time constant, s; 0 damps nothing."""
        self._time_constant_s = time_constant_s

    def update(self, value: float | None, dt_s: float) -> float | None:
        """The damped value after `dt_s` more."""
        if value is None or self._value is None or self._time_constant_s == 0.0:
            self._value = value
        else:
            self._value += (1.0 - math.exp(-dt_s / self._time_constant_s)) * (value - self._value)
        return self._value
