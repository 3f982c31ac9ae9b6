"""The columns of the page, gathered while the readings go by; memory stays bounded however long it takes."""

from __future__ import annotations

import math
from array import array
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from vario.app.page.innovations import Innovations
from vario.app.page.pack import packed
from vario.app.trace import Pacer
from vario.flight.reading import Reading

MOST_ROWS = 60_000
"""5 hours at 3 rows a second. Beyond it every second row goes and the rate is halved."""

EARTH_RADIUS_M = 6_371_008.8
"""Mean radius (IUGG); a map of one flight needs no better than a sphere."""

_KMPH = 3.6
_DEG = math.degrees(1.0)


@dataclass(frozen=True, slots=True)
class Column:
    """A value of the page: where it comes from, the factor to the unit shown, and the finest step kept."""

    value_of: Callable[[Reading], float | None]
    factor: float = 1.0
    step: float = 0.01


def _wind_speed(r: Reading) -> float | None:
    return None if r.wind is None else math.hypot(r.wind.north_mps, r.wind.east_mps)


def _wind_from(r: Reading) -> float | None:
    return None if r.wind is None else math.atan2(-r.wind.east_mps, -r.wind.north_mps) % math.tau


def _axis(
    vector_of: Callable[[Reading], tuple[float, float, float] | None], index: int
) -> Callable[[Reading], float | None]:
    def value_of(r: Reading) -> float | None:
        vector = vector_of(r)
        return None if vector is None else vector[index]

    return value_of


COLUMNS: dict[str, Column] = {
    "altitude": Column(lambda r: r.energy.altitude_m, step=0.1),
    "vario": Column(lambda r: r.energy.vario_mps),
    "average": Column(lambda r: r.averages.average_mps),
    "turn_average": Column(lambda r: r.averages.turn_mps),
    "netto": Column(lambda r: r.air.netto_mps),
    "ias": Column(lambda r: r.energy.ias_mps, _KMPH, 0.1),
    "tas": Column(lambda r: r.energy.tas_mps, _KMPH, 0.1),
    "speed_to_fly": Column(lambda r: r.speed_to_fly_mps, _KMPH, 0.1),
    "bank": Column(lambda r: None if r.attitude is None else r.attitude.bank_rad, _DEG, 0.1),
    "pitch": Column(lambda r: None if r.attitude is None else r.attitude.pitch_rad, _DEG, 0.1),
    "wind_speed": Column(_wind_speed, _KMPH, 0.1),
    "wind_from": Column(_wind_from, _DEG, 0.5),
    "gust_free": Column(lambda r: r.monitor.gust_free_mps),
    "airspeed_based": Column(lambda r: r.monitor.airspeed_based_mps),
    "vario_sigma": Column(lambda r: r.monitor.vario_sigma_mps),
    "attitude_sigma": Column(lambda r: r.monitor.attitude_sigma_rad, _DEG),
    **{
        f"gyro_bias_{axis}": Column(_axis(lambda r: r.monitor.gyro_bias_radps, k), _DEG, 0.001)
        for k, axis in enumerate("xyz")
    },
    **{
        f"accel_bias_{axis}": Column(_axis(lambda r: r.monitor.accel_bias_mps2, k), step=0.001)
        for k, axis in enumerate("xyz")
    },
}
"""In the units the page shows: m, m/s, km/h, degrees."""

_STEPS = {"t_s": 0.01, "north_m": 1.0, "east_m": 1.0}
_STEP = 0.01


class PageRows:
    """Collects the columns at a steady rate, which halves whenever too many rows have gathered.

    Args:
        rate_hz: rows a second to begin with.
    """

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._pacer = Pacer(rate_hz)
        self._innovations = Innovations()
        self._count = 0
        self._columns = {name: array("d") for name in ("t_s", *COLUMNS, "north_m", "east_m")}
        self._modes = Runs()
        self._qualities = Runs()
        self._origin: tuple[float, float] | None = None

    def take(self, reading: Reading) -> None:
        """Keep the reading if a row is due."""
        self._modes.take(reading.t_s, reading.mode.value)
        self._qualities.take(reading.t_s, str(reading.quality))
        self._innovations.take(reading)
        if self._pacer.due(reading.t_s):
            self._keep(reading)
        if self._count >= MOST_ROWS:
            self._columns = {name: kept[::2] for name, kept in self._columns.items()}
            self._count = len(self._columns["t_s"])
            self._rate_hz /= 2
            self._pacer = Pacer(self._rate_hz)

    def _keep(self, reading: Reading) -> None:
        row = {"t_s": reading.t_s}
        for name, column in COLUMNS.items():
            value = column.value_of(reading)
            if value is not None:
                row[name] = value * column.factor
        metres = self._metres(reading)
        if metres is not None:
            row["north_m"], row["east_m"] = metres
        row |= dict(self._innovations.row())
        for name in row:
            if name not in self._columns:  # a measurement first met now
                self._columns[name] = array("d", [math.nan]) * self._count
        for name, kept in self._columns.items():
            kept.append(row.get(name, math.nan))
        self._count += 1

    def _metres(self, reading: Reading) -> tuple[float, float] | None:
        """North and east of the first position."""
        position = reading.position
        if position is None:
            return None
        if self._origin is None:
            self._origin = (position.lat_deg, position.lon_deg)
        lat_deg, lon_deg = self._origin
        north_m = math.radians(position.lat_deg - lat_deg) * EARTH_RADIUS_M
        turned_rad = math.radians(math.remainder(position.lon_deg - lon_deg, 360.0))
        return north_m, turned_rad * EARTH_RADIUS_M * math.cos(math.radians(lat_deg))

    def result(self) -> dict[str, Any]:
        """The columns, packed, and the stretches of mode and quality."""
        steps = {name: column.step for name, column in COLUMNS.items()} | _STEPS
        return {
            "columns": {name: packed(kept, steps.get(name, _STEP)) for name, kept in self._columns.items()},
            "modes": self._modes.result(),
            "qualities": self._qualities.result(),
        }


class Runs:
    """Stretches of time over which a word stays the same."""

    def __init__(self) -> None:
        self._runs: list[tuple[float, str]] = []
        self._end_s = 0.0

    def take(self, t_s: float, word: str) -> None:
        """The word at this time."""
        self._end_s = t_s
        if not self._runs or self._runs[-1][1] != word:
            self._runs.append((t_s, word))

    def result(self) -> list[tuple[float, float, str]]:
        """Start, end and word of each."""
        ends = [start for start, _ in self._runs[1:]] + [self._end_s] * bool(self._runs)
        return [(round(t, 2), round(end, 2), word) for (t, word), end in zip(self._runs, ends, strict=True)]
