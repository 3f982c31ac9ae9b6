"""The flights of a recording that contains several."""

from __future__ import annotations

from datetime import datetime

from vario.app.outputs.figures import Figures
from vario.app.outputs.flight_time import hours_utc
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading

SHORTEST_S = 120.0
SHORTEST_STOP_S = 120.0
"""If the ground mode between two flights is shorter than this, they are one flight: a hover in strong wind,
or a touch of the ground.
"""

MOST_NAMED = 5


class Flights:
    """Tracks the changes between ground mode and the other modes, with the figures of each flight."""

    def __init__(self) -> None:
        self._flights: list[Figures] = []
        self._on_ground = True
        self._now = Figures()

    def take(self, reading: Reading, step_s: float) -> None:
        """The next reading; `step_s` is the time since the one before, 0 after a gap."""
        on_ground = reading.mode is Mode.GROUND
        if on_ground != self._on_ground:
            self._on_ground = on_ground
            if on_ground:
                self._now.end_s = self._now.landing_s = reading.t_s
                self._now = Figures()
            else:
                self._take_off(reading.t_s)
        self._now.take(reading, step_s)

    def compare(self, name: str, value: float, reading: Reading) -> None:
        """Compare a reference value with the output of the instrument at that time."""
        self._now.compare(name, value, reading)

    def _take_off(self, t_s: float) -> None:
        """Begin a flight, or go on with the last one after a short stop."""
        stop, self._now = self._now, Figures()
        last = self._flights[-1] if self._flights else None
        if last is not None and last.landing_s is not None and t_s - last.landing_s < SHORTEST_STOP_S:
            self._now = last
            last.join(stop)
        else:
            self._flights.append(self._now)

    def all(self) -> list[Figures]:
        """Every flight that was long enough; the last may end with the recording."""
        return [flight for flight in self._flights if flight.duration_s >= SHORTEST_S]

    def warnings(self, start_utc: datetime | None) -> list[str]:
        """A sentence, if there are several flights."""
        flights = self.all()
        if len(flights) < 2:
            return []
        named = ", ".join(
            f"{hours_utc(one.begin_s or 0.0, start_utc)} to {hours_utc(one.end_s or 0.0, start_utc)}"
            for one in flights[:MOST_NAMED]
        )
        more = f" and {len(flights) - MOST_NAMED} more" if len(flights) > MOST_NAMED else ""
        return [
            f"the recording holds {len(flights)} flights ({named}{more}{' UTC' if start_utc else ''}): "
            "take-off is that of the first and landing that of the last; --from and --to select one"
        ]
