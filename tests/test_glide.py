"""Glide to a goal: the way there, the glide through wind, the height left.

* The FAI measures distances on a sphere of 6371.0 km (FAI Sporting Code, General Section), so a quarter of a
  meridian is π/2 times that.
* The wind triangle: elementary.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import GnssPos
from tests.setups import setup
from tests.test_polar import CLUB, KMH, LIMITS
from vario.flight.core.geodesy import great_circle
from vario.flight.cruise.glide import Glide, GlideStage, over_ground_mps
from vario.flight.wind.stage import Wind
from vario.settings.schema import Goal

EARTH_M = 6_371_000.0  # the FAI sphere, as above

CALM = Wind(0.0, 0.0, 1.0, 0.1)
LAT, LON = st.floats(-89.0, 89.0), st.floats(-180.0, 180.0)


def goal(lat: float = 50.0, lon: float = 10.0, elevation: float = 400.0, reserve: float = 200.0) -> Goal:
    return Goal.model_validate(
        {
            "latitude": lat,
            "longitude": lon,
            "elevation": f"{elevation} m",
            "reserve": f"{reserve} m",
        }
    )


def reckon(
    position: GnssPos, wind: Wind | None = CALM, maccready: float = 0.0, density: float | None = 1.225
) -> Glide:
    glide = GlideStage(setup(goal=goal(), maccready_mps=maccready, polar=CLUB, limits=LIMITS)).update(
        position, wind, density
    )
    assert glide is not None
    return glide


def unit(lat: float, lon: float) -> np.ndarray:
    lat, lon = math.radians(lat), math.radians(lon)
    return np.array([math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)])


def test_quarters_of_the_earth() -> None:
    ways = {(90.0, 0.0): 0.0, (0.0, 90.0): 90.0, (-90.0, 0.0): 180.0, (0.0, -90.0): 270.0}
    for target, bearing in ways.items():
        distance_m, bearing_rad = great_circle(0.0, 0.0, *target)
        assert distance_m == pytest.approx(math.pi / 2 * EARTH_M)
        assert math.degrees(bearing_rad) == pytest.approx(bearing, abs=1e-6)


@given(LAT, LON, LAT, LON)
def test_the_way_agrees_with_vectors(lat_1: float, lon_1: float, lat_2: float, lon_2: float) -> None:
    """Oracle: angle and tangent of unit vectors (numpy)."""
    here, there = unit(lat_1, lon_1), unit(lat_2, lon_2)
    angle = math.atan2(float(np.linalg.norm(np.cross(here, there))), float(here @ there))
    distance_m, bearing_rad = great_circle(lat_1, lon_1, lat_2, lon_2)
    assert distance_m == pytest.approx(EARTH_M * angle, abs=1.0)
    if 1e-4 < angle < math.pi - 1e-4:
        towards = there - (there @ here) * here
        pole = np.array([0.0, 0.0, 1.0])
        north = pole - (pole @ here) * here
        east_of = np.cross(pole, here)
        oracle = math.atan2(
            float(towards @ east_of) / float(np.linalg.norm(east_of)),
            float(towards @ north) / float(np.linalg.norm(north)),
        )
        assert math.remainder(bearing_rad - oracle, math.tau) == pytest.approx(0.0, abs=1e-6)


def test_best_glide_in_still_air_is_that_of_the_polar() -> None:
    """The example's best glide is 39.805 (closed form 1/(2·√(a·c) + b))."""
    glide = reckon(GnssPos(0.0, 50.1, 10.0, 1600.0))
    assert glide.available == pytest.approx(39.805, abs=1e-3)
    assert glide.distance_m == pytest.approx(math.radians(0.1) * EARTH_M)
    assert glide.required == pytest.approx(glide.distance_m / 1000.0)
    assert glide.above_reserve_m == pytest.approx(1000.0 - glide.distance_m / 39.805, abs=0.05)
    assert math.degrees(glide.bearing_rad) == pytest.approx(180.0)


@given(st.floats(-15.0, 15.0), st.floats(-15.0, 15.0), st.floats(0.0, 3.0), st.floats(0.7, 1.225))
def test_the_glide_is_the_wind_triangle(
    north_mps: float, east_mps: float, maccready: float, density: float
) -> None:
    """A second of flight moves the glider by air and wind together, and along the course only."""
    glide = reckon(GnssPos(0.0, 50.0, 9.0, 3000.0), Wind(north_mps, east_mps, 1.0, 0.1), maccready, density)
    scale = math.sqrt(1.225 / density)
    eas = min(CLUB.speed_for_mps(maccready, density), LIMITS.rough_air_mps)
    course = np.array([math.cos(glide.bearing_rad), math.sin(glide.bearing_rad)])
    wind = np.array([north_mps, east_mps])
    across = wind - (wind @ course) * course
    through_air = -across + math.sqrt((scale * eas) ** 2 - float(across @ across)) * course
    moved = through_air + wind
    assert np.linalg.norm(through_air) == pytest.approx(scale * eas)
    assert glide.available == pytest.approx(float(moved @ course) / (scale * CLUB.sink_mps(eas)), rel=1e-9)


