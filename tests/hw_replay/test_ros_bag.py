"""MCAP of ROS 2: axes of REP 103 are converted, and values marked as missing are left out."""

import math
import sys
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Reference
from hw_replay.errors import RecordingError
from hw_replay.open import open_source
from hw_replay.ros_bag import RosBag
from hw_replay.source import GNSS_BARO
from tests.support.missing import FORMATS, library

_HEADER = """
================================================================================
MSG: std_msgs/Header
builtin_interfaces/Time stamp
string frame_id
================================================================================
MSG: builtin_interfaces/Time
int32 sec
uint32 nanosec
"""
_XYZ = "float64 x\nfloat64 y\nfloat64 z\n"
_LINE = "=" * 80 + "\n"

# The message definitions of the package sensor_msgs, without their comments.
IMU = (
    "std_msgs/Header header\ngeometry_msgs/Quaternion orientation\nfloat64[9] orientation_covariance\n"
    "geometry_msgs/Vector3 angular_velocity\nfloat64[9] angular_velocity_covariance\n"
    "geometry_msgs/Vector3 linear_acceleration\nfloat64[9] linear_acceleration_covariance"
    f"{_HEADER}{_LINE}MSG: geometry_msgs/Quaternion\n{_XYZ}float64 w\n"
    f"{_LINE}MSG: geometry_msgs/Vector3\n{_XYZ}"
)
PRESSURE = f"std_msgs/Header header\nfloat64 fluid_pressure\nfloat64 variance{_HEADER}"
FIX = (
    "std_msgs/Header header\nsensor_msgs/NavSatStatus status\nfloat64 latitude\nfloat64 longitude\n"
    f"float64 altitude\nfloat64[9] position_covariance\nuint8 position_covariance_type{_HEADER}"
    f"{_LINE}MSG: sensor_msgs/NavSatStatus\nint8 status\nuint16 service\n"
)
START = datetime(2026, 5, 1, 10, tzinfo=UTC)


def header(second: float) -> dict[str, Any]:
    whole = int(START.timestamp())
    return {"stamp": {"sec": whole + int(second), "nanosec": round(second % 1 * 1e9)}, "frame_id": "x"}


def imu(second: float, without: str = "", **values: Any) -> dict[str, Any]:
    none = [-1.0, *[0.0] * 8]
    return {
        "header": header(second),
        "orientation": {"x": 0.0, "y": 0.0, "z": 0.0, "w": 1.0},
        "angular_velocity": {"x": 0.125, "y": 0.25, "z": -0.5},
        "linear_acceleration": {"x": 0.0, "y": -0.5, "z": 9.75},
        **{
            f"{name}_covariance": none if name in without else [0.0] * 9
            for name in ("orientation", "angular_velocity", "linear_acceleration")
        },
        **values,
    }


def fix(second: float, status: int = 0) -> dict[str, Any]:
    return {
        "header": header(second),
        "status": {"status": status, "service": 1},
        "latitude": 47.5,
        "longitude": -9.25,
        "altitude": 860.5,
        "position_covariance": [0.0] * 9,
        "position_covariance_type": 0,
    }


def pressure(second: float, pa: float) -> dict[str, Any]:
    return {"header": header(second), "fluid_pressure": pa, "variance": 0.0}


def bag(messages: list[tuple[str, str, dict[str, Any]]], **how: Any) -> bytes:
    """Written by the general library."""
    stream = BytesIO()
    writer: Any = library("mcap_ros2.writer", FORMATS).Writer(stream, **how)
    texts = {"Imu": IMU, "FluidPressure": PRESSURE, "NavSatFix": FIX}
    schemas = {kind: writer.register_msgdef(f"sensor_msgs/msg/{kind}", text) for kind, text in texts.items()}
    for number, (topic, kind, message) in enumerate(messages):
        writer.write_message(topic, schemas[kind], message, log_time=number, publish_time=number)
    writer.finish()
    return stream.getvalue()


def opened(folder: Path, data: bytes) -> RosBag:
    path = folder / "bag.mcap"
    path.write_bytes(data)
    source = open_source(path)
    assert isinstance(source, RosBag)
    return source


MESSAGES = [
    ("/imu", "Imu", imu(0.25)),
    ("/baro", "FluidPressure", pressure(0.125, 90_000.0)),
    ("/gps", "NavSatFix", fix(0.5)),
    ("/gps", "NavSatFix", fix(0.75, status=-1)),
    ("/other", "FluidPressure", pressure(0.75, 95_000.0)),
    ("/baro", "FluidPressure", pressure(1.0, 5.0)),
    ("/imu", "Imu", imu(1.25, "orientation linear_acceleration")),
]


