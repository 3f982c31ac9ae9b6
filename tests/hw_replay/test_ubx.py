"""UBX logs: NAV-PVT written by the general library is read back; damage is counted."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel
from drivers.ubx import SYNC, checksum, frame_end
from hw_replay.open import open_source
from hw_replay.ubx import UbxLog
from tests.support.missing import library

# UBX-NAV-PVT is class 0x01, id 0x07, 92 bytes (u-blox interface description UBX-18010854, 5.14.11).
SENTENCE = b"$GNGGA,100000.00,4730.0000,N,00915.0000,W,1,09,0.9,812.5,M,48.0,M,,*53\r\n"


def pvt(tow_ms: int, height_m: float = 812.5, fix: int = 3, ok: int = 1, second: int = 0) -> bytes:
    """Written by the general library."""
    ubx: Any = library("pyubx2")
    message = ubx.UBXMessage(
        "NAV", "NAV-PVT", ubx.GET, iTOW=tow_ms, year=2026, month=5, day=1, hour=10, min=0, second=second,
        validDate=1, validTime=1, nano=250_000_000, fixType=fix, gnssFixOk=ok, lon=-9.25, lat=47.5,
        height=860_000, hMSL=round(height_m * 1000), velN=20_000, velE=-3_000, velD=500,
    )  # fmt: skip
    return bytes(message.serialize())


def other() -> bytes:
    ubx: Any = library("pyubx2")
    return bytes(ubx.UBXMessage("NAV", "NAV-CLOCK", ubx.GET, iTOW=1).serialize())


def opened(folder: Path, data: bytes) -> UbxLog:
    path = folder / "walk.ubx"
    path.write_bytes(data)
    source = open_source(path)
    assert isinstance(source, UbxLog)
    return source


def test_positions_and_velocities(tmp_path: Path) -> None:
    first, second = pvt(604_799_500), pvt(500, 813.5, second=1)  # over the end of the week
    source = opened(tmp_path, SENTENCE + other() + first + SENTENCE + pvt(604_799_750, fix=2) + second)
    assert source.info.start_utc == datetime(2026, 5, 1, 10, 0, 0, 250_000, tzinfo=UTC)
    assert source.info.origin == "imported from u-blox UBX"
    assert source.duration_s == 1.0
    assert list(source) == [
        Baro(0.0, isa.pressure_pa(812.5)),  # the height of GNSS serves as a barometer
        GnssPos(0.0, 47.5, -9.25, 812.5),
        GnssVel(0.0, 20.0, -3.0, 0.5),
        Baro(1.0, isa.pressure_pa(813.5)),
        GnssPos(1.0, 47.5, -9.25, 813.5),
        GnssVel(1.0, 20.0, -3.0, 0.5),
    ]
    assert source.warnings() == []


def test_published_frame() -> None:
    # UBX-ACK-ACK for CFG-MSG, a frame printed in many application notes; from memory, its checksum agrees.
    frame = bytes.fromhex("b5620501020006010f38")
    assert frame_end(frame, 0) == len(frame)
    assert frame_end(frame[:-1] + b"\0", 0) is None


def test_damage_is_counted_and_the_next_message_found(tmp_path: Path) -> None:
    good = [pvt(second * 1000, 800.0 + second) for second in range(6)]
    bad = bytearray(good[1])
    bad[60] ^= 1
    long = bytearray(good[2])
    long[5] = 0x40  # the length
    backwards = pvt(0)
    source = opened(
        tmp_path,
        good[0]
        + bytes(bad)
        + bytes(long)
        + good[3]
        + pvt(3000, ok=0)
        + backwards
        + pvt(4000, 99_999.0)
        + good[5],
    )
    assert [s.altitude_m for s in source if isinstance(s, GnssPos)] == [800.0, 803.0, 805.0]
    assert source.rejected() == 4
    said = " ".join(source.warnings())
    assert "2 messages rejected: wrong checksum or length (messages 2, 3)" in said
    assert "time does not fit" in said
    assert "altitude_m outside" in said


def test_no_fix_at_all_is_said(tmp_path: Path) -> None:
    source = opened(tmp_path, other())
    assert list(source) == []
    assert source.warnings() == ["the file holds no NAV-PVT message with a fix in three dimensions"]


def test_more_than_a_block(tmp_path: Path) -> None:
    frames = b"".join(pvt(second * 1000) + SENTENCE for second in range(20))
    filler = (other() * 12_000)[: 3 << 17]
    source = opened(tmp_path, frames + filler + pvt(20_000))
    assert sum(isinstance(sample, GnssPos) for sample in source) == 21


def test_another_length_and_an_impossible_date_are_counted(tmp_path: Path) -> None:
    body = bytes((1, 7, 80, 0)) + bytes(80)
    short = SYNC + body + checksum(body)
    undated = bytearray(pvt(1000))
    undated[12] = 0  # the month
    undated[-2:] = checksum(bytes(undated[2:-2]))
    source = opened(tmp_path, pvt(0) + short + bytes(undated) + pvt(2000))
    assert [s.t_s for s in source if isinstance(s, GnssPos)] == [0.0, 2.0]
    assert source.warnings() == [
        "2 messages rejected: NAV-PVT of another length, or with an impossible date (messages 2, 3)"
    ]


def test_the_shorter_message_of_older_receivers(tmp_path: Path) -> None:
    """84 bytes on u-blox 7; the values used stand at the same places (from memory)."""
    body = bytes((1, 7, 84, 0)) + pvt(0)[6:90]
    source = opened(tmp_path, SYNC + body + checksum(body))
    found = [sample for sample in source if not isinstance(sample, Baro)]
    assert found == [GnssPos(0.0, 47.5, -9.25, 812.5), GnssVel(0.0, 20.0, -3.0, 0.5)]
