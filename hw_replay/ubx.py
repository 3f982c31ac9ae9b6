"""Logs of u-blox receivers (UBX protocol) as samples: NAV-PVT, decoded as in the driver.

`t_s` counts from the first fix. Other messages, and sentences of NMEA 0183 between them, are skipped.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime, timedelta

from drivers.samples import Sample
from drivers.ubx import HEAD_BYTES, NAV_PVT, SUM_BYTES, SYNC, NavPvt, frame_end, read_pvt
from hw_replay.files import open_binary
from hw_replay.importer import Importer, SteadyClock
from hw_replay.source import GNSS_BARO, RecordingInfo, SensorInfo
from hw_replay.text import title_of

_LONGEST_BYTES = 8192 + HEAD_BYTES + SUM_BYTES
"""A message longer than this has a damaged length."""
_BLOCK_BYTES = 1 << 18
_WEEK_MS = 604_800_000


class UbxLog(Importer):
    """A UBX log as a `Source`; it is read in blocks.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "message")
        self._info = self._survey()

    def _survey(self) -> RecordingInfo:
        start: datetime | None = None
        for t_s, _, pvt in self._fixes():
            self.duration_s = t_s
            if start is None and pvt.utc is not None:
                start = pvt.utc - timedelta(seconds=t_s)
        sensor = SensorInfo("GNSS receiver, NAV-PVT")
        return RecordingInfo(
            title=title_of(self._path),
            origin="imported from u-blox UBX",
            start_utc=start,
            sensors={"baro": GNSS_BARO, "gnss_pos": sensor, "gnss_vel": sensor},
        )

    def _samples(self) -> Iterator[Sample]:
        found = False
        for t_s, number, pvt in self._fixes():
            found = True
            position = dict(zip(("lat_deg", "lon_deg", "altitude_m"), pvt.position or (), strict=True))
            yield from self._checked("gnss_pos", t_s, number, position)
            north_mps, east_mps = pvt.velocity_mps or (None, None)
            velocity = {"north_mps": north_mps, "east_mps": east_mps, "down_mps": pvt.down_mps}
            yield from self._checked("gnss_vel", t_s, number, velocity)
        if not found:
            self._note("the file holds no NAV-PVT message with a fix in three dimensions")

    def _fixes(self) -> Iterator[tuple[float, int, NavPvt]]:
        """Time, number of the message and content of every fix in three dimensions, in order of time."""
        first_ms: int | None = None
        last_s = -1.0
        clock = SteadyClock()
        for number, frame in self._frames():
            pvt = read_pvt(frame)
            if pvt is None:
                self._rejects.add("NAV-PVT of another length, or with an impossible date", number)
                continue
            if pvt.position is None:
                continue
            first_ms = pvt.tow_ms if first_ms is None else first_ms
            t_s = (pvt.tow_ms - first_ms) % _WEEK_MS / 1000.0
            if clock.believes(t_s) and t_s > last_s:
                last_s = t_s
                yield t_s, number, pvt
            else:
                self._rejects.add("time does not fit the messages before", number)

    def _frames(self) -> Iterator[tuple[int, bytes]]:
        """Number and bytes of every NAV-PVT message."""
        number = 0
        with open_binary(self._path) as file:
            data, over = b"", False
            while not over:
                block = file.read(_BLOCK_BYTES)
                over = not block
                data += block
                at = 0
                while (at := data.find(SYNC, at)) >= 0:
                    if len(data) - at < _LONGEST_BYTES and not over:
                        break
                    end = frame_end(data, at)
                    if end is None:
                        if data.startswith(SYNC + NAV_PVT, at):
                            number += 1
                            self._rejects.add("wrong checksum or length", number)
                        at += len(SYNC)
                        continue
                    if data.startswith(SYNC + NAV_PVT, at):
                        number += 1
                        yield number, data[at:end]
                    at = end
                data = data[at:] if at >= 0 else data[-1:]


def holds_ubx(start: bytes) -> bool:
    """Whether the beginning of a file contains a complete message."""
    at = -1
    while (at := start.find(SYNC, at + 1)) >= 0:
        if frame_end(start, at) is not None:
            return True
    return False
