"""Glide to a goal: glide in wind, arrival height, MacCready.

The wind triangle: elementary.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import GnssPos
from tests.support.example_polars import CLUB, KMH, LIMITS, energy_at
from tests.support.setups import setup
from vario.flight.cruise.glide import FinalGlide, GlideStage, goal_maccready_mps
from vario.flight.cruise.glide_speed import over_ground_mps
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.wind.stage import Wind
from vario.settings.schema import Goal

EARTH_M = 6_371_000.0  # the FAI sphere, as above
CALM = Wind(0.0, 0.0, 1.0, 0.1)


GOAL = Goal.model_validate({"latitude": 50.0, "longitude": 10.0, "elevation": "400 m", "reserve": "200 m"})


def reckon(
    position: GnssPos, wind: Wind | None = CALM, maccready: float = 0.0, density: float | None = 1.225
) -> FinalGlide:
    stage = GlideStage(setup(goal=GOAL, maccready_mps=maccready, polar=CLUB, limits=LIMITS))
    glide = stage.update(position, wind, at(density), Mode.CRUISE)
    assert glide is not None
    return glide


def at(density: float | None, tas_mps: float | None = None) -> Energy:
    return replace(energy_at(0.0), density_kgpm3=density, tas_mps=tas_mps)


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
    eas = glide.speed_mps
    assert eas is not None
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


def test_a_glide_is_given_only_as_far_as_its_inputs_are_known() -> None:
    position = GnssPos(0.0, 50.1, 10.0, 1600.0)
    for glide in (reckon(position, wind=None), reckon(position, density=None)):
        assert glide.available is None
        assert glide.above_reserve_m is None
        assert glide.required is not None
    below = reckon(GnssPos(0.0, 50.1, 10.0, 500.0))
    assert below.required is None
    assert below.above_reserve_m is not None
    assert below.above_reserve_m < 0.0
    no_polar = GlideStage(setup(goal=GOAL, maccready_mps=1.0)).update(position, CALM, at(1.225), Mode.CRUISE)
    assert no_polar is not None
    assert no_polar.available is None
    assert (
        GlideStage(setup(maccready_mps=1.0, polar=CLUB, limits=LIMITS)).update(
            position, CALM, at(1.225), Mode.CRUISE
        )
        is None
    )
    assert (
        GlideStage(setup(goal=GOAL, maccready_mps=1.0, polar=CLUB, limits=LIMITS)).update(
            None, CALM, at(1.225), Mode.CRUISE
        )
        is None
    )


def test_a_wind_that_cannot_be_flown_against_is_no_glide() -> None:
    assert over_ground_mps(25.0, -26.0, 0.0) is None
    assert over_ground_mps(25.0, 0.0, 26.0) is None
    assert over_ground_mps(25.0, -5.0, 15.0) == pytest.approx(15.0)  # 3-4-5 triangle: 20 less 5
    assert reckon(GnssPos(0.0, 49.9, 10.0, 1500.0), Wind(-60.0, 0.0, 1.0, 0.1)).above_reserve_m is None


def test_a_glide_flown_as_reckoned_arrives_as_reckoned() -> None:
    """Steps of ten seconds towards the goal, by the wind triangle: the arrival height must stay the same."""
    stage = GlideStage(setup(goal=GOAL, maccready_mps=1.0, polar=CLUB, limits=LIMITS))
    wind = Wind(3.0, -5.0, 1.0, 0.1)
    lat, lon, height = 49.85, 9.9, 1700.0
    first = stage.update(GnssPos(0.0, lat, lon, height), wind, at(1.1), Mode.CRUISE)
    assert first is not None
    for k in range(1, 40):
        glide = stage.update(GnssPos(10.0 * k, lat, lon, height), wind, at(1.1), Mode.CRUISE)
        assert glide is not None
        assert glide.above_reserve_m == pytest.approx(first.above_reserve_m, abs=2.0)
        scale = math.sqrt(1.225 / 1.1)
        eas = glide.speed_mps
        assert eas is not None
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


def best_over_ground(head_mps: float, across_mps: float, sink_mps: float) -> float:
    """Oracle: brute force on the polar, height lost over way made good, at sea level."""
    eas = np.arange(CLUB.min_sink_speed_mps, LIMITS.rough_air_mps, 0.01)
    sink = np.array([CLUB.sink_mps(float(speed)) for speed in eas])
    ground = np.sqrt(np.maximum(eas**2 - across_mps**2, 0.0)) - head_mps
    lost = np.where(ground > 0.0, (sink + sink_mps) / np.maximum(ground, 1e-9), np.inf)
    return float(eas[np.argmin(lost)])


@given(st.floats(0.0, 15.0), st.floats(-8.0, 8.0), st.floats(0.0, 1.0))
def test_at_maccready_0_the_speed_is_the_best_over_ground(
    head_mps: float, across_mps: float, sink_mps: float
) -> None:
    """The goal lies north. Against the wind faster than best glide: FAA-H-8083-13, speed to fly in wind."""
    stage = GlideStage(
        setup(
            goal=GOAL.model_copy(update={"sink_mps": sink_mps}),
            maccready_mps=0.0,
            polar=CLUB,
            limits=LIMITS,
        )
    )
    position, wind = GnssPos(0.0, 49.9, 10.0, 2500.0), Wind(-head_mps, across_mps, 1.0, 0.1)
    glide = stage.update(position, wind, at(1.225), Mode.CRUISE)
    assert glide is not None
    assert glide.speed_mps is not None
    assert glide.speed_mps == pytest.approx(best_over_ground(head_mps, across_mps, sink_mps), abs=0.05)
    assert glide.speed_mps >= CLUB.best_glide_speed_mps - 0.05
    assert glide.maccready_mps is not None
    still_mps = CLUB.speed_for_mps(glide.maccready_mps + sink_mps)
    assert still_mps == pytest.approx(glide.speed_mps, abs=0.01)


def test_the_required_maccready_is_the_one_that_just_arrives() -> None:
    """Oracle: arrival heights of a row of MacCready values; the last one that arrives."""
    here, wind = GnssPos(0.0, 49.8, 10.0, 1500.0), Wind(-5.0, 3.0, 1.0, 0.1)
    required = reckon(here, wind).required_maccready_mps
    assert required is not None
    values = np.arange(0.0, 4.0, 0.01)
    arrives = [mc for mc in values if (reckon(here, wind, float(mc)).above_reserve_m or -1.0) >= 0.0]
    assert required == pytest.approx(arrives[-1], abs=0.02)
    assert reckon(GnssPos(0.0, 49.8, 10.0, 900.0), wind).required_maccready_mps is None


def test_energy_height_counts_and_a_pull_up_does_not_change_the_arrival() -> None:
    """From 50 m/s to the speed of the glide: (V² − Vg²)/2g of height, and back."""
    stage = GlideStage(setup(goal=GOAL, maccready_mps=0.0, polar=CLUB, limits=LIMITS))
    low = stage.update(GnssPos(0.0, 49.8, 10.0, 1500.0), CALM, at(1.225, 50.0), Mode.CRUISE)
    assert low is not None
    assert low.speed_mps is not None
    gained_m = (50.0**2 - low.speed_mps**2) / (2.0 * 9.80665)
    assert low.energy_m == pytest.approx(gained_m)
    high = stage.update(
        GnssPos(1.0, 49.8, 10.0, 1500.0 + gained_m), CALM, at(1.225, low.speed_mps), Mode.CRUISE
    )
    assert high is not None
    assert high.above_reserve_m == pytest.approx(low.above_reserve_m, abs=0.01)


def test_the_uncertainty_of_the_wind_is_that_of_the_arrival() -> None:
    """Oracle: arrival heights for a wind one sigma stronger and weaker."""
    here = GnssPos(0.0, 49.8, 10.0, 2500.0)
    glide = reckon(here, Wind(-6.0, 0.0, 1.0, 0.5), 1.0)
    weaker, stronger = (reckon(here, Wind(w, 0.0, 1.0, 0.5), 1.0).above_reserve_m for w in (-5.5, -6.5))
    assert weaker is not None
    assert stronger is not None
    assert glide.sigma_m == pytest.approx((weaker - stronger) / 2.0, rel=0.03)


def test_made_and_lost_have_a_hysteresis_and_take_five_seconds() -> None:
    stage = GlideStage(setup(goal=GOAL, maccready_mps=0.0, polar=CLUB, limits=LIMITS))
    reserve_m = 1500.0 - (reckon(GnssPos(0.0, 49.8, 10.0, 1500.0)).above_reserve_m or 0.0)

    def judged(above_m: float, seconds: int, t_s: float, mode: Mode = Mode.CRUISE) -> bool | None:
        for k in range(seconds):
            position = GnssPos(t_s + k, 49.8, 10.0, reserve_m + above_m)
            glide = stage.update(position, CALM, at(1.225), mode, 1.0)
        assert glide is not None
        return glide.made

    assert judged(20.0, 20, 0.0) is False
    assert judged(40.0, 3, 20.0) is False
    assert judged(40.0, 4, 23.0) is True
    assert judged(10.0, 20, 30.0) is True
    assert judged(-10.0, 3, 50.0) is True
    assert judged(-10.0, 4, 53.0) is False
    assert judged(500.0, 20, 60.0, Mode.GROUND) is None
    for _ in range(20):  # time without a position does not count
        stage.update(None, CALM, at(1.225), Mode.CRUISE, 1.0)
    assert judged(40.0, 4, 100.0) is False


def test_on_the_way_to_the_goal_the_speed_to_fly_is_that_of_the_glide() -> None:
    turning = Turning(0.0, 0.0, 0.0, 0.0, active=False, now=False, heading_rad=0.0, from_north=True)
    glide = reckon(GnssPos(0.0, 49.9, 10.0, 1500.0), Wind(-10.0, 0.0, 1.0, 0.1))
    assert goal_maccready_mps(glide, turning) == glide.maccready_mps
    assert goal_maccready_mps(glide, replace(turning, heading_rad=math.radians(60.0))) is None
    assert goal_maccready_mps(glide, replace(turning, from_north=False)) is None


def test_a_doubted_altitude_gives_no_height() -> None:
    stage = GlideStage(setup(goal=GOAL, polar=CLUB, limits=LIMITS))
    here = GnssPos(0.0, 50.1, 10.0, 1800.0)
    known = stage.update(here, CALM, at(1.225), Mode.CRUISE)
    doubted = stage.update(here, CALM, at(1.225), Mode.CRUISE, altitude_known=False)
    again = stage.update(here, CALM, at(1.225), Mode.CRUISE)
    assert known is not None
    assert doubted is not None
    assert doubted.distance_m == known.distance_m
    assert doubted.above_reserve_m is doubted.required is doubted.made is None
    assert again == known
