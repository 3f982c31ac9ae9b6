"""The figures of a stretch of a recording: of the whole, or of one of its flights."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

from vario.app.outputs.catalogue import output_beside
from vario.app.outputs.comparison import AIRBRAKES, ReferenceComparison
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading


class Figures:
    """Time in each mode, heights, and comparisons with references.

    Attributes:
        begin_s, end_s: of the stretch; None without readings.
        takeoff_s: first detected; None if the stretch begins in the air.
        landing_s: last detected; None if the stretch ends in the air.
        mode_s: seconds by name of the mode.
    """

    def __init__(self) -> None:
        self.begin_s: float | None = None
        self.end_s: float | None = None
        self.takeoff_s: float | None = None
        self.landing_s: float | None = None
        self.mode_s: dict[str, float] = {}
        self._mode: Mode | None = None
        self._mode_name = ""
        self._lowest_m, self._highest_m = math.inf, -math.inf
        self._airbrakes = False
        self._comparisons: dict[str, ReferenceComparison] = {}

    @property
    def duration_s(self) -> float:
        """Last minus first time."""
        return 0.0 if self.begin_s is None or self.end_s is None else self.end_s - self.begin_s

    def take(self, reading: Reading, step_s: float) -> None:
        """Add a reading; `step_s` is the time since the one before, 0 after a gap."""
        mode, t_s = reading.mode, reading.t_s
        if self.begin_s is None:
            self.begin_s = t_s
        self.end_s = t_s
        if mode is not self._mode:
            self._mode_name = mode.value
            if mode is Mode.LAUNCH and self.takeoff_s is None:
                self.takeoff_s = t_s
            self.landing_s = t_s if mode is Mode.GROUND and self._mode is not None else None
            self._mode = mode
        self.mode_s[self._mode_name] = self.mode_s.get(self._mode_name, 0.0) + step_s
        altitude_m = reading.energy.altitude_m
        if altitude_m is not None:
            self._lowest_m = min(self._lowest_m, altitude_m)
            self._highest_m = max(self._highest_m, altitude_m)

    def compare(self, name: str, value: float, reading: Reading) -> None:
        """Compare a reference value with the output of the instrument at that time."""
        if name == AIRBRAKES:
            self._airbrakes = value > 0.0
            return
        comparison = self._comparisons.get(name)
        if comparison is None:
            output = output_beside(name)
            if output is None:
                return
            comparison = self._comparisons[name] = ReferenceComparison(output)
        comparison.add(value, reading, airbrakes=self._airbrakes)

    def join(self, later: Figures) -> None:
        """Add the stretch that follows."""
        self.end_s = self.end_s if later.end_s is None else later.end_s
        self.landing_s = later.landing_s
        self._mode, self._mode_name = later._mode, later._mode_name
        for mode, seconds in later.mode_s.items():
            self.mode_s[mode] = self.mode_s.get(mode, 0.0) + seconds
        self._lowest_m = min(self._lowest_m, later._lowest_m)
        self._highest_m = max(self._highest_m, later._highest_m)
        for name, comparison in later._comparisons.items():
            known = self._comparisons.setdefault(name, comparison)
            if known is not comparison:
                known.join(comparison)

    def flight(self, start_utc: datetime | None) -> dict[str, Any]:
        """Times, heights and modes, as in summary.json."""
        return {
            "duration_s": round(self.duration_s, 2),
            "takeoff_s": _rounded(self.takeoff_s, 2),
            "landing_s": _rounded(self.landing_s, 2),
            "begin_utc": _utc(start_utc, self.begin_s),
            "takeoff_utc": _utc(start_utc, self.takeoff_s),
            "landing_utc": _utc(start_utc, self.landing_s),
            "lowest_m": _rounded(self._lowest_m, 1),
            "highest_m": _rounded(self._highest_m, 1),
            "mode_s": {mode: round(seconds, 2) for mode, seconds in self.mode_s.items()},
            "circling_share": self._circling_share(),
        }

    def references(self) -> dict[str, dict[str, Any]]:
        """Errors of the outputs against the reference values of the recording, by name of the reference."""
        return {name: comparison.result() for name, comparison in self._comparisons.items()}

    def _circling_share(self) -> float | None:
        circling, cruise = (self.mode_s.get(mode.value, 0.0) for mode in (Mode.CIRCLING, Mode.CRUISE))
        return round(circling / (circling + cruise), 3) if circling + cruise else None


def _utc(start: datetime | None, t_s: float | None) -> str | None:
    """The UTC of a time of the recording, to the second; None where one of the two is not known."""
    if start is None or t_s is None:
        return None
    return (start + timedelta(seconds=t_s)).isoformat(timespec="seconds")


def _rounded(value: float | None, decimals: int) -> float | None:
    return round(value, decimals) if value is not None and math.isfinite(value) else None
