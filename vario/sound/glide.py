"""A value that moves in a straight line to each new target instead of jumping."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


class Glide:
    """One gliding value.

    Args:
        samples: how long it takes to reach a target.
    """

    def __init__(self, samples: int) -> None:
        self._start = self._end = 0.0
        self._samples = samples
        self._left = 0
        # Ends first: read backwards from what is left, it is the line to the target.
        self._ramp = np.arange(samples, dtype=np.float64) / samples

    @property
    def target(self) -> float:
        """Where the value is or will be."""
        return self._end

    @property
    def is_steady(self) -> bool:
        """Whether the value is at its target."""
        return self._left == 0

    def jump(self, target: float) -> None:
        """Be at `target` at once."""
        self._end = target
        self._left = 0

    def aim(self, target: float) -> None:
        """Set out for `target` from wherever the value is."""
        if target != self._end:
            self._start = self._end + (self._start - self._end) * (self._left / self._samples)
            self._end = target
            self._left = self._samples

    def take(self, n: int) -> NDArray[np.float64] | float:
        """The next n values; one number if they are all the same."""
        left = self._left
        if left == 0:
            return self._end
        moving = min(n, left)
        values = np.full(n, self._end, np.float64)
        # Written from the end, so that the last value is the target to the bit and cuts do not show.
        values[:moving] += (self._start - self._end) * self._ramp[left - moving : left][::-1]
        self._left -= moving
        return values
