"""PX4 ULog files as samples, read with `pyulog`.

Body axes are ours: PX4 gives angular rate and specific force in x forward, y right, z down, so that an
accelerometer at rest reads z = -9.81 m/s^2; attitude is the rotation from there to north, east, down, as a
Hamilton quaternion with the scalar first (PX4 message definitions `SensorCombined`, `VehicleAttitude`,
`SensorGps`, `VehicleAirData`, `DifferentialPressure`, `VehicleLocalPosition`, `Wind`; from memory). `t_s`
counts from the start of the log. The estimates of the autopilot become references.
"""

from __future__ import annotations

import heapq
import io
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import redirect_stdout
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import islice
from operator import attrgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Sample
from hw_replay.errors import CorruptRecording
from hw_replay.files import open_binary
from hw_replay.importer import LONGEST_S, Importer, library, with_barometer
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import escaped, title_of
from hw_replay.ulog_bounds import bounded

ULOG_MAGIC = b"ULog\x01\x12\x35"
"""How a file begins (PX4 user guide, "ULog File Format", header section)."""

_BLOCK_ROWS = 4096
_MBAR_BELOW = 2000.0
"""A static pressure below this is in mbar, as in `sensor_baro` of older logs."""

Values = tuple[float, ...]
_Columns = Mapping[str, NDArray[Any]]


