"""Rows for the picture of a flight, thinned so that memory stays bounded however long it is."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.trace import COLUMNS, TEXT_COLUMNS, Pacer, Value
from vario.flight.reading import Reading

MOST_ROWS = 20_000
"""About half an hour at 10 Hz; beyond it every second row goes and the rate is halved."""

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius (IUGG); the picture needs no better than a sphere."""


class TrackRows:
    """Collects the rows of the trace and the track on the ground, at a rate that adapts."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._pacer = Pacer(rate_hz)
        self._rows: list[tuple[Value, ...]] = []
        self._origin: tuple[float, float] | None = None

    def take(self, reading: Reading, values: Sequence[Value]) -> None:
        """Keep a reading for which the trace has a row, with the values of that, if it is due here too."""
        if not self._pacer.due(reading.t_s):
            return
        self._rows.append((*values, *self._metres(reading)))
        if len(self._rows) >= MOST_ROWS:
            self._rows = self._rows[::2]
            self._rate_hz /= 2
            self._pacer = Pacer(self._rate_hz)

    def columns(self) -> dict[str, NDArray[Any]]:
        """The columns by name: text for `TEXT_COLUMNS`, else floats with NaN for no data."""
        names = (*COLUMNS, "north_m", "east_m")
        by_column = list(zip(*self._rows, strict=True)) or [()] * len(names)
        return {
            name: np.array(values, dtype=str)
            if name in TEXT_COLUMNS
            else np.array([math.nan if value is None else value for value in values], dtype=float)
            for name, values in zip(names, by_column, strict=True)
        }

    def _metres(self, reading: Reading) -> tuple[float | None, float | None]:
        position = reading.position
        if position is None:
            return None, None
        if self._origin is None:
            self._origin = (position.lat_deg, position.lon_deg)
        lat_deg, lon_deg = self._origin
        north = math.radians(position.lat_deg - lat_deg) * EARTH_RADIUS_M
        turned_deg = math.remainder(position.lon_deg - lon_deg, 360.0)
        return north, math.radians(turned_deg) * EARTH_RADIUS_M * math.cos(math.radians(lat_deg))
