"""UBX, the binary protocol of u-blox receivers: split a stream of bytes, and read NAV-PVT.

Source: u-blox M8, M9 and M10 interface descriptions: "UBX frame structure" (sync characters, class, ID,
length, payload, checksum), "UBX checksum" (8-bit Fletcher, from class to payload), "UBX-NAV-PVT" (92 bytes).
The layout of NAV-PVT was compared with the text of UBX-18010854 (ZED-F9P), 5.14.11; the rest is from
memory, and `pyubx2` agrees.

The receiver driver and the reader of logs share this decoder. The general library `pyubx2` is the oracle of
the tests only: it takes 40 times as long for a message, which is too much for a small computer in flight.
"""

from __future__ import annotations

import struct
from datetime import UTC, datetime, timedelta

from drivers.nmea import Fix, SentenceSplitter, read
from drivers.quick import dataclass

SYNC = b"\xb5\x62"
NAV_PVT = b"\x01\x07"
HEAD_BYTES = 6
SUM_BYTES = 2

LONGEST_BYTES = 2048
"""A longer message has a damaged length; waiting for its end would delay the next ones by seconds."""

_PVT = struct.Struct("<I H 5B B I i B B B B 4i 8x 3i")
"""iTOW; year; month to second; valid; tAcc; nano; fixType; flags; flags2; numSV; lon, lat, height, hMSL;
velN, velE, velD. What follows is not used.
"""

_PVT_BYTES = (84, 92)
"""Of the payload: u-blox 7 (from memory), and M8 and later."""

_FIX_OK = 1  # of flags
_DATE_AND_TIME = 3  # of valid
_DIMENSIONS = {2: 2, 3: 3, 4: 3}
"""By fixType: 4 is GNSS with dead reckoning."""


@dataclass(frozen=True, slots=True)
class NavPvt:
    """The content of a NAV-PVT message; None: the receiver does not state that the value is valid.

    Attributes:
        tow_ms: GPS time of week.
        utc: date and time, to the millisecond.
        dimensions: 2 or 3, 1 for no fix.
        satellites: used.
        position: latitude and longitude in degrees, metres above mean sea level; with three dimensions.
        velocity_mps: north and east.
        down_mps: with three dimensions.
    """

    tow_ms: int
    utc: datetime | None
    dimensions: int
    satellites: int
    position: tuple[float, float, float] | None
    velocity_mps: tuple[float, float] | None
    down_mps: float | None


class MessageSplitter:
    """Splits a stream of bytes into UBX messages and sentences of NMEA 0183 with correct checksums."""

    def __init__(self) -> None:
        self._sentences = SentenceSplitter()
        self._rest = b""
        self._frames = 0
        self._garbled = 0

    @property
    def good(self) -> int:
        """Number of messages and sentences so far."""
        return self._frames + self._sentences.good

    @property
    def garbled(self) -> int:
        """Number of those with a wrong checksum so far."""
        return self._garbled + self._sentences.garbled

    @property
    def within_a_line(self) -> bool:
        """Whether an incomplete message or line is buffered."""
        return bool(self._rest) or self._sentences.within_a_line

    def feed(self, data: bytes) -> list[str | bytes]:
        """The sentences as text and the UBX messages as bytes that `data` completes, in their order."""
        data = self._rest + data
        found: list[str | bytes] = []
        at = 0
        while (start := data.find(SYNC, at)) >= 0:
            found += self._sentences.feed(data[at:start])
            size = _frame_bytes(data, start)
            if size is None or start + size > len(data):
                self._rest = data[start:]
                return found
            if frame_end(data, start) != start + size:
                self._garbled += 1
                at = start + len(SYNC)
                continue
            self._frames += 1
            found.append(data[start : start + size])
            at = start + size
        left = data[at:]  # without the last message, which may end like a beginning
        rest = len(left) - left.endswith(SYNC[:1])
        found += self._sentences.feed(left[:rest])
        self._rest = left[rest:]
        return found


def _frame_bytes(data: bytes, at: int) -> int | None:
    """Length of the message that begins at `at`; 0 if too long; None if the length has not arrived."""
    if at + HEAD_BYTES > len(data):
        return None
    size = HEAD_BYTES + int.from_bytes(data[at + 4 : at + HEAD_BYTES], "little") + SUM_BYTES
    return size if size <= LONGEST_BYTES else 0


def frame_end(data: bytes, at: int) -> int | None:
    """End of the message that begins at `at`; None if it is incomplete or its checksum is wrong."""
    body = at + HEAD_BYTES
    end = body + int.from_bytes(data[at + 4 : body], "little") + SUM_BYTES
    if not body < end <= len(data):
        return None
    return end if data[end - SUM_BYTES : end] == checksum(data[at + len(SYNC) : end - SUM_BYTES]) else None


def checksum(data: bytes) -> bytes:
    """The two bytes after the payload, from the bytes after the sync characters."""
    a = b = 0
    for byte in data:
        a = (a + byte) & 0xFF
        b = (b + a) & 0xFF
    return bytes((a, b))


def read_pvt(message: bytes) -> NavPvt | None:
    """The content of a NAV-PVT message; None if it is another one, or its length or date is impossible."""
    payload = message[HEAD_BYTES:-SUM_BYTES]
    if not message.startswith(SYNC + NAV_PVT) or len(payload) not in _PVT_BYTES:
        return None
    tow_ms, year, month, day, hour, minute, second, valid, _, nano, *others = _PVT.unpack_from(payload)
    kind, flags, _, satellites, lon, lat, _, msl_mm, north, east, down = others
    dimensions = _DIMENSIONS.get(kind, 1) if flags & _FIX_OK else 1
    utc = None
    if valid & _DATE_AND_TIME == _DATE_AND_TIME:
        try:
            utc = datetime(year, month, day, hour, minute, min(second, 59), tzinfo=UTC)
            utc += timedelta(milliseconds=round(nano / 1e6))
        except (ValueError, OverflowError):
            return None
    return NavPvt(
        tow_ms,
        utc,
        dimensions,
        satellites,
        position=(lat * 1e-7, lon * 1e-7, msl_mm / 1000.0) if dimensions == 3 else None,
        velocity_mps=(north / 1000.0, east / 1000.0) if dimensions > 1 else None,
        down_mps=down / 1000.0 if dimensions == 3 else None,
    )


def read_message(message: str | bytes) -> Fix | None:
    """The content of a sentence or of a NAV-PVT message; None if it is of another type or invalid."""
    if isinstance(message, str):
        return read(message)
    pvt = read_pvt(message)
    if pvt is None:
        return None
    return Fix(
        "PVT",
        utc_time=None if pvt.utc is None else pvt.utc.time(),
        position=pvt.position,
        velocity_mps=pvt.velocity_mps,
        down_mps=pvt.down_mps,
        utc=pvt.utc,
        has_fix=pvt.dimensions > 1,
        dimensions=pvt.dimensions,
        satellites=pvt.satellites,
    )
