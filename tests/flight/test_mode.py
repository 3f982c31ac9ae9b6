"""Changes between cruise and circling: automatic changes, situations without a change, and the choice of the
pilot.

Circling after half a turn, and circles of 20 to 30 s: common practice, no source. How long a turn takes at
each bank: the published turn table of A. and L. Welch and F. Irving, The Complete Soaring Pilot's Handbook
(11 s at 60 degrees of bank to 50 s at 15).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.examples import drawn
from tests.support.flown_turns import DT_S, Paper
from tests.support.setups import setup
from vario.flight.motion.mode import Mode
from vario.settings.schema import Circling

SENSORS = [{"gyro": True}, {"gyro": False}, {"gyro": True, "track": False}]


def airborne(wish: str = "automatic", circling: Circling | None = None, **sensors: bool) -> Paper:
    return Paper(wish=wish, circling=circling or Circling(), **sensors).fly(30.0)


@settings(max_examples=drawn(60))
@given(
    st.sampled_from(SENSORS),
    st.sampled_from([1, -1]),
    st.floats(11.0, 40.0),
    st.floats(0.0, 8.0),
    st.floats(0.0, 6.28),
)
def test_a_real_circle_is_found_within_three_quarters_of_a_turn(
    sensors: dict[str, bool], way: int, period_s: float, wind_mps: float, wind_rad: float
) -> None:
    paper = airborne(**sensors)
    paper.wind = (wind_mps * math.cos(wind_rad), wind_mps * math.sin(wind_rad))
    begun = paper.t_s
    paper.fly(1.5 * period_s, way * math.tau / period_s)
    assert paper.names()[-1] == "circling"
    # In an unknown wind the track over ground turns unevenly, so a little more time is allowed.
    late_s = 0.0 if sensors["gyro"] else 0.12 * period_s
    assert paper.modes[-1][0] - begun <= 0.75 * period_s + late_s + 2 * DT_S


@pytest.mark.parametrize("sensors", SENSORS, ids=["both", "track alone", "gyro alone"])
@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("period_s", [50.0, 37.0, 30.0, 25.0, 21.0, 18.0, 16.0, 14.0, 12.0, 11.0])
def test_every_circle_of_the_turn_table_is_told_by_three_quarters(
    period_s: float, way: int, sensors: dict[str, bool]
) -> None:
    """The target in still air: seconds per turn as printed, from 15 to 60 degrees of bank."""
    paper = airborne(**sensors)
    begun = paper.t_s
    paper.fly(1.5 * period_s, way * math.tau / period_s)
    assert paper.names()[-1] == "circling"
    assert paper.modes[-1][0] - begun <= 0.75 * period_s + DT_S


@settings(max_examples=drawn(60))
@given(
    st.sampled_from(SENSORS),
    st.floats(10.0, 24.0),
    st.floats(8.0, 16.0),
)
def test_s_turns_are_cruise(sensors: dict[str, bool], period_s: float, rate_deg: float) -> None:
    """Weaving up to 60 degrees to each side."""
    peak = min(math.radians(rate_deg), math.radians(60.0) * math.pi / period_s)
    paper = airborne(**sensors).fly(120.0, lambda t: peak * math.sin(math.tau * t / period_s))
    assert "circling" not in paper.names()


@settings(max_examples=drawn(60))
@given(
    st.sampled_from(SENSORS),
    st.floats(-150.0, 150.0),
    st.floats(6.0, 18.0),
)
def test_a_course_change_is_cruise(sensors: dict[str, bool], turn_deg: float, rate_deg: float) -> None:
    seconds = abs(turn_deg) / rate_deg
    rate = math.copysign(math.radians(rate_deg), turn_deg)
    paper = airborne(**sensors).fly(60.0, lambda t: rate if t < seconds else 0.0)
    assert "circling" not in paper.names()


@pytest.mark.parametrize("sensors", SENSORS)
@pytest.mark.parametrize(
    "rate",
    [
        lambda t: math.radians(35) * math.sin(math.tau * t / 1.5),  # yaw wobble
        lambda t: math.radians(25) * math.sin(math.tau * t / 3.0),
        lambda _: math.radians(3.5),  # a weak correction that continues
        lambda t: math.radians(6) if t % 20 < 5 else 0.0,  # one weak correction after the other
    ],
)
def test_wobbles_and_corrections_are_cruise(sensors: dict[str, bool], rate: Callable[[float], float]) -> None:
    assert "circling" not in airborne(**sensors).fly(150.0, rate).names()


@pytest.mark.parametrize("start_deg", [90, 180, 270, 360])
def test_the_heading_change_that_begins_circling_is_a_setting(start_deg: int) -> None:
    circling = Circling.model_validate({"entry_angle": f"{start_deg} deg", "entry_time": "0 s"})
    paper = airborne(circling=circling)
    begun = paper.t_s
    paper.fly(40.0, math.radians(15.0))
    turned = math.degrees(math.radians(15.0) * (paper.modes[-1][0] - begun))
    assert turned == pytest.approx(start_deg, abs=12.0)


def test_the_hold_times_are_separate_settings() -> None:
    circling = Circling.model_validate({"entry_time": "4 s", "exit_time": "20 s"})
    paper = airborne(circling=circling)
    begun = paper.t_s
    paper.fly(40.0, math.radians(15.0))
    assert paper.modes[-1][0] - begun == pytest.approx(16.0, abs=1.0)
    stopped = paper.t_s
    paper.fly(40.0)
    # The mean rate over 20 s falls from 15 to 5 degrees a second after two thirds of them.
    assert paper.modes[-1][0] - stopped == pytest.approx(13.3, abs=0.3)


def test_forced_cruise_stays_cruise_and_forced_circling_circling() -> None:
    assert "circling" not in airborne("cruise").fly(90.0, math.radians(15.0)).names()
    forced = airborne("circling").fly(60.0)
    assert forced.names()[-1] == "circling"


def test_a_wish_given_in_flight_acts_at_once_and_automatic_takes_over_again() -> None:
    paper = airborne().fly(60.0, math.radians(15.0))
    assert paper.mode.mode is Mode.CIRCLING
    paper.mode.configure(setup(mode="cruise"))
    paper.fly(2 * DT_S, math.radians(15.0))
    assert paper.mode.mode is Mode.CRUISE
    paper.mode.configure(setup(mode="automatic"))
    paper.fly(3.0, math.radians(15.0))
    assert paper.mode.mode is Mode.CIRCLING


@pytest.mark.parametrize("wish", ["cruise", "circling"])
def test_no_wish_flies_on_the_ground_or_ends_a_launch(wish: str) -> None:
    paper = Paper(wish=wish).fly(20.0, tas_mps=0.0)
    assert paper.names() == ["ground"]
    paper.fly(30.0, climb_mps=3.0, tas_mps=30.0)
    assert paper.names() == ["ground", "launch"]
    paper.fly(120.0, climb_mps=3.0, tas_mps=30.0).fly(60.0, climb_mps=-0.8)
    assert paper.names()[-1] == wish


def test_gyro_drift_is_taken_out_by_the_track() -> None:
    """A gyro that drifts by 1.5 degrees a second turns twice in eight minutes of straight flight."""
    paper = airborne()
    paper.gyro_drift_radps = math.radians(1.5)
    paper.fly(480.0)
    assert "circling" not in paper.names()
    start = paper.turning_now.turn_angle_rad
    paper.fly(120.0)
    assert abs(paper.turning_now.turn_angle_rad - start) < math.radians(20.0)
    assert math.remainder(paper.turning_now.heading_rad - paper.track, math.tau) == pytest.approx(
        0.0, abs=0.1
    )


def test_the_heading_in_wind_is_that_through_the_air() -> None:
    paper = Paper(gyro=False, wind=(6.0, 5.0), wind_known=True).fly(30.0)
    for _ in range(10):
        paper.fly(3.7, math.radians(15.0))
        assert paper.turning_now.from_north
        off = math.remainder(paper.turning_now.heading_rad - paper.track, math.tau)
        assert abs(math.degrees(off)) < 4.0
