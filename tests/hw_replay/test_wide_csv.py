"""Wide CSV: a table with a map is read in SI units and our axes; all mistakes of a map are reported
together.
"""

import gzip
import math
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.samples import Baro, GnssPos, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Reference
from hw_replay.errors import RecordingError, UnknownFormat
from hw_replay.open import convert, open_source
from hw_replay.wide_csv import WideCsv
from tests.support.compiled import interpreted_only
from vario.app.cli import main

MAP = """
title = "Data logger"
[table]
delimiter = ";"
decimal = ","
lines_before_header = 1
[time]
column = "Time"
unit = "ms"
start = 2026-05-01T12:00:00+02:00
[baro]
static_pa = { column = "P", unit = "hPa" }
[imu_accel]
x_mps2 = { column = "ax", unit = "g" }
y_mps2 = { column = "ay", unit = "g", sign = -1 }
z_mps2 = { column = "az", unit = "g", sign = -1 }
[imu_gyro]
x_radps = { column = "gx", unit = "deg/s", scale = 0.5 }
y_radps = { column = "gx", unit = "deg/s", offset = 90 }
z_radps = { column = "gx", unit = "deg/s" }
[oat]
air_k = { column = "T", unit = "C" }
[gnss_pos]
only_new = true
lat_deg = { column = "lat", unit = "deg", scale = 1e-7 }
lon_deg = { column = "lon", unit = "deg", scale = 1e-7 }
altitude_m = { column = "alt", unit = "ft" }
[gnss_vel]
speed_mps = { column = "kt", unit = "kt" }
track_deg = { column = "trk", unit = "deg" }
[ref.other_vario_mps]
column = "vario"
unit = "ft/min"
"""

TABLE = """made by a logger
Time;P;ax;ay;az;gx;T;lat;lon;alt;kt;trk;vario
1000;900,5;0;0;1;180;15;475000000;-92500000;1000;36;90;100
1020;900,4;0,5;0;1;0;;475000000;-92500000;1000;;;
1010;900,45;;;;;;;;;;;
1030;nan;1;x;1;0;;475000001;-92500000;1000;;;
"""


PRESSURE_MAP = '[time]\ncolumn="t"\nunit="s"\n[baro]\nstatic_pa={column="p",unit="Pa"}\n'


def pair(folder: Path, table: str | bytes, text: str, name: str = "log.csv") -> Path:
    path = folder / name
    path.write_bytes(table.encode() if isinstance(table, str) else table)
    (folder / f"{name}.toml").write_text(text)
    return path


