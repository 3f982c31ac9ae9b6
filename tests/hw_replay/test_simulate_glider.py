"""The simulated glider against textbook flight mechanics and general-purpose mathematics."""

from __future__ import annotations

import itertools
import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from hw_replay.simulate.air import AirModel, Atmosphere
from hw_replay.simulate.airframe import QUENDEL_2, Airframe, AirframePolar
from hw_replay.simulate.demo import long_flight
from hw_replay.simulate.flight import motions
from hw_replay.simulate.glider import GliderModel, GliderState, Motion, PilotInput
from hw_replay.simulate.rotation import from_euler
from tests.support.examples import drawn

G = 9.80665
KT = 1852 / 3600
NO_DRAG = replace(QUENDEL_2, polar=AirframePolar(0.0, 0.0, 0.0))


def level_state(craft: Airframe, tas_mps: float, bank_rad: float = 0.0, height_m: float = 0.0) -> GliderState:
    """Level flight to the north, with the angle of attack that a balanced level turn needs."""
    load = 1.0 / math.cos(bank_rad)
    density = Atmosphere().density_kgpm3(height_m)
    alpha = craft.zero_lift_rad + craft.alpha_scale * load / (density * tas_mps**2)
    attitude = Rotation.from_euler("X", bank_rad) * Rotation.from_euler("Y", alpha)
    x, y, z, w = attitude.as_quat()
    return GliderState(0.0, 0.0, 0.0, height_m, (tas_mps, 0.0, 0.0), (w, x, y, z))


def still_air() -> AirModel:
    return AirModel(Atmosphere(), field_m=-5000.0)


def fly(
    glider: GliderModel, state: GliderState, controls: PilotInput, seconds: float, dt_s: float = 0.01
) -> list[Motion]:
    flown = []
    for _ in range(round(seconds / dt_s)):
        flown.append(glider.motion(state, controls))
        state = glider.step(flown[-1], controls, dt_s)
    return [*flown, glider.motion(state, controls)]


def test_polar_goes_through_its_points() -> None:
    points = ((85 / 3.6, 0.72), (110 / 3.6, 0.82), (170 / 3.6, 1.95))
    polar = AirframePolar.through(*points)
    a, b, c = np.polyfit(*np.transpose(points), 2)
    assert (polar.a, polar.b, polar.c) == pytest.approx((a, b, c))


def test_demo_glider_is_the_one_in_the_settings() -> None:
    path = Path(__file__).parents[2] / "config" / "gliders" / "quendel_2.toml"
    glider = tomllib.loads(path.read_text(encoding="utf-8"))
    points = [(float(v.split()[0]) / 3.6, float(s.split()[0])) for v, s in glider["polar"]["points"]]
    assert QUENDEL_2.polar == AirframePolar.through(*points)
    assert glider["reference_mass"] == f"{QUENDEL_2.mass_kg:g} kg"
    assert glider["wing_area"] == f"{QUENDEL_2.wing_area_m2:g} m2"


# Bank, radius ft, time for a circle s, sink m/s. A. and L. Welch and F. Irving, The Complete Soaring
# Pilot's Handbook: glider with a glide ratio of 26 at 46 mph, flown at 46 mph times the root of the load.
TURNS = [
    (15, 547, 50, 0.8),
    (30, 283, 25, 1.0),
    (45, 200, 16, 1.3),
    (60, 163, 11, 2.2),
]


@pytest.mark.parametrize(("bank_deg", "radius_ft", "circle_s", "sink_mps"), TURNS)
def test_circles_of_the_published_turn_table(
    bank_deg: float, radius_ft: float, circle_s: float, sink_mps: float
) -> None:
    straight_mps = 46 * 0.44704
    polar = AirframePolar.through((18.0, 0.78), (straight_mps, straight_mps / 26), (35.0, 2.0))
    craft = replace(QUENDEL_2, polar=polar, zero_lift_rad=math.radians(-3), stall_rad=math.radians(30))
    load = 1 / math.cos(math.radians(bank_deg))
    tas = straight_mps * math.sqrt(load)
    now = GliderModel(craft, still_air()).motion(
        level_state(craft, tas, math.radians(bank_deg)), PilotInput(load)
    )
    assert now.drag_sink_mps == pytest.approx(sink_mps, abs=0.05)
    # Radius and time from the force across the path and nothing else.
    _, force_e, _ = Rotation.from_quat(np.roll(now.state.nav_from_body, -1)).apply(now.force_mps2)
    assert tas**2 / force_e / 0.3048 == pytest.approx(radius_ft, abs=1.0)
    assert math.tau * tas / force_e == pytest.approx(circle_s, abs=0.5)


