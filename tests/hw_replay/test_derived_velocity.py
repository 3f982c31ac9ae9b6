"""Velocity over ground from positions, in files that hold none."""

import math
from pathlib import Path

import pytest

from drivers.samples import GnssPos, GnssVel, ImuGyro, Sample
from hw_replay.derived_velocity import with_velocity
from hw_replay.open import open_source
from tests.support.samples_of import of

# Length of a degree on WGS 84 at 45° of latitude, m; as in any table of it, from memory.
NORTH_M, EAST_M = 111_131.8, 78_846.8


def flown(north_mps: float, east_mps: float, times_s: list[float]) -> list[Sample]:
    return [
        GnssPos(t, 45.0 + north_mps * t / NORTH_M, (359.999 + east_mps * t / EAST_M) % 360.0 - 180.0, 0.0)
        for t in times_s
    ]


@pytest.mark.parametrize("spacing_s", [0.2, 1.0, 4.0])
def test_speed_and_time_of_a_straight_flight(spacing_s: float) -> None:
    """Over the 180th meridian, with another sensor in between."""
    positions = flown(12.0, 16.0, [spacing_s * k for k in range(60)])
    samples = sorted(
        [*positions, *(ImuGyro(0.05 + 0.1 * k, 0.0, 0.0, 0.0) for k in range(100))], key=lambda one: one.t_s
    )
    found = list(with_velocity(samples))
    assert [one.t_s for one in found] == sorted(one.t_s for one in found)
    assert [one for one in found if not isinstance(one, GnssVel)] == samples
    velocities = of(GnssVel, found)
    step_s = max(spacing_s, 1.0)
    assert [one.t_s for one in velocities] == pytest.approx(
        [step_s * (k + 0.5) for k in range(len(velocities))]
    )
    for one in velocities:
        assert math.hypot(one.north_mps, one.east_mps) == pytest.approx(20.0, abs=0.01)
        assert one.down_mps is None


def test_no_velocity_over_a_gap() -> None:
    positions = flown(12.0, 0.0, [0.0, 1.0, 30.0, 31.0])
    velocities = of(GnssVel, with_velocity(positions))
    assert [one.t_s for one in velocities] == [0.5, 30.5]


def test_a_table_without_velocity(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    rows = "".join(f"{t},{45 + 20.0 * t / NORTH_M:.8f},9.0,500\n" for t in range(5))
    path.write_text(f"t,lat,lon,alt\n{rows}")
    (tmp_path / "log.csv.toml").write_text(
        '[time]\ncolumn = "t"\nunit = "s"\n[gnss_pos]\n'
        'lat_deg = { column = "lat", unit = "deg" }\nlon_deg = { column = "lon", unit = "deg" }\n'
        'altitude_m = { column = "alt", unit = "m" }\n'
    )
    source = open_source(path)
    assert source.info.sensors["gnss_vel"].name == "derived from consecutive positions"
    velocities = of(GnssVel, source)
    assert [one.north_mps for one in velocities] == pytest.approx([20.0] * 4, abs=0.01)
