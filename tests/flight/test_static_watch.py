"""The lag of a static line, and a static pressure that rests, against the first-order lag they come from.

A lag of T: dp/dt = (p_true - p)/T (W. Gracey, Measurement of Aircraft Speed and Altitude, NASA RP-1046,
chapter 10, from memory). A static line that is blocked keeps its pressure (FAA-H-8083-25, chapter 8).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.support.examples import everything
from vario.flight.inputs.static_watch import StaticWatch

DT_S = 0.2


def flown(lag_s: float, *, seed: int, swing_m: float = 8.0) -> StaticWatch:
    """Three minutes of circles of 21 s in lift that differs around the circle, with a receiver's noise.

    The height swings by `swing_m`; of the noise of the altitude, 1.5 m, half is white and half
    lasts some 10 s.
    """
    rng, watch = np.random.default_rng(seed), StaticWatch()
    pressure_m, slow_m = 1000.0, 0.0
    for k in range(900):
        t_s = k * DT_S
        height_m = 1000.0 + 0.8 * t_s + swing_m * math.sin(2.0 * math.pi * t_s / 21.0)
        keep = math.exp(-DT_S / lag_s) if lag_s else 0.0
        pressure_m = height_m + keep * (pressure_m - height_m)
        fade = math.exp(-DT_S / 10.0)
        slow_m = fade * slow_m + math.sqrt(1.0 - fade * fade) * rng.normal()
        noise = math.sqrt(0.5) * 1.5 * (slow_m + rng.normal())
        watch.compare(height_m + 40.0 + noise, pressure_m + 0.1 * rng.normal(), 30.0, DT_S)
    return watch


@pytest.mark.parametrize("lag_s", [0.0, 0.1, 3.0, 5.0])
def test_the_lag_of_a_static_line_is_found(lag_s: float) -> None:
    off = []
    for seed in range(1, 13 if everything() else 5):
        watch = flown(lag_s, seed=seed)
        found_s, sigma_s = watch.lag()
        off.append((found_s - lag_s) / sigma_s)
        assert sigma_s < 1.5
        assert watch.wrong is False if lag_s < 1.0 else watch.may_be_wrong
    assert np.sqrt(np.mean(np.square(off))) < 1.5  # the stated uncertainty is that of the estimate


def test_a_slow_static_line_is_certain_in_large_changes_of_height() -> None:
    assert all(flown(5.0, seed=seed, swing_m=15.0).wrong for seed in range(1, 5))


def test_without_motion_no_lag_is_claimed() -> None:
    watch = flown(5.0, seed=1, swing_m=0.0)
    assert not watch.wrong


def test_a_receiver_that_is_late_is_no_fault_of_the_static_line() -> None:
    """A receiver that filters its altitude with 2 s: the barometer leads."""
    watch, altitude_m = StaticWatch(), 1000.0
    for k in range(900):
        height_m = 1000.0 + 5.0 * math.sin(2.0 * math.pi * k * DT_S / 21.0)
        altitude_m += (height_m - altitude_m) * (1.0 - math.exp(-DT_S / 2.0))
        watch.compare(altitude_m, height_m, 30.0, DT_S)
    assert watch.lag()[0] < 0.0
    assert not watch.may_be_wrong


def rested_s(static_pa: list[float], impact_pa: list[float]) -> float | None:
    """When the pressures, given for each tenth of a second, are found to rest."""
    watch = StaticWatch()
    for k, pair in enumerate(zip(static_pa, impact_pa, strict=True)):
        watch.take(*pair, 0.1)
        if watch.rests:
            return 0.1 * k
    return None


def test_a_static_pressure_that_rests_while_the_airspeed_changes_is_found() -> None:
    """Kinetic and potential energy are exchanged: at 25 m/s, 2.5 m/s are 6 m of height or 70 Pa."""
    rng = np.random.default_rng(1)
    t_s = np.arange(0.0, 30.0, 0.1)
    tas_mps = 25.0 + 2.5 * np.sin(2.0 * math.pi * t_s / 15.0)
    impact_pa = 0.5 * 1.1 * tas_mps**2
    height_m = (25.0**2 - tas_mps**2) / (2.0 * 9.80665)
    static_pa = 90_000.0 - 1.1 * 9.80665 * height_m + 1.2 * rng.standard_normal(len(t_s))
    assert rested_s(static_pa.tolist(), impact_pa.tolist()) is None
    blocked_pa = 90_000.0 + 1.2 * rng.standard_normal(len(t_s))
    found_s = rested_s(blocked_pa.tolist(), impact_pa.tolist())
    assert found_s is not None
    assert found_s < 15.0
    assert rested_s(blocked_pa.tolist(), np.full(len(t_s), 344.0).tolist()) is None


@pytest.mark.parametrize(("share", "wrong"), [(0.0, False), (0.06, False), (1.0, True)])
def test_a_total_energy_probe_is_found_and_an_error_of_static_ports_is_not(share: float, wrong: bool) -> None:
    """Pull-ups between 22 and 32 m/s; 6 % is a bad static port (common practice, no source)."""
    rng, watch = np.random.default_rng(1), StaticWatch()
    for k in range(600):
        tas_mps = 27.0 + 5.0 * math.sin(2.0 * math.pi * k * DT_S / 20.0)
        kinetic_m = tas_mps**2 / (2.0 * 9.80665)
        height_m = 1000.0 - kinetic_m
        noise = 1.5 * rng.normal()
        watch.compare(height_m + noise, height_m + share * kinetic_m, kinetic_m, DT_S)
    assert watch.wrong is wrong
    assert watch.may_be_wrong is wrong
