"""Glide to the goal: bearing, distance, glide ratios required and available, and arrival height.

All of it is arithmetic: it knows no terrain, no obstacles and no airspace.

The height is the GNSS altitude above mean sea level, because pressure altitude may be wrong by hundreds of
metres. The height that the glider gains or loses by the change from its airspeed to that of the glide (energy
height, V²/2g) is added. The glide is flown at the speed of the MacCready setting, but never slower than the
speed that uses the least height over ground: against a head wind that is faster than the best glide in still
air (FAA-H-8083-13, chapter 4, speed to fly in wind). The air on the way sinks by the setting `sink`. The wind
is the present one, with its uncertainty. Without wind or polar, only the values that need neither are given.
"""

from __future__ import annotations

import math
from enum import Enum, auto
from typing import Any

from drivers.quick import dataclass
from drivers.samples import GnssPos
from vario.flight.core.geodesy import great_circle
from vario.flight.core.polar import true_scale
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.cruise.glide_speed import GlideThrough
from vario.flight.cruise.speed_to_fly import STALL_MARGIN
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind

OLDEST_WIND_S = 600.0
"""A wind older than this is not used."""

MARGIN_M = 30.0
"""The glide counts as made from this height above the reserve on, or one sigma of the wind if that is more;
as lost from the reserve downwards."""

HELD_S = 5.0
"""For this long a glide must be made or lost, so that a single position does not decide."""

THERE_M = 1500.0
"""Nearer to the goal than this, a glider that circles down to land has not lost the glide."""


@dataclass(frozen=True, slots=True)
class FinalGlide:
    """Course and glide to the goal. None: not known, or the goal plus the reserve is above the glider.

    Attributes:
        bearing_rad: from true north, 0 to 2π.
        required, available: distance over height; `required` is to the reserve height above the goal.
        above_reserve_m: arrival height above the goal's elevation minus the reserve: at 0 the glider arrives
            with exactly the reserve.
        sigma_m: standard deviation of it from the uncertainty of the wind.
        energy_m: height gained by the change to the speed of the glide, included in `above_reserve_m`.
        speed_mps: indicated airspeed of the glide.
        maccready_mps: the MacCready value whose speed in still air is the one of the glide; it is the pilot's
            value unless a wind needs another one.
        required_maccready_mps: the highest MacCready value with which the goal is reached with the reserve;
            None if it is not reached with any.
        made: the glide is made, with hysteresis; None while it is not judged: before free flight, or on the
            approach.
        latitude_deg, longitude_deg: the goal.
    """

    bearing_rad: float
    distance_m: float
    required: float | None
    available: float | None
    above_reserve_m: float | None
    sigma_m: float | None = None
    energy_m: float | None = None
    speed_mps: float | None = None
    maccready_mps: float | None = None
    required_maccready_mps: float | None = None
    made: bool | None = None
    latitude_deg: float = 0.0
    longitude_deg: float = 0.0


class Arrival(Enum):
    """Whether the goal is within reach."""

    NOT_MADE = auto()
    MADE = auto()


@dataclass(frozen=True, slots=True)
class ArrivalInputs:
    """The inputs of the guards: arrival height above the reserve, its sigma, and distance."""

    above_m: float | None
    sigma_m: float
    distance_m: float


def made(i: ArrivalInputs) -> bool:
    """Over 1.5 km away, the arrival height is above the reserve by 30 m, and by one sigma of the wind."""
    high = i.above_m is not None and i.above_m > max(MARGIN_M, i.sigma_m)
    return high and i.distance_m > THERE_M


def lost(i: ArrivalInputs) -> bool:
    """Over 1.5 km away, the arrival height is below the reserve."""
    return i.above_m is not None and i.above_m < 0.0 and i.distance_m > THERE_M


TRANSITIONS = (
    Transition(Arrival.NOT_MADE, Arrival.MADE, made, HELD_S),
    Transition(Arrival.MADE, Arrival.NOT_MADE, lost, HELD_S),
)


