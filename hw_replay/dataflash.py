"""ArduPilot dataflash logs (binary) as samples, by the message formats of `pymavlink`.

Body axes are ours: angular rate and specific force in x forward, y right, z down; velocities are north, east,
down, also `VZ` of the receiver (ArduPilot, log structures of AP_Baro, AP_GPS and DataFlash: columns of IMU,
BARO, ARSP, GPS and ATT; signs, units, XKF1 and XKF2 from memory). If there are several sensors of a kind, the
first one is used. `t_s` counts from the first message in use. The estimates of the autopilot become
references.

The reader of the library is not used: it keeps the position of every message in memory, and does not end if a
damaged message has the length 0.
"""

from __future__ import annotations

import io
import math
import os
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import redirect_stdout
from datetime import datetime, timedelta
from typing import Any

from drivers.samples import Sample
from hw_replay.files import open_binary
from hw_replay.importer import Importer, SteadyClock, library, utc_of_gps, with_barometer
from hw_replay.ordering import in_order
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import title_of

DATAFLASH_MAGIC = b"\xa3\x95\x80"
"""Every message begins with two bytes and its type; the first one is a format, type 0x80."""

_HEAD = DATAFLASH_MAGIC[:2]
_FMT = 0x80
_FMT_BYTES = 89
_BLOCK_BYTES = 1 << 20
_LONGEST_BYTES = 256
_LATE_S = 0.5

Values = Mapping[str, float]


