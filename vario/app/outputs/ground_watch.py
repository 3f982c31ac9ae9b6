"""Detect height changes in ground mode and slow flights: the mode and the motion do not agree."""

from __future__ import annotations

import math

from vario.flight.motion.mode import FLYING_MPS, Mode
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits, Measure

LEAST_M = 150.0
"""The weather changes the pressure altitude of a standing glider by less in a day (common practice, no
source)."""


SHORTEST_S = 60.0


class GroundWatch:
    """Follows the height in each stretch of ground mode, and the speed in each stretch of the others."""

    def __init__(self, units: DisplayUnits) -> None:
        self._units = units
        self._low_m, self._high_m = math.inf, -math.inf
        self._from_s = self._to_s = 0.0
        self._flown_s = 0.0
        self._most_m = 0.0
        self._fastest_mps = 0.0
        self._up_since_s: float | None = None
        self._slow_s = 0.0

    def take(self, reading: Reading) -> None:
        """One reading."""
        altitude_m = reading.energy.altitude_m
        if reading.mode is not Mode.GROUND:
            self._end_stretch()
            self._take_speed(reading)
            return
        self._end_flight(reading.t_s)
        if altitude_m is not None:
            if self._low_m == math.inf:
                self._from_s = reading.t_s
            self._low_m, self._high_m = min(self._low_m, altitude_m), max(self._high_m, altitude_m)
            self._to_s = reading.t_s

    def warnings(self) -> list[str]:
        """One sentence if the height changed in ground mode. The present stretch ends."""
        self._end_stretch()
        if not self._flown_s:
            return []
        return [
            f"the height changes by {self._units.shown(Measure.HEIGHT, self._most_m)} in "
            f"{self._flown_s / 60.0:.0f} min of mode ground: "
            "it was probably flown slowly; a glider file with its stall speed tells flight from driving"
        ]

    def doubts(self, end_s: float, *, has_glider: bool) -> list[str]:
        """One sentence if something flew that was never as fast as a glider. A glider file tells better."""
        self._end_flight(end_s)
        if has_glider or not self._slow_s:
            return []
        return [
            f"{self._slow_s / 60.0:.0f} min count as flown because of the height alone, never faster than "
            f"{self._units.shown(Measure.SPEED, FLYING_MPS)}: a car on a steep road looks the same; a glider "
            "file with its stall speed tells flight from driving"
        ]

    def _take_speed(self, reading: Reading) -> None:
        if self._up_since_s is None:
            self._up_since_s, self._fastest_mps = reading.t_s, 0.0
        velocity = reading.ground_velocity
        ground_mps = math.hypot(velocity.north_mps, velocity.east_mps) if velocity is not None else 0.0
        self._fastest_mps = max(self._fastest_mps, ground_mps, reading.energy.tas_mps or 0.0)

    def _end_flight(self, t_s: float) -> None:
        since_s, self._up_since_s = self._up_since_s, None
        if since_s is not None and t_s - since_s > SHORTEST_S and self._fastest_mps < FLYING_MPS:
            self._slow_s += t_s - since_s

    def _end_stretch(self) -> None:
        changed_m = self._high_m - self._low_m
        if changed_m > LEAST_M:
            self._flown_s += self._to_s - self._from_s
            self._most_m = max(self._most_m, changed_m)
        self._low_m, self._high_m = math.inf, -math.inf