class GlideStage:
    """Computes the glide to the goal, with every new position."""

    def __init__(self, setup: Setup) -> None:
        self._arrival = StateTable(TRANSITIONS)
        self._goal = setup.settings.goal
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed goal, MacCready value, polar or limits."""
        if setup.settings.goal != self._goal:
            self._arrival.enter(Arrival.NOT_MADE)
        self._goal = setup.settings.goal
        # The air on the way may be rough.
        self._fastest_mps = setup.limits.rough_air_mps if setup.limits else math.inf
        self._slowest_mps = STALL_MARGIN * (setup.stall_mps or 0.0)
        self._maccready_mps = setup.maccready_mps
        self._polar = setup.polar
        self._position: GnssPos | None = None

    def reset(self, reason: ResetReason) -> None:
        """The glide is judged again."""
        self._arrival.enter(Arrival.NOT_MADE)
        self._position = None
        self._glide: FinalGlide | None = None
        self._altitude_known = True
        self._waited_s = 0.0

    def update(
        self,
        position: GnssPos | None,
        wind: Wind | None,
        energy: Energy,
        mode: Mode,
        dt_s: float = 0.0,
        *,
        altitude_known: bool = True,
    ) -> FinalGlide | None:
        """One frame; None without goal or position. Without a known altitude, no height is given."""
        self._waited_s += dt_s
        if altitude_known is not self._altitude_known:
            self._altitude_known, self._glide = altitude_known, None
        if position is None:
            self._glide, self._waited_s = None, 0.0
        elif position is not self._position or self._glide is None:
            self._glide = self._update(position, wind, energy, mode)
            self._waited_s = 0.0
        self._position = position
        return self._glide

    def _update(self, position: GnssPos, wind: Wind | None, energy: Energy, mode: Mode) -> FinalGlide | None:
        goal = self._goal
        if goal.latitude is None or goal.longitude is None or goal.elevation_m is None:
            return None
        distance_m, bearing_rad = great_circle(
            position.lat_deg, position.lon_deg, goal.latitude, goal.longitude
        )
        if not self._altitude_known:
            return FinalGlide(bearing_rad, distance_m, None, None, None, **self._place())
        height_m = position.altitude_m - goal.elevation_m - goal.reserve_m
        required = distance_m / height_m if height_m > 0.0 else None
        through = self._through(bearing_rad, wind, energy.density_kgpm3)
        best_mps = None if through is None else through.best_mps(self._slowest_mps, self._fastest_mps)
        if through is None or best_mps is None or wind is None:
            made = self._judge(ArrivalInputs(None, 0.0, distance_m), mode)
            return FinalGlide(bearing_rad, distance_m, required, None, None, made=made, **self._place())
        maccready_mps = through.maccready_of_mps(best_mps)
        if self._maccready_mps > 0.0:
            maccready_mps = max(maccready_mps, self._maccready_mps)
        speed_mps = max(min(through.speed_for_mps(maccready_mps), self._fastest_mps), self._slowest_mps)
        slope = through.slope(speed_mps)
        if slope is None:
            made = self._judge(ArrivalInputs(None, 0.0, distance_m), mode)
            return FinalGlide(bearing_rad, distance_m, required, None, None, made=made, **self._place())
        energy_m = through.exchange_m(energy.tas_mps, speed_mps)
        above_m = height_m + energy_m - distance_m * slope
        sigma_m = distance_m * slope / through.over_ground(speed_mps) * wind.sigma_mps
        return FinalGlide(
            bearing_rad,
            distance_m,
            required,
            1.0 / slope,
            above_m,
            sigma_m,
            energy_m,
            speed_mps,
            maccready_mps,
            through.required_maccready_mps(distance_m, height_m, energy.tas_mps, best_mps, self._fastest_mps),
            self._judge(ArrivalInputs(above_m, sigma_m, distance_m), mode),
            **self._place(),
        )

    def _place(self) -> dict[str, Any]:
        goal = self._goal
        return {"latitude_deg": goal.latitude or 0.0, "longitude_deg": goal.longitude or 0.0}

    def _through(self, bearing_rad: float, wind: Wind | None, density: float | None) -> GlideThrough | None:
        """The air along the bearing; None if polar, wind or density are not known."""
        if self._polar is None or wind is None or wind.age_s > OLDEST_WIND_S or density is None:
            return None
        along = wind.north_mps * math.cos(bearing_rad) + wind.east_mps * math.sin(bearing_rad)
        across = wind.east_mps * math.cos(bearing_rad) - wind.north_mps * math.sin(bearing_rad)
        return GlideThrough(self._polar, true_scale(density), along, across, self._goal.sink_mps)

    def _judge(self, found: ArrivalInputs, mode: Mode) -> bool | None:
        if mode in (Mode.GROUND, Mode.LAUNCH):
            self._arrival.enter(Arrival.NOT_MADE)
            return None
        if mode is Mode.APPROACH:
            return None
        self._arrival.update(found, self._waited_s)
        return self._arrival.state is Arrival.MADE


TOWARDS_RAD = math.radians(45.0)
"""Within this angle of the bearing, the glider is flying to the goal."""


def goal_maccready_mps(glide: FinalGlide | None, turning: Turning) -> float | None:
    """The MacCready value for the speed to fly where it is that of the glide: on the way to the goal."""
    if glide is None or glide.maccready_mps is None or not turning.from_north:
        return None
    off_rad = math.remainder(glide.bearing_rad - turning.heading_rad, math.tau)
    return glide.maccready_mps if abs(off_rad) < TOWARDS_RAD else None
