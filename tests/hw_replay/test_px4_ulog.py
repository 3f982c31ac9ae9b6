"""PX4 ULog: sensors in our axes and units, the estimates of the autopilot as references, damage counted."""

import math
import struct
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Pitot, Reference, Sample
from hw_replay.errors import RecordingError
from hw_replay.open import open_source
from hw_replay.px4_ulog import PX4ULog
from hw_replay.source import GNSS_BARO
from tests.support.missing import FORMATS, library
from tests.support.ulog_bytes import Topic, message, ulog

START_US = 60_000_000
UTC_START = datetime(2026, 5, 1, 10, tzinfo=UTC)

COMBINED = Topic(
    "sensor_combined",
    1,
    "float[3] gyro_rad;int32_t accelerometer_timestamp_relative;float[3] accelerometer_m_s2",
)
AIR = Topic("vehicle_air_data", 2, "float baro_pressure_pa;float baro_temp_celcius")
PITOT = Topic("differential_pressure", 3, "float differential_pressure_pa")
GPS = Topic(
    "vehicle_gps_position", 4,
    "uint64_t time_utc_usec;double latitude_deg;double longitude_deg;double altitude_msl_m;"
    "float vel_n_m_s;float vel_e_m_s;float vel_d_m_s;bool vel_ned_valid;uint8_t fix_type",
)  # fmt: skip
ATTITUDE = Topic("vehicle_attitude", 5, "float[4] q")
LOCAL = Topic("vehicle_local_position", 6, "float vz;bool v_z_valid")
WIND = Topic("wind", 7, "float windspeed_north;float windspeed_east")
OTHER_GPS = Topic(
    "sensor_gps", 8,
    "uint64_t time_utc_usec;int32_t lat;int32_t lon;int32_t alt;"
    "float vel_n_m_s;float vel_e_m_s;float vel_d_m_s;bool vel_ned_valid;uint8_t fix_type",
)  # fmt: skip
OLD_BARO = Topic("sensor_baro", 9, "float pressure")


@pytest.fixture(autouse=True)
def _library() -> None:
    library("pyulog", FORMATS)


def at(second: float) -> int:
    return START_US + round(second * 1e6)


def utc_us(second: float) -> int:
    return round((UTC_START + timedelta(seconds=second)).timestamp() * 1e6)


def opened(folder: Path, data: bytes) -> PX4ULog:
    path = folder / "flight.log"
    path.write_bytes(data)
    source = open_source(path)
    assert isinstance(source, PX4ULog)
    return source


# Bank 30° right, nose level, heading east: quaternion of the rotations about z by 90° and then x by 30°
# (multiplied out by hand from the half angles).
C15, S15, R = math.cos(math.radians(15)), math.sin(math.radians(15)), math.sqrt(0.5)
TURN = (R * C15, R * S15, R * S15, R * C15)

VELOCITY = (20.0, -3.0, 0.5, True)

FLIGHT = ulog(
    START_US,
    [COMBINED, AIR, PITOT, GPS, ATTITUDE, LOCAL, WIND],
    [
        COMBINED.data(at(0.25), 0.125, -0.25, 0.5, 0, 0.0, 0.5, -9.75),
        AIR.data(at(0.5), 90_000.0, 25.0),
        GPS.data(at(0.25), utc_us(0.25), 47.5, -9.25, 812.5, 20.0, -3.0, 0.5, True, 3),
        PITOT.data(at(0.75), 250.0),
        ATTITUDE.data(at(0.75), *TURN),
        LOCAL.data(at(0.75), -1.5, True),
        WIND.data(at(0.75), 4.0, -2.0),
        message("O", struct.pack("<H", 250)),
        GPS.data(at(1.0), utc_us(1.0), 47.5, -9.25, 812.5, 20.0, -3.0, 0.5, True, 2),
        GPS.data(at(1.25), utc_us(1.25), 47.5, -9.25, 813.5, 20.0, -3.0, 0.5, False, 3),
        COMBINED.data(at(1.5), math.nan, 0.0, 0.0, 0, 0.0, 0.0, 900.0),
    ],
)


