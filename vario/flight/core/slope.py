"""Slope of a straight line through the latest points, by least squares with exponential forgetting."""

from __future__ import annotations

import math


class Slope:
    """The slope, and how certain it is.

    Args:
        memory_s: time constant of the forgetting.
        least_s: with points of less time no slope is known.
        correlated_s: the errors of y are correlated for this time.
        least: least standard deviation of an error of y.
    """

    def __init__(self, memory_s: float, least_s: float, correlated_s: float, least: float) -> None:
        self._memory_s, self._least_s = memory_s, least_s
        self._correlated_s, self._least = correlated_s, least
        self.reset()

    def reset(self) -> None:
        """Forget all points."""
        self._weight_s = 0.0
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0)  # of x, y, x², x y, y²

    def take(self, x: float, y: float, dt_s: float) -> None:
        """Process a point that stands for `dt_s`."""
        keep = math.exp(-dt_s / self._memory_s)
        self._weight_s = keep * self._weight_s + dt_s
        sx, sy, xx, xy, yy = self._sums
        self._sums = (
            keep * sx + dt_s * x,
            keep * sy + dt_s * y,
            keep * xx + dt_s * x * x,
            keep * xy + dt_s * x * y,
            keep * yy + dt_s * y * y,
        )

    def found(self) -> tuple[float, float]:
        """The slope and its standard deviation; this is infinite if the slope is not known."""
        weight_s = self._weight_s
        sx, sy, xx, xy, yy = self._sums
        if weight_s < self._least_s:
            return 0.0, math.inf
        xx, xy, yy = xx - sx * sx / weight_s, xy - sx * sy / weight_s, yy - sy * sy / weight_s
        if xx <= 0.0:
            return 0.0, math.inf
        slope = xy / xx
        variance = max((yy - slope * xy) / weight_s, self._least**2)
        return slope, math.sqrt(2.0 * self._correlated_s * variance / xx)
