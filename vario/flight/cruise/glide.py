"""Glide to the goal: bearing, distance, glide ratios required and available, and arrival height.

The height is the GNSS altitude above mean sea level, because pressure altitude may be wrong by hundreds of
metres. The glide is computed for the block speed of the MacCready setting, limited to the rough-air speed,
and for the present wind. Lift and sink on the way are not known and not included. Without wind or polar, only
the values that need neither are given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.samples import GnssPos
from vario.flight.core.geodesy import great_circle
from vario.flight.core.polar import true_scale
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind

OLDEST_WIND_S = 600.0
"""An older wind is not used."""


@dataclass(frozen=True, slots=True)
class Glide:
    """Course and glide to the goal. None: not known, or the goal plus the reserve is above the glider.

    `bearing_rad` is from true north, 0 to 2π. `required` and `available` are distance over height; `required`
    is to the reserve height above the goal. `above_reserve_m` is the arrival height above the goal's
    elevation minus the reserve: at 0 the glider arrives with exactly the reserve.
    """

    bearing_rad: float
    distance_m: float
    required: float | None
    available: float | None
    above_reserve_m: float | None


def over_ground_mps(tas_mps: float, along_mps: float, across_mps: float) -> float | None:
    """Ground speed along a course in a wind; None if the course cannot be flown in this wind."""
    if abs(across_mps) >= tas_mps:
        return None
    speed_mps = math.sqrt(tas_mps**2 - across_mps**2) + along_mps
    return speed_mps if speed_mps > 0.0 else None


class GlideStage:
    """Computes the glide to the goal."""

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)

    def configure(self, setup: Setup) -> None:
        """Take a changed goal, MacCready value, polar or limits."""
        self._goal = setup.settings.goal
        # The air on the way may be rough.
        self._fastest_mps = setup.limits.rough_air_mps if setup.limits else math.inf
        self._maccready_mps = setup.maccready_mps
        self._polar = setup.polar

    def reset(self, reason: ResetReason) -> None:
        """Nothing to reset: each frame is computed by itself."""

    def update(
        self, position: GnssPos | None, wind: Wind | None, density_kgpm3: float | None
    ) -> Glide | None:
        """One frame; None without goal or position."""
        goal = self._goal
        if position is None or goal.latitude is None or goal.longitude is None or goal.elevation_m is None:
            return None
        distance_m, bearing_rad = great_circle(
            position.lat_deg, position.lon_deg, goal.latitude, goal.longitude
        )
        height_m = position.altitude_m - goal.elevation_m - goal.reserve_m
        available = self._available(bearing_rad, wind, density_kgpm3)
        return Glide(
            bearing_rad,
            distance_m,
            distance_m / height_m if height_m > 0.0 else None,
            available,
            None if available is None else height_m - distance_m / available,
        )

    def _available(self, bearing_rad: float, wind: Wind | None, density_kgpm3: float | None) -> float | None:
        """Distance over height along the bearing at the block speed."""
        if self._polar is None or wind is None or wind.age_s > OLDEST_WIND_S or density_kgpm3 is None:
            return None
        scale = true_scale(density_kgpm3)
        eas_mps = min(self._polar.speed_for_mps(self._maccready_mps, density_kgpm3), self._fastest_mps)
        along = wind.north_mps * math.cos(bearing_rad) + wind.east_mps * math.sin(bearing_rad)
        across = wind.east_mps * math.cos(bearing_rad) - wind.north_mps * math.sin(bearing_rad)
        speed_mps = over_ground_mps(scale * eas_mps, along, across)
        return None if speed_mps is None else speed_mps / (scale * self._polar.sink_mps(eas_mps))