# Textbook coordinated level turn, heading rate g tan(bank)/V and its body components:
# speed kt, bank deg, heading rate, pitch rate, yaw rate deg/s, specific force m/s².
LEVEL_TURNS = [
    (45, 30, (14.0130, 7.0065, 12.1356), 11.3237),
    (50, 45, (21.8441, 15.4461, 15.4461), 13.8687),
    (55, 40, (16.6631, 10.7108, 12.7647), 12.8017),
]


@pytest.mark.parametrize(("kt", "bank_deg", "rates", "force"), LEVEL_TURNS)
def test_gyro_and_accelerometer_in_a_coordinated_turn(
    kt: float, bank_deg: float, rates: tuple[float, float, float], force: float
) -> None:
    turn, pitch, yaw = rates
    bank, tas = math.radians(bank_deg), kt * KT
    # A wing set so that the fuselage is level in the turn, as the textbook has it.
    level = -NO_DRAG.alpha_scale / (math.cos(bank) * 1.225 * tas**2)
    craft = replace(NO_DRAG, zero_lift_rad=level, stall_rad=1.0)
    controls = PilotInput(load=1 / math.cos(bank))
    glider = GliderModel(craft, still_air())
    now = glider.motion(level_state(craft, tas, bank), controls)
    assert np.degrees(now.rate_radps) == pytest.approx([0.0, pitch, yaw], abs=1e-3)
    assert now.force_mps2 == pytest.approx((0.0, 0.0, -force), abs=1e-3)
    later = fly(glider, now.state, controls, 2.0)[-1]
    assert math.degrees(later.euler_rad()[0]) / 2.0 == pytest.approx(turn, rel=2e-3)
    assert later.euler_rad()[2] == pytest.approx(bank, abs=math.radians(0.3))


def test_zoom_without_drag_gains_the_height_of_the_speed() -> None:
    # (150² - 90²) (km/h)² / 2g = 56.651 m.
    glider = GliderModel(NO_DRAG, still_air())
    flown = fly(glider, level_state(NO_DRAG, 150 / 3.6), PilotInput(load=1.35), 12.0)
    speeds = np.array([now.tas_mps for now in flown])
    slow = int(np.argmax(speeds < 25.0))
    assert slow > 0
    before, after = flown[slow - 1], flown[slow]
    share = (before.tas_mps - 25.0) / (before.tas_mps - after.tas_mps)
    gained = before.state.height_m + share * (after.state.height_m - before.state.height_m)
    assert gained == pytest.approx(56.651, abs=0.02)


@settings(max_examples=drawn(15))
@given(
    st.lists(st.tuples(st.floats(0.5, 1.8), st.floats(-0.3, 0.3)), min_size=4, max_size=8), st.floats(-8, 8)
)
def test_in_still_air_only_drag_takes_energy(hands: list[tuple[float, float]], aside_mps: float) -> None:
    glider = GliderModel(QUENDEL_2, still_air())
    state = level_state(QUENDEL_2, 38.0, height_m=1000.0)
    state = replace(state, velocity_ned_mps=(38.0, aside_mps, 0.0))  # it begins in a sideslip
    energies, sinks = [], []
    for load, roll in hands:
        flown = fly(glider, state, PilotInput(load=load, roll_radps=roll), 1.0)
        energies += [now.energy_height_m for now in flown[:-1]]
        sinks += [now.drag_sink_mps for now in flown[:-1]]
        state = flown[-1].state
    lost = np.trapezoid(sinks, dx=0.01)
    assert energies[0] - energies[-1] == pytest.approx(lost, abs=5e-3)


class _Moving(AirModel):
    """Air whose motion to the north is a given function of time."""

    def __init__(self, north_mps: Callable[[float], float]) -> None:
        super().__init__(Atmosphere(), field_m=-5000.0)
        self._north_mps = north_mps

    def velocity_mps(self, t_s: float, *_place: float) -> tuple[float, float, float]:
        return self._north_mps(t_s), 0.0, 0.0


