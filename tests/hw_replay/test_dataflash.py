"""ArduPilot dataflash: sensors in our axes and units, estimates as references, damage skipped."""

import math
import struct
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Reference
from hw_replay.dataflash import Dataflash
from hw_replay.errors import RecordingError
from hw_replay.open import open_source
from hw_replay.source import GNSS_BARO
from tests.support.compiled import interpreted_only
from tests.support.missing import FORMATS, library


class Log:
    """A log written with the message formats of the library, in the layout its reader expects."""

    def __init__(self) -> None:
        self._make: Any = library("pymavlink.DFReader", FORMATS).DFFormat
        self._forms: dict[str, Any] = {}
        self.data = b""
        self.form("FMT", "BBnNZ", "Type,Length,Name,Format,Columns", 0x80)

    def form(self, name: str, codes: str, columns: str, kind: int) -> None:
        form = self._make(kind, name, 0, codes, columns)
        form.len = struct.calcsize(form.msg_struct) + 3
        self._forms[name] = form
        self.add("FMT", kind, form.len, name.encode(), codes.encode(), columns.encode())

    def add(self, name: str, *values: Any) -> None:
        form = self._forms[name]
        self.data += bytes((0xA3, 0x95, form.type)) + struct.pack(form.msg_struct, *values)


def us(second: float) -> int:
    return round(5e6 + second * 1e6)


# 2026-05-01 10:00:00 UTC is 18 s later in GPS time (IERS Bulletin C 52); GPS weeks count from 1980-01-06.
GPS_TIME = datetime(2026, 5, 1, 10, 0, 18) - datetime(1980, 1, 6)
WEEK, REST = divmod(GPS_TIME, timedelta(weeks=1))
MS = REST // timedelta(milliseconds=1)


def gps(second: float, status: int = 3) -> tuple[Any, ...]:
    ms = MS + round(second * 1000)
    return us(second), 0, status, ms, WEEK, 475_000_000, -92_500_000, 812.5, 10.0, 90.0, -0.5


def flight() -> Log:
    log = Log()
    log.form("IMU", "QBffffff", "TimeUS,I,GyrX,GyrY,GyrZ,AccX,AccY,AccZ", 130)
    log.form("BARO", "QBffc", "TimeUS,I,Alt,Press,Temp", 131)
    log.form("ARSP", "QBffc", "TimeUS,I,Airspeed,DiffPress,Temp", 132)
    log.form("GPS", "QBBIHLLffff", "TimeUS,I,Status,GMS,GWk,Lat,Lng,Alt,Spd,GCrs,VZ", 133)
    log.form("ATT", "Qccc", "TimeUS,Roll,Pitch,Yaw", 134)
    log.form("XKF1", "QBfff", "TimeUS,C,VN,VE,VD", 135)
    log.form("XKF2", "QBff", "TimeUS,C,VWN,VWE", 136)
    log.form("MSG", "QZ", "TimeUS,Message", 137)
    log.add("MSG", us(0), b"hello")
    log.add("IMU", us(0.25), 0, 0.125, -0.25, 0.5, 0.0, 0.5, -9.75)
    log.add("IMU", us(0.25), 1, 9.0, 9.0, 9.0, 9.0, 9.0, 9.0)
    log.add("GPS", *gps(0.5))
    log.add("BARO", us(0.375), 0, 100.0, 90_000.0, 2500)
    log.add("ARSP", us(0.75), 0, 20.0, 250.0, 1500)
    log.add("ATT", us(0.75), 3000, -500, 9000)
    log.add("XKF1", us(0.75), 0, 1.0, 2.0, -1.5)
    log.add("XKF1", us(0.75), 1, 1.0, 2.0, 99.0)
    log.add("XKF2", us(0.75), 0, 4.0, -2.0)
    log.add("GPS", *gps(1.0, status=2))
    log.add("IMU", us(1.5), 0, math.nan, 0.0, 0.0, 0.0, 0.0, -9.75)
    return log


def opened(folder: Path, data: bytes) -> Dataflash:
    path = folder / "00000001.BIN"
    path.write_bytes(data)
    source = open_source(path)
    assert isinstance(source, Dataflash)
    return source


