"""Speeds and slopes of a straight glide through moving air: wind along and across the course, and sink."""

from __future__ import annotations

import math

from drivers.isa import G0_MPS2
from drivers.quick import dataclass
from vario.flight.core.polar import QuadraticPolar

GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
STEPS = 24
"""Steps of a search: an interval of 50 m/s shrinks below 1 mm/s."""


def over_ground_mps(tas_mps: float, along_mps: float, across_mps: float) -> float | None:
    """Ground speed along a course in a wind; None if the course cannot be flown in this wind."""
    if abs(across_mps) >= tas_mps:
        return None
    speed_mps = math.sqrt(tas_mps**2 - across_mps**2) + along_mps
    return speed_mps if speed_mps > 0.0 else None


@dataclass(frozen=True, slots=True)
class GlideThrough:
    """A polar, true over equivalent airspeed, tail wind, wind from the left, and sink of the air."""

    polar: QuadraticPolar
    scale: float
    along_mps: float
    across_mps: float
    sink_mps: float

    def over_ground(self, eas_mps: float) -> float:
        """Ground speed along the course, m/s; 0 if it cannot be flown at this airspeed."""
        return over_ground_mps(self.scale * eas_mps, self.along_mps, self.across_mps) or 0.0

    def slope(self, eas_mps: float) -> float | None:
        """Height lost over distance at this airspeed; None if the course cannot be flown."""
        ground_mps = self.over_ground(eas_mps)
        if ground_mps <= 0.0:
            return None
        return (self.scale * self.polar.sink_mps(eas_mps) + self.sink_mps) / ground_mps

    def best_mps(self, slowest_mps: float, fastest_mps: float) -> float | None:
        """The airspeed inside these limits that loses the least height over ground (golden section)."""
        low = max(self.polar.min_sink_speed_mps, slowest_mps)
        high = max(low, min(fastest_mps, 100.0))
        if self.slope(high) is None:
            return None

        def lost(eas_mps: float) -> float:
            slope = self.slope(eas_mps)
            return math.inf if slope is None else slope

        for _ in range(STEPS):
            left, right = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
            if lost(left) < lost(right):
                high = right
            else:
                low = left
        return (low + high) / 2.0

    def speed_for_mps(self, maccready_mps: float) -> float:
        """The airspeed for a MacCready value in this sinking air; `maccready_of_mps` is its inverse."""
        return self.polar.speed_for_mps(maccready_mps + self.sink_mps, self.scale)

    def maccready_of_mps(self, eas_mps: float) -> float:
        """The MacCready value for which this airspeed is the best."""
        return (self.polar.a * eas_mps**2 - self.polar.c) * self.scale - self.sink_mps

    def exchange_m(self, tas_mps: float | None, eas_mps: float) -> float:
        """Height gained by a change of the airspeed to this one; 0 if the airspeed is not known."""
        if tas_mps is None:
            return 0.0
        return (tas_mps**2 - (self.scale * eas_mps) ** 2) / (2.0 * G0_MPS2)

    def required_maccready_mps(
        self, distance_m: float, height_m: float, tas_mps: float | None, best_mps: float, fastest_mps: float
    ) -> float | None:
        """The highest MacCready value that reaches the distance from this height; None: out of reach.

        The slope rises with speed from `best_mps` on, so the fastest speed is found by halving.
        """

        def reaches(eas_mps: float) -> bool:
            slope = self.slope(eas_mps)
            return slope is not None and distance_m * slope <= height_m + self.exchange_m(tas_mps, eas_mps)

        if not reaches(best_mps):
            return None
        low, high = best_mps, max(best_mps, min(fastest_mps, 100.0))
        if reaches(high):
            low = high
        for _ in range(STEPS):
            middle = (low + high) / 2.0
            low, high = (middle, high) if reaches(middle) else (low, middle)
        return max(self.maccready_of_mps(low), 0.0)