def test_head_wind_costs_and_tail_wind_gives() -> None:
    position = GnssPos(0.0, 49.9, 10.0, 1500.0)  # the goal lies north
    head, none, tail = (reckon(position, Wind(w, 0.0, 1.0, 0.1)).above_reserve_m for w in (-8.0, 0.0, 8.0))
    assert head is not None
    assert none is not None
    assert tail is not None
    assert head < none < tail


def test_a_higher_maccready_arrives_lower_in_still_air() -> None:
    here = GnssPos(0.0, 49.8, 10.0, 2000.0)
    arrivals = [reckon(here, maccready=mc).above_reserve_m for mc in (0.0, 1.0, 3.0)]
    assert all(arrival is not None for arrival in arrivals)
    assert arrivals == sorted(arrivals, reverse=True)  # type: ignore[type-var]


def test_what_is_not_known_is_not_said() -> None:
    position = GnssPos(0.0, 50.1, 10.0, 1600.0)
    for glide in (reckon(position, wind=None), reckon(position, density=None)):
        assert glide.available is None
        assert glide.above_reserve_m is None
        assert glide.required is not None
    below = reckon(GnssPos(0.0, 50.1, 10.0, 500.0))
    assert below.required is None
    assert below.above_reserve_m is not None
    assert below.above_reserve_m < 0.0
    no_polar = GlideStage(setup(goal=goal(), maccready_mps=1.0)).update(position, CALM, 1.225)
    assert no_polar is not None
    assert no_polar.available is None
    assert (
        GlideStage(setup(maccready_mps=1.0, polar=CLUB, limits=LIMITS)).update(position, CALM, 1.225) is None
    )
    assert (
        GlideStage(setup(goal=goal(), maccready_mps=1.0, polar=CLUB, limits=LIMITS)).update(None, CALM, 1.225)
        is None
    )


def test_a_wind_that_cannot_be_flown_against_is_no_glide() -> None:
    assert over_ground_mps(25.0, -26.0, 0.0) is None
    assert over_ground_mps(25.0, 0.0, 26.0) is None
    assert over_ground_mps(25.0, -5.0, 15.0) == pytest.approx(15.0)  # 3-4-5 triangle: 20 less 5
    assert reckon(GnssPos(0.0, 49.9, 10.0, 1500.0), Wind(-60.0, 0.0, 1.0, 0.1)).above_reserve_m is None


def test_a_glide_flown_as_reckoned_arrives_as_reckoned() -> None:
    """Steps of ten seconds towards the goal, flown by the triangle: the reckoning must not move."""
    stage = GlideStage(setup(goal=goal(), maccready_mps=1.0, polar=CLUB, limits=LIMITS))
    wind = Wind(3.0, -5.0, 1.0, 0.1)
    lat, lon, height = 49.85, 9.9, 1700.0
    first = stage.update(GnssPos(0.0, lat, lon, height), wind, 1.1)
    assert first is not None
    for k in range(1, 40):
        glide = stage.update(GnssPos(10.0 * k, lat, lon, height), wind, 1.1)
        assert glide is not None
        assert glide.above_reserve_m == pytest.approx(first.above_reserve_m, abs=2.0)
        scale = math.sqrt(1.225 / 1.1)
        eas = min(CLUB.speed_for_mps(1.0, 1.1), LIMITS.rough_air_mps)
        along = wind.north_mps * math.cos(glide.bearing_rad) + wind.east_mps * math.sin(glide.bearing_rad)
        across = wind.east_mps * math.cos(glide.bearing_rad) - wind.north_mps * math.sin(glide.bearing_rad)
        speed = over_ground_mps(scale * eas, along, across)
        assert speed is not None
        lat += math.degrees(10.0 * speed * math.cos(glide.bearing_rad) / EARTH_M)
        lon += math.degrees(
            10.0 * speed * math.sin(glide.bearing_rad) / EARTH_M / math.cos(math.radians(lat))
        )
        height -= 10.0 * scale * CLUB.sink_mps(eas)
    assert KMH * 100 < eas < KMH * 175