@interpreted_only
def test_sensors_in_our_axes_and_estimates_as_references(tmp_path: Path) -> None:
    source = opened(tmp_path, flight().data)
    assert source.info.origin == "imported from ArduPilot dataflash"
    assert source.info.start_utc == datetime(2026, 5, 1, 10, 0, 0, 250_000, tzinfo=UTC)
    assert source.duration_s == 1.25
    found = list(source)
    assert [sample for sample in found if not isinstance(sample, Reference)] == [
        ImuAccel(0.0, 0.0, 0.5, -9.75),
        ImuGyro(0.0, 0.125, -0.25, 0.5),
        Baro(0.125, 90_000.0),
        GnssPos(0.25, pytest.approx(47.5), pytest.approx(-9.25), 812.5),
        GnssVel(0.25, pytest.approx(0.0, abs=1e-9), 10.0, -0.5),
        Pitot(0.5, 250.0),
        ImuAccel(1.25, 0.0, 0.0, -9.75),
    ]
    references = {sample.name: sample.value for sample in found if isinstance(sample, Reference)}
    assert references == pytest.approx(
        {
            "autopilot_bank_rad": math.radians(30),
            "autopilot_pitch_rad": math.radians(-5),
            "autopilot_heading_rad": math.radians(90),
            "autopilot_climb_mps": 1.5,
            "autopilot_wind_north_mps": 4.0,
            "autopilot_wind_east_mps": -2.0,
        }
    )
    assert found == list(source)
    assert source.rejected() == 1


def test_the_library_reads_the_same_file(tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(flight().data + bytes(600))
    reader: Any = library("pymavlink.DFReader", FORMATS).DFReader_binary(str(tmp_path / "x.bin"))
    with reader:
        message = reader.recv_match(type="GPS")
        assert (message.Lat, message.Lng, message.Status) == (47.5, -9.25, 3)


def test_damage_in_between_and_times_that_do_not_fit(tmp_path: Path) -> None:
    log = flight()
    log.data += b"\xa3\x95\x05 garbage \xa3"
    log.add("BARO", us(40_000), 0, 0.0, 95_000.0, 0)  # a damaged time
    log.add("BARO", us(2), 0, 0.0, 91_000.0, 0)
    log.add("FMT", 140, 12, b"BAD", b"Q?", b"TimeUS,X")
    source = opened(tmp_path, log.data)
    assert [sample for sample in source if isinstance(sample, Baro)][-1] == Baro(1.75, 91_000.0)
    assert source.rejected() == 2
    assert "messages 'BAD' have a format that is unknown" in source.warnings()
    assert any("13 bytes that are not a message" in sentence for sentence in source.warnings())


def test_a_message_of_length_0_and_a_file_that_breaks_off(tmp_path: Path) -> None:
    data = flight().data
    assert data.count(b"IMU\0") == 1
    at = data.index(b"IMU\0") - 1
    source = opened(tmp_path, data[:at] + b"\0" + data[at + 1 :])
    assert not any(isinstance(sample, ImuAccel) for sample in source)
    whole = set(map(repr, opened(tmp_path, data)))
    for length in range(3, len(data), 97):
        found = {repr(s) for s in opened(tmp_path, data[:length])}
        assert found <= whole


def test_without_the_library_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = flight().data
    monkeypatch.setitem(sys.modules, "pymavlink.DFReader", None)
    with pytest.raises(RecordingError, match=r"pip install 'glider-vario\[formats\]'"):
        opened(tmp_path, data)


@interpreted_only
def test_without_barometer_the_height_of_gnss_serves(tmp_path: Path) -> None:
    log = Log()
    log.form("GPS", "QBBIHLLffff", "TimeUS,I,Status,GMS,GWk,Lat,Lng,Alt,Spd,GCrs,VZ", 133)
    log.add("GPS", *gps(0.5))
    source = opened(tmp_path, log.data)
    assert source.info.sensors["baro"] is GNSS_BARO
    assert next(iter(source)) == Baro(0.0, isa.pressure_pa(812.5))
