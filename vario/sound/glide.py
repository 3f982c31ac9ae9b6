"""A value that moves in a straight line to each new target instead of jumping."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Piece = tuple[int, float, float, int]
"""Samples on the way to one target: how many, the target, how far from it the line to it began, and how many
samples from it the piece begins, 0 if it is there."""


class Glide:
    """One gliding value: told where to go and for how long, target by target, it gives all samples at once.

    Args:
        samples: how long it takes to reach a target.
    """

    def __init__(self, samples: int) -> None:
        self._start = self._end = 0.0
        self._samples = samples
        self._left = 0
        self._pieces: list[Piece] = []
        # What is left of the way. Its last value is 0, so that the target is met to the bit.
        self._ramp = np.arange(samples - 1, -1, -1, dtype=np.float64) / samples

    @property
    def target(self) -> float:
        """Where the value is or will be."""
        return self._end

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

    def go_on(self, n: int) -> None:
        """Move for n samples."""
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
        """Forget the samples so far; the value stays what it is."""
        self._pieces = []

    def values(self, n: int) -> NDArray[np.float64] | float:
        """The n samples since `drop`; one number if they are all the same."""
        pieces = self._pieces
        _, first, _, _ = pieces[0]
        if all(left == 0 and target == first for _, target, _, left in pieces):
            return first
        size = self._samples
        if all(length == size and left in {0, size} for length, _, _, left in pieces):
            # As in flight: a new target comes just when the way to the one before is over.
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
