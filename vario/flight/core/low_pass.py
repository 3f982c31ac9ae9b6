"""First-order low pass."""

from __future__ import annotations

import math


def low_pass_weight(dt_s: float, time_constant_s: float) -> float:
    """Weight of the new value in a first-order low pass over a step, 0 to 1.

    It is exact for an input that is constant over the step, however long the step is.
    """
    return 1.0 - math.exp(-dt_s / time_constant_s)


class LowPass:
    """First-order low pass; the first value passes unchanged.

    Args:
        time_constant_s: 0 passes every value unchanged.
        value: the initial output; None: not known.

    Attributes:
        value: the present output; None: not known.
    """

    def __init__(self, time_constant_s: float, value: float | None = None) -> None:
        self.value = value
        self.configure(time_constant_s)

    def configure(self, time_constant_s: float) -> None:
        """Set a changed time constant."""
        self._time_constant_s = time_constant_s

    def reset(self, value: float | None = None) -> None:
        """Start again from `value`, or from the next known value."""
        self.value = value

    def follow(self, value: float, dt_s: float) -> float:
        """The output after `dt_s` more with this input."""
        before, time_constant_s = self.value, self._time_constant_s
        if before is not None and time_constant_s != 0.0:
            # `low_pass_weight`, written out: there are six hundred calls a second.
            value = before + (1.0 - math.exp(-dt_s / time_constant_s)) * (value - before)
        self.value = value
        return value

    def update(self, value: float | None, dt_s: float) -> float | None:
        """The same for an input that may be unknown: the output is unknown too, and the next value passes."""
        if value is None:
            self.value = None
            return None
        return self.follow(value, dt_s)
