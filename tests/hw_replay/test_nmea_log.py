"""Logs of NMEA 0183: epochs by their UTC time, also past midnight, and the quality of their fixes."""

import gzip
import math
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from pynmeagps import GET, NMEAMessage

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel
from hw_replay.errors import UnknownFormat
from hw_replay.nmea_log import NmeaLog
from hw_replay.open import open_source
from tests.support.samples_of import of


def sentence(kind: str, **values: object) -> bytes:
    """Written by the general library."""
    return bytes(NMEAMessage("GN", kind, GET, **values).serialize())


def gga(clock: str, alt: float = 812.5, quality: int = 1) -> bytes:
    return sentence(
        "GGA", time=clock, lat=47.5, NS="N", lon=-9.25, EW="W", quality=quality, numSV=9, HDOP=0.9, alt=alt,
        altUnit="M", sep=48.0, sepUnit="M",
    )  # fmt: skip


def rmc(clock: str, day: date = date(2026, 5, 1), status: str = "A") -> bytes:
    return sentence(
        "RMC", time=clock, status=status, lat=47.5, NS="N", lon=-9.25, EW="W", spd=36.0, cog=30.0, date=day,
        mv="", mvEW="", posMode="A",
    )  # fmt: skip


def vtg() -> bytes:
    return sentence(
        "VTG", cogt=90.0, cogtUnit="T", cogm="", cogmUnit="M", sogn=10.0, sognUnit="N", sogk=18.5,
        sogkUnit="K", posMode="A",
    )  # fmt: skip


def log(folder: Path, *lines: bytes) -> NmeaLog:
    path = folder / "walk.txt"
    path.write_bytes(b"".join(line if line.endswith(b"\n") else line + b"\r\n" for line in lines))
    source = open_source(path)
    assert isinstance(source, NmeaLog)
    return source


def test_published_sentences(tmp_path: Path) -> None:
    # Example sentences of the SiRF NMEA reference manual (document 1050-0042), of the same epoch, with the
    # checksums printed there. From memory; the checksums agree.
    source = log(
        tmp_path,
        b"$GPGGA,161229.487,3723.2475,N,12158.3416,W,1,07,1.0,9.0,M,,,,0000*18",
        b"$GPRMC,161229.487,A,3723.2475,N,12158.3416,W,0.13,309.62,120598,,*10",
    )
    height, position, velocity = list(source)
    assert isinstance(height, Baro)
    assert isa.altitude_m(height.static_pa) == pytest.approx(9.0, abs=0.01)  # that of GNSS, no barometer
    assert isinstance(position, GnssPos)
    assert isinstance(velocity, GnssVel)
    assert (position.lat_deg, position.lon_deg, position.altitude_m) == pytest.approx(
        (37 + 23.2475 / 60, -121 - 58.3416 / 60, 9.0), abs=1e-8
    )
    speed_mps = math.hypot(velocity.north_mps, velocity.east_mps)
    assert speed_mps == pytest.approx(0.13 * 1852 / 3600)  # 1 kt is 1852 m/h by definition
    track_deg = math.degrees(math.atan2(velocity.east_mps, velocity.north_mps)) % 360
    assert track_deg == pytest.approx(309.62)
    assert velocity.down_mps is None
    assert source.warnings() == []


def test_time_goes_on_past_midnight(tmp_path: Path) -> None:
    source = log(
        tmp_path,
        *(rmc("235958.50"), gga("235958.50")),
        *(rmc("235959.50"), gga("235959.50")),
        *(rmc("000000.50", date(2026, 5, 2)), gga("000000.50")),
    )
    assert source.info.start_utc == datetime(2026, 5, 1, 23, 59, 58, 500_000, tzinfo=UTC)
    assert source.info.origin == "imported from NMEA 0183"
    assert source.duration_s == 2.0
    found = list(source)
    assert [sample.t_s for sample in found] == [0.0, 0.0, 0.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0]
    assert found == list(source)


def test_readings_that_the_receiver_marks_invalid_are_left_out(tmp_path: Path) -> None:
    source = log(
        tmp_path,
        gga("100000.00", quality=0),
        rmc("100000.00", status="V"),
        gga("100001.00", quality=8),
        *(gga("100002.00"), sentence("GSA", opMode="A", navMode=2, PDOP=2.0, HDOP=1.0, VDOP=1.5)),
        *(gga("100003.00"), sentence("GSA", opMode="A", navMode=3, PDOP=2.0, HDOP=1.0, VDOP=1.5)),
        gga("100004.00"),
    )
    found = of(GnssPos, source)
    assert [sample.t_s for sample in found] == [3.0, 4.0]  # not simulated, flat or without fix


def test_vtg_serves_where_rmc_is_missing(tmp_path: Path) -> None:
    found = list(log(tmp_path, gga("100000.00"), vtg(), gga("100001.00"), vtg()))
    velocities = of(GnssVel, found)
    assert [v.t_s for v in velocities] == [0.0, 1.0]
    assert (velocities[0].north_mps, velocities[0].east_mps) == pytest.approx((0.0, 5.144444), abs=1e-6)
    assert len(of(GnssVel, log(tmp_path, rmc("100000.00"), gga("100000.00"), vtg()))) == 1


def test_damage_is_counted_with_its_line(tmp_path: Path) -> None:
    wrong = gga("100001.00").replace(b"812.5", b"912.5")
    source = log(
        tmp_path,
        b"log opened",
        b"12.345 " + gga("100000.00"),  # a logger's own time before it
        wrong,
        gga("100002.00"),
        gga("040000.00"),  # six hours back
        b"$GNGGA,100003.00,47",
        gga("100003.00", alt=99_999.0),
        b"x" * 2000,
    )
    assert [p.t_s for p in of(GnssPos, source)] == [0.0, 2.0]
    said = " ".join(source.warnings())
    assert source.rejected() == 6
    assert "wrong checksum (line 3)" in said
    assert "no sentence with a checksum (lines 1, 6)" in said
    assert "altitude_m outside" in said
    assert "longer than 1000 characters (line 8)" in said
    assert "(line 5)" in said


def test_gzip_and_no_checksums(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(gzip.compress(gga("100000.00")))
    assert len(of(GnssPos, open_source(tmp_path / "a"))) == 1
    (tmp_path / "b").write_bytes(b"$GPGGA,100000.00,4730.0,N,00915.0,E,1,9,0.9,812.5,M,48.0,M,,\n")
    with pytest.raises(UnknownFormat, match="sentences without checksums"):
        open_source(tmp_path / "b")


def test_a_log_of_long_ago_keeps_its_date_and_says_what_an_old_receiver_would_mean(tmp_path: Path) -> None:
    """The week counter of GPS repeats after 1024 weeks (IS-GPS-200). Live, the receiver is in use now; a log
    may be old: one of 2015 became one of 2035."""
    day = date(2015, 6, 21)
    source = log(
        tmp_path,
        b"# written by a logger",
        *(part for k in range(3) for part in (rmc(f"09283{k}.00", day), gga(f"09283{k}.00"))),
    )
    assert source.info.start_utc == datetime(2015, 6, 21, 9, 28, 30, tzinfo=UTC)
    assert len(of(GnssPos, source)) == 3
    assert source.warnings() == [
        "the date is 2015-06-21; with an old receiver it may really be 2035-02-04",
    ]


def test_a_log_without_a_fix_says_so(tmp_path: Path) -> None:
    source = log(tmp_path, b"$GNRMC,,V,,,,,,,,,,N*4D", b"$GNGGA,,,,,,0,00,99.99,,,,,,*56")
    assert list(source) == []
    assert "the file holds no position with a height" in source.warnings()
