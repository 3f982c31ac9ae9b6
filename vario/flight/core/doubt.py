"""A doubt about a sensor: a contradiction begins it, and readings that agree for long enough end it."""

from __future__ import annotations

FIRST_S, LONGER, LONGEST_S = 20.0, 2.0, 600.0
"""The readings must agree for the first time, and after each further contradiction for longer."""


class Doubt:
    """Whether a sensor is doubted; `first_s`: how long its readings must agree for the first time."""

    def __init__(self, first_s: float = FIRST_S) -> None:
        self._needed_s = first_s
        self._left_s = self._full_s = 0.0

    @property
    def active(self) -> bool:
        """Whether the sensor is doubted."""
        return self._left_s > 0.0

    def begin(self) -> None:
        """A contradiction begins a doubt, if there is none."""
        if self._left_s <= 0.0:
            self._left_s = self._full_s = self._needed_s
            self._needed_s = min(LONGER * self._needed_s, LONGEST_S)

    def follow(self, dt_s: float, *, agrees: bool) -> bool:
        """Process a comparison of the readings; returns whether the sensor is still doubted."""
        if self._left_s > 0.0:
            self._left_s = self._left_s - dt_s if agrees else self._full_s
        return self._left_s > 0.0
