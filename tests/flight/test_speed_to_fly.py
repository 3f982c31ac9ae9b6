"""The speed to fly: its optimum, its damping and its limits.

Closed forms of a quadratic polar under load, and limits as the glider file gives them. Polar points 80 km/h
0.60, 100 km/h 0.70, 150 km/h 1.50 m/s: an example for arithmetic, no glider.
"""

from __future__ import annotations

import math
from dataclasses import fields

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from drivers import isa
from tests.flight.test_polar import CLUB, KMH, LIMITS, POLARS, energy_at
from tests.support.setups import setup
from tests.support.street_pilot import drawn, fly, gain, reversals_a_minute
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass, AirmassStage
from vario.flight.cruise.lasting import EXPLAINED, LastingNetto
from vario.flight.cruise.speed_to_fly import (
    FLYABLE_MPS2,
    NEVER_EXCEED_MARGIN,
    STALL_MARGIN,
    Limit,
    SpeedCommand,
    SpeedToFlyStage,
)
from vario.flight.cruise.turbulence import MEAN_S, SMOOTH_FOR_S, TRANSITIONS, AirState, Turbulence
from vario.flight.estimate.result import Estimate, Monitor
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.mode import Mode
from vario.settings.glider import Limits
from vario.settings.schema import Circling, SpeedToFly

STILL = Airmass(0.0, -0.8)

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


FAST = Limits.model_validate(
    {"stall": "60 km/h", "manoeuvring": "200 km/h", "rough_air": "160 km/h", "never_exceed": "280 km/h"}
)


def under(load: float) -> Attitude:
    """An attitude in which only the load matters."""
    return Attitude(**{part.name: load if part.name == "load_factor" else 0.0 for part in fields(Attitude)})


def stage(
    mode: str, maccready: float, limits: Limits = LIMITS, polar: QuadraticPolar = CLUB
) -> SpeedToFlyStage:
    return SpeedToFlyStage(
        setup(
            speed_to_fly=SpeedToFly.model_validate({"mode": mode}),
            maccready_mps=maccready,
            polar=polar,
            limits=limits,
        )
    )


def settled(
    made: SpeedToFlyStage,
    air: Airmass = STILL,
    load: float | None = None,
    height_m: float = 0.0,
    seconds: float = 150.0,
) -> SpeedCommand:
    attitude = None if load is None else under(load)
    for _ in range(round(10.0 * seconds)):
        command = made.update(0.1, energy_at(height_m), air, Mode.CRUISE, attitude)
    return command


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


def learned(period_s: float, damping_s: float = 0.1) -> LastingNetto:
    lasting = LastingNetto(damping_s, 6.0)
    for k in range(6000):
        lasting.update(2.0 * math.sin(math.tau * 0.1 * k / period_s), 0.1)
    return lasting


@pytest.mark.parametrize("period_s", [36.0, 60.0])
def test_lift_that_lasts_counts(period_s: float) -> None:
    """A sine in 6 s, from its value and its change in 5 s, by the addition theorem."""
    rad_per_s = math.tau / period_s
    change = math.sin(6.0 * rad_per_s) / math.sin(5.0 * rad_per_s)
    share = math.cos(6.0 * rad_per_s) - change * (1.0 - math.cos(5.0 * rad_per_s))
    lasting = learned(period_s)
    assert lasting.change_share == pytest.approx(change, abs=0.06)
    assert lasting.share == pytest.approx(share, abs=0.06)
    assert lasting.explained == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("damping_s", [0.1, 0.5])
def test_a_long_wave_is_predicted_whatever_the_damping(damping_s: float) -> None:
    """The truth is the sine itself, 6 s later."""
    lasting, rad_per_s = learned(60.0, damping_s), math.tau / 60.0
    for k in range(600):
        t_s = 600.0 + 0.1 * k
        found = lasting.update(2.0 * math.sin(rad_per_s * t_s), 0.1)
        assert found == pytest.approx(2.0 * math.sin(rad_per_s * (t_s + 6.0)), abs=0.2)


def test_lift_that_is_over_by_then_does_not_count() -> None:
    lasting = learned(15.0)
    assert lasting.explained < EXPLAINED[0]
    assert lasting.update(2.0, 0.1) == pytest.approx(0.0, abs=0.1)


def test_before_anything_is_learned_the_netto_is_not_followed() -> None:
    lasting = LastingNetto(1.0, 6.0)
    assert [lasting.update(netto, 0.1) for netto in (1.0, -2.0, 3.0)] == [0.0, 0.0, 0.0]


@pytest.mark.parametrize(
    ("mode", "maccready", "flown", "speed_kmh", "limit"),
    [
        ("block", 10.0, (0.0, None), 160.0, Limit.ROUGH_AIR),  # the air is not known, so it counts as rough
        ("block", 10.0, (0.0, 1.0), 0.95 * 280.0, Limit.NEVER_EXCEED),  # smooth
        ("dolphin", 10.0, (0.0, 1.0), 200.0, Limit.MANOEUVRING),
        ("dolphin", 0.0, (3.0, 1.0), 1.2 * 60.0, Limit.STALL),
        ("dolphin", 0.0, (3.0, 1.44), 1.2 * 60.0 * 1.2, Limit.STALL),
    ],
)
def test_each_limit_holds_and_is_named(
    mode: str, maccready: float, flown: tuple[float, float | None], speed_kmh: float, limit: Limit
) -> None:
    # A polar slow enough that the stall margin, not least sink, is the lowest speed.
    slow = QuadraticPolar(0.0015, -0.0375, 0.9)
    made = stage(mode, maccready, FAST, slow)
    air, load = flown
    command = settled(made, Airmass(air, air - 0.8), load)
    assert command.limit is limit
    assert command.command_mps == pytest.approx(speed_kmh * KMH, abs=0.02)


