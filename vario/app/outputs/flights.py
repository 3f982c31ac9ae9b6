"""The flights of a recording that holds several."""

from __future__ import annotations

from datetime import datetime

from vario.app.outputs.flight_time import utc_or_clock
from vario.flight.motion.mode import Mode

SHORTEST_S = 120.0
SHORTEST_STOP_S = 120.0
"""Ground mode for less than this between two flights is one flight: a hover in strong wind, a touch of the
ground."""

MOST_NAMED = 5


class Flights:
    """Follows the changes between ground mode and the others."""

    def __init__(self) -> None:
        self._flights: list[tuple[float, float | None]] = []
        self._on_ground = True

    def take(self, mode: Mode, t_s: float) -> None:
        """A change of mode."""
        on_ground = mode is Mode.GROUND
        if on_ground == self._on_ground:
            return
        self._on_ground = on_ground
        if on_ground:
            self._flights[-1] = self._flights[-1][0], t_s
            return
        begin_s = t_s
        if self._flights:
            last_s, landed_s = self._flights[-1]
            again = landed_s is not None and t_s - landed_s < SHORTEST_STOP_S
            if again:
                begin_s = last_s
                del self._flights[-1]
        self._flights.append((begin_s, None))

    def times(self, end_s: float) -> list[tuple[float, float]]:
        """Begin and end of each flight; the last may end with the recording."""
        times = [(begin_s, end_s if ended_s is None else ended_s) for begin_s, ended_s in self._flights]
        return [flight for flight in times if flight[1] - flight[0] >= SHORTEST_S]

    def warnings(self, end_s: float, start_utc: datetime | None) -> list[str]:
        """A sentence, if there are several flights."""
        times = self.times(end_s)
        if len(times) < 2:
            return []

        named = ", ".join(
            f"{utc_or_clock(begin_s, start_utc)} to {utc_or_clock(ended_s, start_utc)}"
            for begin_s, ended_s in times[:MOST_NAMED]
        )
        more = f" and {len(times) - MOST_NAMED} more" if len(times) > MOST_NAMED else ""
        return [
            f"the recording holds {len(times)} flights ({named}{more}{' UTC' if start_utc else ''}): "
            "take-off is that of the first and landing that of the last; --from and --to pick one"
        ]
