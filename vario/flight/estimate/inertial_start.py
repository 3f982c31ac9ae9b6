"""Initial state and variances of the inertial filter."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    CLIMB,
    GUST,
    GYRO,
    LIFT,
    PSI,
    SIZE,
    WIND,
    InertialNoise,
    V,
)
from vario.flight.estimate.vectors import cross, level

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState

UPDRAFT_MPS = 2.0
"""Standard deviation of the vertical motion of the air at the start."""


def first_sigmas(noise: InertialNoise, gust_sigma_mps: float, *, wing_known: bool) -> NDArray[np.float64]:
    """One standard deviation of each state at the start, shape (SIZE,)."""
    n = noise
    sigma = np.empty(SIZE)
    sigma[PSI : PSI + 3] = 0.15
    sigma[V : V + 3] = 1.0, 2.5, 1.7
    sigma[GYRO : GYRO + 3] = n.gyro_bias_radps
    sigma[ACC : ACC + 3] = n.accel_bias_mps2
    sigma[CLIMB:GUST] = 3.0, 1.0, n.incidence_rad, n.mounting_yaw_rad
    sigma[GUST:WIND] = gust_sigma_mps, n.side_m, n.cross_axis_m
    sigma[WIND:LIFT] = n.wind_mps, n.wind_mps, n.gnss_latency_sigma_s, n.baro_lag_sigma_s
    sigma[LIFT] = 0.0 if wing_known else n.lift_share
    return sigma


def start_on_path(state: InertialState, tas_mps: float, climb_mps: float) -> None:
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
