"""Expected climb before turning, and the advice to turn.

* An updraft that falls off with the square of the distance has exact means, on a line and on a circle.
* The example polar circles at 40 degrees of bank with 84.652 km/h and 0.886708 m/s of sink (turning polar
  of A. and L. Welch and F. Irving, worked out by hand); radius V²/(g·tan φ).
* Turning is worth it from the MacCready value on: P. MacCready, Soaring 1954; Speight, Technical Soaring,
  art. 789.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.example_polars import CLUB
from tests.support.pilot_calls import STEP_S, calls, gusts, measured
from tests.support.pilot_calls import TAS_MPS as CALL_TAS_MPS
from tests.support.setups import setup
from vario.flight.cruise.airmass import NOTHING, Airmass
from vario.flight.cruise.expected_climb import TRANSITIONS, Expected, ExpectedClimbStage, TurnAdvice
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.settings.schema import Circling, ExpectedClimb

DT_S = 0.1
TAS_MPS = 26.0
CIRCLING = Circling.model_validate({"bank": "40 deg"})
RADIUS_M = (84.652 / 3.6) ** 2 / (9.80665 * math.tan(math.radians(40.0)))
CIRCLING_SINK_MPS = 0.886708


class Flight:
    def __init__(self, average: str | None = "4 s", maccready_mps: float = 1.0) -> None:
        settings = ExpectedClimb.model_validate({} if average is None else {"average": average})
        self.stage = ExpectedClimbStage(
            setup(expected_climb=settings, circling=CIRCLING, maccready_mps=maccready_mps, polar=CLUB)
        )
        self.t_s = 0.0

    def fly(
        self,
        seconds: float,
        relative: float | None,
        mode: Mode = Mode.CRUISE,
        *,
        attitude: Attitude | None = None,
        turning: bool = False,
    ) -> Expected:
        for _ in range(round(seconds / DT_S)):
            found = self.step(relative, mode, attitude=attitude, turning=turning)
        return found

    def step(
        self,
        relative: float | None,
        mode: Mode = Mode.CRUISE,
        *,
        attitude: Attitude | None = None,
        turning: bool = False,
    ) -> Expected:
        energy = Energy(500.0, 0.0, 25.0, TAS_MPS, 1.225, 0.0, 534.0, compensated=True)
        air = NOTHING if relative is None else Airmass(relative + CIRCLING_SINK_MPS, relative)
        self.t_s += DT_S
        return self.stage.update(self.t_s, DT_S, energy, air, mode, turning=turning, attitude=attitude)


def test_the_expected_climb_is_the_boxcar_mean_of_relative_netto() -> None:
    """A step is followed as a ramp over the window, a ramp half a window late (closed forms of a boxcar)."""
    flight = Flight("4 s")
    assert flight.fly(3.8, 0.0).climb_mps is None
    assert flight.fly(2.0, 0.0).climb_mps == pytest.approx(0.0, abs=1e-9)
    for seconds in (1.0, 2.0, 3.0, 4.0):
        assert flight.fly(1.0, 2.0).climb_mps == pytest.approx(2.0 * seconds / 4.0, abs=0.11)
    assert flight.fly(1.0, 2.0).climb_mps == pytest.approx(2.0, abs=1e-6)
    ramp = Flight("4 s")
    for k in range(200):
        found = ramp.step(0.1 * DT_S * k)
    assert found.climb_mps == pytest.approx(0.1 * (DT_S * 199 - 2.0), abs=0.02)


@given(st.floats(1.0, 5.0), st.floats(160.0, 400.0))
def test_a_line_through_the_core_promises_what_the_circle_gives(strength: float, radius_m: float) -> None:
    """W·(1 − ρ²/R²): on the circle W·(1 − r²/R²), and so must be the best promise of a crossing."""
    flight, best = Flight(None), -math.inf
    for along_m in np.arange(-500.0, 500.0, TAS_MPS * DT_S):
        air_mps = strength * (1.0 - (along_m / radius_m) ** 2)
        found = flight.step(air_mps - CIRCLING_SINK_MPS).climb_mps
        best = max(best, -math.inf if found is None else found)
    on_the_circle_mps = strength * (1.0 - (RADIUS_M / radius_m) ** 2)
    assert best == pytest.approx(on_the_circle_mps - CIRCLING_SINK_MPS, abs=0.01 * strength)


def _advised_before_m(strength: float, radius_m: float) -> list[float]:
    """How far before the core the advice comes, in a crossing of a Gaussian updraft in smooth air."""
    along = np.arange(-600.0, 300.0, CALL_TAS_MPS * STEP_S)
    begun = calls((strength * np.exp(-((along / radius_m) ** 2))).tolist())
    return [600.0 - CALL_TAS_MPS * t_s for t_s in begun]


@pytest.mark.parametrize(("strength", "radius_m"), [(3.5, 130.0), (3.5, 190.0), (4.5, 150.0)])
def test_the_advice_comes_before_the_core(strength: float, radius_m: float) -> None:
    (before,) = _advised_before_m(strength, radius_m)
    assert before >= 40.0


def test_no_advice_in_weak_lift_nor_by_gusts() -> None:
    """At most two calls an hour in gusts of 1 m/s: here, one hour."""
    assert not _advised_before_m(1.5, 150.0)
    rng = np.random.default_rng(31)
    assert len(calls(measured(rng, gusts(rng, 36_000, 1.0)).tolist())) <= 2


def test_no_advice_in_a_turn_nor_after_aerobatics() -> None:
    level, loop = Attitude(0.0, 0.0, 0.0, 1.0), Attitude(0.4, 0.0, 0.0, 3.5)
    flight = Flight()
    assert not flight.fly(10.0, 3.0, attitude=level, turning=True).worth_turning
    assert flight.fly(1.0, 3.0, attitude=level).worth_turning
    flight = Flight()
    flight.fly(5.0, 3.0, attitude=loop)
    assert not flight.fly(8.0, 3.0, attitude=level).worth_turning
    assert flight.fly(4.0, 3.0, attitude=level).worth_turning
    assert not Flight().fly(10.0, 3.0, attitude=Attitude(0.0, 1.3, 0.0, 1.0)).worth_turning


def test_worth_turning_is_told_with_its_duration() -> None:
    flight = Flight("2 s", maccready_mps=1.5)
    assert not flight.fly(10.0, 1.4).worth_turning
    found = flight.fly(10.0, 1.6)
    assert found.worth_turning
    assert found.worth_turning_time_s == pytest.approx(9.0, abs=1.2)
    # A slightly lower value does not end it (a pilot cannot use a difference of a tenth), a much lower one
    # does.
    assert flight.fly(5.0, 1.4).worth_turning
    ended = flight.fly(5.0, 1.2)
    assert not ended.worth_turning
    assert ended.worth_turning_time_s == 0.0


def test_not_while_circling_nor_where_nothing_is_known() -> None:
    flight = Flight()
    assert flight.fly(10.0, 3.0).worth_turning
    assert not flight.fly(1.0, 3.0, Mode.CIRCLING).worth_turning
    assert flight.fly(10.0, 3.0).worth_turning
    nothing = flight.fly(0.2, None)
    assert nothing.climb_mps is None
    assert not nothing.worth_turning
    assert flight.fly(3.0, 3.0).climb_mps is None  # the window is filled again


def test_every_state_can_be_left_and_reached() -> None:
    assert {row.start for row in TRANSITIONS} == {row.end for row in TRANSITIONS} == set(TurnAdvice)