def test_never_exceed_is_a_true_airspeed() -> None:
    """At 4000 m of the standard atmosphere √(ρ0/ρ) is 1.22290 (US Standard Atmosphere 1976)."""
    command = settled(stage("block", 10.0, FAST), load=1.0, height_m=4000.0)
    assert command.command_mps == pytest.approx(NEVER_EXCEED_MARGIN * 280.0 * KMH / 1.22290, abs=0.01)


@given(
    st.sampled_from(["dolphin", "block"]),
    st.floats(0.0, 10.0),
    st.lists(st.tuples(st.floats(-30.0, 30.0), st.floats(-2.0, 5.0)), min_size=1, max_size=40),
    st.floats(0.0, 8000.0),
)
def test_no_command_leaves_the_limits_whatever_the_air_and_the_load(
    mode: str, maccready: float, flown: list[tuple[float, float]], height_m: float
) -> None:
    made = stage(mode, maccready, FAST)
    for netto, load in flown:
        command = made.update(0.1, energy_at(height_m), Airmass(netto, netto), Mode.CRUISE, under(load))
        if command.command_mps is None:
            continue
        assert command.command_mps >= STALL_MARGIN * FAST.stall_mps - 1e-9
        assert command.command_mps <= FAST.never_exceed_mps
        assert command.command_mps <= FAST.rough_air_mps + 1e-9  # never long enough to be shown smooth


def test_no_room_between_the_limits_is_no_command() -> None:
    narrow = Limits.model_validate(
        {"stall": "100 km/h", "manoeuvring": "110 km/h", "rough_air": "110 km/h", "never_exceed": "250 km/h"}
    )
    assert settled(stage("dolphin", 1.0, narrow)).command_mps is None


def shaken(bumps: Turbulence, seconds: float, rms_mps2: float) -> float | None:
    found = None
    for k in range(round(seconds * 50)):
        # A square wave of 2.5 Hz has its amplitude for an RMS.
        found = bumps.update(0.02, under(1.0 + rms_mps2 / isa.G0_MPS2 * (1 if k // 10 % 2 else -1)), 1.2)
    return found


def test_bumps_are_measured_as_rms() -> None:
    assert shaken(Turbulence(), 80.0, 2.0) == pytest.approx(2.0, rel=0.1)


def test_pulling_and_banking_are_not_bumps() -> None:
    """A load between 0.7 and 1.3, changing as a pilot changes it, over twelve seconds."""
    bumps = Turbulence()
    found = None
    for k in range(4000):
        found = bumps.update(0.02, under(1.0 + 0.3 * math.sin(math.tau * 0.02 * k / 12.0)), 1.2)
    assert found is not None
    assert found < 1.2 * 0.95


def test_air_is_rough_until_shown_smooth_and_rough_again_at_once() -> None:
    bumps = Turbulence()
    assert bumps.is_rough
    shaken(bumps, MEAN_S + SMOOTH_FOR_S - 2.0, 0.2)
    assert bumps.is_rough
    shaken(bumps, 4.0, 0.2)
    assert not bumps.is_rough
    shaken(bumps, 8.0, 3.0)
    assert bumps.is_rough
    shaken(bumps, 120.0, 0.2)
    assert not bumps.is_rough
    bumps.update(0.02, None, 1.2)
    assert bumps.is_rough
    assert {row.start for row in TRANSITIONS} == {row.end for row in TRANSITIONS} == set(AirState)


@pytest.mark.parametrize(("bank_deg", "relative"), [(0.001, 1.405), (30, 1.262), (40, 1.113)])
def test_relative_netto_of_the_example(bank_deg: float, relative: float) -> None:
    """Total energy +1.3 m/s at 100 km/h, sink there 0.7: netto 2.0, less the sink of the circle."""
    circling = Circling().model_copy(update={"bank_rad": math.radians(bank_deg)})
    made = AirmassStage(setup(polar=CLUB, circling=circling))
    frame = Frame(1.0, 0.1)
    inputs = Inputs(frame, has_baro=True, has_pitot=True, has_imu=False, has_gnss=False)
    level = energy_at(0.0)
    energy = type(level)(0.0, 1.3, 100 * KMH, 100 * KMH, 1.225, 1.3, 40.0, compensated=True)
    air = made.update(inputs, Estimate(None, energy, Monitor(), has_airspeed=True), Mode.CRUISE)
    assert air.netto_mps == pytest.approx(2.0, abs=1e-3)
    assert air.relative_netto_mps == pytest.approx(relative, abs=1e-3)


def test_circling_faster_than_needed_costs_its_sink() -> None:
    bank = math.radians(40.0)
    load = 1.0 / math.cos(bank)
    assert CLUB.circling_sink_mps(bank, CLUB.circling_speed_mps(bank)) == CLUB.circling_sink_mps(bank)
    fast = 120.0 * KMH
    expected = CLUB.sink_mps(fast / math.sqrt(load)) * load**1.5
    assert CLUB.circling_sink_mps(bank, fast) == pytest.approx(expected)


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
