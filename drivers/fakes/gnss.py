"""A fake GNSS receiver: it sends the position and velocity of a world as sentences."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from drivers.errors import UnavailableError
from drivers.fakes.world import World
from drivers.nmea import MPS_PER_KT, framed
from drivers.ubx import NAV_PVT, SYNC
from drivers.ubx import checksum as ubx_checksum


class FakeReceiver:
    """A receiver and its line, as a `Port`.

    Args:
        world: the true position and velocity.
        clock: the clock.
        rate_hz: epochs per second.
        baud: its baud rate; at any other rate the receiver of the line gets noise.
        latency_s: from an epoch to its first byte.
        talker: "GP", "GN", …
        start_utc: the UTC time at which the clock is 0.
        protocol: "NMEA", "UBX" or "both".

    Attributes:
        plugged: whether it is connected.
        garbled_epochs: number of coming epochs with a wrong byte.
    """

    def __init__(
        self,
        world: World,
        clock: Callable[[], float],
        *,
        rate_hz: float = 5.0,
        baud: int = 9600,
        latency_s: float = 0.1,
        talker: str = "GN",
        start_utc: datetime = datetime(2026, 6, 1, 11, 0, 0, tzinfo=UTC),
        protocol: str = "NMEA",
    ) -> None:
        self.world = world
        self.clock = clock
        self.rate_hz = rate_hz
        self.baud = baud
        self.latency_s = latency_s
        self.talker = talker
        self.start_utc = start_utc
        self.protocol = protocol
        self.plugged = True
        self.garbled_epochs = 0
        self._listening_baud = baud
        self._sent = 0

    @property
    def name(self) -> str:
        """For messages."""
        return "fake receiver"

    def set_baud(self, baud: int) -> None:
        """Listen at a speed."""
        self._check()
        self._listening_baud = baud
        self._sent = self._epochs()

    def read(self) -> bytes:
        """The epochs since the last reading."""
        self._check()
        data = b"".join(self._epoch(epoch + 1) for epoch in range(self._sent, self._epochs()))
        self._sent = self._epochs()
        if self._listening_baud != self.baud:
            return bytes(byte ^ 0xB5 for byte in data)
        return data

    def close(self) -> None:
        """Do nothing."""

    def _check(self) -> None:
        if not self.plugged:
            raise UnavailableError(f"{self.name} has gone", "Plug it in")

    def _epochs(self) -> int:
        return max(0, math.floor((self.clock() - self.latency_s) * self.rate_hz + 1e-9))

    def _epoch(self, epoch: int) -> bytes:
        utc = self.start_utc + timedelta(seconds=epoch / self.rate_hz)
        data = b"" if self.protocol == "NMEA" else nav_pvt(self.world, utc)
        if self.protocol != "UBX":
            data += epoch_sentences(self.world, utc, self.talker)
        if self.garbled_epochs:
            self.garbled_epochs -= 1
            data = data.replace(b"A,3,", b"A,2,")
            if data.startswith(SYNC):
                data = data[:40] + bytes((data[40] ^ 1,)) + data[41:]
        return data


def epoch_sentences(world: World, utc: datetime, talker: str = "GN") -> bytes:
    """RMC, VTG, GGA and GSA of one epoch."""
    clock = f"{utc:%H%M%S}.{utc.microsecond // 10_000:02d}"
    if world.position is None:
        bodies = (
            f"{talker}RMC,{clock},V,,,,,,,{utc:%d%m%y},,,N",
            f"{talker}VTG,,,,,,,,,N",
            f"{talker}GGA,{clock},,,,,0,00,99.99,,,,,,",
            f"{talker}GSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99",
        )
    else:
        lat, lon, altitude_m = world.position
        north, east, _ = world.velocity_mps
        speed_kt = math.hypot(north, east) / MPS_PER_KT
        course = f"{math.degrees(math.atan2(east, north)) % 360.0:.2f}"
        place = f"{_angle(lat, 2, 'NS')},{_angle(lon, 3, 'EW')}"
        bodies = (
            f"{talker}RMC,{clock},A,{place},{speed_kt:.3f},{course},{utc:%d%m%y},,,A",
            f"{talker}VTG,{course},T,,M,{speed_kt:.3f},N,{speed_kt * 1.852:.3f},K,A",
            f"{talker}GGA,{clock},{place},1,10,0.8,{altitude_m:.1f},M,47.0,M,,",
            f"{talker}GSA,A,3,04,05,09,12,24,,,,,,,,1.5,0.8,1.2",
        )
    return "".join(map(framed, bodies)).encode()


def _angle(value_deg: float, digits: int, signs: str) -> str:
    """Degrees and minutes, ddmm.mmmmm, and the hemisphere."""
    hundred_thousandths = round(abs(value_deg) * 60e5)
    degrees, minutes = divmod(hundred_thousandths, 60 * 10**5)
    return f"{degrees:0{digits}d}{minutes / 1e5:08.5f},{signs[value_deg < 0]}"


def nav_pvt(world: World, utc: datetime) -> bytes:
    """The NAV-PVT message of one epoch, field by field as the interface description lists them."""
    there = world.position is not None
    lat, lon, altitude_m = world.position or (0.0, 0.0, 0.0)
    north, east, down = (round(1000.0 * speed) for speed in world.velocity_mps)
    of_week = (utc - datetime(1980, 1, 6, tzinfo=UTC)) % timedelta(weeks=1)
    payload = b"".join(
        (
            struct.pack("<IHBBBBBB", round(of_week.total_seconds() * 1000), *utc.timetuple()[:6], 7),
            struct.pack("<IiBBBB", 50, utc.microsecond * 1000, 3 if there else 0, int(there), 0, 10),
            struct.pack("<iiii", round(lon * 1e7), round(lat * 1e7), 0, round(altitude_m * 1000)),
            struct.pack("<IIiii", 900, 1400, north, east, down),
            struct.pack("<iiIIHH", round(math.hypot(north, east)), 0, 200, 500_000, 120, 0),
            bytes(12),
        )
    )
    body = NAV_PVT + struct.pack("<H", len(payload)) + payload
    return SYNC + body + ubx_checksum(body)
