"""Expected climb before turning, and when turning is worth it."""

from __future__ import annotations

import math

import pytest

from tests.test_polar import CLUB
from vario.flight.airmass import NOTHING, Airmass
from vario.flight.energy import Energy
from vario.flight.expected_climb import (
    BEYOND,
    HYSTERESIS_MPS,
    TRANSITIONS,
    Expected,
    ExpectedClimbStage,
    Worth,
)
from vario.flight.mode import Mode
from vario.settings.schema import Circling, ExpectedClimb

DT_S = 0.1
TAS_MPS = 26.0
CIRCLING = Circling()


class Flight:
    def __init__(self, average: str | None = "4 s", maccready_mps: float = 1.0) -> None:
        settings = ExpectedClimb.model_validate({} if average is None else {"average": average})
        self.stage = ExpectedClimbStage(settings, CIRCLING, maccready_mps, CLUB)
        self.t_s = 0.0

    def fly(self, seconds: float, relative: float | None, mode: Mode = Mode.CRUISE) -> Expected:
        energy = Energy(500.0, 0.0, 25.0, TAS_MPS, 1.225, 0.0, 534.0, compensated=True)
        air = NOTHING if relative is None else Airmass(relative + 0.89, relative)
        for _ in range(round(seconds / DT_S)):
            self.t_s += DT_S
            found = self.stage.update(self.t_s, DT_S, energy, air, mode)
        return found


def test_it_is_the_boxcar_mean_of_relative_netto() -> None:
    """A step is followed as a ramp over the window (closed form of a boxcar)."""
    flight = Flight("4 s")
    assert flight.fly(3.8, 0.0).climb_mps is None
    assert flight.fly(2.0, 0.0).climb_mps == pytest.approx(0.0, abs=1e-9)
    for seconds in (1.0, 2.0, 3.0, 4.0):
        assert flight.fly(1.0, 2.0).climb_mps == pytest.approx(2.0 * seconds / 4.0, abs=0.11)
    assert flight.fly(1.0, 2.0).climb_mps == pytest.approx(2.0, abs=1e-6)


def test_by_default_the_window_is_the_way_across_the_circle() -> None:
    """The circle's diameter 2·V²/(g·tan φ) at the speed of least sink for the bank."""
    speed = CLUB.circling_speed_mps(CIRCLING.bank_rad)
    across_s = BEYOND * 2.0 * speed**2 / (9.80665 * math.tan(CIRCLING.bank_rad)) / TAS_MPS
    flight = Flight(None)
    flight.fly(30.0, 0.0)
    assert flight.fly(across_s / 2, 2.0).climb_mps == pytest.approx(1.0, abs=0.1)
    assert flight.fly(across_s / 2 + 0.4, 2.0).climb_mps == pytest.approx(2.0, abs=1e-6)


def test_worth_turning_is_told_with_its_duration() -> None:
    flight = Flight("2 s", maccready_mps=1.5)
    assert not flight.fly(10.0, 1.4).worth_turning
    found = flight.fly(10.0, 1.6)
    assert found.worth_turning
    assert found.worth_for_s == pytest.approx(9.0, abs=1.2)
    # A little less does not end it, much less does.
    assert flight.fly(5.0, 1.5 - HYSTERESIS_MPS + 0.05).worth_turning
    ended = flight.fly(5.0, 1.5 - HYSTERESIS_MPS - 0.05)
    assert not ended.worth_turning
    assert ended.worth_for_s == 0.0


def test_not_while_circling_nor_where_nothing_is_known() -> None:
    flight = Flight()
    assert flight.fly(10.0, 3.0).worth_turning
    assert not flight.fly(1.0, 3.0, Mode.CIRCLING).worth_turning
    assert flight.fly(10.0, 3.0).worth_turning
    nothing = flight.fly(0.2, None)
    assert nothing.climb_mps is None
    assert not nothing.worth_turning
    assert flight.fly(3.0, 3.0).climb_mps is None  # the window fills anew


def test_every_state_can_be_left_and_reached() -> None:
    assert {row[0] for row in TRANSITIONS} == {row[1] for row in TRANSITIONS} == set(Worth)
