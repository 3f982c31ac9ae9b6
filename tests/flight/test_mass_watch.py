"""What the lift curve shows of the mass. The incidence is computed here as lift over dynamic pressure."""

from __future__ import annotations

import math

import pytest

from vario.flight.estimate.inertial_model import InertialNoise, Wing
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.mass_watch import MassWatch

G0_MPS2, SEA_LEVEL_KGPM3 = 9.80665, 1.225  # ICAO standard atmosphere, Doc 7488
AREA_M2, ASPECT = 10.0, 11.0
STEP_S = 0.04


def _fly(told: float, *, bank_rad: float = 0.0, faster_mps: float = 8.0, lasts_s: float = 120.0) -> MassWatch:
    """Change the speed slowly at a load factor of 1. `told`: mass in the settings over the true mass."""
    mass_kg = 300.0
    state = InertialState(Wing.loaded(told * mass_kg / AREA_M2), InertialNoise())
    state.age_s, state.climb_mps = 60.0, 0.0
    watch = MassWatch()
    slope_per_rad = 2.0 * math.pi * ASPECT / (ASPECT + 2.0)  # L. Prandtl, NACA Report 116
    for i in range(round(lasts_s / STEP_S)):
        tas_mps = 27.0 + faster_mps * math.sin(i * STEP_S / 2.0)
        lift_n = mass_kg * G0_MPS2
        incidence_rad = lift_n / (0.5 * SEA_LEVEL_KGPM3 * tas_mps**2 * AREA_M2 * slope_per_rad)
        pitch_rad = incidence_rad - 0.1  # the angle of mounting is not known
        bank = math.sin(bank_rad), math.cos(bank_rad)
        state.down = (-math.sin(pitch_rad), bank[0] * math.cos(pitch_rad), bank[1] * math.cos(pitch_rad))
        state.air, state.force = (tas_mps, 0.0, 0.0), (0.0, 0.0, -G0_MPS2)
        watch.take(state, 1.0, STEP_S)
    return watch


@pytest.mark.parametrize(("told", "expected"), [(0.5, True), (0.8, False), (1.0, False), (1.2, False)])
def test_half_the_mass_is_reported_and_other_ballast_is_not(told: float, expected: bool) -> None:
    assert _fly(told).too_small is expected


@pytest.mark.parametrize("flight", [{"bank_rad": 0.7}, {"faster_mps": 0.1}, {"lasts_s": 5.0}])
def test_nothing_is_reported_in_circles_at_constant_speed_or_at_once(flight: dict[str, float]) -> None:
    assert not _fly(0.5, **flight).too_small


def test_another_mass_starts_again() -> None:
    watch = _fly(0.5)
    watch.reset()
    assert not watch.too_small
