"""Collect the distribution of the lift around the circle for each climb during the flight."""

from __future__ import annotations

from collections import deque
from typing import Any

from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.flight.thermal.circle import Circle
from vario.flight.thermal.climbs import Climb

EVERY_S = 5.0
MOST_KEPT = 720
"""One hour of circling. A climb is matched with its picture within minutes of its end."""

STEADY_S = 3.0
"""The picture is taken at least this long before the end, because the glider leaves the circle before the
end.
"""


class CirclePictures:
    """Collects pictures while circling. Memory is bounded."""

    def __init__(self) -> None:
        self._kept: deque[tuple[float, Circle]] = deque(maxlen=MOST_KEPT)

    def take(self, reading: Reading) -> None:
        """Add one reading."""
        circle = reading.thermal.circle
        if circle is None or reading.mode is not Mode.CIRCLING:
            return
        if not self._kept or reading.t_s - self._kept[-1][0] >= EVERY_S:
            self._kept.append((reading.t_s, circle))

    def of(self, climb: Climb) -> dict[str, Any] | None:
        """The last picture of a climb, as plain values for `report`; None if there is none."""
        found = [c for t_s, c in self._kept if climb.start_s <= t_s <= climb.end_s - STEADY_S]
        if not found:
            return None
        circle = found[-1]
        return {
            "mean_mps": list(circle.mean_mps),
            "middle_mps": circle.middle_mps,
            "asymmetry_mps": circle.asymmetry_mps,
            "towards_rad": circle.roll_out_heading_rad,
            "right": circle.right,
            "from_north": circle.from_north,
        }
