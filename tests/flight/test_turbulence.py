"""Bumps are measured as RMS; air counts as rough until it is shown smooth."""

from __future__ import annotations

import math

import pytest

from drivers import isa
from tests.support.speed_commands import under
from vario.flight.cruise.turbulence import MEAN_S, SMOOTH_FOR_S, TRANSITIONS, AirState, Turbulence


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