@interpreted_only
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_units_signs_scales_and_order(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    source = open_source(pair(tmp_path, pack(TABLE.encode()), MAP))
    assert isinstance(source, WideCsv)
    assert source.info.title == "Data logger"
    assert source.info.start_utc == datetime(2026, 5, 1, 10, tzinfo=UTC)
    found = list(source)
    assert found == list(source)
    # Exact by definition (SI brochure, NIST SP 811): 1 hPa = 100 Pa, 1 g = 9.80665 m/s^2,
    # 1 ft = 0.3048 m, 1 kt = 1852 m/h.
    accel = [sample for sample in found if isinstance(sample, ImuAccel)]
    assert accel == [ImuAccel(0.0, 0.0, -0.0, -9.80665), ImuAccel(0.02, 0.5 * 9.80665, -0.0, -9.80665)]
    assert [s for s in found if isinstance(s, Baro)] == [
        Baro(0.0, 90_050.0),
        Baro(0.01, pytest.approx(90_045.0)),
        Baro(0.02, pytest.approx(90_040.0)),
    ]
    gyro = next(sample for sample in found if isinstance(sample, ImuGyro))
    assert (gyro.x_radps, gyro.y_radps, gyro.z_radps) == pytest.approx((math.pi / 2, math.pi * 1.5, math.pi))
    assert Oat(0.0, 288.15) in found
    positions = [sample for sample in found if isinstance(sample, GnssPos)]
    assert [p.t_s for p in positions] == [0.0, 0.03]  # the repeated one in between is not new
    assert (positions[0].lat_deg, positions[0].lon_deg) == pytest.approx((47.5, -9.25))
    assert positions[0].altitude_m == pytest.approx(304.8)
    velocity = next(sample for sample in found if isinstance(sample, GnssVel))
    assert velocity.north_mps == pytest.approx(0.0, abs=1e-12)
    assert velocity.east_mps == pytest.approx(36 * 1852 / 3600)
    assert velocity.down_mps is None
    assert Reference(0.0, "other_vario_mps", pytest.approx(0.508)) in found
    said = " ".join(source.warnings())
    assert source.rejected() == 2
    assert "baro: static_pa outside" in said
    assert "column 'ay' is not a number (line 6)" in said


@interpreted_only
def test_heights_and_airspeeds_become_pressures(tmp_path: Path) -> None:
    text = """
[time]
column = "t"
unit = "ISO 8601"
[baro]
pressure_altitude_m = { column = "h", unit = "m" }
[pitot]
cas_mps = { column = "v", unit = "m/s" }
"""
    source = open_source(
        pair(tmp_path, "t,h,v\n2026-05-01T10:00:00Z,1000,50\n2026-05-01T10:00:01.5Z,11000,50\n", text)
    )
    baro, pitot, later, _ = list(source)
    # US Standard Atmosphere 1976, table I: 898.76 hPa at 1000 m, 226.32 hPa at 11 000 m (geopotential).
    assert isinstance(baro, Baro)
    assert baro.static_pa == pytest.approx(89_876, abs=1.5)
    assert later == Baro(1.5, pytest.approx(22_632, abs=1.0))
    # Incompressible q = rho v^2 / 2 = 1531.25 Pa at 1.225 kg/m^3, plus M^2/4 of it, M = 50/340.29.
    assert isinstance(pitot, Pitot)
    assert pitot.impact_pa == pytest.approx(1531.25 * (1 + (50 / 340.29) ** 2 / 4), rel=1e-4)
    assert source.info.start_utc == datetime(2026, 5, 1, 10, tzinfo=UTC)
    without = text.replace("[baro]", "[oat]").replace("pressure_altitude_m", "air_k").replace('"m"', '"C"')
    assert WideCsv(pair(tmp_path, "t,h,v\n", without, "no_heights.csv")).info.sensors == {}


def test_seconds_since_1970_give_the_start(tmp_path: Path) -> None:
    text = '[time]\ncolumn="t"\nunit="s"\nstart="unix"\n[baro]\nstatic_pa={column="p",unit="Pa"}\n'
    source = open_source(pair(tmp_path, "t,p\n1777629600.5,90000\n", text))
    assert list(source) == [Baro(0.0, 90_000.0)]
    # date -u -d @1777629600 (GNU coreutils): 2026-05-01 10:00:00
    assert source.info.start_utc == datetime(2026, 5, 1, 10, 0, 0, 500_000, tzinfo=UTC)


def test_all_mistakes_of_a_map_at_once(tmp_path: Path) -> None:
    text = """
titel = "x"
[time]
column = "tme"
unit = "minutes"
start = 2026-05-01T10:00:00
[baro]
static_pa = { column = "p", unit = "bananas", sign = 2, scale = 0 }
[imu_accel]
x_mps2 = { column = "ax" }
[ref.a]
colum = "p"
[tick]
"""
    with pytest.raises(RecordingError) as caught:
        open_source(pair(tmp_path, "time,p,ax,ax\n1,2,3,4\n", text))
    said = str(caught.value)
    for part in (
        "log.csv.toml: 13 mistakes in this map:",
        "titel is unknown; did you mean 'title'?",
        "tick is unknown",
        "time.column: the table has no column 'tme'; did you mean 'time'?",
        "time.unit is 'minutes'; expected one of 's', 'ms', 'us', 'ns', 'ISO 8601'",
        "time.start is 2026-05-01 10:00:00; expected a date-time with offset",
        "baro.static_pa.unit is 'bananas'; expected one of Pa, hPa",
        "baro.static_pa.sign is 2; expected 1 or -1",
        "baro.static_pa.scale is 0",
        "imu_accel maps x_mps2; expected x_mps2 and y_mps2 and z_mps2",
        "imu_accel.x_mps2.column: the table has 2 columns called 'ax'",
        "imu_accel.x_mps2.unit is missing; expected one of m/s^2, g, mg",
        "ref.a.colum is unknown; did you mean 'column'?",
        "ref.a.column is missing",
    ):
        assert part in said


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the table [time] is missing"),
        ("[", "this map is not valid TOML"),
        ("table = 3\ntime = 4", "time is 4; expected a table [time]"),
        ("[table]\nlines_before_header = 9", "the file ends before line 10"),
        ("baro = 3", "baro is 3; expected a table"),
        ("[baro]\nstatic_pa = 3", "baro.static_pa is 3; expected {"),
        ("[table]\ndelimiter = ','\ndecimal = ','", "are both ','"),
        ('[ref."a b"]\ncolumn = "t"', "ref.a b: expected a name"),
        ('[baro]\nstatic_pa = { column = "t", unit = ["Pa"], sign = [1] }', "baro.static_pa.unit is ['Pa']"),
    ],
)
def test_a_map_that_is_none(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        open_source(pair(tmp_path, "t,p\n1,2\n", text))
    assert said in str(caught.value)


def test_a_table_without_a_map_says_what_it_needs(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text("time,pressure\n1,2\n")
    with pytest.raises(
        UnknownFormat, match=r"a table with other columns .* needs a map: a\.csv\.toml beside it"
    ):
        open_source(tmp_path / "a.csv")


def test_import_takes_a_map_from_anywhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "a.csv").write_text("t,p\n5,90000\n6,90001\n")
    (tmp_path / "my.toml").write_text(PRESSURE_MAP)
    out = tmp_path / "o.mcap"
    assert (
        main(["import", str(tmp_path / "a.csv"), "--map", str(tmp_path / "my.toml"), "--out", str(out)]) == 0
    )
    assert list(open_source(out)) == [Baro(0.0, 90_000.0), Baro(1.0, 90_001.0)]
    assert "baro" in capsys.readouterr().out


def test_more_rows_than_memory_may_hold_and_any_order(tmp_path: Path) -> None:
    rows = "0,90000\n" + "".join(f"{t},{90000 + t}\n" for t in range(999, 0, -1)) + "5,80000\n"
    source = WideCsv(pair(tmp_path, "t,p\n" + rows, PRESSURE_MAP), run_rows=100)
    assert list(source) == [Baro(float(t), 90_000.0 + t) for t in range(1000)]
    assert source.warnings() == ["1 line rejected: baro: second value for the same time (line 1002)"]
    assert convert(source, tmp_path / "x.mcap") == {"baro": 1000}


SHORT_MAP = """
[time]
column = "t"
unit = "s"
[imu_accel]
x_mps2 = { column = "x", unit = "g" }
y_mps2 = { column = "x", unit = "g" }
z_mps2 = { column = "z", unit = "g", sign = -1 }
"""


def test_times_in_another_unit_are_reported(tmp_path: Path) -> None:
    rows = "".join(f"{20 * k},0,1\n" for k in range(100))
    source = open_source(pair(tmp_path, "t,x,z\n" + rows, SHORT_MAP))
    assert len(list(source)) == 100
    assert any('probably in ms: set unit = "ms" in [time] of the map' in note for note in source.warnings())


def test_a_decimal_comma_is_reported(tmp_path: Path) -> None:
    table = "t;x;z\n0;0,5;1\n1;0,5;1\n"
    source = open_source(pair(tmp_path, table, '[table]\ndelimiter = ";"\n' + SHORT_MAP))
    assert list(source) == []
    assert any("'x' has a decimal comma: set decimal = \",\"" in note for note in source.warnings())


def test_an_import_without_any_sample_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = pair(tmp_path, "t,x,z\n", SHORT_MAP), tmp_path / "out.mcap"
    out.write_bytes(b"an earlier file")
    assert main(["import", str(path), "--out", str(out)]) == 2
    assert f"{path}: no sample that can be replayed was found" in capsys.readouterr().err
    assert out.read_bytes() == b"an earlier file"
