"""Innovations of the estimator (measurement minus prediction), accumulated between rows.

An innovation in multiples of its own standard deviation scatters around zero, and its mean square (NIS,
normalised innovation squared) is 1 if the estimator is consistent: Bar-Shalom, Li and Kirubarajan,
"Estimation with Applications to Tracking and Navigation", 2001, ch. 5.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from vario.flight.reading import Reading


class Innovations:
    """Sums per measurement since the last row."""

    def __init__(self) -> None:
        self._sums: dict[str, tuple[int, float, float]] = {}

    def take(self, reading: Reading) -> None:
        """Add the innovations of one reading; most readings have some, few have all."""
        for name, innovation in reading.diagnostics.innovations.items():
            if innovation.variance > 0.0 and math.isfinite(innovation.residual):
                sigmas = innovation.residual / math.sqrt(innovation.variance)
                count, total, squares = self._sums.get(name, (0, 0.0, 0.0))
                self._sums[name] = count + 1, total + sigmas, squares + sigmas * sigmas

    def row(self) -> Iterator[tuple[str, float]]:
        """Columns and values: mean and mean square of every measurement that occurred."""
        for name, (count, total, squares) in self._sums.items():
            yield f"{name}_sigmas", total / count
            yield f"{name}_nis", squares / count
        self._sums.clear()
