"""What shows a blocked or a slow static line: its lag behind the altitude of GNSS, and a pressure that rests.

A static line of lag T gives the height b of true height h = b + T ḃ. The difference of GNSS altitude and
barometer, both through the same low pass τ, is then offset + T/τ (b - b̄), with b̄ the low-passed b. The lag is
the slope of this straight line (least squares, exponentially forgotten). It needs no inertial unit. A
receiver that is late gives a lag below zero.

A static line that is blocked does not move at all, whatever the airspeed does.
"""

from __future__ import annotations

import math

from vario.flight.core.low_pass import LowPass

SMOOTH_S = 5.0
"""Low pass τ: long against the noise of the altitude, short against the time of a circle."""

MEMORY_S = 60.0
LEAST_S, LEAST_M = 5.0, 1.0
"""The errors of an altitude are at least the second value, and of one sign for some 8 s: the correlation of
the low pass and of a receiver (from memory of recorded altitudes at rest).
"""
CORRELATED_S = 8.0

SLOW_S = 1.5
"""A lag above this is a fault of the static line. The tubing of gliders lags by tenths of a second. In three
recorded flights of 5 hours and more the lag was never more than 3 standard deviations above it.
"""
SURE_SIGMAS, LIKELY_SIGMAS = 3.0, 1.0

STEADY_PA, IMPACT_PA, RESTS_S = 6.0, 60.0, 8.0
"""The static pressure rests if it stays within the first value while the impact pressure changes by the
second, for at least the third: a gust changes the airspeed at once, and a height of half a metre is not held
for so long while the speed changes by 2 m/s.
"""
STEADY_S = 0.5


class StaticWatch:
    """Follows both signs.

    Attributes:
        rests: whether the static pressure rests while the airspeed changes.
    """

    def __init__(self) -> None:
        self.rests = False
        self._static, self._impact = LowPass(STEADY_S), LowPass(STEADY_S)
        self._anchor_pa = self._low_pa = self._high_pa = self._rested_s = 0.0
        self._height, self._difference = LowPass(SMOOTH_S), LowPass(SMOOTH_S)
        self._weight_s = 0.0
        self._sums = (0.0, 0.0, 0.0, 0.0, 0.0)  # of u, d, u², u d, d²

    def take(self, static_pa: float, impact_pa: float, dt_s: float) -> None:
        """Process the pressures of a frame."""
        static_pa, impact_pa = self._static.follow(static_pa, dt_s), self._impact.follow(impact_pa, dt_s)
        self._rested_s += dt_s
        if abs(static_pa - self._anchor_pa) > STEADY_PA:
            self._anchor_pa, self._rested_s = static_pa, 0.0
            self._low_pa = self._high_pa = impact_pa
        self._low_pa, self._high_pa = min(self._low_pa, impact_pa), max(self._high_pa, impact_pa)
        self.rests = self._rested_s > RESTS_S and self._high_pa - self._low_pa > IMPACT_PA

    def compare(self, altitude_m: float, pressure_m: float, dt_s: float) -> None:
        """Process a position and the pressure height of its time."""
        moved_m = pressure_m - self._height.follow(pressure_m, dt_s)
        off_m = self._difference.follow(altitude_m - pressure_m, dt_s)
        keep = math.exp(-dt_s / MEMORY_S)
        self._weight_s = keep * self._weight_s + dt_s
        u, d, uu, ud, dd = self._sums
        self._sums = (
            keep * u + dt_s * moved_m,
            keep * d + dt_s * off_m,
            keep * uu + dt_s * moved_m * moved_m,
            keep * ud + dt_s * moved_m * off_m,
            keep * dd + dt_s * off_m * off_m,
        )

    @property
    def lags(self) -> bool:
        """Whether the static line is certainly slow."""
        return self._slow(SURE_SIGMAS)

    @property
    def may_lag(self) -> bool:
        """Whether the static line is probably slow."""
        return self._slow(LIKELY_SIGMAS)

    def _slow(self, sigmas: float) -> bool:
        lag_s, sigma_s = self.lag()
        return lag_s - sigmas * sigma_s > SLOW_S

    def lag(self) -> tuple[float, float]:
        """The lag and its standard deviation, s."""
        weight_s = self._weight_s
        u, d, uu, ud, dd = self._sums
        if weight_s < LEAST_S:
            return 0.0, math.inf
        uu, ud, dd = uu - u * u / weight_s, ud - u * d / weight_s, dd - d * d / weight_s
        if uu <= 0.0:
            return 0.0, math.inf
        slope = ud / uu
        variance = max(dd - slope * ud, 0.0) / weight_s + LEAST_M**2
        return SMOOTH_S * slope, SMOOTH_S * math.sqrt(2.0 * CORRELATED_S * variance / uu)