class PX4ULog(Importer):
    """A ULog file as a `Source`.

    The library keeps the topics in use in memory, which takes about the size of the file.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened or read, or `pyulog` is not installed.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "row")
        log = self._load()
        self._zero_us = int(log.start_timestamp)
        found: dict[str, _Columns] = {}
        for dataset in log.data_list:
            if len(dataset.data.get("timestamp", ())):
                found.setdefault(dataset.name, dataset.data)  # the first instance of several
        self._uses: list[tuple[_Use, _Columns]] = []
        for group in _USES:
            there = (use for use in group if {*use.columns} <= found.get(use.topic, {}).keys())
            self._uses += [(use, found[use.topic]) for use in islice(there, 1)]
        self._damage = ["the file is damaged; the readable part was used"] if log.file_corruption else []
        if log.dropouts:
            lost_s = sum(dropout.duration for dropout in log.dropouts) / 1000.0
            self._damage.append(f"the logger lost {lost_s:.1f} s of data (gaps: {len(log.dropouts)})")
        self._info = RecordingInfo(
            title=title_of(self._path),
            origin="imported from PX4 ULog",
            start_utc=self._start_utc(found),
            sensors=with_barometer(
                {
                    channel: SensorInfo(f"{use.topic} of the autopilot", _rate_hz(columns["timestamp"]))
                    for use, columns in self._uses
                    for channel in use.channels
                }
            ),
        )
        last_us = max((int(columns["timestamp"].max()) for _, columns in self._uses), default=0)
        length_s = (last_us - self._zero_us) / 1e6
        self.duration_s = length_s if 0.0 <= length_s <= LONGEST_S else None

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        return super().warnings() + self._damage

    def _load(self) -> Any:
        pyulog = library("pyulog", self._path, "a PX4 ULog file")
        names = [use.topic for group in _USES for use in group]
        with open_binary(self._path) as file, redirect_stdout(io.StringIO()):  # it prints its warnings
            try:
                return bounded(pyulog.ULog)(file, names)
            except Exception as error:  # on damage, the library raises exceptions of many kinds
                reason = escaped(str(error)[:200])
                raise CorruptRecording(
                    f"{self._path}: this PX4 ULog file is damaged and cannot be read: {reason}"
                ) from error

    def _samples(self) -> Iterator[Sample]:
        parts = [self._rows(use, columns) for use, columns in self._uses]
        return heapq.merge(*parts, key=attrgetter("t_s"))

    def _rows(self, use: _Use, found: _Columns) -> Iterator[Sample]:
        """The samples of one topic, in order of time, whatever their order in the file."""
        times = found["timestamp"].astype(np.float64) - float(self._zero_us)
        order = np.argsort(times, kind="stable")
        for start in range(0, len(order), _BLOCK_ROWS):
            block = order[start : start + _BLOCK_ROWS]
            with np.errstate(invalid="ignore"):  # the bits of damaged numbers can be a signalling NaN
                columns = [found[name][block].astype(np.float64).tolist() for name in use.columns]
            for row, time_us, *values in zip(block.tolist(), times[block].tolist(), *columns, strict=True):
                t_s = time_us / 1e6
                if 0.0 <= t_s <= LONGEST_S:
                    yield from use.give(self, t_s, row + 1, tuple(values))
                else:
                    self._rejects.add(f"{use.topic}: time outside of the log", row + 1)

    def _start_utc(self, found: Mapping[str, _Columns]) -> datetime | None:
        """The UTC instant of the start of the log, from the first time of the receiver that can be true."""
        columns = next((found[name] for name in _GNSS_TOPICS if name in found), {})
        if "time_utc_usec" not in columns:
            return None
        known = np.flatnonzero(columns["time_utc_usec"])
        if not len(known):
            return None
        first = known[0]
        utc_us = int(columns["time_utc_usec"][first]) - (int(columns["timestamp"][first]) - self._zero_us)
        return (
            datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=utc_us) if 0 < utc_us < 4e15 else None
        )

    # --- the samples of each topic, from the time and the values of its columns --------------------

    def _inertial(self, t_s: float, row: int, values: Values) -> Iterator[Sample]:
        fx, fy, fz, p, q, r = values
        yield from self._checked("imu_accel", t_s, row, {"x_mps2": fx, "y_mps2": fy, "z_mps2": fz})
        yield from self._checked("imu_gyro", t_s, row, {"x_radps": p, "y_radps": q, "z_radps": r})

    def _baro(self, t_s: float, row: int, values: Values) -> Iterator[Sample]:
        static_pa = values[0] * (100.0 if values[0] < _MBAR_BELOW else 1.0)
        return self._checked("baro", t_s, row, {"static_pa": static_pa})

    def _pitot(self, t_s: float, row: int, values: Values) -> Iterator[Sample]:
        return self._checked("pitot", t_s, row, {"impact_pa": values[0]})

    def _position_of_integers(self, t_s: float, row: int, values: Values) -> Iterator[Sample]:
        fix, lat, lon, height, *rest = values
        return self._position(t_s, row, (fix, lat * 1e-7, lon * 1e-7, height * 1e-3, *rest))

    def _position(self, t_s: float, row: int, values: Values) -> Iterator[Sample]:
        fix, lat_deg, lon_deg, height_m, velocity_valid, north, east, down = values
        if fix < 3:  # 3: three dimensions; above it with corrections
            return
        yield from self._checked(
            "gnss_pos", t_s, row, {"lat_deg": lat_deg, "lon_deg": lon_deg, "altitude_m": height_m}
        )
        if velocity_valid:
            yield from self._checked(
                "gnss_vel", t_s, row, {"north_mps": north, "east_mps": east, "down_mps": down}
            )

    def _quaternion(self, t_s: float, _: int, values: Values) -> Iterator[Sample]:
        w, x, y, z = values
        return self._attitude(t_s, w, x, y, z)

    def _climb(self, t_s: float, _: int, values: Values) -> Iterator[Sample]:
        valid, down = values
        return self._reference("autopilot_climb_mps", t_s, -down) if valid else iter(())

    def _wind(self, t_s: float, _: int, values: Values) -> Iterator[Sample]:
        yield from self._reference("autopilot_wind_north_mps", t_s, values[0])
        yield from self._reference("autopilot_wind_east_mps", t_s, values[1])


@dataclass(frozen=True, slots=True)
class _Use:
    """A topic, its columns in the order of the arguments of `give`, and the resulting channels."""

    topic: str
    columns: tuple[str, ...]
    give: Callable[[PX4ULog, float, int, Values], Iterator[Sample]]
    channels: tuple[str, ...] = ()


_GNSS_TOPICS = ("vehicle_gps_position", "sensor_gps")
_VELOCITY = ("vel_ned_valid", "vel_n_m_s", "vel_e_m_s", "vel_d_m_s")
_OF_DEGREES = ("fix_type", "latitude_deg", "longitude_deg", "altitude_msl_m", *_VELOCITY)
_OF_INTEGERS = ("fix_type", "lat", "lon", "alt", *_VELOCITY)
_ACCEL = tuple(f"accelerometer_m_s2[{axis}]" for axis in range(3))
_RATE = tuple(f"gyro_rad[{axis}]" for axis in range(3))
_Q = tuple(f"q[{part}]" for part in range(4))

_USES: tuple[tuple[_Use, ...], ...] = (
    (_Use("sensor_combined", (*_ACCEL, *_RATE), PX4ULog._inertial, ("imu_accel", "imu_gyro")),),
    (
        _Use("vehicle_air_data", ("baro_pressure_pa",), PX4ULog._baro, ("baro",)),
        _Use("sensor_baro", ("pressure",), PX4ULog._baro, ("baro",)),
    ),
    tuple(
        _Use("differential_pressure", (column,), PX4ULog._pitot, ("pitot",))
        for column in ("differential_pressure_pa", "differential_pressure_raw_pa")
    ),
    tuple(
        _Use(topic, columns, give, ("gnss_pos", "gnss_vel"))
        for topic in _GNSS_TOPICS
        for columns, give in ((_OF_DEGREES, PX4ULog._position), (_OF_INTEGERS, PX4ULog._position_of_integers))
    ),
    (_Use("vehicle_attitude", _Q, PX4ULog._quaternion),),
    (_Use("vehicle_local_position", ("v_z_valid", "vz"), PX4ULog._climb),),
    tuple(
        _Use(topic, ("windspeed_north", "windspeed_east"), PX4ULog._wind)
        for topic in ("wind", "wind_estimate")
    ),
)
"""Of each group the first one with existing topic and columns is used, because versions of PX4 differ."""


def _rate_hz(times_us: NDArray[Any]) -> float | None:
    steps = np.diff(times_us.astype(np.float64))
    middle = float(np.median(steps)) if len(steps) else 0.0
    return round(1e6 / middle, 3) if middle > 0.0 else None