def test_velocity_is_that_between_positions(tmp_path: Path) -> None:
    """NavSatFix holds none. 0.001° of latitude are 111.2 m at 47.5° (WGS 84, a table, from memory)."""
    fixes = [("/gps", "NavSatFix", {**fix(0.2 * k), "latitude": 47.5 + 0.0002 * k}) for k in range(11)]
    velocities = [one for one in opened(tmp_path, bag(fixes)) if isinstance(one, GnssVel)]
    assert [(one.t_s, one.north_mps, one.east_mps) for one in velocities] == [
        (pytest.approx(t_s), pytest.approx(111.2, abs=0.1), 0.0) for t_s in (0.5, 1.5)
    ]


def test_axes_times_and_what_is_left_out(tmp_path: Path) -> None:
    source = opened(tmp_path, bag(MESSAGES))
    assert source.info.start_utc == START.replace(microsecond=125_000)
    found = list(source)
    assert [sample for sample in found if not isinstance(sample, Reference)] == [
        Baro(0.0, 90_000.0),
        ImuAccel(0.125, 0.0, 0.5, -9.75),
        ImuGyro(0.125, 0.125, -0.25, 0.5),
        GnssPos(0.375, 47.5, -9.25, 860.5),
        ImuGyro(1.125, 0.125, -0.25, 0.5),
    ]
    assert found == list(source)
    assert source.rejected() == 1
    said = " ".join(source.warnings())
    assert "above the ellipsoid" in said
    assert "/other is not used: /baro is of the same kind" in said
    assert "static_pa outside" in said


@pytest.mark.parametrize(
    ("axis", "turned_deg", "expected_deg"),
    [
        # REP 103: yaw is zero to the east and counts to the left; x forward, y left, z up.
        ("z", 0.0, (0.0, 0.0, 90.0)),
        ("z", 90.0, (0.0, 0.0, 0.0)),
        ("z", 180.0, (0.0, 0.0, 270.0)),
        ("x", 30.0, (30.0, 0.0, 90.0)),  # about forward, the left side goes up: right bank
        ("y", 20.0, (0.0, -20.0, 90.0)),  # about left, the nose goes down
    ],
)
def test_attitude(tmp_path: Path, axis: str, turned_deg: float, expected_deg: tuple[float, ...]) -> None:
    half = math.radians(turned_deg) / 2
    q = {"x": 0.0, "y": 0.0, "z": 0.0, "w": math.cos(half)} | {axis: math.sin(half)}
    found = [
        s for s in opened(tmp_path, bag([("/i", "Imu", imu(0.0, orientation=q))])) if isinstance(s, Reference)
    ]
    assert [s.name for s in found] == ["autopilot_bank_rad", "autopilot_pitch_rad", "autopilot_heading_rad"]
    for sample, expected in zip(found, expected_deg, strict=True):
        off = math.degrees(sample.value) - expected
        assert (off + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=1e-6)


def test_a_file_that_breaks_off(tmp_path: Path) -> None:
    data = bag(MESSAGES, chunk_size=200)
    whole = {repr(sample) for sample in opened(tmp_path, data)}
    partly = 0
    for length in range(100, len(data), 397):
        found = {repr(sample) for sample in opened(tmp_path, data[:length])}
        partly += 0 < len(found) < len(whole)
        assert found <= whole
    assert partly


def test_without_the_library_the_extra_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = bag(MESSAGES)
    monkeypatch.setitem(sys.modules, "mcap_ros2.decoder", None)
    with pytest.raises(RecordingError, match=r"pip install 'glider-vario\[formats\]'"):
        opened(tmp_path, data)


def test_without_barometer_the_height_of_gnss_serves(tmp_path: Path) -> None:
    source = opened(tmp_path, bag([("/gps", "NavSatFix", fix(0.0)), ("/imu", "Imu", imu(0.5))]))
    assert source.info.sensors["baro"] is GNSS_BARO
    assert list(source)[:2] == [Baro(0.0, isa.pressure_pa(860.5)), GnssPos(0.0, 47.5, -9.25, 860.5)]


def test_a_barometer_that_appears_late_replaces_the_heights(tmp_path: Path) -> None:
    first = [("/gps", "NavSatFix", fix(k / 100)) for k in range(1100)]
    later = [("/gps", "NavSatFix", fix(11.5 + k / 100)) for k in range(3)]
    source = opened(tmp_path, bag([*first, ("/baro", "FluidPressure", pressure(11.0, 90_000.0)), *later]))
    heights = [(s.t_s, s.static_pa) for s in source if isinstance(s, Baro)][1099:]
    assert heights == [(10.99, pytest.approx(isa.pressure_pa(860.5))), (11.0, 90_000.0)]


def test_axes_with_z_down_are_reported(tmp_path: Path) -> None:
    """REP 103: z is up, so that a level accelerometer at rest shows +9.8 m/s² on z."""
    down = {"x": 0.0, "y": 0.0, "z": -9.75}
    source = opened(tmp_path, bag([("/i", "Imu", imu(k / 50, linear_acceleration=down)) for k in range(100)]))
    assert list(source)
    assert any("z is probably up: change the signs" in note for note in source.warnings())
