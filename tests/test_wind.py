"""Wind from circling against exact geometry.

Source of the example: the wind triangle for 25 m/s true airspeed and wind from 306.87 deg at 5 m/s
(air moving +4 m/s east, -3 m/s north); the least-squares circle is exact on exact points.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import GnssVel
from vario.flight.frames import Frame
from vario.flight.health import Inputs
from vario.flight.wind import FORGET_S, Wind, WindStage
from vario.flight.wind_circle import fit_circle

GROUND_SPEEDS = [22.3607, 26.1793, 29.1548, 29.9581, 28.2843, 24.7920, 21.2132, 20.0627]
TRACKS_DEG = [10.3048, 55.8986, 95.9061, 133.6475, 171.8699, 213.4835, 261.8699, 317.0198]


def test_published_geometry_is_recovered() -> None:
    north = [v * math.cos(math.radians(a)) for v, a in zip(GROUND_SPEEDS, TRACKS_DEG, strict=True)]
    east = [v * math.sin(math.radians(a)) for v, a in zip(GROUND_SPEEDS, TRACKS_DEG, strict=True)]
    fit = fit_circle(north, east)
    assert fit is not None
    assert (fit.north_mps, fit.east_mps, fit.radius_mps) == pytest.approx((-3.0, 4.0, 25.0), abs=1e-3)
    assert fit.scatter_mps < 1e-3


@given(st.floats(-15, 15), st.floats(-15, 15), st.floats(18, 45), st.floats(0, math.tau))
def test_any_wind_is_recovered_from_exact_tips(north: float, east: float, tas: float, start: float) -> None:
    headings = start + np.linspace(0, math.tau, 25, endpoint=False)
    fit = fit_circle(list(north + tas * np.cos(headings)), list(east + tas * np.sin(headings)))
    assert fit is not None
    assert (fit.north_mps, fit.east_mps) == pytest.approx((north, east), abs=1e-6)


def test_tips_on_a_line_say_nothing() -> None:
    assert fit_circle([1.0, 2.0, 3.0, 4.0], [0.0, 0.0, 0.0, 0.0]) is None


def fly(
    stage: WindStage, velocities: list[tuple[float, float]], start_s: float, rate_hz: float
) -> Wind | None:
    wind = None
    for i, (north, east) in enumerate(velocities):
        t_s = start_s + i / rate_hz
        frame = Frame(t_s, 1 / rate_hz, gnss_vel=(GnssVel(t_s, north, east, None),))
        wind = stage.update(Inputs(frame, has_baro=True, has_pitot=True, has_imu=False, has_gnss=True))
    return wind


def circle(
    turns: float, wind: tuple[float, float], rate_hz: float, way: int = 1
) -> list[tuple[float, float]]:
    rng = np.random.default_rng(4)
    headings = way * np.arange(0, turns * math.tau, math.tau / 24 / rate_hz)  # 24 s a turn
    noise = rng.normal(0, 0.1, (len(headings), 2))
    return [
        (wind[0] + 25 * math.cos(h) + a, wind[1] + 25 * math.sin(h) + b)
        for h, (a, b) in zip(headings, noise, strict=True)
    ]


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
def test_wind_within_half_a_metre_after_a_turn_and_a_half(way: int, rate_hz: float) -> None:
    wind = fly(WindStage(), circle(1.6, (3.0, -5.0), rate_hz, way), 0.0, rate_hz)
    assert wind is not None
    assert math.hypot(wind.north_mps - 3.0, wind.east_mps + 5.0) < 0.5


def test_no_wind_from_straight_flight_or_half_a_turn() -> None:
    straight = [(30.0 + 0.1 * (i % 3), 2.0) for i in range(600)]
    assert fly(WindStage(), straight, 0.0, 5.0) is None
    assert fly(WindStage(), circle(0.6, (3.0, -5.0), 5.0), 0.0, 5.0) is None


def test_wind_ages_and_is_forgotten() -> None:
    stage = WindStage()
    fly(stage, circle(1.6, (3.0, -5.0), 5.0), 0.0, 5.0)
    wind = fly(stage, [(30.0, 0.0)] * 2, 600.0, 1.0)
    assert wind is not None
    assert 500.0 < wind.age_s < 600.0
    assert fly(stage, [(30.0, 0.0)] * 2, 600.0 + FORGET_S, 1.0) is None
