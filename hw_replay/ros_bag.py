"""MCAP files of ROS 2 as samples: `sensor_msgs` `Imu`, `FluidPressure`, `NavSatFix`, by `mcap-ros2-support`.

Axes (REP 103): ROS has body axes x forward, y left, z up and the world east, north, up; ours are x forward, y
right, z down and north, east, down. So y and z of rates and specific force change their sign; at rest, ROS
has z = +9.81 m/s^2 (REP 145). An attitude is multiplied by the rotation from east, north, up to north, east,
down on the left and by that from our body axes to those of ROS, half a turn about x, on the right.
`Imu.orientation` becomes a reference. The times are those of the message headers; `t_s` counts from the first
one.

`NavSatFix` gives heights above the ellipsoid of WGS 84, not above mean sea level (its message definition).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr
from datetime import UTC, datetime, timedelta
from io import BytesIO, StringIO
from itertools import islice
from pathlib import Path
from typing import Any

from mcap.records import Channel, Chunk, Header, McapRecord, Message, Schema
from mcap.stream_reader import StreamReader

from drivers.samples import Sample
from hw_replay.container import DAMAGE, RECORD_LIMIT_BYTES, unpacked
from hw_replay.derived_velocity import DERIVED
from hw_replay.files import open_binary
from hw_replay.importer import Importer, SteadyClock, library, with_barometer
from hw_replay.ordering import in_order
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import escaped, title_of

PROFILE = "ros2"
"""The profile in the header of such a file (MCAP registry, "Well-known profiles")."""

_LATE_S = 0.5
_SURVEYED = 1000
_LARGEST_SCHEMA, _MOST_SCHEMAS = 1 << 20, 100
"""Limits of the definitions that are kept: characters, and number."""

_REAL_TIME_NS = 10**18
"""Earlier stamps, before September 2001, are those of a simulated clock."""
_ROOT_HALF = 0.5**0.5

_Decode = Callable[[bytes], Any]


class RosBag(Importer):
    """A ROS 2 file as a `Source`; one chunk is held in memory at a time.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened, or `mcap-ros2-support` is not installed.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "message")
        self._decoders: Any = library("mcap_ros2.decoder", self._path, "an MCAP file of ROS 2").DecoderFactory
        self._truncated = False
        surveyed = [(stamp_ns, kind) for _, kind, stamp_ns, _ in islice(self._decoded(), _SURVEYED)]
        self._zero_ns = min((stamp_ns for stamp_ns, _ in surveyed), default=0)
        kinds = {kind for _, kind in surveyed}
        self._info = RecordingInfo(
            title=title_of(self._path),
            origin="imported from ROS 2",
            start_utc=(
                datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=self._zero_ns // 1000)
                if self._zero_ns >= _REAL_TIME_NS
                else None
            ),
            sensors=with_barometer(_sensors(kinds)),
        )

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        broken = ["the file is truncated or damaged; everything before was read"] if self._truncated else []
        return super().warnings() + broken

    def _samples(self) -> Iterator[Sample]:
        return in_order(self._timed(), _LATE_S)

    def _timed(self) -> Iterator[Sample]:
        clock = SteadyClock()
        for number, kind, stamp_ns, message in self._decoded():
            t_s = (stamp_ns - self._zero_ns) / 1e9
            if not clock.believes(t_s):
                self._rejects.add("time does not fit the messages before", number)
                continue
            try:
                yield from _GIVE[kind](self, t_s, number, message)
            except (AttributeError, TypeError, IndexError):
                self._rejects.add(f"{kind} is not the message of this name", number)

    def _decoded(self) -> Iterator[tuple[int, str, int, Any]]:
        """Number, kind, time stamp and content of the messages in use."""
        factory = self._decoders()
        schemas: dict[int, Schema] = {}
        in_use: dict[int, tuple[str, _Decode]] = {}
        topics: dict[str, str] = {}
        number = 0
        for record in self._records():
            if isinstance(record, Schema):
                schemas.pop(record.id, None)
                # Others are not kept, because a file may contain any number of them, of any length.
                known = record.name.replace("/msg/", "/") in _GIVE and len(record.data) <= _LARGEST_SCHEMA
                if known and len(schemas) < _MOST_SCHEMAS:
                    schemas[record.id] = record
            elif isinstance(record, Channel) and record.id not in in_use:
                schema = schemas.get(record.schema_id)
                kind = schema.name.replace("/msg/", "/") if schema is not None else ""
                if kind not in _GIVE:
                    continue
                first = topics.setdefault(kind, record.topic)
                if first != record.topic:
                    self._note(
                        f"{escaped(record.topic)[:80]} is not used: {escaped(first)[:80]} is of the same kind"
                    )
                    continue
                try:
                    with redirect_stderr(StringIO()):  # it prints messages about unknown definitions
                        decode = factory.decoder_for(record.message_encoding, schema)
                except Exception:  # the library raises several, without a common base
                    decode = None
                if decode is None:
                    self._note(f"{escaped(record.topic)[:80]} is not used: its encoding is unknown")
                else:
                    in_use[record.id] = kind, decode
            elif isinstance(record, Message) and record.channel_id in in_use:
                number += 1
                kind, decode = in_use[record.channel_id]
                try:
                    message = decode(record.data)
                    stamp = message.header.stamp
                    stamp_ns = int(stamp.sec) * 10**9 + int(stamp.nanosec)
                except Exception:  # likewise
                    self._rejects.add(f"{kind} cannot be decoded", number)
                    continue
                yield number, kind, stamp_ns or record.log_time, message

    def _records(self) -> Iterator[McapRecord]:
        """The records of the file and of its chunks, up to the first damage."""
        self._truncated = False
        with open_binary(self._path) as file:
            try:
                reader = StreamReader(file, emit_chunks=True, record_size_limit=RECORD_LIMIT_BYTES)
                for record in reader.records:
                    if isinstance(record, Chunk):
                        content = BytesIO(unpacked(record))
                        size = len(content.getbuffer())
                        inner = StreamReader(content, skip_magic=True, record_size_limit=RECORD_LIMIT_BYTES)
                        records = inner.records
                        while content.tell() < size:
                            yield next(records)
                    else:
                        yield record
            except (*DAMAGE, StopIteration):
                self._truncated = True

    # --- what the messages give --------------------------------------------------------------------

    def _imu(self, t_s: float, number: int, message: Any) -> Iterator[Sample]:
        # A first element of -1 says that the message does not hold this value (message definition).
        if message.linear_acceleration_covariance[0] != -1.0:
            force = message.linear_acceleration
            values = {"x_mps2": force.x, "y_mps2": -force.y, "z_mps2": -force.z}
            yield from self._checked("imu_accel", t_s, number, values)
        if message.angular_velocity_covariance[0] != -1.0:
            rate = message.angular_velocity
            yield from self._checked(
                "imu_gyro", t_s, number, {"x_radps": rate.x, "y_radps": -rate.y, "z_radps": -rate.z}
            )
        if message.orientation_covariance[0] != -1.0:
            q = message.orientation
            turned = (q.w + q.z, q.x + q.y, q.x - q.y, q.w - q.z)
            yield from self._attitude(t_s, *(_ROOT_HALF * part for part in turned))

    def _pressure(self, t_s: float, number: int, message: Any) -> Iterator[Sample]:
        return self._checked("baro", t_s, number, {"static_pa": message.fluid_pressure})

    def _fix(self, t_s: float, number: int, message: Any) -> Iterator[Sample]:
        if message.status.status < 0:  # STATUS_NO_FIX
            return
        self._note("heights of NavSatFix are above the ellipsoid, up to 100 m from mean sea level")
        values = {
            "lat_deg": message.latitude,
            "lon_deg": message.longitude,
            "altitude_m": message.altitude,
        }
        yield from self._checked("gnss_pos", t_s, number, values)


_GIVE: dict[str, Callable[[RosBag, float, int, Any], Iterator[Sample]]] = {
    "sensor_msgs/Imu": RosBag._imu,
    "sensor_msgs/FluidPressure": RosBag._pressure,
    "sensor_msgs/NavSatFix": RosBag._fix,
}
_HEIGHTS = {"sensor_msgs/FluidPressure": "baro", "sensor_msgs/NavSatFix": "gnss_pos"}


def _sensors(kinds: set[str]) -> dict[str, SensorInfo]:
    """The sensors that give heights, and the velocity, which no message of `NavSatFix` holds."""
    found = {channel: SensorInfo(kind) for kind, channel in _HEIGHTS.items() if kind in kinds}
    if "gnss_pos" in found:
        found["gnss_vel"] = DERIVED
    return found


def is_ros_bag(path: Path) -> bool:
    """Whether the header of an MCAP file, its first record, says that it is of ROS 2."""
    with open_binary(path) as file:
        try:
            reader = StreamReader(file, emit_chunks=True, record_size_limit=RECORD_LIMIT_BYTES)
            first = next(reader.records, None)
        except DAMAGE:
            return False
    return isinstance(first, Header) and first.profile == PROFILE
