"""The output of the wind of the inertial filter: averaged, with a realistic standard deviation."""

from __future__ import annotations

import math

from vario.flight.core.low_pass import LowPass

SMOOTH_S = 15.0
"""Averaging time: a shorter change is a gust."""

SIGMAS = 2.0
"""Error of the wind of the filter divided by its standard deviation, on tuning flights."""


class AidedWind:
    """Averages the wind of the inertial filter.

    Attributes:
        mean_mps: north and east; None: the filter has no wind.
        sigma_mps: one standard deviation; the distance of the filter's wind from its mean is part of it.
    """

    def __init__(self) -> None:
        self.mean_mps: tuple[float, float] | None = None
        self.sigma_mps: float | None = None
        self._north, self._east = LowPass(SMOOTH_S), LowPass(SMOOTH_S)

    def take(self, wind: tuple[float, float, float] | None, dt_s: float) -> None:
        """One frame: wind north and east and its standard deviation, m/s."""
        if wind is None:
            self.mean_mps = self.sigma_mps = None
            self._north.reset()
            self._east.reset()
            return
        north, east, sigma = wind
        mean = self.mean_mps = (self._north.follow(north, dt_s), self._east.follow(east, dt_s))
        self.sigma_mps = math.hypot(SIGMAS * sigma, north - mean[0], east - mean[1])
