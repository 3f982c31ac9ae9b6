"""Position of the glider in metres, and the drift of the air in the same frame.

With GNSS, positions are relative to the ground and the air drifts with the wind. Without GNSS, they are
computed by dead reckoning from airspeed and heading, relative to the air; centring needs no more than that.
"""

from __future__ import annotations

import math

from drivers.quick import dataclass
from drivers.samples import GnssPos, GnssVel
from vario.flight.core.geodesy import offset_m
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind

AHEAD_S = 2.0
"""A position is extrapolated with its velocity for this long."""


@dataclass(frozen=True, slots=True)
class Place:
    """A position in the frame of reference numbered `frame`; different frames cannot be compared.

    "North" is the zero of `Turning.heading_rad`; it is true north only if `Turning.from_north` is set.
    `drift_north_mps`, `drift_east_mps` is the velocity of the air in this frame: the wind, or 0 if the frame
    is the air itself or the wind is not known.
    """

    north_m: float
    east_m: float
    frame: int
    drift_north_mps: float
    drift_east_mps: float


class PlaceStage:
    """Tracks the position."""

    def __init__(self, setup: Setup) -> None:
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Start a new frame of reference at the next known position."""
        self._frame = 0
        self._by_gnss: bool | None = None
        self._from_north = False
        self._north_m = 0.0
        self._east_m = 0.0
        self._fix: GnssPos | None = None
        self._velocity: GnssVel | None = None

    def update(self, inputs: Inputs, energy: Energy, turning: Turning, wind: Wind | None) -> Place | None:
        """One frame; None where there is neither GNSS nor airspeed with heading."""
        for velocity in inputs.frame.gnss_vel:
            self._velocity = velocity
        if not inputs.has_gnss:
            self._velocity = None  # positions may continue without velocities
        for fix in inputs.frame.gnss_pos:
            self._take(fix)
        now_s = inputs.frame.t_s
        here = inputs.has_gnss or inputs.has_position
        if self._fix is not None and (not here or now_s - self._fix.t_s > 10.0):
            self._fix = self._velocity = None
        if self._fix is not None:
            return self._over_ground(now_s, self._fix, wind)
        return self._in_air(inputs, energy, turning)

    def _take(self, fix: GnssPos) -> None:
        if self._by_gnss is not True:
            self._by_gnss = True
            self._frame += 1
        if self._fix is not None:
            # Step by step, so that the scale is right however far the flight goes.
            north_m, east_m = offset_m(self._fix.lat_deg, self._fix.lon_deg, fix.lat_deg, fix.lon_deg)
            self._north_m += north_m
            self._east_m += east_m
        self._fix = fix

    def _over_ground(self, now_s: float, fix: GnssPos, wind: Wind | None) -> Place:
        north_m, east_m = self._north_m, self._east_m
        if self._velocity is not None:
            ahead_s = max(0.0, min(now_s - fix.t_s, AHEAD_S))
            north_m += self._velocity.north_mps * ahead_s
            east_m += self._velocity.east_mps * ahead_s
        drift_north, drift_east = (0.0, 0.0) if wind is None else (wind.north_mps, wind.east_mps)
        return Place(north_m, east_m, self._frame, drift_north, drift_east)

    def _in_air(self, inputs: Inputs, energy: Energy, turning: Turning) -> Place | None:
        if energy.tas_mps is None or not inputs.has_imu:
            self._by_gnss = None
            return None
        if self._by_gnss is not False or self._from_north is not turning.from_north:
            self._by_gnss = False
            self._from_north = turning.from_north
            self._frame += 1
        step_m = energy.tas_mps * inputs.frame.dt_s
        self._north_m += step_m * math.cos(turning.heading_rad)
        self._east_m += step_m * math.sin(turning.heading_rad)
        return Place(self._north_m, self._east_m, self._frame, 0.0, 0.0)
