"""The standard atmosphere and airspeeds against published tables and a general library.

Sources: US Standard Atmosphere 1976 (equal to ICAO Doc 7488 below 20 km); Mechanical Engineers'
Handbook, 4th ed., vol. 4, table 6, p. 12 (geometric heights, four digits); FAI/IGC Technical
Specification for flight recorders, 4.4.5 (calibration against ICAO Doc 7488); the isentropic pitot relation,
e.g. FAA AC 23-8B app. 9.
"""

from __future__ import annotations

import ambiance
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import isa

KT = 1852 / 3600
EARTH_RADIUS_M = 6_356_766.0  # US Standard Atmosphere 1976

# Geopotential height: temperature, pressure, density (US Standard Atmosphere 1976).
ROWS = [
    (-500, 291.400, 107477.5, 1.284891),
    (0, 288.150, 101325.0, 1.225000),
    (1000, 281.650, 89874.56, 1.111643),
    (2000, 275.150, 79495.20, 1.006490),
    (3000, 268.650, 70108.53, 0.909122),
    (5000, 255.650, 54019.89, 0.736116),
    (8000, 236.150, 35599.79, 0.525167),
    (11000, 216.650, 22632.04, 0.363918),
    (12000, 216.650, 19330.38, 0.310828),
]


@pytest.mark.parametrize(("height_m", "air_k", "pa", "density"), ROWS)
def test_standard_atmosphere_rows(height_m: float, air_k: float, pa: float, density: float) -> None:
    assert isa.temperature_k(height_m) == pytest.approx(air_k, abs=5e-4)
    assert isa.pressure_pa(height_m) == pytest.approx(pa, rel=2e-6)
    assert isa.density_kgpm3(pa, air_k) == pytest.approx(density, rel=2e-6)
    assert isa.altitude_m(pa) == pytest.approx(height_m, abs=0.02)


# Geometric height in km, pressure in bar as printed in the handbook.
@pytest.mark.parametrize(
    ("z_km", "bar"),
    [(1, 0.8988), (2, 0.7950), (3, 0.7012), (4, 0.6166), (5, 0.5405), (8, 0.3565), (12, 0.1940)],
)
def test_handbook_rows_in_geometric_height(z_km: float, bar: float) -> None:
    z_m = z_km * 1000
    geopotential_m = EARTH_RADIUS_M * z_m / (EARTH_RADIUS_M + z_m)
    assert isa.pressure_pa(geopotential_m) == pytest.approx(bar * 1e5, abs=6.0)


@pytest.mark.parametrize(
    ("pa", "height_m"), [(95000, 540.34), (85000, 1457.30), (70000, 3012.18), (50000, 5574.43)]
)
def test_altitude_of_a_pressure(pa: float, height_m: float) -> None:
    assert isa.altitude_m(pa) == pytest.approx(height_m, abs=0.01)


@pytest.mark.parametrize(
    ("pa", "m_per_pa"), [(101325, 0.083242), (90000, 0.091627), (70000, 0.112306), (50000, 0.147478)]
)
def test_metres_per_pascal(pa: float, m_per_pa: float) -> None:
    assert isa.metres_per_pascal(pa) == pytest.approx(m_per_pa, abs=1e-5)


@given(st.floats(min_value=-500.0, max_value=19_000.0))
def test_agrees_with_a_general_atmosphere_library(height_m: float) -> None:
    geometric_m = EARTH_RADIUS_M * height_m / (EARTH_RADIUS_M - height_m)
    reference = ambiance.Atmosphere(geometric_m)
    assert isa.pressure_pa(height_m) == pytest.approx(float(reference.pressure[0]), rel=3e-6)
    assert isa.temperature_k(height_m) == pytest.approx(float(reference.temperature[0]), rel=1e-6)


# Calibrated airspeed in knots: compressible impact pressure.
@pytest.mark.parametrize(
    ("cas_kt", "qc_pa"),
    [(30, 145.965), (50, 405.829), (80, 1041.239), (100, 1630.283), (150, 3694.379)],
)
def test_impact_pressure(cas_kt: float, qc_pa: float) -> None:
    assert isa.impact_pa(cas_kt * KT) == pytest.approx(qc_pa, abs=2e-3)
    assert isa.cas_mps(qc_pa) == pytest.approx(cas_kt * KT, rel=1e-5)


@pytest.mark.parametrize(
    ("cas_kt", "height_m", "tas_kt"),
    [
        (50, 1000, 52.4827),
        (60, 2000, 66.1747),
        (80, 3000, 92.7888),
        (100, 5000, 128.6832),
        (150, 6000, 202.9464),
    ],
)
def test_true_airspeed(cas_kt: float, height_m: float, tas_kt: float) -> None:
    static_pa, air_k = isa.pressure_pa(height_m), isa.temperature_k(height_m)
    tas_mps = isa.tas_mps(isa.impact_pa(cas_kt * KT), static_pa, air_k)
    assert tas_mps == pytest.approx(tas_kt * KT, rel=1e-4)


@given(
    st.floats(min_value=1.0, max_value=120.0),
    st.floats(min_value=-500.0, max_value=12_000.0),
    st.floats(min_value=220.0, max_value=320.0),
)
def test_airspeed_relations_invert_each_other(tas_mps: float, height_m: float, air_k: float) -> None:
    static_pa = isa.pressure_pa(height_m)
    impact_pa = isa.impact_of_tas_pa(tas_mps, static_pa, air_k)
    assert isa.tas_mps(impact_pa, static_pa, air_k) == pytest.approx(tas_mps, rel=1e-7)
    assert isa.altitude_m(static_pa) == pytest.approx(height_m, abs=1e-6)


@given(st.floats(min_value=-2000.0, max_value=0.0))
def test_no_impact_pressure_is_no_airspeed(impact_pa: float) -> None:
    assert isa.cas_mps(impact_pa) == 0.0
    assert isa.tas_mps(impact_pa, 90_000.0, 280.0) == 0.0
