"""Height above the field of departure, as long as the glider is near it.

The pressure altitude on the ground before take-off is that of the field. The pressure at sea level changes by
some hectopascals in a day: 1 hPa is 8 m. Nothing is known of the ground elsewhere.
"""

from __future__ import annotations

from drivers.samples import GnssPos
from vario.flight.core.geodesy import great_circle

NEAR_M = 4000.0
"""Further away the ground may have another height: the circuit of a glider is flown well within this distance
(common practice, no source)."""


class FieldWatch:
    """Stores the altitude and the position of the field."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """No field is known."""
        self._altitude_m: float | None = None
        self._place: GnssPos | None = None
        self._near = True

    def stand(self, altitude_m: float | None, position: GnssPos | None) -> None:
        """The glider stands on the ground."""
        if altitude_m is not None:
            self._altitude_m = altitude_m
        if position is not None:
            self._place = position

    def move(self, position: GnssPos) -> None:
        """A new position in flight."""
        if self._place is not None:
            here = (position.lat_deg, position.lon_deg)
            self._near = great_circle(*here, self._place.lat_deg, self._place.lon_deg)[0] < NEAR_M

    def above_m(self, altitude_m: float | None) -> float | None:
        """Height above the field; None: not known, or not near it. Without positions it is taken as near."""
        if altitude_m is None or self._altitude_m is None or not self._near:
            return None
        return altitude_m - self._altitude_m
