"""Write the outputs of a flight as an MCAP file for general viewers: plots, a map, an attitude, texts.

Topics: `/outputs` all outputs of a row, `/position` (foxglove.LocationFix), `/attitude`
(foxglove.PoseInFrame), `/log` (foxglove.Log: modes, climbs, marks, notes). Times are UTC where the recording
contains its start time, otherwise they count from 1970.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from mcap.writer import Writer

from drivers.samples import GnssPos
from hw_replay.protobuf import PROTOBUF, Field, FieldType, MessageType, descriptor_set, encoded
from hw_replay.well_known import INFO, LOCATION_FIX, LOG, POSE_IN_FRAME, WARNING, timestamp
from hw_replay.writer import LIBRARY
from vario.app.errors import OutputError
from vario.app.outputs.catalogue import OUTPUTS, TRACE
from vario.app.outputs.sampler import Sampler
from vario.app.replay.session import ReplaySession
from vario.flight.core.geodesy import offset_m
from vario.flight.reading import Reading

FRAME = "local"
"""Metres to the east, to the north and up, from the first position."""

_ROW = MessageType(
    "vario.Outputs",
    tuple(
        Field(output.name, number, FieldType.STRING if output.is_text else FieldType.DOUBLE)
        for number, output in enumerate(TRACE, start=1)
    ),
)
_TOPICS = {"outputs": _ROW, "position": LOCATION_FIX, "attitude": POSE_IN_FRAME, "log": LOG}


def write_viewer_file(session: ReplaySession, path: Path, rate_hz: float, start_utc: datetime | None) -> None:
    """Play the flight and write the file.

    Args:
        session: the flight.
        path: file to write; an existing one is replaced.
        rate_hz: rows of outputs and attitudes per second.
        start_utc: the time of `t_s` = 0; None: unknown.

    Raises:
        OutputError: if the file cannot be written.
    """
    try:
        with ViewerFile(path, rate_hz, start_utc) as file:
            climbs = 0
            for reading in session:
                file.take(reading)
                for climb in session.climbs[climbs:]:
                    text = (
                        f"climb: {climb.gain_m:.0f} m, {climb.average_mps:.1f} m/s, {climb.turns:.0f} turns"
                    )
                    file.log(climb.end_s, text, "climb")
                climbs = len(session.climbs)
            summary = session.summary()
            for mark in summary["marks"]:
                file.log(mark["t_s"], mark["text"], "mark")
            for note in summary["warnings"]:
                file.log(file.from_s, note, "note", WARNING)
    except OSError as error:
        raise OutputError(path, error) from error


class ViewerFile:
    """Writes readings for viewers.

    Args:
        path: file to write; an existing one is replaced.
        rate_hz: rows per second.
        start_utc: the time of `t_s` = 0; None: unknown.
    """

    def __init__(self, path: Path, rate_hz: float, start_utc: datetime | None) -> None:
        self._sampler = Sampler(TRACE, rate_hz, start_utc)
        self._zero_ns = round(start_utc.astimezone(UTC).timestamp() * 1e9) if start_utc else 0
        self._place: GnssPos | None = None
        self._first: GnssPos | None = None
        self._mode = ""
        self.from_s = 0.0
        """Time of the first reading."""
        self._file = path.open("wb")
        self._writer = Writer(self._file)
        self._writer.start(library=LIBRARY)
        self._channels = {topic: self._channel(topic, kind) for topic, kind in _TOPICS.items()}

    def take(self, reading: Reading) -> None:
        """Call this with every reading."""
        if not self._mode:
            self.from_s = reading.t_s
        if reading.mode.value != self._mode:
            self._mode = reading.mode.value
            self.log(reading.t_s, f"mode: {self._mode}", "mode")
        place = reading.position
        if place is not None and place is not self._place:
            self._place = place
            self._first = self._first or place
            position = {"latitude": place.lat_deg, "longitude": place.lon_deg, "altitude": place.altitude_m}
            self._write("position", place.t_s, position)
        values = self._sampler.take(reading)
        if values is not None:
            row = {output.name: value for output, value in zip(TRACE, values, strict=True) if value != ""}
            self._write("outputs", reading.t_s, row)
            self._attitude(reading)

    def log(self, t_s: float, text: str, name: str, level: int = INFO) -> None:
        """Write a text that belongs to an instant."""
        self._write("log", t_s, {"level": level, "message": text, "name": name}, stamped=True)

    def _attitude(self, reading: Reading) -> None:
        heading_rad, attitude = OUTPUTS["heading_rad"].value_of(reading), reading.attitude
        if attitude is None or not isinstance(heading_rad, float):
            return
        values: dict[str, Any] = {
            "frame_id": FRAME,
            "pose": {"orientation": quaternion(heading_rad, attitude.pitch_rad, attitude.bank_rad)},
        }
        if self._first is not None and self._place is not None:
            north_m, east_m = offset_m(
                self._first.lat_deg, self._first.lon_deg, self._place.lat_deg, self._place.lon_deg
            )
            up_m = self._place.altitude_m - self._first.altitude_m
            values["pose"]["position"] = {"x": east_m, "y": north_m, "z": up_m}
        self._write("attitude", reading.t_s, values, stamped=True)

    def _write(self, topic: str, t_s: float, values: Mapping[str, Any], *, stamped: bool = False) -> None:
        time_ns = self._zero_ns + round(t_s * 1e9)
        if stamped:
            values = {"timestamp": timestamp(time_ns), **values}
        self._writer.add_message(self._channels[topic], time_ns, encoded(_TOPICS[topic], values), time_ns)

    def _channel(self, topic: str, kind: MessageType) -> int:
        schema = self._writer.register_schema(kind.name, PROTOBUF, descriptor_set(kind))
        units = {output.name: output.unit or "1" for output in TRACE if not output.is_text}
        return self._writer.register_channel(
            f"/{topic}", PROTOBUF, schema, units if topic == "outputs" else {}
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._writer.finish()  # type: ignore[no-untyped-call] # so in the library
        finally:
            self._file.close()


def quaternion(heading_rad: float, pitch_rad: float, bank_rad: float) -> dict[str, float]:
    """The attitude as viewers expect it: x forward, y left, z up, in a frame of east, north, up.

    It is the product of turns about z by 90° − heading, about y by −pitch (nose up), and about x by bank.
    """
    turn, lift, roll = (math.pi / 2 - heading_rad) / 2, -pitch_rad / 2, bank_rad / 2
    cz, sz, cy, sy, cx, sx = (f(angle) for angle in (turn, lift, roll) for f in (math.cos, math.sin))
    return {
        "x": cz * cy * sx - sz * sy * cx,
        "y": cz * sy * cx + sz * cy * sx,
        "z": sz * cy * cx - cz * sy * sx,
        "w": cz * cy * cx + sz * sy * sx,
    }
