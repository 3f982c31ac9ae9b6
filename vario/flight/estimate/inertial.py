"""The corrections of the inertial filter; the model is described in `inertial_model`.

The scalar measurements are used one after the other: no matrix is inverted, and each has its own gate. The
equations are the Kalman filter's (R. Labbe's filterpy implements the same and checks it in the tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from vario.flight.core.innovation import Innovation
from vario.flight.estimate.by_polar import ByPolar
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
    LATE,
    LIFT,
    POLAR_EVERY_S,
    PSI,
    PULL_MPS2,
    PULLED,
    SIDE,
    SIZE,
    WIND,
    InertialNoise,
    Regime,
    V,
    Wing,
)
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.sequential_update import SequentialUpdate
from vario.flight.estimate.sparse_entries import SparseEntries
from vario.flight.estimate.vectors import dot, level

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

LIFT_RANGE = 0.75
"""Bounds of the natural logarithm κ: wing loadings of 13 to 59 kg/m² without a glider file."""

GUST_WINDOW_S = 0.5

STEPPED_M, STEPPED_MPS = 1.0, 0.5
"""Standard deviations of height and climb after a step of the barometer."""

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
"""Positions of the entries that change in the rows in flight; see `_in_flight`. The last is the lift that the
state predicts: the measured one contains the updraft since the last correction, as the residual does.
"""


class InertialFilter(InertialState):
    """The filter. Call `correct` when a batch of measurements is due."""

    def __init__(self, wing: Wing, noise: InertialNoise) -> None:
        super().__init__(wing, noise)
        self._rows = np.zeros((4, SIZE))
        self._rows[[_HEIGHT, _AIRSPEED, _SIDESLIP, _LIFT], [HEIGHT, GUST, V + 1, V + 2]] = 1.0
        self._fill_rows = SparseEntries(_ROW_PLACES)
        self._gust_s, self._gust_sum, self._gust_count = 0.0, 0.0, 0
        self._by_polar = ByPolar()
        self._update: SequentialUpdate

    def correct(self, regime: Regime, density_ratio: float) -> None:
        """Update covariance and estimate with the measurements and the pseudo-measurements of flight."""
        t = self._batch_s
        if t <= 0.0:
            return
        self.innovations = {}
        self.predict_covariance(regime)
        self._step[:] = 0.0
        if regime is Regime.REST:
            self._at_rest(t)
        elif regime is Regime.ROLLING:
            self._measure(_ROLLING_ROWS)
            self._correct_height()
            self._update.finish()
        else:
            self._in_flight(regime, density_ratio, t)
        self.ground.drop()
        self._inject()
        self._clear_batch()

    def _measure(self, rows: NDArray[np.float64]) -> None:
        """Begin with the measurements of these rows."""
        self._update = SequentialUpdate(self.cov, rows, self._step)

    def _scalar(self, name: str, number: int, residual: float, variance: float) -> None:
        """One scalar Kalman update; beyond the gate, the variance of the residual is increased."""
        update = self._update
        innovation = residual - update.expected(number)
        s = update.predicted_variance(number) + variance
        if name:
            nis = innovation * innovation / s
            gate = GATES.get(name, math.inf)
            used = nis <= gate * gate
            self.note(name, Innovation(innovation, s, used=used), self._batch_s)
            if not used and self.age_s > SETTLE_S:
                s = innovation * innovation / (gate * gate)
        update.use(number, innovation, s)

    def _correct_height(self) -> None:
        count = self._height[2]
        if count:
            self._scalar("height", _HEIGHT, self._height[0] / count, self._height[1] / (count * count))

    def _at_rest(self, t: float) -> None:
        self._measure(_REST_ROWS)
        self._correct_height()
        for axis in range(3):
            self._scalar("", 1 + 2 * axis, -self.air[axis], 0.04 / t)
            # If the glider does not turn, the reading of the gyro is its bias.
            self._scalar("", 2 + 2 * axis, self.delta_angle[axis] / t, 4e-6 / t)
        self._update.finish()

    def _in_flight(self, regime: Regime, density_ratio: float, t: float) -> None:
        """Height, airspeed, and the pseudo-measurements of a flying wing."""
        n = self.noise
        vx, vy, vz = self.air
        x = self.x.tolist()
        alpha0, beta0, side_m, cross_axis_m = x[ALPHA], x[BETA], x[SIDE], x[CROSS_AXIS]
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        fy, fz = self.delta_velocity[1] / t, self.delta_velocity[2] / t
        fast = max(vx + self.gust_mps, 8.0)
        per = 1.0 / (density_ratio * fast)
        lift_m = self.lift_m
        lift_mps = -lift_m * fz * per
        self._fill_rows.put(
            self._rows,
            [
                *(-self.baro_lag_s, -self.climb_mps),
                *(vx / speed, vy / speed, vz / speed),
                *(-beta0, -side_m * per, -cross_axis_m * per, -fast, fy * per, fz * per),
                *(lift_mps / fast - alpha0, -lift_m * per, -fast, fast * alpha0 - vz),
            ],
        )
        self._measure(self._rows)
        self._correct_height()
        considered: Sequence[int] = CONSIDERED if regime is Regime.TOWED else ()
        if fy * fy + fz * fz > PULL_MPS2**2:
            considered = PULLED
        gust = bool(self._speed[2]) and self._correct_airspeed(considered)
        residual = fast * beta0 - (side_m * fy + cross_axis_m * fz) * per - vy
        self._scalar("sideslip", _SIDESLIP, residual, n.sideslip_mps_sqrt_s**2 / t)
        residual = fast * alpha0 + lift_mps - vz
        # A stalled wing has less lift than its incidence gives: v_z is at least that of the lift curve.
        variance_scale = VARIANCE_SCALE_STALLED if regime is Regime.STALLED and residual < 0.0 else 1.0
        if regime is Regime.TOWED:
            variance_scale = VARIANCE_SCALE_TOWED
        self._scalar("lift", _LIFT, residual, variance_scale * n.lift_mps_sqrt_s**2 / t)
        if considered or self.cov[LIFT, LIFT] == 0.0 or (self.calm and not gust):
            self._update.finish(considered)
        else:
            self._update.finish(CONSIDERED, 3 if gust else 2)
        self.ground.correct(self, self._step, considered)
        self._polar_s = self._polar_s + t if regime is Regime.GLIDING else 0.0
        if self._polar_s > POLAR_EVERY_S:
            self._by_polar.correct(self, self._step, density_ratio, self._polar_s)
            self._polar_s = 0.0

    def _correct_airspeed(self, considered: Sequence[int]) -> bool:
        """Use the airspeed; returns whether it contains a gust. `considered`: as in `CONSIDERED`."""
        total_mps, variance, count = self._speed
        mean_mps, variance = total_mps / count, variance / (count * count)
        nis = 0.0
        if self.age_s > SETTLE_S:
            # Learn the gust variance: the innovations must have the size that the filter expects.
            residual = mean_mps - self._update.expected(_AIRSPEED)
            s = self._update.predicted_variance(_AIRSPEED) + variance
            nis = residual * residual / s
            self._learn_gusts(residual / math.sqrt(s))
            if nis > 16.0:
                # This is a gust front, not an error of attitude: correct only the air velocity, horizontally.
                self._update.finish(considered)
                self._free_along_track(residual * residual / 16.0 - s)
                self._measure(self._rows)
        self._scalar("airspeed", _AIRSPEED, mean_mps, variance)
        return nis > GUST_NIS

    def _learn_gusts(self, normalised: float) -> None:
        """Sum the innovations over half a second: in single readings the lag of the tubing hides a gust."""
        n = self.noise
        self._gust_s += self._batch_s
        self._gust_sum += normalised
        self._gust_count += 1
        if self._gust_s < GUST_WINDOW_S:
            return
        nis = self._gust_sum**2 / self._gust_count
        grow = 0.5 * self._gust_s / n.gust_learn_s * (min(nis, 9.0) - 1.0)
        self.gust_sigma_mps = min(
            n.gust_most_mps, max(n.gust_least_mps, self.gust_sigma_mps * math.exp(grow))
        )
        self._gust_s, self._gust_sum, self._gust_count = 0.0, 0.0, 0

    def accept_height(self) -> None:
        """The barometer has stepped: move the height to its last reading, and leave the rest as it is."""
        self.height_m += self.innovations["height"].residual
        self.cov[HEIGHT, :] = 0.0
        self.cov[:, HEIGHT] = 0.0
        self.cov[HEIGHT, HEIGHT] = STEPPED_M**2
        self.cov[CLIMB, CLIMB] += STEPPED_MPS**2
        self.nis["height"] = 1.0

    def _free_along_track(self, variance: float) -> None:
        """A change of wind along the track: the velocity over ground stays as it is."""
        track = level(self.down, self.air)
        there = np.zeros(SIZE)
        there[V : V + 3] = track
        there[WIND] = -dot(track, self.north)
        there[WIND + 1] = -dot(track, self.east)
        self.cov += variance * np.outer(there, there)

    def _inject(self) -> None:
        """Put the error into the estimate."""
        step = self._step
        s = step.tolist()
        dx, dy, dz = self.down
        a, b, c = s[PSI:V]
        dx, dy, dz = dx + dy * c - dz * b, dy + dz * a - dx * c, dz + dx * b - dy * a
        size = math.sqrt(dx * dx + dy * dy + dz * dz)
        self.down = (dx / size, dy / size, dz / size)
        vx, vy, vz = self.air
        self.air = (vx + s[V], vy + s[V + 1], vz + s[V + 2])
        self.x[GYRO:CLIMB] += step[GYRO:CLIMB]
        nx, ny, nz = self.north
        nx, ny, nz = nx + ny * c - nz * b, ny + nz * a - nx * c, nz + nx * b - ny * a
        self.north = level(self.down, (nx, ny, nz))
        self.x[ALPHA:WIND] += step[ALPHA:WIND]
        self.x[LIFT] = min(max(self.x[LIFT] + s[LIFT], -LIFT_RANGE), LIFT_RANGE)
        self.wind_mps = (self.wind_mps[0] + s[WIND], self.wind_mps[1] + s[WIND + 1])
        self.gnss_latency_s = min(max(self.gnss_latency_s + s[LATE], 0.0), 0.6)
        self.baro_lag_s = min(max(self.baro_lag_s + s[LAG], 0.0), 0.4)
        bias = self.x[GYRO:CLIMB].tolist()
        self.gyro_bias = (bias[0], bias[1], bias[2])
        self.accel_bias = (bias[3], bias[4], bias[5])
        self.climb_mps += s[CLIMB]
        self.height_m += s[HEIGHT]
        self.gust_mps += s[GUST]
        self.x[GUST] = 0.0
        if abs(self.gust_mps) > max(1.0, 3.0 * self.gust_sigma_mps):
            # This is too large for a passing gust: the wind has changed permanently, so the gust state is
            # moved into v.
            track = level(self.down, self.air)
            vx, vy, vz = self.air
            u = self.gust_mps
            self.air = (vx + u * track[0], vy + u * track[1], vz + u * track[2])
            wind_north, wind_east = self.wind_mps
            self.wind_mps = (
                wind_north - u * dot(track, self.north),
                wind_east - u * dot(track, self.east),
            )
            self.gust_mps = 0.0
            self.cov[GUST, :] = 0.0
            self.cov[:, GUST] = 0.0
            self.cov[GUST, GUST] = self.gust_sigma_mps**2
            self._free_along_track(u * u)
