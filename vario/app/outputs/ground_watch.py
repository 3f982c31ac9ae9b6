"""Find stretches in which the mode contradicts height and track, and flights that were slow."""

from __future__ import annotations

import math

from drivers.samples import GnssPos
from vario.flight.core.geodesy import offset_m
from vario.flight.motion.flying import FlyingSpeed, SpeedOrigin
from vario.flight.motion.mode import FLYING_MPS, Mode
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits, Measure

LEAST_M = 150.0
"""In a day, the weather changes the pressure altitude of a standing glider by less than this (common
practice, no source).
"""

SHORTEST_S = 60.0

SLOW_MPS = 12.0
"""A sailplane flies faster than this (common practice, no source)."""

STAYS_M, STAYS_HEIGHT_M, STAYS_S = 100.0, 20.0, 600.0
"""No pilot keeps place and height so constant for so long in flight (common practice, no source)."""


class GroundWatch:
    """Tracks height and speed in each period of ground mode, and speed and place in each of the others."""

    def __init__(self, units: DisplayUnits) -> None:
        self._units = units
        self._low_m, self._high_m = math.inf, -math.inf
        self._from_s = self._to_s = 0.0
        self._flown_s = 0.0
        self._most_m = 0.0
        self._ground_fast_s = self._ground_fastest_mps = 0.0
        self._fastest_mps = 0.0
        self._up_since_s: float | None = None
        self._slow_s = 0.0
        self._place: tuple[float, float, float] | None = None
        self._place_since_s = 0.0
        self._position: GnssPos | None = None
        self._apart_m = 0.0
        self._stays_s = self._stayed_s = 0.0
        self._last_s: float | None = None

    def take(self, reading: Reading, step_s: float) -> None:
        """One reading; `step_s` is the time since the one before, 0 after a gap."""
        self._last_s = reading.t_s
        velocity = reading.ground_velocity
        ground_mps = velocity.speed_mps if velocity is not None else 0.0
        if reading.mode is not Mode.GROUND:
            self._end_stretch()
            if self._up_since_s is None:
                self._up_since_s, self._fastest_mps = reading.t_s, 0.0
            self._fastest_mps = max(self._fastest_mps, ground_mps, reading.energy.tas_mps or 0.0)
            self._take_place(reading)
            return
        self._end_flight(reading.t_s)
        if ground_mps > FLYING_MPS:
            self._ground_fast_s += step_s
            self._ground_fastest_mps = max(self._ground_fastest_mps, ground_mps)
        altitude_m = reading.energy.altitude_m
        if altitude_m is not None:
            if self._low_m == math.inf:
                self._from_s = reading.t_s
            self._low_m, self._high_m = min(self._low_m, altitude_m), max(self._high_m, altitude_m)
            self._to_s = reading.t_s

    def warnings(self, flying: FlyingSpeed) -> list[str]:
        """A sentence for each kind of contradiction. The present period ends."""
        self._end_stretch()
        if self._last_s is not None:
            self._end_flight(self._last_s)
        found = []
        if self._flown_s:
            found.append(
                f"the height changes by {self._units.shown(Measure.HEIGHT, self._most_m)} in "
                f"{self._flown_s / 60.0:.0f} min of mode ground: it was probably flown slowly; "
                "set flight.flying_speed, or name a glider file with its stall speed"
            )
        if self._ground_fast_s > SHORTEST_S:
            found.append(
                f"mode ground contains {self._ground_fast_s / 60.0:.0f} min of moving over ground at up to "
                f"{self._units.shown(Measure.SPEED, self._ground_fastest_mps)} with little "
                "airspeed: driving, or a flight with a blocked airspeed sensor"
            )
        if self._stayed_s:
            found.append(
                f"neither place nor height changes in {self._stayed_s / 60.0:.0f} min that count as flown: "
                "the glider was probably parked, and the airspeed wrong"
            )
        if flying.origin is SpeedOrigin.FILE and flying.speed_mps < SLOW_MPS:
            found.append(
                f"the glider counts as flying above {self._units.shown(Measure.SPEED, flying.speed_mps)}, "
                "learned from heights and speeds of this file: a car on a steep road looks the same; "
                "flight.flying_speed or a glider file is more reliable"
            )
        elif flying.origin is SpeedOrigin.USUAL and self._slow_s:
            found.append(
                f"{self._slow_s / 60.0:.0f} min count as flown because of the height alone, never faster "
                f"than {self._units.shown(Measure.SPEED, FLYING_MPS)}: a car on a steep road looks the same; "
                "flight.flying_speed or a glider file is more reliable"
            )
        return found

    def _take_place(self, reading: Reading) -> None:
        """Follow how long the glider has stayed at one place and height."""
        position, altitude_m = reading.position, reading.energy.altitude_m
        if position is None or altitude_m is None:
            self._end_stay()
            return
        here = (position.lat_deg, position.lon_deg, altitude_m)
        if self._place is not None:
            if position is not self._position:
                self._apart_m = math.hypot(*offset_m(self._place[0], self._place[1], here[0], here[1]))
                self._position = position
            if self._apart_m < STAYS_M and abs(altitude_m - self._place[2]) < STAYS_HEIGHT_M:
                self._stays_s = reading.t_s - self._place_since_s
                return
        self._end_stay()
        self._place, self._place_since_s = here, reading.t_s
        self._position, self._apart_m = position, 0.0

    def _end_stay(self) -> None:
        if self._stays_s > STAYS_S:
            self._stayed_s += self._stays_s
        self._place, self._stays_s = None, 0.0

    def _end_flight(self, t_s: float) -> None:
        self._end_stay()
        since_s, self._up_since_s = self._up_since_s, None
        if since_s is not None and t_s - since_s > SHORTEST_S and self._fastest_mps < FLYING_MPS:
            self._slow_s += t_s - since_s

    def _end_stretch(self) -> None:
        changed_m = self._high_m - self._low_m
        if changed_m > LEAST_M:
            self._flown_s += self._to_s - self._from_s
            self._most_m = max(self._most_m, changed_m)
        self._low_m, self._high_m = math.inf, -math.inf
