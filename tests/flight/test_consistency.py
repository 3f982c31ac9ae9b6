"""Sensors that contradict each other: which one is doubted, and what happens to its readings.

The pressures are those of the standard atmosphere (`drivers.isa`, checked against ICAO Doc 7488 elsewhere).
Blocked pitot and static lines: FAA-H-8083-25, chapter 8.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, Pitot
from vario.flight.estimate.result import Diagnostics, Estimate
from vario.flight.inputs.consistency import ConsistencyStage, Doubts
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import NOTHING
from vario.flight.setup import Setup
from vario.flight.wind.stage import Wind

DT_S = 0.1
CALM = Estimate(None, NOTHING, Diagnostics(), has_airspeed=True)
SUSPECT = replace(CALM, baro_suspect=True)
WIND = Wind(3.0, 0.0, 0.0, 0.5)

Value = Callable[[float], float]


def constant(value: float) -> Value:
    return lambda _t: value


class Flight:
    """A flight to the north in a tail wind of 3 m/s; every reading is a function of time."""

    def __init__(self) -> None:
        self.stage = ConsistencyStage(Setup())
        self.t_s = 0.0
        self.corrected = 1.0
        self.usable: Inputs | None = None

    def fly(
        self,
        until_s: float,
        height_m: Value,
        tas_mps: Value,
        altitude_m: Value | None = None,
        *,
        total_pa: float | None = None,
        suspect: Callable[[float], bool] = lambda _t: False,
        wind: Wind | None = WIND,
    ) -> float | None:
        """Fly until a time; returns when the first doubt appeared. `total_pa`: an iced pitot."""
        first_s = None
        while self.t_s < until_s:
            self.t_s += DT_S
            t = self.t_s
            static_pa = isa.pressure_pa(height_m(t))
            impact_pa = isa.impact_of_tas_pa(tas_mps(t), static_pa, isa.temperature_k(height_m(t)))
            read_pa = impact_pa if total_pa is None else total_pa - static_pa
            frame = Frame(
                t,
                DT_S,
                baro=(Baro(t, static_pa),),
                pitot=(Pitot(t, read_pa),),
                gnss_pos=(GnssPos(t, 50.0, 10.0, (altitude_m or height_m)(t)),),
                gnss_vel=(GnssVel(t, 25.0 + 3.0, 0.0, None),),
            )
            inputs = Inputs(frame, True, True, True, True, True)
            self.usable = self.stage.usable(inputs, self.corrected)
            self.stage.update(inputs, SUSPECT if suspect(t) else CALM, wind)
            if first_s is None and self.stage.doubts != Doubts():
                first_s = t
        return first_s


def test_a_dive_and_a_climb_raise_no_doubt() -> None:
    """60 s at 5 m/s down, 60 s at 5 m/s up, in air 20 K warmer: heights differ by 7 %."""
    flight = Flight()
    height = lambda t: 1500.0 - 5.0 * min(t, 60.0) + 5.0 * max(t - 60.0, 0.0)  # noqa: E731
    assert flight.fly(120.0, height, constant(25.0), lambda t: 1.07 * height(t) + 40.0) is None


def test_an_altitude_that_jumps_or_stops_is_doubted() -> None:
    flight = Flight()
    level = constant(1000.0)
    flight.fly(40.0, level, constant(25.0))
    doubted_s = flight.fly(60.0, level, constant(25.0), constant(1400.0))
    assert doubted_s is not None
    assert doubted_s < 42.0
    assert flight.stage.doubts == Doubts(gnss_altitude=True)
    assert flight.usable is not None
    assert flight.usable.has_baro
    flight = Flight()
    flight.fly(40.0, level, constant(25.0))
    flight.fly(60.0, lambda t: 1000.0 - 3.0 * (t - 40.0), constant(25.0), level)
    assert flight.stage.doubts == Doubts(gnss_altitude=True)


def test_iced_static_ports_are_found_with_the_inertial_filter() -> None:
    flight = Flight()
    flight.fly(40.0, constant(1000.0), constant(25.0))
    falls = lambda t: 1000.0 - 6.0 * (t - 40.0)  # noqa: E731
    flight.fly(41.0, constant(1000.0), constant(25.0), falls)
    assert flight.stage.doubts == Doubts()
    flight.fly(42.0, constant(1000.0), constant(25.0), falls, suspect=lambda _t: True)
    assert flight.stage.doubts.baro
    assert flight.usable is not None
    assert not flight.usable.has_baro
    assert flight.usable.frame.baro == flight.usable.frame.pitot == ()
    # The readings agree again, for long enough.
    flight.fly(75.0, constant(1000.0), constant(25.0))
    assert flight.stage.doubts == Doubts()


def test_an_inertial_filter_alone_does_not_silence_the_barometer_for_long() -> None:
    flight = Flight()
    flight.fly(40.0, constant(1000.0), constant(25.0))
    flight.fly(41.0, constant(1000.0), constant(25.0), suspect=lambda _t: True)
    assert flight.stage.doubts == Doubts(baro=True)
    flight.fly(46.0, constant(1000.0), constant(25.0))
    assert flight.stage.doubts == Doubts()


def test_an_iced_pitot_works_as_an_altimeter() -> None:
    flight = Flight()
    flight.fly(40.0, constant(1000.0), constant(25.0))
    static_pa = isa.pressure_pa(1000.0)
    total_pa = static_pa + isa.impact_of_tas_pa(25.0, static_pa, isa.temperature_k(1000.0))
    climbs = lambda t: 1000.0 + 2.0 * (t - 40.0)  # noqa: E731
    doubted_s = flight.fly(55.0, climbs, constant(25.0), total_pa=total_pa)
    assert doubted_s is not None
    assert doubted_s < 46.0
    assert flight.stage.doubts == Doubts(airspeed=True)
    assert flight.usable is not None
    assert not flight.usable.has_pitot
    assert flight.usable.frame.pitot == ()


@pytest.mark.parametrize("factor", [math.sqrt(0.5), math.sqrt(2.0)])
def test_a_step_of_the_airspeed_is_doubted_and_a_gust_is_not(factor: float) -> None:
    flight = Flight()
    level = constant(1000.0)
    flight.fly(40.0, level, constant(25.0))
    # A gust of 4 m/s within half a second, as in the scenes with wind steps.
    assert flight.fly(60.0, level, lambda t: 25.0 + 4.0 * min((t - 40.0) / 0.5, 1.0)) is None
    doubted_s = flight.fly(70.0, level, constant(29.0 * factor))
    assert doubted_s is not None
    assert doubted_s < 62.0
    assert flight.stage.doubts == Doubts(airspeed=True)


def test_a_scale_that_no_sensor_has_is_doubted() -> None:
    flight = Flight()
    wrong = replace(WIND, airspeed_scale=1.41, airspeed_scale_sigma=0.01)
    flight.fly(5.0, constant(1000.0), constant(25.0), wind=replace(wrong, airspeed_scale=1.1))
    assert flight.stage.doubts == Doubts()
    flight.fly(10.0, constant(1000.0), constant(25.0), wind=wrong)
    assert flight.stage.doubts.airspeed


def test_an_airspeed_of_a_wrong_scale_is_told_once_to_those_who_learned_from_it() -> None:
    """A wind filter that finds a scale beyond the bounds: all airspeeds so far were wrong."""
    flight = Flight()
    flight.fly(60.0, constant(1000.0), constant(25.0))
    assert flight.usable is not None
    assert flight.usable.wrong_airspeed_scale is None
    flight.corrected = 1.12  # by the instrument, before the limits were left
    told = []
    for k in range(3):
        flight.fly(60.1 + 0.1 * k, constant(1000.0), constant(25.0), wind=replace(WIND, airspeed_scale=1.4))
        told.append((flight.usable.wrong_airspeed_scale, flight.stage.doubts.airspeed))
    assert told == [(None, False), (pytest.approx(1.4 / 1.12), True), (None, True)]


def test_a_receiver_that_jumps_while_the_barometer_is_doubted_does_not_silence_it_for_good() -> None:
    flight = Flight()
    at_s = 100.0

    def climb(t: float) -> float:
        return 1000.0 + 1.5 * t

    flight.fly(at_s, climb, constant(25.0))
    flight.fly(
        *(at_s + 60.0, climb, constant(25.0)),
        lambda t: climb(t) + 20.0,
        suspect=lambda t: at_s < t < at_s + 3.0,
    )
    assert flight.stage.doubts.baro
    flight.fly(at_s + 240.0, climb, constant(25.0), lambda t: climb(t) + 20.0)
    assert flight.stage.doubts == Doubts()
    assert flight.usable is not None
    assert flight.usable.has_baro


@pytest.mark.parametrize("climb_mps", [0.0, 1.5])
def test_a_static_line_that_stays_blocked_stays_doubted(climb_mps: float) -> None:
    """Also in level flight, where a blocked line and the altitude agree: it has not shown that it moves."""
    flight = Flight()
    at_s = 100.0

    def real(t: float) -> float:
        return 1000.0 - 3.0 * min(max(t - at_s, 0.0), 20.0) + climb_mps * max(t - at_s - 20.0, 0.0)

    flight.fly(at_s, constant(1000.0), constant(25.0))
    flight.fly(
        *(900.0, constant(1000.0), constant(25.0)), real, suspect=lambda t: at_s + 2.0 < t < at_s + 6.0
    )
    assert flight.stage.doubts.baro
