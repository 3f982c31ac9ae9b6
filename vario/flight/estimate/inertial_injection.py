"""Add the error state to the nominal state, and change the state where the wind or the barometer has stepped.

The injection is that of J. Solà, section 6.2.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from vario.flight.core.vectors import dot, level
from vario.flight.estimate.inertial_model import (
    ALPHA,
    CLIMB,
    GUST,
    GYRO,
    HEIGHT,
    LAG,
    LATE,
    LIFT,
    PSI,
    SIZE,
    WIND,
    V,
)

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState

LIFT_RANGE = 0.75
"""Bounds of the natural logarithm κ: wing loadings of 13 to 59 kg/m² without a glider file."""

MOST_LATENCY_S, MOST_LAG_S = 0.6, 0.4
"""Upper bounds of the latency of velocities over ground and of the lag of the barometer; the lower is 0."""

STEPPED_M, STEPPED_MPS = 1.0, 0.5
"""Standard deviations of height and climb after a step of the barometer."""


def inject(state: InertialState) -> None:
    """Add the latest correction to the estimate."""
    step = state.step
    s = step.tolist()
    dx, dy, dz = state.down
    a, b, c = s[PSI:V]
    dx, dy, dz = dx + dy * c - dz * b, dy + dz * a - dx * c, dz + dx * b - dy * a
    size = math.sqrt(dx * dx + dy * dy + dz * dz)
    state.down = (dx / size, dy / size, dz / size)
    vx, vy, vz = state.air
    state.air = (vx + s[V], vy + s[V + 1], vz + s[V + 2])
    state.x[GYRO:CLIMB] += step[GYRO:CLIMB]
    nx, ny, nz = state.north
    nx, ny, nz = nx + ny * c - nz * b, ny + nz * a - nx * c, nz + nx * b - ny * a
    state.north = level(state.down, (nx, ny, nz))
    state.x[ALPHA:WIND] += step[ALPHA:WIND]
    state.x[LIFT] = min(max(state.x[LIFT] + s[LIFT], -LIFT_RANGE), LIFT_RANGE)
    state.wind_mps = (state.wind_mps[0] + s[WIND], state.wind_mps[1] + s[WIND + 1])
    state.gnss_latency_s = min(max(state.gnss_latency_s + s[LATE], 0.0), MOST_LATENCY_S)
    state.baro_lag_s = min(max(state.baro_lag_s + s[LAG], 0.0), MOST_LAG_S)
    bias = state.x[GYRO:CLIMB].tolist()
    state.gyro_bias = (bias[0], bias[1], bias[2])
    state.accel_bias = (bias[3], bias[4], bias[5])
    state.climb_mps += s[CLIMB]
    state.height_m += s[HEIGHT]
    state.gust_mps += s[GUST]
    state.x[GUST] = 0.0
    if abs(state.gust_mps) > max(1.0, 3.0 * state.gust_sigma_mps):
        # This is too large for a passing gust: the wind has changed permanently, so the gust state is
        # moved into v.
        track = level(state.down, state.air)
        vx, vy, vz = state.air
        u = state.gust_mps
        state.air = (vx + u * track[0], vy + u * track[1], vz + u * track[2])
        wind_north, wind_east = state.wind_mps
        state.wind_mps = (
            wind_north - u * dot(track, state.north),
            wind_east - u * dot(track, state.east),
        )
        state.gust_mps = 0.0
        state.cov[GUST, :] = 0.0
        state.cov[:, GUST] = 0.0
        state.cov[GUST, GUST] = state.gust_sigma_mps**2
        free_along_track(state, u * u)


def free_along_track(state: InertialState, variance: float) -> None:
    """Add this variance of the wind along the track; the velocity over ground stays as certain as it is."""
    track = level(state.down, state.air)
    there = np.zeros(SIZE)
    there[V : V + 3] = track
    there[WIND] = -dot(track, state.north)
    there[WIND + 1] = -dot(track, state.east)
    state.cov += variance * np.outer(there, there)


def accept_height(state: InertialState) -> None:
    """The barometer has stepped: move the height to its last reading, and leave the rest as it is."""
    state.height_m += state.innovations["height"].residual
    state.cov[HEIGHT, :] = 0.0
    state.cov[:, HEIGHT] = 0.0
    state.cov[HEIGHT, HEIGHT] = STEPPED_M**2
    state.cov[CLIMB, CLIMB] += STEPPED_MPS**2
    state.nis["height"] = 1.0