class Dataflash(Importer):
    """A binary dataflash log as a `Source`; it is read in blocks.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened, or `pymavlink` is not installed.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "message")
        self._format: Any = library("pymavlink.DFReader", self._path, "an ArduPilot dataflash log").DFFormat
        self._zero_s: float | None = None
        self._skipped = 0
        self._info = self._survey()

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        skipped = [f"{self._skipped} bytes that are not a message were skipped"] if self._skipped else []
        return super().warnings() + skipped

    def _survey(self) -> RecordingInfo:
        """Read the file once for the time of its first sample and the date."""
        start: datetime | None = None
        found: set[str] = set()
        clock = SteadyClock()
        for _, name, values in self._messages():
            found.add(name)
            t_s = values["TimeUS"] / 1e6
            if not clock.believes(t_s):
                continue
            if self._zero_s is None:
                self._zero_s = t_s
            self.duration_s = max(self.duration_s or 0.0, t_s - self._zero_s)
            if name == "GPS" and start is None and values.get("Status", 0.0) >= 3:
                utc = utc_of_gps(values.get("GWk", 0.0), values.get("GMS", -1.0) / 1000.0)
                start = None if utc is None else utc - timedelta(seconds=t_s - self._zero_s)
        return RecordingInfo(
            title=title_of(self._path),
            origin="imported from ArduPilot dataflash",
            start_utc=start,
            sensors=with_barometer(
                {
                    channel: SensorInfo(f"{name} of the autopilot")
                    for name, channels in _CHANNELS.items()
                    if name in found
                    for channel in channels
                }
            ),
        )

    def _samples(self) -> Iterator[Sample]:
        return in_order(self._timed(), _LATE_S)

    def _timed(self) -> Iterator[Sample]:
        clock = SteadyClock()
        for number, name, values in self._messages():
            if values.get("I", 0.0) != 0.0 or values.get("C", 0.0) != 0.0:  # another instance or core
                continue
            t_s = values["TimeUS"] / 1e6
            if not clock.believes(t_s):
                self._rejects.add("time does not fit the messages before", number)
                continue
            t_s = max(0.0, t_s - (self._zero_s or 0.0))
            try:
                yield from _GIVE[name](self, t_s, number, values)
            except KeyError as missing:
                self._rejects.add(f"{name} without {missing.args[0]}", number)

    def _messages(self) -> Iterator[tuple[int, str, Values]]:
        """Number, name and values in their units of the messages in use."""
        self._skipped = 0
        formats: dict[int, Any] = {
            _FMT: self._format(_FMT, "FMT", _FMT_BYTES, "BBnNZ", "Type,Length,Name,Format,Columns")
        }
        for number, (kind, body) in enumerate(self._bodies(formats), 1):
            form = formats[kind]
            if kind == _FMT:
                self._learn(formats, struct.unpack(form.msg_struct, body))
            elif form.name in _GIVE and struct.calcsize(form.msg_struct) == len(body):
                values = {
                    column: float(value) * (scale or 1.0)
                    for column, value, scale in zip(
                        form.columns, struct.unpack(form.msg_struct, body), form.msg_mults, strict=False
                    )
                    if isinstance(value, int | float)
                }
                if "TimeUS" in values:
                    yield number, form.name, values

    def _bodies(self, formats: Mapping[int, Any]) -> Iterator[tuple[int, bytes]]:
        """Type and content of every message; other bytes are skipped one by one."""
        with open_binary(self._path) as file:
            data, at, over = b"", 0, False
            while True:
                if len(data) - at < _LONGEST_BYTES and not over:
                    block = file.read(_BLOCK_BYTES)
                    over = not block
                    data, at = data[at:] + block, 0
                    continue
                if len(data) - at < 3:
                    return
                form = formats.get(data[at + 2]) if data.startswith(_HEAD, at) else None
                if form is None or at + form.len > len(data):
                    found = data.find(_HEAD, at + 1)
                    following = found if found >= 0 else len(data) - 1
                    self._skipped += following - at
                    at = following
                    if over and found < 0:
                        return
                    continue
                yield data[at + 2], data[at + 3 : at + form.len]
                at += form.len

    def _learn(self, formats: dict[int, Any], fields: tuple[Any, ...]) -> None:
        kind, length, name, codes, columns = fields
        texts = [text.partition(b"\0")[0].decode("latin-1") for text in (name, codes, columns)]
        if kind == _FMT or length < 3:
            return
        try:
            with redirect_stdout(io.StringIO()):  # the library prints unknown formats
                formats[kind] = self._format(kind, texts[0], length, texts[1], texts[2])
        except Exception:  # the library raises no narrower error
            self._note(f"messages {texts[0]!r:.10} have a format that is unknown")

    # --- what the messages give --------------------------------------------------------------------

    def _imu(self, t_s: float, number: int, v: Values) -> Iterator[Sample]:
        accel = {"x_mps2": v["AccX"], "y_mps2": v["AccY"], "z_mps2": v["AccZ"]}
        gyro = {"x_radps": v["GyrX"], "y_radps": v["GyrY"], "z_radps": v["GyrZ"]}
        yield from self._checked("imu_accel", t_s, number, accel)
        yield from self._checked("imu_gyro", t_s, number, gyro)

    def _baro(self, t_s: float, number: int, v: Values) -> Iterator[Sample]:
        return self._checked("baro", t_s, number, {"static_pa": v["Press"]})

    def _pitot(self, t_s: float, number: int, v: Values) -> Iterator[Sample]:
        return self._checked("pitot", t_s, number, {"impact_pa": v["DiffPress"]})

    def _gnss(self, t_s: float, number: int, v: Values) -> Iterator[Sample]:
        if v["Status"] < 3:  # 3: three dimensions; above it with corrections
            return
        position = {"lat_deg": v["Lat"], "lon_deg": v["Lng"], "altitude_m": v["Alt"]}
        yield from self._checked("gnss_pos", t_s, number, position)
        speed, course = v["Spd"], math.radians(v["GCrs"])
        if not (math.isfinite(speed) and math.isfinite(course)):
            return
        velocity = {
            "north_mps": speed * math.cos(course),
            "east_mps": speed * math.sin(course),
            "down_mps": v.get("VZ"),
        }
        yield from self._checked("gnss_vel", t_s, number, velocity)

    def _attitude_of(self, t_s: float, _: int, v: Values) -> Iterator[Sample]:
        for name, value in (("bank", v["Roll"]), ("pitch", v["Pitch"]), ("heading", v["Yaw"])):
            yield from self._reference(f"autopilot_{name}_rad", t_s, math.radians(value))

    def _climb(self, t_s: float, _: int, v: Values) -> Iterator[Sample]:
        return self._reference("autopilot_climb_mps", t_s, -v["VD"])

    def _wind(self, t_s: float, _: int, v: Values) -> Iterator[Sample]:
        yield from self._reference("autopilot_wind_north_mps", t_s, v["VWN"])
        yield from self._reference("autopilot_wind_east_mps", t_s, v["VWE"])


_GIVE: Mapping[str, Callable[[Dataflash, float, int, Values], Iterator[Sample]]] = {
    "IMU": Dataflash._imu,
    "BARO": Dataflash._baro,
    "ARSP": Dataflash._pitot,
    "GPS": Dataflash._gnss,
    "ATT": Dataflash._attitude_of,
    "XKF1": Dataflash._climb,
    "XKF2": Dataflash._wind,
}
_CHANNELS = {
    "IMU": ("imu_accel", "imu_gyro"),
    "BARO": ("baro",),
    "ARSP": ("pitot",),
    "GPS": ("gnss_pos", "gnss_vel"),
}
