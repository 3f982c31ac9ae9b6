"""The simulated air against published models and plain physics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hw_replay.simulate.air import AirModel, Atmosphere, PowerLawWind, ThermalModel, TurbulenceModel
from tests.support.examples import drawn

# Vertical velocity at r/r2 of 0, 0.25, 0.5, 0.75 and 1, computed from the code listing in appendix B of
# Allen, AIAA 2006-1510 (NASA TM-2006-214019), without environmental sink: w*, zi, z, r2, then velocities.
ALLEN = [
    (2.56, 1401.0, 280.2, 79.3911, (2.7390, 2.5886, 1.8834, 0.8379, 0.1693)),
    (2.56, 1401.0, 700.5, 99.2437, (2.0919, 1.9771, 1.4385, 0.6400, 0.1293)),
    (4.0, 2000.0, 1000.0, 141.6755, (3.0982, 2.9281, 2.1304, 0.9478, 0.1915)),
]


@pytest.mark.parametrize(("scale", "top", "height", "radius", "velocities"), ALLEN)
def test_thermal_is_the_published_updraft_model(
    scale: float, top: float, height: float, radius: float, velocities: tuple[float, ...]
) -> None:
    thermal = ThermalModel(0.0, 0.0, scale, top)
    assert thermal.radius_m(height) == pytest.approx(radius, abs=1e-3)
    for i, velocity in enumerate(velocities):
        assert thermal.updraft_mps(i * 0.25 * radius, height) == pytest.approx(velocity, abs=2e-4)


def test_sinking_ring_around_the_upper_part_of_a_thermal() -> None:
    # Same source: at z/zi = 0.7 and r/r2 of 1.25 and 1.5.
    thermal = ThermalModel(0.0, 0.0, 2.56, 1401.0)
    assert thermal.updraft_mps(1.25 * 104.6787, 980.7) == pytest.approx(-0.09678, abs=2e-4)
    assert thermal.updraft_mps(1.5 * 104.6787, 980.7) == pytest.approx(-0.13687, abs=2e-4)


def test_a_wider_thermal_is_the_same_thermal_stretched() -> None:
    mean, wide = ThermalModel(0.0, 0.0, 3.0, 2000.0), ThermalModel(0.0, 0.0, 3.0, 2000.0, width=1.6)
    for distance_m in (0.0, 50.0, 120.0):
        assert wide.updraft_mps(1.6 * distance_m, 700.0) == pytest.approx(mean.updraft_mps(distance_m, 700.0))


def test_far_from_thermals_the_air_sinks_as_told_and_without_a_step() -> None:
    air = AirModel(Atmosphere(), thermals=(ThermalModel(0.0, 0.0, 3.0, 1500.0),), sink_mps=-0.3)
    ups = np.array([air.velocity_mps(0.0, r, 0.0, 500.0)[2] for r in range(250, 900)])
    assert ups[-1] == -0.3
    assert np.abs(np.diff(ups)).max() < 0.02


@given(st.floats(0, 3000), st.floats(-400, 400), st.floats(-400, 400))
def test_thermals_drift_with_the_wind_as_upright_columns(t_s: float, north: float, east: float) -> None:
    wind = PowerLawWind(-2.0, 5.0)
    air = AirModel(Atmosphere(), wind=wind, thermals=(ThermalModel(0.0, 0.0, 3.0, 2000.0),))
    up = air.velocity_mps(0.0, north, east, 800.0)[2]
    assert air.velocity_mps(t_s, north - 2.0 * t_s, east + 5.0 * t_s, 800.0)[2] == pytest.approx(up, abs=1e-6)


# US Standard Atmosphere 1976, geopotential height: temperature, pressure, density.
STANDARD = [
    (0.0, 288.150, 101325.0, 1.225000),
    (1000.0, 281.650, 89874.56, 1.111643),
    (3000.0, 268.650, 70108.53, 0.909122),
]


@pytest.mark.parametrize(("height", "kelvin", "pascal", "density"), STANDARD)
def test_standard_day(height: float, kelvin: float, pascal: float, density: float) -> None:
    day = Atmosphere()
    assert day.temperature_k(height) == pytest.approx(kelvin, abs=1e-3)
    assert day.pressure_pa(height) == pytest.approx(pascal, rel=1e-6)
    assert day.density_kgpm3(height) == pytest.approx(density, rel=1e-6)


@given(st.floats(0, 4000), st.floats(-20, 25), st.floats(97_000, 104_000))
def test_any_day_is_hydrostatic(height: float, warmer: float, sea_level: float) -> None:
    # dp/dh = -rho g, in any weather.
    day = Atmosphere(sea_level, warmer)
    slope = (day.pressure_pa(height + 1.0) - day.pressure_pa(height - 1.0)) / 2.0
    assert slope == pytest.approx(-day.density_kgpm3(height) * 9.80665, rel=1e-6)


def test_wind_follows_the_seventh_power_law() -> None:
    # (10 / 500)^(1/7) = 0.5719: one-seventh power law, Peterson and Hennessey 1978.
    air = AirModel(Atmosphere(), field_m=420.0, wind=PowerLawWind(0.0, 6.0, at_m=500.0))
    assert air.velocity_mps(0.0, 0.0, 0.0, 920.0)[1] == pytest.approx(6.0)
    assert air.velocity_mps(0.0, 0.0, 0.0, 430.0)[1] == pytest.approx(6.0 * 0.5719, rel=1e-4)


def test_gusts_have_the_strength_asked_for() -> None:
    # One field of few waves is far from isotropic; over many of them each component has its share.
    speeds = np.array(
        [
            TurbulenceModel(0.5, seed).velocity_mps(700.0 * i, 300.0 * i, 40.0 * i)
            for seed in range(200)
            for i in range(20)
        ]
    )
    assert speeds.std(axis=0) == pytest.approx([0.5, 0.5, 0.5], rel=0.06)


@settings(max_examples=drawn(20))
@given(st.integers(0, 1000), st.floats(-500, 500), st.floats(-500, 500), st.floats(0, 900))
def test_gusts_are_free_of_divergence(seed: int, north: float, east: float, height: float) -> None:
    field = TurbulenceModel(1.0, seed)
    d = 0.01
    slopes = [
        (
            field.velocity_mps(*(c + d * (i == j) for j, c in enumerate((north, east, height))))[i]
            - field.velocity_mps(*(c - d * (i == j) for j, c in enumerate((north, east, height))))[i]
        )
        / (2 * d)
        for i in range(3)
    ]
    assert sum(slopes) == pytest.approx(0.0, abs=1e-6)
    assert math.hypot(*slopes) < 1.0
