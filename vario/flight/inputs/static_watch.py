"""What shows a blocked or a slow static line: its lag behind the altitude of GNSS, and a pressure that rests.

A static line of lag T gives the height b of true height h = b + T ḃ. The difference of GNSS altitude and
barometer, both through the same low pass τ, is then offset + T/τ (b - b̄), with b̄ the low-passed b. The lag is
the slope of this straight line (least squares, exponentially forgotten). It needs no inertial unit. A
receiver that is late gives a lag below zero.

A static line on a total-energy probe gives b = h + k with the kinetic height k = V²/2g: the slope of the
difference over k is -1. It is so too on a blocked line, where speed and height are exchanged.

A static line that is blocked does not move at all, whatever the airspeed does.
"""

from __future__ import annotations

from vario.flight.core.low_pass import LowPass
from vario.flight.core.slope import Slope

SMOOTH_S = 5.0
"""Low pass τ: long against the noise of the altitude, short against the time of a circle."""

MEMORY_S = 60.0
LEAST_S, LEAST_M = 5.0, 1.0
"""After the low pass the errors of an altitude are at least the second value, and correlated for
`CORRELATED_S`, its time constant. On simulated circles with a receiver of 1.5 m the slopes scatter by a third
of the standard deviation that follows.
"""
CORRELATED_S = 5.0

SLOW_S = 1.5
"""A lag above this is a fault of the static line. The tubing of gliders lags by tenths of a second. In two of
three recorded flights of 5 hours and more the lag was never 3 standard deviations above it; in the third the
barometer was late by 4 s for most of the flight.
"""
KINETIC_SHARE = 0.5
"""A larger share of the kinetic height in the difference is a fault. The error of static ports is some
hundredths of it.
"""
SURE_SIGMAS, LIKELY_SIGMAS = 3.0, 1.0

STEADY_PA, IMPACT_PA, RESTS_S = 6.0, 60.0, 8.0
"""The static pressure rests if it stays within the first value while the impact pressure changes by the
second, for at least the third: a gust changes the airspeed at once, and a height of half a metre is not held
for so long while the speed changes by 2 m/s.
"""
STEADY_S = 0.5


class StaticWatch:
    """Watches the static line for a lag, an impact pressure in it, and a blockage.

    Attributes:
        rests: whether the static pressure rests while the airspeed changes.
    """

    def __init__(self) -> None:
        self.rests = False
        self._static, self._impact = LowPass(STEADY_S), LowPass(STEADY_S)
        self._anchor_pa = self._low_pa = self._high_pa = self._rested_s = 0.0
        self._height, self._difference, self._kinetic = (LowPass(SMOOTH_S) for _ in range(3))
        self._lag, self._share = (Slope(MEMORY_S, LEAST_S, CORRELATED_S, LEAST_M) for _ in range(2))

    def take(self, static_pa: float, impact_pa: float, dt_s: float) -> None:
        """Process the pressures of a frame."""
        static_pa, impact_pa = self._static.follow(static_pa, dt_s), self._impact.follow(impact_pa, dt_s)
        self._rested_s += dt_s
        if abs(static_pa - self._anchor_pa) > STEADY_PA:
            self._anchor_pa, self._rested_s = static_pa, 0.0
            self._low_pa = self._high_pa = impact_pa
        self._low_pa, self._high_pa = min(self._low_pa, impact_pa), max(self._high_pa, impact_pa)
        self.rests = self._rested_s > RESTS_S and self._high_pa - self._low_pa > IMPACT_PA

    def compare(self, altitude_m: float, pressure_m: float, kinetic_m: float, dt_s: float) -> None:
        """Process a position, with the pressure height and the kinetic height of its time."""
        moved_m = pressure_m - self._height.follow(pressure_m, dt_s)
        off_m = self._difference.follow(altitude_m - pressure_m, dt_s)
        self._lag.take(moved_m, off_m, dt_s)
        self._share.take(self._kinetic.follow(kinetic_m, dt_s), off_m, dt_s)

    @property
    def wrong(self) -> bool:
        """Whether the static line is certainly slow, or contains the impact pressure."""
        return self._off(SURE_SIGMAS)

    @property
    def may_be_wrong(self) -> bool:
        """Whether it probably is."""
        return self._off(LIKELY_SIGMAS)

    def _off(self, sigmas: float) -> bool:
        lag_s, sigma_s = self.lag()
        share, sigma = self._share.found()
        return lag_s - sigmas * sigma_s > SLOW_S or share + sigmas * sigma < -KINETIC_SHARE

    def lag(self) -> tuple[float, float]:
        """The lag and its standard deviation, s."""
        slope, sigma = self._lag.found()
        return SMOOTH_S * slope, SMOOTH_S * sigma
