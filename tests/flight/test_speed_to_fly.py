"""The speed to fly: its optimum, under load too, and its gain in flights by ear.

Closed forms of a quadratic polar under load. Polar points 80 km/h 0.60, 100 km/h 0.70, 150 km/h 1.50 m/s: an
example for arithmetic, no glider.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from drivers import isa
from tests.support.example_polars import KMH, POLARS, energy_at
from tests.support.speed_commands import settled, stage
from tests.support.street_pilot import drawn, fly, gain, reversals_a_minute
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.speed_to_fly import FLYABLE_MPS2
from vario.flight.motion.mode import Mode

A, B, C = 0.002036571, -0.08382857, 1.45714286
"""The parabola through the three points of the example, V and sink in m/s, worked out by hand."""


def best_mps(climb_mps: float, load: float = 1.0) -> float:
    """Oracle: a general minimiser on the time lost per metre; s(V/√n)·n^1.5 of the published turn table."""
    root = math.sqrt(load)

    def lost(v: float) -> float:
        sink_mps = (A * (v / root) ** 2 + B * v / root + C) * load**1.5
        return (climb_mps + sink_mps) / v

    found = minimize_scalar(lost, bounds=(15.0, 150.0), method="bounded", options={"xatol": 1e-7})
    return float(found.x)


@given(POLARS, st.floats(1.0, 1.9), st.floats(0.0, 3.0), st.floats(0.0, 5000.0))
def test_under_load_the_speed_is_the_best_on_the_loaded_polar(
    polar: QuadraticPolar, load: float, mc_mps: float, height_m: float
) -> None:
    """Oracle: a general minimiser on (mc + s)/V with s(V/√n)·n^1.5, the rule of the published turn table."""
    density = isa.density_kgpm3(isa.pressure_pa(height_m), isa.temperature_k(height_m))
    scale = math.sqrt(1.225 / density)
    lowest = polar.min_sink_speed_mps * math.sqrt(load)
    best = minimize_scalar(
        lambda v: (mc_mps + scale * polar.sink_mps(v / math.sqrt(load)) * load**1.5) / (scale * v),
        bounds=(lowest, 200.0),
        method="bounded",
        options={"xatol": 1e-7},
    )
    loaded = polar.at_load(load)
    assert loaded.speed_for_mps(mc_mps, scale) == pytest.approx(best.x, abs=1e-3)
    assert loaded.sink_mps(40.0) == pytest.approx(polar.sink_mps(40.0 / math.sqrt(load)) * load**1.5)


def test_a_turn_in_cruise_raises_the_command() -> None:
    level, banked = settled(stage("block", 1.0), load=1.0), settled(stage("block", 1.0), load=1.4)
    assert level.command_mps == pytest.approx(125.045 * KMH, abs=0.02)  # closed form
    assert banked.command_mps == pytest.approx(best_mps(1.0, load=1.4), abs=0.02)
    assert banked.command_mps > level.command_mps + 2.5


def test_block_and_dolphin_agree_in_still_air_and_differ_in_moving_air() -> None:
    still = settled(stage("dolphin", 1.0))
    assert still.block_mps == pytest.approx(still.dolphin_mps, abs=1e-6)
    sinking = settled(stage("dolphin", 1.0), Airmass(-2.0, -2.8), seconds=400.0)
    assert sinking.block_mps == pytest.approx(still.block_mps, abs=1e-6)
    assert sinking.dolphin_mps == pytest.approx(168.415 * KMH, abs=0.06)  # as MacCready 3 in still air
    block = settled(stage("block", 1.0), Airmass(-2.0, -2.8))
    assert block.command_mps == pytest.approx(still.block_mps, abs=1e-6)


def test_the_difference_is_command_less_flown() -> None:
    command = settled(stage("block", 1.0))
    assert command.command_mps is not None
    assert command.speed_error_mps == pytest.approx(command.command_mps - 30.0)


def test_dolphin_commands_are_flyable() -> None:
    """Lift and sink of ±4 m/s every three seconds: the command never changes by more than a fifth of g."""
    made = stage("dolphin", 1.0)
    before = settled(made).command_mps
    for k in range(600):
        up = 4.0 if k // 30 % 2 else -4.0
        command = made.update(0.1, energy_at(0.0), Airmass(up, up - 0.8), Mode.CRUISE).command_mps
        assert command is not None
        assert before is not None
        assert abs(command - before) <= FLYABLE_MPS2 * 0.1 + 1e-9
        before = command


@pytest.mark.parametrize(("kind", "least"), [("long", 0.02), ("medium", 0.0), ("short", 0.0)])
def test_flown_by_ear_dolphin_beats_block_in_a_long_street_and_loses_in_none(kind: str, least: float) -> None:
    """A glider and a pilot with a reaction time (`street_pilot`): at least 2 % in a long street."""
    assert gain(kind, 601) >= least


@pytest.mark.long
def test_flown_by_ear_dolphin_pays_in_drawn_streets() -> None:
    """In each of twelve long streets at least 2 %; no street of any length costs anything."""
    for kind, least in (("long", 0.02), ("medium", 0.0), ("short", 0.0)):
        assert min(gain(kind, seed) for seed in range(600, 612)) >= least


@pytest.mark.parametrize("seed", [600, *(pytest.param(s, marks=pytest.mark.long) for s in range(601, 612))])
def test_in_turbulence_the_command_seldom_turns_back(seed: int) -> None:
    """Turbulence of 1 m/s without lift: at most twice a minute by 2 m/s or more."""
    _, commands = fly(drawn("turbulence", seed), "dolphin")
    assert reversals_a_minute(commands) <= 2.0
