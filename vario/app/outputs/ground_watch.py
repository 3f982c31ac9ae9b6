"""Detect height changes in ground mode, which are probably a flight that was not detected."""

from __future__ import annotations

import math

from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

LEAST_M = 150.0
"""The weather changes the pressure altitude of a standing glider by less in a day (common practice, no
source)."""


class GroundWatch:
    """Follows the height in each stretch of ground mode."""

    def __init__(self) -> None:
        self._low_m, self._high_m = math.inf, -math.inf
        self._from_s = self._to_s = 0.0
        self._flown_s = 0.0
        self._most_m = 0.0

    def take(self, reading: Reading) -> None:
        """One reading."""
        altitude_m = reading.energy.altitude_m
        if reading.mode is not Mode.GROUND:
            self._end_stretch()
        elif altitude_m is not None:
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
            f"the height changes by {self._most_m:.0f} m in {self._flown_s / 60.0:.0f} min of mode ground: "
            "it was probably flown slowly; a glider file with its stall speed tells flight from driving"
        ]

    def _end_stretch(self) -> None:
        changed_m = self._high_m - self._low_m
        if changed_m > LEAST_M:
            self._flown_s += self._to_s - self._from_s
            self._most_m = max(self._most_m, changed_m)
        self._low_m, self._high_m = math.inf, -math.inf
