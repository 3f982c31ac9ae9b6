"""Prediction of the covariance of the inertial filter between corrections: P = F P F' + Q.

A change of wind changes the velocity through the air and not that over ground. Therefore the same noise
enters v and the wind W, with opposite signs. The vertical motion of the air is no state: it follows from
climb and v.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drivers.isa import G0_MPS2
from vario.flight.core.vectors import rotation
from vario.flight.estimate.inertial_model import F_ENTRIES, Q_ENTRIES, SIZE, STALLED_UPDRAFT, Regime
from vario.flight.estimate.sparse_entries import SparseEntries

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState


class Prediction:
    """Transition F and process noise Q of one batch of inertial steps, shapes (SIZE, SIZE)."""

    def __init__(self) -> None:
        self.transition = np.eye(SIZE)
        self.process_noise = np.zeros((SIZE, SIZE))
        self._fill_f, self._fill_q = SparseEntries(F_ENTRIES), SparseEntries(Q_ENTRIES)

    def predict(self, state: InertialState, regime: Regime) -> None:
        """Predict the covariance of the state over the batch since the last correction."""
        t = state.due_s
        n = state.noise
        dx, dy, dz = state.down
        vx, vy, vz = state.air
        fx, fy, fz = state.delta_velocity
        p, q, r = state.delta_angle
        g = G0_MPS2 * t
        rot = rotation(p, q, r)
        keep = math.exp(-t / n.gust_time_s)
        self._fill_f.put(
            self.transition,
            [
                *rot,
                *rot,
                *(-t, -t, -t, -t, -t, -t),
                *(-g * dz, g * dy, g * dz, -g * dx, -g * dy, g * dx),
                *(t * vz, -t * vy, -t * vz, t * vx, t * vy, -t * vx),
                *(dy * fz - dz * fy, dz * fx - dx * fz, dx * fy - dy * fx),
                *(dx * t, dy * t, dz * t, t, keep),
            ],
        )
        nx, ny, nz = state.north
        ex, ey, ez = state.east
        tilt = n.gyro_rad_per_sqrt_s**2 * t
        # On the ground the instrument moves with the wheels, not with the air.
        on_wheels = regime is Regime.REST or regime is Regime.ROLLING
        rough = 0.0 if on_wheels else n.drift_share * state.gust_sigma_mps**2
        drift = (n.drift_least + rough) * t
        push = n.accel_mps_per_sqrt_s**2 * t
        speed2 = vx * vx + vy * vy + vz * vz
        shake = push + drift + tilt * speed2
        # Without the lift curve only inertia is left, and |v| does not determine the sign of v_z. A stall
        # lasts seconds, so the motion of the air is assumed to stay the same.
        updraft = n.updraft_mps_per_sqrt_s if regime is not Regime.STALLED else STALLED_UPDRAFT
        lift = updraft * updraft * t - drift
        lx, ly, lz = lift * dx, lift * dy, lift * dz
        gyro = n.gyro_drift_radps_per_sqrt_s**2 * t
        acc = n.accel_drift_mps2_per_sqrt_s**2 * t
        angle = n.incidence_creep_rad_per_sqrt_s**2 * t  # flaps, bugs, ballast
        lift_share = 0.0 if state.wing.polar else n.lift_creep_per_sqrt_s**2 * t
        gust = state.gust_sigma_mps**2 * (1.0 - keep * keep)
        side = n.side_m_per_sqrt_s**2 * t
        cross_axis = n.cross_axis_m_per_sqrt_s**2 * t
        latency = n.gnss_latency_s_per_sqrt_s**2 * t
        lag = n.baro_lag_s_per_sqrt_s**2 * t
        self._fill_q.put(
            self.process_noise,
            [
                *(tilt, tilt, tilt),
                *(shake + lx * dx, lx * dy, lx * dz),
                *(lx * dy, shake + ly * dy, ly * dz),
                *(lx * dz, ly * dz, shake + lz * dz),
                *(gyro, gyro, gyro, acc, acc, acc),
                *(push, 0.0, angle, angle, gust, side, cross_axis),
                *(drift, drift, latency, lag, lift_share),
                *(-drift * nx, -drift * ex, -drift * ny, -drift * ey, -drift * nz, -drift * ez),
                *(-drift * nx, -drift * ny, -drift * nz, -drift * ex, -drift * ey, -drift * ez),
            ],
        )
        a = self.transition
        cov = a.dot(state.cov).dot(a.T)
        cov += self.process_noise
        state.cov = cov + cov.T
        state.cov *= 0.5  # otherwise asymmetry caused by rounding would grow
