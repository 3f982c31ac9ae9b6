"""The trace: what the instrument showed, as rows of SI values. Empty means no data."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from vario.app.errors import OutputError
from vario.flight.cruise.glide import Glide
from vario.flight.reading import Reading
from vario.flight.thermal.circle import Circle
from vario.flight.thermal.stage import Shift
from vario.flight.wind.stage import Wind

Value = float | str | None


def _wind(value_of: Callable[[Wind], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.wind is None else value_of(r.wind)


def _pitch(r: Reading) -> Value:
    return None if r.attitude is None else r.attitude.pitch_rad


def _bank(r: Reading) -> Value:
    return None if r.attitude is None else r.attitude.bank_rad


def _circle(value_of: Callable[[Circle], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.thermal.circle is None else value_of(r.thermal.circle)


def _shift(value_of: Callable[[Shift], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.thermal.shift is None else value_of(r.thermal.shift)


def _glide(value_of: Callable[[Glide], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.glide is None else value_of(r.glide)


COLUMNS: dict[str, tuple[Callable[[Reading], Value], int]] = {
    "t_s": (lambda r: r.t_s, 2),
    "mode": (lambda r: r.mode.value, 0),
    "altitude_m": (lambda r: r.energy.altitude_m, 2),
    "ias_mps": (lambda r: r.energy.ias_mps, 3),
    "tas_mps": (lambda r: r.energy.tas_mps, 3),
    "pitch_rad": (_pitch, 5),
    "bank_rad": (_bank, 5),
    "vario_mps": (lambda r: r.energy.vario_mps, 3),
    "netto_mps": (lambda r: r.air.netto_mps, 3),
    "relative_netto_mps": (lambda r: r.air.relative_netto_mps, 3),
    "average_mps": (lambda r: r.averages.average_mps, 3),
    "turn_average_mps": (lambda r: r.averages.turn_mps, 3),
    "climb_average_mps": (lambda r: r.averages.climb_mps, 3),
    "wind_north_mps": (_wind(lambda w: w.north_mps), 3),
    "wind_east_mps": (_wind(lambda w: w.east_mps), 3),
    "speed_to_fly_mps": (lambda r: r.speed_to_fly_mps, 3),
    "quality": (lambda r: str(r.quality), 0),
    "turn_rate_radps": (lambda r: r.turning.rate_radps if r.turning.known else None, 4),
    "heading_rad": (lambda r: r.turning.heading_rad if r.turning.from_north else None, 4),
    "average_gain_m": (lambda r: r.averages.average_gain_m, 2),
    "turn_gain_m": (lambda r: r.averages.turn_gain_m, 2),
    "climb_gain_m": (lambda r: r.averages.climb_gain_m, 2),
    "turn_time_s": (lambda r: r.averages.turn_s, 2),
    "turn_waits": (lambda r: float(r.averages.turn_waits), 0),
    "circle_mean_mps": (_circle(lambda c: c.middle_mps), 3),
    "circle_asymmetry_mps": (_circle(lambda c: c.asymmetry_mps), 3),
    "circle_sigma_mps": (_circle(lambda c: c.sigma_mps), 3),
    "strongest_rad": (_circle(lambda c: c.strongest_rad if c.from_north else None), 4),
    "roll_out_rad": (_circle(lambda c: c.roll_out_rad if c.from_north else None), 4),
    "centring_cues": (lambda r: float(r.thermal.centring_cues), 0),
    "shift_m": (_shift(lambda s: s.distance_m), 1),
    "shift_bearing_rad": (_shift(lambda s: s.bearing_rad if s.from_north else None), 4),
    "shift_sigma_m": (_shift(lambda s: s.sigma_m), 1),
    "core_strength_mps": (_shift(lambda s: s.core.strength_mps), 3),
    "core_radius_m": (_shift(lambda s: s.core.radius_m), 1),
    "expected_climb_mps": (lambda r: r.expected.climb_mps, 3),
    "worth_turning": (lambda r: float(r.expected.worth_turning), 0),
    "worth_for_s": (lambda r: r.expected.worth_for_s, 2),
    "block_speed_mps": (lambda r: r.speed.block_mps, 3),
    "dolphin_speed_mps": (lambda r: r.speed.dolphin_mps, 3),
    "faster_by_mps": (lambda r: r.speed.faster_by_mps, 3),
    "speed_limit": (lambda r: r.speed.limit.value, 0),
    "bumps_mps2": (lambda r: r.speed.bumps_mps2, 3),
    "goal_bearing_rad": (_glide(lambda g: g.bearing_rad), 4),
    "goal_distance_m": (_glide(lambda g: g.distance_m), 1),
    "goal_required": (_glide(lambda g: g.required), 2),
    "goal_available": (_glide(lambda g: g.available), 2),
    "goal_above_reserve_m": (_glide(lambda g: g.above_reserve_m), 1),
    "setting_rejected": (lambda r: float(r.setting_rejected), 0),
    "wind_sigma_mps": (_wind(lambda w: w.sigma_mps), 3),
    "wind_age_s": (_wind(lambda w: w.age_s), 1),
    "airspeed_scale": (_wind(lambda w: w.airspeed_scale), 4),
    "airspeed_correction": (lambda r: r.airspeed_correction, 4),
}
"""Each column of trace.csv: where its value comes from and its decimals, in file order; see docs/trace.md."""

TEXT_COLUMNS = frozenset({"mode", "quality", "speed_limit"})

_VALUES = tuple(value_of for value_of, _ in COLUMNS.values())
_PATTERNS = tuple(
    "%s" if name in TEXT_COLUMNS else f"%.{decimals}f" for name, (_, decimals) in COLUMNS.items()
)
_NEGATIVE_ZERO = re.compile(r",-0(?=(\.0+)?(,|$))")


def values(reading: Reading) -> list[Value]:
    """One row, a value for each of the `COLUMNS`."""
    return [value_of(reading) for value_of in _VALUES]


def row(cells: Sequence[Value]) -> str:
    """One row of the file: no cell needs quotes, for all are numbers or single words."""
    texts = ["" if value is None else _PATTERNS[column] % value for column, value in enumerate(cells)]
    text = ",".join(texts)
    # A rounded-away negative is plain zero, not "-0.000".
    return _NEGATIVE_ZERO.sub(",0", text) if ",-0" in text else text


class Pacer:
    """Picks readings at a steady rate out of frames that come as they come."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._next_s: float | None = None

    def due(self, t_s: float) -> bool:
        """Whether the reading at `t_s` is the next one to keep."""
        if self._next_s is not None and t_s < self._next_s - 1e-6:
            return False
        # On a fixed grid, so the rate holds on average whatever the frames do.
        self._next_s = (int(t_s / self._period_s + 1e-6) + 1) * self._period_s
        return True


class TraceWriter:
    """Writes trace.csv row by row.

    Raises:
        OutputError: from every method that writes, if the disk refuses.
    """

    def __init__(self, path: Path, rate_hz: float) -> None:
        self._path = path
        self._pacer = Pacer(rate_hz)
        try:
            self._file = path.open("w", newline="", encoding="ascii")
        except OSError as error:
            raise OutputError(path, error) from error
        self._file.write(",".join(COLUMNS) + "\n")

    def take(self, reading: Reading) -> list[Value] | None:
        """Write the reading if a row is due; its values, or None if none is."""
        if not self._pacer.due(reading.t_s):
            return None
        cells = values(reading)
        try:
            self._file.write(row(cells) + "\n")
        except OSError as error:
            raise OutputError(self._path, error) from error
        return cells

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self._file.close()
        except OSError as failed:
            raise OutputError(self._path, failed) from failed
