"""Initial state and variances of the inertial filter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.core.vectors import Vector, cross, level
from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    CLIMB,
    GUST,
    GYRO,
    LATE,
    LIFT,
    PSI,
    SIDE,
    SIZE,
    SLOWEST_MPS,
    TYPICAL_SIDE_M,
    WIND,
    InertialNoise,
    V,
)

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState

LEVEL_FUSELAGE_MPS = 28.0
"""Airspeed at which the instrument is assumed to be level."""

KEPT = [*range(GYRO, GYRO + 6), ALPHA, ALPHA + 1, SIDE, SIDE + 1, LIFT]
"""States that a new start keeps, if they were learned."""

UPDRAFT_MPS = 2.0
"""Standard deviation of the vertical motion of the air at the start."""


def start(
    state: InertialState,
    lift: Vector,
    tas_mps: float,
    height_m: float,
    climb_mps: float = 0.0,
    *,
    learned: bool = False,
) -> None:
    """Start from the readings; `lift` points up (specific force minus the centripetal part).

    `learned`: errors of sensors and mounting that were found earlier.
    """
    kept = (state.gyro_bias, state.accel_bias, state.gnss_latency_s, state.baro_lag_s)
    kept_x, kept_variance = state.x.copy(), state.cov.diagonal().copy()
    n = state.noise
    size = math.hypot(*lift) or 1.0
    state.down = (-lift[0] / size, -lift[1] / size, -lift[2] / size)
    state.north = level(state.down, (1.0, 0.0, 0.0))
    state.wind_mps = (0.0, 0.0)
    state.ground.reset()
    state.gnss_latency_s, state.baro_lag_s = n.gnss_latency_s, n.baro_lag_s
    state.air = (tas_mps, 0.0, 0.05 * tas_mps)
    state.x[:] = 0.0
    state.x[SIDE] = TYPICAL_SIDE_M
    state.climb_mps, state.height_m, state.gust_mps = climb_mps, height_m, 0.0
    state.x[ALPHA] = -state.wing.lift_m * G0_MPS2 / LEVEL_FUSELAGE_MPS**2
    state.gust_sigma_mps = n.gust_start_mps
    state.gyro_bias = state.accel_bias = (0.0, 0.0, 0.0)
    state.nis = dict.fromkeys(state.nis, 1.0)
    sigma = _first_sigmas(n, state.gust_sigma_mps, wing_known=state.wing.polar is not None)
    if learned:
        state.gyro_bias, state.accel_bias, state.gnss_latency_s, state.baro_lag_s = kept
        state.x[KEPT] = kept_x[KEPT]
        sigma[KEPT] = np.minimum(sigma[KEPT], 2.0 * np.sqrt(kept_variance[KEPT]))
        sigma[LATE:] = np.minimum(sigma[LATE:], 2.0 * np.sqrt(kept_variance[LATE:]))
    state.cov = np.diag(sigma * sigma)
    if tas_mps > SLOWEST_MPS and not learned:
        _start_on_path(state, tas_mps, climb_mps)
    state.age_s = 0.0
    state.clear_batch()


def _first_sigmas(noise: InertialNoise, gust_sigma_mps: float, *, wing_known: bool) -> NDArray[np.float64]:
    """One standard deviation of each state at the start, shape (SIZE,)."""
    n = noise
    sigma = np.empty(SIZE)
    sigma[PSI : PSI + 3] = n.tilt_rad
    sigma[V : V + 3] = n.ahead_mps, n.across_mps, n.below_mps
    sigma[GYRO : GYRO + 3] = n.gyro_bias_radps
    sigma[ACC : ACC + 3] = n.accel_bias_mps2
    sigma[CLIMB:GUST] = n.climb_mps, n.height_m, n.incidence_rad, n.mounting_yaw_rad
    sigma[GUST:WIND] = gust_sigma_mps, n.side_m, n.cross_axis_m
    sigma[WIND:LIFT] = n.wind_mps, n.wind_mps, n.gnss_latency_sigma_s, n.baro_lag_sigma_s
    sigma[LIFT] = 0.0 if wing_known else n.lift_share
    return sigma


def _start_on_path(state: InertialState, tas_mps: float, climb_mps: float) -> None:
    """Set the pitch in flight: that of the path through the air plus the incidence.

    The force is not used, because on tow the rope changes it.
    """
    alpha = float(state.x[ALPHA]) + state.lift_m * G0_MPS2 / tas_mps**2
    pitch = alpha + math.asin(max(-0.5, min(0.5, climb_mps / tas_mps)))
    bank = math.atan2(state.down[1], state.down[2])
    state.down = (-math.sin(pitch), math.sin(bank) * math.cos(pitch), math.cos(bank) * math.cos(pitch))
    state.air = (tas_mps, 0.0, alpha * tas_mps)
    state.north = level(state.down, (1.0, 0.0, 0.0))
    row = np.zeros(SIZE)
    row[PSI : PSI + 3] = cross(state.air, state.down)
    row[V : V + 3] = state.down
    row[CLIMB] = 1.0
    pht = state.cov @ row
    state.cov -= np.outer(pht, pht) / (float(row @ pht) + UPDRAFT_MPS**2)
