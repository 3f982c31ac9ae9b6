"""A value that moves linearly to each new target instead of jumping."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Piece = tuple[int, float, float, int]
"""Part of the way to one target: number of samples, the target, the distance from the target at which the
line began, and the number of samples from the start of this part to the target (0: reached).
"""


class Ramp:
    """One gliding value. It is given targets and durations, and returns all samples at once.

    Args:
        samples: duration of the way to a target.
    """

    def __init__(self, samples: int) -> None:
        self._start = self._end = 0.0
        self._samples = samples
        self._left = 0
        self._pieces: list[Piece] = []
        # The remaining share of the way. Its last value is 0, so the target is reached exactly.
        self._ramp = np.arange(samples - 1, -1, -1, dtype=np.float64) / samples

    @property
    def target(self) -> float:
        """The latest target."""
        return self._end

    def jump(self, target: float) -> None:
        """Jump to `target`."""
        self._end = target
        self._left = 0

    def aim(self, target: float) -> None:
        """Start a line from the present value to `target`."""
        if target != self._end:
            self._start = self._end + (self._start - self._end) * (self._left / self._samples)
            self._end = target
            self._left = self._samples

    def go_on(self, n: int) -> None:
        """Advance by n samples."""
        self._pieces.append((n, self._end, self._start - self._end, self._left))
        self._left = max(self._left - n, 0)

    def target_at(self, sample: int) -> float:
        """The target in force at one of the samples since `drop`."""
        for n, target, _, _ in self._pieces:
            sample -= n
            if sample < 0:
                return target
        return self._end

    def drop(self) -> None:
        """Forget the samples so far; the value stays the same."""
        self._pieces = []

    def values(self, n: int) -> NDArray[np.float64] | float:
        """The n samples since `drop`; one number if they are all equal."""
        pieces = self._pieces
        length, first, way, left = pieces[0]
        if len(pieces) == 1:  # the usual case in a block of live sound
            if left == 0:
                return first
            ramp = self._ramp[self._samples - left : self._samples - left + length]
            if ramp.size == n:
                values = ramp * way
                values += first
                return values
        elif all(left == 0 and target == first for _, target, _, left in pieces):
            return first
        size = self._samples
        if all(length == size and left in {0, size} for length, _, _, left in pieces):
            # The usual case in flight: a new target arrives exactly when the previous one is reached.
            ways = [way if left else 0.0 for _, _, way, left in pieces]
            steady = np.multiply.outer(ways, self._ramp)
            steady += np.array([target for _, target, _, _ in pieces])[:, None]
            return steady.reshape(-1)
        values = np.zeros(n)
        at = 0
        for length, target, way, left in pieces:
            part = values[at : at + length]
            if left:
                done = self._samples - left
                ramp = self._ramp[done : done + length]
                np.multiply(ramp, way, out=part[: ramp.size])
            part += target
            at += length
        return values
