"""The output of the wind of the inertial filter: averaged, with a realistic standard deviation."""

from __future__ import annotations

import math

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

    def take(self, wind: tuple[float, float, float] | None, dt_s: float) -> None:
        """One frame: wind north and east and its standard deviation, m/s."""
        if wind is None:
            self.mean_mps = self.sigma_mps = None
            return
        north, east, sigma = wind
        old = self.mean_mps or (north, east)
        share = min(1.0, dt_s / SMOOTH_S)
        mean = self.mean_mps = (old[0] + share * (north - old[0]), old[1] + share * (east - old[1]))
        self.sigma_mps = math.hypot(SIGMAS * sigma, north - mean[0], east - mean[1])
