"""The measurement update of the inertial filter; `inertial_model` describes the model.

The scalar measurements are used one after the other: no matrix is inverted, and each has its own gate. The
equations are the Kalman filter's (R. Labbe's filterpy implements the same and checks it in the tests).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vario.flight.core.innovation import Innovation
from vario.flight.estimate.by_polar import ByPolar
from vario.flight.estimate.inertial_injection import free_along_track, inject
from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    BETA,
    CLIMB,
    CONSIDERED,
    CROSS_AXIS,
    GUST,
    GYRO,
    HEIGHT,
    LAG,
    LIFT,
    POLAR_EVERY_S,
    PULL_MPS2,
    PULLED,
    SIDE,
    SIZE,
    Regime,
    V,
)
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.sequential_update import SequentialUpdate
from vario.flight.estimate.sparse_entries import SparseEntries

GATES = {"height": 5.0, "sideslip": 4.0, "lift": 4.0}
"""Gate in standard deviations. An innovation beyond it has the effect of one at the gate."""

VARIANCE_SCALE_STALLED = 10_000.0
VARIANCE_SCALE_TOWED = 2.0
"""Factor on the variance of the lift curve. In a stall the lift curve is not used. On aerotow the rope pulls
slightly up or down, on a winch strongly down.
"""

SETTLE_S = 10.0
"""For this time after the start there is no gate, and the gust variance is not learned, because the initial
errors are large.
"""

GUST_NIS = 2.5
"""From this NIS on, an airspeed contains a gust."""

FRONT_NIS = 16.0
"""From this NIS on, the wind has changed for longer than a gust: the air velocity becomes uncertain along the
track, so that this NIS is left.
"""

GUST_WINDOW_S = 0.5

_HEIGHT, _AIRSPEED, _SIDESLIP, _LIFT = range(4)
"""The rows of the measurements in flight; the height is always the first."""

_ROLLING_ROWS = np.eye(SIZE)[[HEIGHT]]
_REST_ROWS = np.eye(SIZE)[[HEIGHT, V, GYRO, V + 1, GYRO + 1, V + 2, GYRO + 2]]

_ROW_PLACES = np.ravel_multi_index(
    (
        [_HEIGHT] * 2 + [_AIRSPEED] * 3 + [_SIDESLIP] * 6 + [_LIFT] * 4,
        [
            *(CLIMB, LAG),
            *(V, V + 1, V + 2),
            *(V, ACC + 1, ACC + 2, BETA, SIDE, CROSS_AXIS),
            *(V, ACC + 2, ALPHA, LIFT),
        ],
    ),
    (4, SIZE),
)
"""Positions of the entries that change in the rows in flight, in the order in which `_in_flight` fills them.
The entry for the lift constant is computed from the predicted v_z and not from the measured force, because
the force contains the updraft since the last correction, as the residual does.
"""


class InertialUpdate:
    """The measurement update. Call `correct` when a batch of measurements is due."""

    def __init__(self) -> None:
        self._rows = np.zeros((4, SIZE))
        self._rows[[_HEIGHT, _AIRSPEED, _SIDESLIP, _LIFT], [HEIGHT, GUST, V + 1, V + 2]] = 1.0
        self._fill_rows = SparseEntries(_ROW_PLACES)
        self._gust_s, self._gust_sum, self._gust_count = 0.0, 0.0, 0
        self._by_polar = ByPolar()
        self._polar_s = 0.0
        self._update: SequentialUpdate

    def correct(self, state: InertialState, regime: Regime, density_ratio: float) -> None:
        """Update covariance and estimate with the measurements and the pseudo-measurements of flight."""
        t = state.due_s
        if t <= 0.0:
            return
        state.innovations = {}
        state.predict_covariance(regime)
        state.step[:] = 0.0
        if regime is Regime.REST:
            self._at_rest(state, t)
        elif regime is Regime.ROLLING:
            self._measure(state, _ROLLING_ROWS)
            self._correct_height(state)
            self._update.finish()
        else:
            self._in_flight(state, regime, density_ratio, t)
        state.ground.discard()
        inject(state)
        state.clear_batch()

    def _measure(self, state: InertialState, rows: NDArray[np.float64]) -> None:
        """Begin with the measurements of these rows."""
        self._update = SequentialUpdate(state.cov, rows, state.step)

    def _scalar(self, state: InertialState, name: str, number: int, residual: float, variance: float) -> None:
        """One scalar Kalman update; beyond the gate, the variance of the residual is increased."""
        update = self._update
        innovation = residual - update.expected(number)
        s = update.predicted_variance(number) + variance
        if name:
            nis = innovation * innovation / s
            gate = GATES.get(name, math.inf)
            used = nis <= gate * gate
            state.note(name, Innovation(innovation, s, used), nis, state.due_s)
            if not used and state.age_s > SETTLE_S:
                s = innovation * innovation / (gate * gate)
        update.use(number, innovation, s)

    def _correct_height(self, state: InertialState) -> None:
        count = state.height_batch[2]
        if count:
            self._scalar(
                state,
                "height",
                _HEIGHT,
                state.height_batch[0] / count,
                state.height_batch[1] / (count * count),
            )

    def _at_rest(self, state: InertialState, t: float) -> None:
        self._measure(state, _REST_ROWS)
        self._correct_height(state)
        n = state.noise
        standing, turning = n.standing_mps_sqrt_s**2 / t, n.standing_radps_sqrt_s**2 / t
        for axis in range(3):
            self._scalar(state, "", 1 + 2 * axis, -state.air[axis], standing)
            # If the glider does not turn, the reading of the gyro is its bias.
            self._scalar(state, "", 2 + 2 * axis, state.delta_angle[axis] / t, turning)
        self._update.finish()

    def _in_flight(self, state: InertialState, regime: Regime, density_ratio: float, t: float) -> None:
        """Height, airspeed, and the pseudo-measurements of a flying wing."""
        n = state.noise
        vx, vy, vz = state.air
        x = state.x.tolist()
        alpha0, beta0, side_m, cross_axis_m = x[ALPHA], x[BETA], x[SIDE], x[CROSS_AXIS]
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        fy, fz = state.delta_velocity[1] / t, state.delta_velocity[2] / t
        fast = max(vx + state.gust_mps, 8.0)
        per = 1.0 / (density_ratio * fast)
        lift_m = state.lift_m
        lift_mps = -lift_m * fz * per
        self._fill_rows.put(
            self._rows,
            [
                *(-state.baro_lag_s, -state.climb_mps),
                *(vx / speed, vy / speed, vz / speed),
                *(-beta0, -side_m * per, -cross_axis_m * per, -fast, fy * per, fz * per),
                *(lift_mps / fast - alpha0, -lift_m * per, -fast, fast * alpha0 - vz),
            ],
        )
        self._measure(state, self._rows)
        self._correct_height(state)
        considered: tuple[int, ...] = CONSIDERED if regime is Regime.TOWED else ()
        if fy * fy + fz * fz > PULL_MPS2**2:
            considered = PULLED
        gust = bool(state.speed_batch[2]) and self._correct_airspeed(state, considered)
        residual = fast * beta0 - (side_m * fy + cross_axis_m * fz) * per - vy
        self._scalar(state, "sideslip", _SIDESLIP, residual, n.sideslip_mps_sqrt_s**2 / t)
        residual = fast * alpha0 + lift_mps - vz
        # A stalled wing has less lift than its incidence gives: v_z is at least that of the lift curve.
        variance_scale = VARIANCE_SCALE_STALLED if regime is Regime.STALLED and residual < 0.0 else 1.0
        if regime is Regime.TOWED:
            variance_scale = VARIANCE_SCALE_TOWED
        self._scalar(state, "lift", _LIFT, residual, variance_scale * n.lift_mps_sqrt_s**2 / t)
        if considered or state.cov[LIFT, LIFT] == 0.0 or (state.calm and not gust):
            self._update.finish(considered)
        else:
            self._update.finish(CONSIDERED, 3 if gust else 2)
        state.ground.correct(state, state.step, considered)
        self._polar_s = self._polar_s + t if regime is Regime.GLIDING else 0.0
        if self._polar_s > POLAR_EVERY_S:
            self._by_polar.correct(state, state.step, density_ratio, self._polar_s)
            self._polar_s = 0.0

    def _correct_airspeed(self, state: InertialState, considered: tuple[int, ...]) -> bool:
        """Use the airspeed; returns whether it contains a gust. `considered`: as in `CONSIDERED`."""
        total_mps, variance, count = state.speed_batch
        mean_mps, variance = total_mps / count, variance / (count * count)
        nis = 0.0
        if state.age_s > SETTLE_S:
            # Learn the gust variance: the innovations must have the size that the filter expects.
            residual = mean_mps - self._update.expected(_AIRSPEED)
            s = self._update.predicted_variance(_AIRSPEED) + variance
            nis = residual * residual / s
            self._learn_gusts(state, residual / math.sqrt(s))
            if nis > FRONT_NIS:
                # A gust front is not an error of attitude: only the horizontal air velocity is corrected.
                self._update.finish(considered)
                free_along_track(state, residual * residual / FRONT_NIS - s)
                self._measure(state, self._rows)
        self._scalar(state, "airspeed", _AIRSPEED, mean_mps, variance)
        return nis > GUST_NIS

    def _learn_gusts(self, state: InertialState, normalised: float) -> None:
        """Sum the innovations over half a second: in single readings the lag of the tubing hides a gust."""
        n = state.noise
        self._gust_s += state.due_s
        self._gust_sum += normalised
        self._gust_count += 1
        if self._gust_s < GUST_WINDOW_S:
            return
        nis = self._gust_sum**2 / self._gust_count
        grow = 0.5 * self._gust_s / n.gust_learn_s * (min(nis, 9.0) - 1.0)
        state.gust_sigma_mps = min(
            n.gust_most_mps, max(n.gust_least_mps, state.gust_sigma_mps * math.exp(grow))
        )
        self._gust_s, self._gust_sum, self._gust_count = 0.0, 0.0, 0