def test_flight_in_a_steady_wind_is_flight_in_still_air_carried_along() -> None:
    # Galilean invariance: a uniform wind has no effect in the glider.
    controls = PilotInput(load=1.2, roll_radps=0.05)
    state = level_state(QUENDEL_2, 30.0, height_m=800.0)
    still = fly(GliderModel(QUENDEL_2, still_air()), state, controls, 10.0)[-1]
    blown_state = replace(state, velocity_ned_mps=(37.0, 0.0, 0.0))
    blown = fly(GliderModel(QUENDEL_2, _Moving(lambda _: 7.0)), blown_state, controls, 10.0)[-1]
    assert blown.state.north_m == pytest.approx(still.state.north_m + 70.0, abs=1e-6)
    assert blown.energy_height_m == pytest.approx(still.energy_height_m, abs=1e-6)
    assert blown.force_mps2 == pytest.approx(still.force_mps2, abs=1e-9)


def test_a_head_wind_gust_is_worth_height() -> None:
    # Energy height h + V²/2g: one metre a second more at 25 m/s is 2.60 m.
    gust = _Moving(lambda t_s: -min(1.0, max(0.0, (t_s - 1.0) / 0.05)))
    state = level_state(NO_DRAG, 25.0)
    flown = fly(GliderModel(NO_DRAG, gust), state, PilotInput(), 1.2)
    assert flown[-1].energy_height_m - flown[0].energy_height_m == pytest.approx(2.60, abs=0.01)
    assert flown[-1].power_mps == pytest.approx(0.0, abs=1e-9)


@pytest.fixture(scope="module")
def gusty() -> list[Motion]:
    """Forty seconds of cruise, rolling in and circling, in turbulent air."""
    return list(itertools.islice(motions(replace(long_flight(200.0, 3), longest_s=180.0)), 13_000, 17_000))


@pytest.mark.long
def test_the_gyro_integrates_back_to_the_attitude(gusty: list[Motion]) -> None:
    attitude = Rotation.from_quat(np.roll(gusty[0].state.nav_from_body, -1))
    for now in gusty[:-1]:
        attitude = attitude * Rotation.from_rotvec(np.multiply(now.rate_radps, 0.01))
    yaw, pitch, roll = attitude.as_euler("ZYX")
    heading_rad, pitch_rad, bank_rad = gusty[-1].euler_rad()
    assert max(abs(now.euler_rad()[2]) for now in gusty) > math.radians(30)
    assert (yaw % math.tau, pitch, roll) == pytest.approx((heading_rad, pitch_rad, bank_rad), abs=1e-6)


def test_the_accelerometer_integrates_back_to_the_velocity(gusty: list[Motion]) -> None:
    attitudes = Rotation.from_quat([np.roll(now.state.nav_from_body, -1) for now in gusty])
    accelerations = attitudes.apply([now.force_mps2 for now in gusty]) + np.array((0.0, 0.0, G))
    change = np.trapezoid(accelerations, dx=0.01, axis=0)
    velocities = [now.state.velocity_ned_mps for now in gusty]
    assert np.subtract(velocities[-1], velocities[0]) == pytest.approx(change, abs=0.02)


@given(st.floats(-3, 3), st.floats(-1.4, 1.4), st.floats(-3, 3))
def test_attitude_from_heading_pitch_and_bank(heading: float, pitch: float, bank: float) -> None:
    ours = Rotation.from_quat(np.roll(from_euler(heading, pitch, bank), -1))
    theirs = Rotation.from_euler("ZYX", [heading, pitch, bank])
    assert (ours.inv() * theirs).magnitude() < 1e-7


def test_at_rest_on_the_wheel_the_accelerometer_feels_gravity() -> None:
    glider = GliderModel(QUENDEL_2, AirModel(Atmosphere(), field_m=400.0))
    state = GliderState(0.0, 0.0, 0.0, 399.96, (0.0, 0.0, 0.0), from_euler(1.0, 0.0, 0.0))
    now = fly(glider, state, PilotInput(heading_rad=1.0, wheel_brake=1.0), 5.0)[-1]
    assert now.rolling
    assert now.force_mps2 == pytest.approx((0.0, 0.0, -G), abs=1e-6)
    assert now.rate_radps == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
