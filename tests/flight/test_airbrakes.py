"""Airbrakes and sinking air are told apart by the second value for the rise of the air."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest

from tests.support.airbrake_flights import fly
from tests.support.example_polars import CLUB, LIMITS, energy_at
from tests.support.setups import setup
from vario.flight.cruise.airbrakes import AirbrakeWatch
from vario.flight.cruise.airmass import BRAKING, Airmass
from vario.flight.cruise.speed_to_fly import SpeedToFlyStage
from vario.flight.motion.mode import Mode
from vario.settings.schema import SpeedToFly

DT_S = 0.02


def after(watch: AirbrakeWatch, seconds: float, netto_mps: float | None, air_up_mps: float | None) -> bool:
    """Whether the airbrakes are open after this time."""
    for _ in range(round(seconds / DT_S)):
        watch.update(netto_mps, air_up_mps, DT_S)
    return watch.are_open


@pytest.mark.parametrize(
    ("netto_mps", "air_up_mps", "are_open"),
    [
        (-3.5, 0.0, True),  # CS 22.75: airbrakes add about this in still air
        (-3.5, -3.4, False),  # sinking air
        (-5.5, -2.0, True),  # airbrakes in sinking air
        (-1.4, 0.0, False),  # a wrong polar
        (1.0, 3.0, False),  # in lift: the incidence is wrong after a flap was moved
        (-3.5, None, False),  # no inertial unit
        (None, -3.5, False),
    ],
)
def test_what_open_airbrakes_are(netto_mps: float | None, air_up_mps: float | None, are_open: bool) -> None:
    assert after(AirbrakeWatch(), 5.0, netto_mps, air_up_mps) is are_open


def test_open_airbrakes_are_reported_within_two_seconds_and_forgotten_within_three() -> None:
    watch = AirbrakeWatch()
    assert not after(watch, 60.0, -0.2, 0.0)
    assert after(watch, 2.0, -3.5, 0.0)
    assert after(watch, 60.0, -0.8, 0.0)  # nearly closed
    assert not after(watch, 3.0, -0.1, 0.0)


def test_without_the_inertial_unit_they_are_forgotten() -> None:
    watch = AirbrakeWatch()
    assert after(watch, 5.0, -3.5, 0.0)
    assert not after(watch, DT_S, -3.5, None)


@pytest.mark.parametrize("mode", ["dolphin", "block"])
def test_with_open_airbrakes_there_is_no_speed_to_fly(mode: Literal["dolphin", "block"]) -> None:
    stage = SpeedToFlyStage(setup(polar=CLUB, limits=LIMITS, speed_to_fly=SpeedToFly(mode=mode)))
    assert stage.update(DT_S, energy_at(1000.0), Airmass(-3.0, -3.8), Mode.CRUISE).command_mps is not None
    command = stage.update(DT_S, energy_at(1000.0), BRAKING, Mode.CRUISE)
    assert command.command_mps is command.block_mps is command.speed_error_mps is None


@pytest.mark.long  # `python -m tests.bench.airbrakes` has the table
def test_a_glider_of_the_library_opens_them_between_streets_of_sink(tmp_path: Path) -> None:
    found = fly(8806, tmp_path, ("sink", "brakes", "sink", "brakes"))
    assert found.missed == 0
    assert max(found.found_s) < 6.0
    assert found.silent_s == found.other_silent_s == 0.0