def test_sensors_in_our_axes_and_estimates_as_references(tmp_path: Path) -> None:
    source = opened(tmp_path, FLIGHT)
    assert source.info.origin == "imported from PX4 ULog"
    assert source.info.start_utc == UTC_START
    assert source.duration_s == 1.5
    found = list(source)
    inputs = [sample for sample in found if not isinstance(sample, Reference)]
    assert inputs == [
        ImuAccel(0.25, 0.0, 0.5, -9.75),
        ImuGyro(0.25, 0.125, -0.25, 0.5),
        GnssPos(0.25, 47.5, -9.25, 812.5),
        GnssVel(0.25, 20.0, -3.0, 0.5),
        Baro(0.5, 90_000.0),
        Pitot(0.75, 250.0),
        GnssPos(1.25, 47.5, -9.25, 813.5),
    ]
    references = {sample.name: sample.value for sample in found if isinstance(sample, Reference)}
    assert references == pytest.approx(
        {
            "autopilot_bank_rad": math.radians(30),
            "autopilot_pitch_rad": 0.0,
            "autopilot_heading_rad": math.radians(90),
            "autopilot_climb_mps": 1.5,
            "autopilot_wind_north_mps": 4.0,
            "autopilot_wind_east_mps": -2.0,
        },
        abs=1e-6,
    )
    assert found == list(source)
    assert source.rejected() == 2
    assert source.warnings()[-1] == "the logger lost 0.2 s of data (gaps: 1)"


def test_older_versions(tmp_path: Path) -> None:
    data = ulog(
        START_US,
        [OTHER_GPS, OLD_BARO],
        [
            OTHER_GPS.data(at(1.0), 0, 475_000_000, -92_500_000, 812_500, 1.0, 2.0, 3.0, True, 4),
            OLD_BARO.data(at(0.5), 900.0),
        ],
    )
    source = opened(tmp_path, data)
    baro, position, velocity = list(source)
    assert baro == Baro(0.5, 90_000.0)
    assert isinstance(position, GnssPos)
    assert (position.lat_deg, position.lon_deg, position.altitude_m) == pytest.approx((47.5, -9.25, 812.5))
    assert velocity == GnssVel(1.0, 1.0, 2.0, 3.0)
    assert source.info.start_utc is None


def test_times_out_of_order_or_of_the_log(tmp_path: Path) -> None:
    rows = [AIR.data(at(t), 90_000.0 + t, 0.0) for t in (3, 1, 2, -5, 1e9)]
    source = opened(tmp_path, ulog(START_US, [AIR], rows))
    assert list(source) == [Baro(float(t), 90_000.0 + t) for t in (1, 2, 3)]
    assert source.rejected() == 2


def test_a_signalling_nan_is_rejected_without_a_warning(tmp_path: Path) -> None:
    """Exponent all ones, first bit of the significand 0: signalling NaN (IEEE 754-2019, 6.2.1)."""
    rows = [AIR.data(at(1), 90_000.0, 0.0), AIR.data(at(2), 12_345.0, 0.0)]
    data = ulog(START_US, [AIR], rows).replace(struct.pack("<f", 12_345.0), struct.pack("<I", 0x7FA00000))
    source = opened(tmp_path, data)
    assert list(source) == [Baro(1.0, 90_000.0)]
    assert source.rejected() == 1


@pytest.mark.parametrize("length", range(8, len(FLIGHT), 41))
def test_a_file_that_breaks_off(tmp_path: Path, length: int) -> None:
    whole: list[Sample] = list(opened(tmp_path, FLIGHT))
    try:
        found = list(opened(tmp_path, FLIGHT[:length]))
    except RecordingError as error:
        assert "flight.log" in str(error)  # noqa: PT017 -- either of the two is right
        return
    assert set(map(repr, found)) <= set(map(repr, whole))


def test_without_the_library_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyulog", None)
    with pytest.raises(RecordingError, match=r"pip install 'glider-vario\[formats\]'"):
        opened(tmp_path, FLIGHT)


def test_without_barometer_the_height_of_gnss_serves(tmp_path: Path) -> None:
    source = opened(tmp_path, ulog(START_US, [GPS], [GPS.data(at(0.5), 0, 47.5, -9.25, 812.5, *VELOCITY, 3)]))
    assert source.info.sensors["baro"] is GNSS_BARO
    assert list(source)[:2] == [Baro(0.5, isa.pressure_pa(812.5)), GnssPos(0.5, 47.5, -9.25, 812.5)]


def test_an_accelerometer_in_g_is_reported(tmp_path: Path) -> None:
    rows = [COMBINED.data(at(k / 50), 0.0, 0.0, 0.0, 0, 0.0, 0.0, -1.0) for k in range(100)]
    source = opened(tmp_path, ulog(START_US, [COMBINED], rows))
    assert len(list(source)) == 200
    assert any("probably in g: multiply x, y and z by 9.80665" in note for note in source.warnings())
