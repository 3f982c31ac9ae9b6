"""Detect whether an engine ran, from the noise that a flight recorder logs.

Source: FAI/IGC "Technical Specification for IGC-approved GNSS Flight Recorders", appendix A7: ENL and MOP
are 000 to 999. From which value on an engine runs depends on the recorder; half the range is common practice,
no source.
"""

from __future__ import annotations

from hw_replay.igc_clock import DAY_S
from hw_replay.igc_records import Extensions

CODES = ("ENL", "MOP")
RUNS_FROM = 500
LEAST_RUN_S = 20.0
"""Noise shorter than this is a landing gear, a wheel on the ground or an open window."""


class EngineWatch:
    """Tracks ENL and MOP from fix to fix."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._last_s = 0.0
        self._runs_s: list[float] = []

    def take(self, line: str, extensions: Extensions, second_of_day: float) -> None:
        """One B record."""
        loud = False
        for code in CODES:
            extension = extensions.get(code)
            if extension is not None:
                text = line[extension.start : extension.stop]
                loud |= len(text) == 3 and text.isascii() and text.isdecimal() and int(text) >= RUNS_FROM
        if not loud:
            self._end()
        elif self._since_s is None:
            self._since_s = second_of_day
        self._last_s = second_of_day

    def notes(self) -> list[str]:
        """A sentence, if an engine probably ran."""
        self._end()
        if not self._runs_s:
            return []
        minutes = sum(self._runs_s) / 60.0
        return [
            f"the engine noise (ENL or MOP) is high for {minutes:.1f} min in {len(self._runs_s)} stretches: "
            "an engine probably ran, and climbs in that time are not lift"
        ]

    def _end(self) -> None:
        if self._since_s is not None:
            run_s = (self._last_s - self._since_s) % DAY_S
            if run_s >= LEAST_RUN_S:
                self._runs_s.append(run_s)
        self._since_s = None
