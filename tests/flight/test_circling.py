"""Turning, modes and climbs on computed flights.

Switching after half a turn, circles of 20 to 30 s and a 20 s averager are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.flown_turns import DT_S, TURN, Paper, airborne
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import TRANSITIONS, Mode
from vario.flight.motion.turning import TurningStage
from vario.flight.setup import Setup
from vario.flight.thermal import climbs as climbs_module
from vario.flight.thermal.averages import AveragesStage
from vario.settings.schema import Circling


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("gyro", [True, False])
def test_circling_is_found_within_three_quarters_of_a_turn(way: int, gyro: bool) -> None:
    paper = airborne(gyro=gyro)
    begun = paper.t_s
    paper.fly(60.0, way * TURN)
    assert paper.names()[-1] == "circling"
    assert (paper.modes[-1][0] - begun) * TURN <= 0.75 * math.tau


@pytest.mark.parametrize(
    "rate",
    [
        lambda t: math.radians(14) * math.sin(math.tau * t / 16),  # S-turns
        lambda t: TURN if t < 6 else 0.0,  # a 90 degree course change
        lambda t: math.radians(40) * math.sin(math.tau * t / 2),  # a nose that swings
        lambda _: math.radians(3.0),  # a slow drift round
    ],
)
@pytest.mark.parametrize("gyro", [True, False])
def test_manoeuvres_that_are_no_circling_are_not_detected_as_circling(
    rate: Callable[[float], float], gyro: bool
) -> None:
    paper = airborne(gyro=gyro).fly(90.0, rate)
    assert "circling" not in paper.names()


def test_circling_ends_when_turning_stops() -> None:
    paper = airborne().fly(60.0, TURN)
    stopped = paper.t_s
    paper.fly(30.0)
    assert paper.names()[-1] == "cruise"
    assert 2.0 < paper.modes[-1][0] - stopped <= 4.0


def test_a_flight_from_the_ground() -> None:
    paper = Paper().fly(20.0, tas_mps=0.0).fly(150.0, climb_mps=3.0, tas_mps=30.0).fly(60.0, climb_mps=-0.8)
    paper.fly(70.0, TURN, climb_mps=2.0).fly(60.0, climb_mps=-0.8).fly(40.0, tas_mps=0.0)
    assert paper.names() == ["ground", "launch", "cruise", "circling", "cruise", "ground"]


def test_found_in_the_air_is_cruise() -> None:
    assert airborne().names() == ["ground", "cruise"]


def test_tow_turns_are_no_circling_but_thermalling_after_release_is() -> None:
    paper = Paper().fly(20.0, tas_mps=0.0).fly(60.0, climb_mps=3.0, tas_mps=32.0)
    paper.fly(90.0, math.radians(6), climb_mps=3.0, tas_mps=32.0)
    assert paper.names()[-1] == "launch"
    paper.fly(60.0, TURN, climb_mps=3.0)
    assert paper.names()[-1] == "circling"


def test_every_mode_can_be_left_and_reached() -> None:
    assert {t.start for t in TRANSITIONS} == set(Mode)
    assert {t.end for t in TRANSITIONS} == set(Mode)


def test_recentring_keeps_one_climb_and_leaving_ends_it() -> None:
    paper = airborne().fly(75.0, TURN, climb_mps=2.0).fly(12.0, climb_mps=0.5).fly(75.0, TURN, climb_mps=2.0)
    paper.fly(120.0, climb_mps=-1.0)
    climbs = paper.averages.finished()
    assert len(climbs) == 1
    climb = climbs[0]
    assert climb.gain_m == pytest.approx(2 * 75 * 2.0 + 6.0, abs=6.0)
    assert climb.turns == pytest.approx(150 / 24, abs=0.5)
    assert climb.direction == "right"


def test_two_thermals_are_two_climbs() -> None:
    paper = (
        airborne().fly(75.0, -TURN, climb_mps=2.0).fly(120.0, climb_mps=-1.0).fly(75.0, TURN, climb_mps=1.0)
    )
    paper.averages.close()
    climbs = paper.averages.finished()
    assert [climb.direction for climb in climbs] == ["left", "right"]
    assert [climb.average_mps for climb in climbs] == pytest.approx([2.0, 1.0], abs=0.15)


def test_recentring_keeps_a_climb_in_wind_known_or_not() -> None:
    """Seven seconds of level wings every two turns, as pilots shift a circle; the wind drifts it along."""
    for wind_known in (True, False):
        paper = Paper(wind=(7.0, -4.0), wind_known=wind_known).fly(30.0)
        for _ in range(5):
            paper.fly(48.0, TURN, climb_mps=2.0).fly(7.0, climb_mps=0.5)
        assert paper.averages.finished() == []
        assert paper.last.climb_mps == pytest.approx((5 * 96.0 + 4 * 3.5) / 268.0, abs=0.05)
        paper.fly(120.0, climb_mps=-1.0)
        assert len(paper.averages.finished()) == 1


def test_a_new_thermal_is_told_by_time_and_by_distance() -> None:
    """Glides of 15 s at 27 m/s, 405 m, and of 40 s, 1080 m, between two thermals; limits 500 m and 60 s."""
    for glide_s, climbs in ((15.0, 1), (40.0, 2)):
        paper = airborne().fly(75.0, TURN, climb_mps=2.0).fly(glide_s).fly(75.0, TURN, climb_mps=2.0)
        paper.averages.close()
        assert len(paper.averages.finished()) == climbs
    # The same glide down wind: over ground 10 m/s further a second, in the drifting air not.
    paper = Paper(wind=(25.0, 0.0), wind_known=True).fly(30.0)
    paper.fly(72.0, TURN, climb_mps=2.0).fly(15.0).fly(75.0, TURN, climb_mps=2.0)
    paper.averages.close()
    assert len(paper.averages.finished()) == 1
    patient = airborne(circling=Circling.model_validate({"climb_merge_distance": "2 km"}))
    patient.fly(75.0, TURN, climb_mps=2.0).fly(40.0).fly(75.0, TURN, climb_mps=2.0)
    patient.averages.close()
    assert len(patient.averages.finished()) == 1


def test_a_climb_is_open_closed_or_paused_by_the_table() -> None:
    assert {row.start for row in climbs_module.TRANSITIONS} == set(climbs_module.ClimbState)
    assert {row.end for row in climbs_module.TRANSITIONS} == set(climbs_module.ClimbState)


def test_reversing_the_turn_keeps_the_climb() -> None:
    paper = airborne().fly(75.0, TURN, climb_mps=2.0).fly(75.0, -TURN, climb_mps=2.0).fly(120.0)
    climbs = paper.averages.finished()
    assert [climb.direction for climb in climbs] == ["both"]


def test_turn_average_waits_for_a_whole_turn_and_covers_just_one() -> None:
    paper = airborne().fly(23.0, TURN, climb_mps=1.0)
    assert paper.last.turn_mps is None
    paper.fly(24.0, TURN, climb_mps=1.0)
    assert paper.last.turn_mps == pytest.approx(1.0, abs=1e-6)
    paper.fly(12.0, TURN, climb_mps=3.0)  # half a turn in better air: the last 24 s contain 12 s of each
    assert paper.last.turn_mps == pytest.approx(2.0, abs=0.02)


@given(st.lists(st.tuples(st.floats(0.02, 3.0), st.floats(-4.0, 6.0)), min_size=30, max_size=80))
def test_averager_is_exact_under_uneven_frames(steps: list[tuple[float, float]]) -> None:
    """Boxcar over a piecewise linear energy: oracle by summing the climb over the last 20 s."""
    stage = AveragesStage(Setup())
    turning = TurningStage(Setup())
    t_s, energy_m = 0.0, 1000.0
    history: list[tuple[float, float]] = []
    for dt_s, climb in steps:
        t_s += dt_s
        energy_m += climb * dt_s
        history.append((dt_s, climb))
        inputs = Inputs(Frame(t_s, dt_s), has_baro=True, has_pitot=True, has_imu=False, has_gnss=False)
        energy = Energy(energy_m, climb, 25.0, 25.0, 1.1, climb, energy_m, compensated=True)
        mean = stage.update(t_s, energy, turning.update(inputs, None), Mode.CRUISE).average_mps
        left_s, gained = 20.0, 0.0
        for past_dt, past_climb in reversed(history[1:]):
            used = min(left_s, past_dt)
            gained += used * past_climb
            left_s -= used
        if left_s > 1e-9:
            assert mean is None or left_s < 1e-6
        else:
            # Points closer than 0.1 s are not all kept, so the oldest climb may be wrong by this time.
            assert mean == pytest.approx(gained / 20.0, abs=0.1 * 10.0 / 20.0)


def test_losing_the_airspeed_does_not_jump_the_average() -> None:
    stage, turning = AveragesStage(Setup()), TurningStage(Setup())
    means = []
    for i in range(600):
        t_s = (i + 1) * DT_S
        compensated = i < 300
        altitude = 500.0 + t_s
        energy_m = altitude + 40.0 if compensated else altitude
        energy = Energy(altitude, 1.0, None, None, 1.1, 1.0, energy_m, compensated=compensated)
        inputs = Inputs(Frame(t_s, DT_S), has_baro=True, has_pitot=compensated, has_imu=False, has_gnss=False)
        means.append(stage.update(t_s, energy, turning.update(inputs, None), Mode.CRUISE).average_mps)
    known = [mean for mean in means if mean is not None]
    assert len(known) > 300
    assert known == pytest.approx([1.0] * len(known), abs=0.01)


def test_a_gyro_that_falls_out_in_a_circle_is_not_counted_twice() -> None:
    """Turning that the gyro has counted is not counted again when GNSS takes over."""
    paper = airborne()
    paper.fly(72.0, TURN)
    turn_angle_rad, turned_rad = paper.turning_now.turn_angle_rad, paper.turning_now.turned_rad
    paper.gyro = False
    paper.fly(0.5, TURN)
    assert paper.turning_now.turn_angle_rad - turn_angle_rad == pytest.approx(0.5 * TURN, abs=0.1)
    assert paper.turning_now.turned_rad - turned_rad == pytest.approx(0.5 * TURN, abs=0.1)
    assert paper.names()[-1] == "circling"


def test_turning_that_is_not_known_ends_no_climb() -> None:
    """Without gyro and GNSS turning is not measured; this does not count as straight flight."""
    paper = airborne(gyro=False)
    paper.fly(60.0, TURN)
    paper.gnss = False
    paper.fly(60.0, TURN)
    assert not paper.turning_now.known
    assert paper.names()[-1] == "circling"
    paper.gnss = True
    paper.fly(30.0)
    assert paper.names()[-1] == "cruise"
