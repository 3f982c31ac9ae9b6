"""Prediction of the inertial filter between corrections; the model is described in `inertial_model`."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.core.innovation import Innovation
from vario.flight.estimate.inertial_model import (
    ALPHA,
    CLIMB,
    GUST,
    GYRO,
    HEIGHT,
    LATE,
    LIFT,
    PSI,
    SIDE,
    SIZE,
    SLOWEST_MPS,
    TYPICAL_SIDE_M,
    WIND,
    InertialNoise,
    Regime,
    V,
    Wing,
)
from vario.flight.estimate.inertial_start import first_sigmas, start_on_path
from vario.flight.estimate.nominal_state import NominalState
from vario.flight.estimate.prediction import Prediction
from vario.flight.estimate.vectors import Vector, dot, level, turn

GAP_RADPS, GAP_MPS2 = 0.1, 1.5
WRONG_SCALE_SHARE = 0.25
"""Uncertainty of a corrected scale, as a share of the correction: the incidence was learned at several loads,
and the scale found is uncertain by a few percent.
"""
LEVEL_FUSELAGE_MPS = 28.0
KEPT = [*range(GYRO, GYRO + 6), ALPHA, ALPHA + 1, SIDE, SIDE + 1, LIFT]
NIS_S = 4.0  # time constant of the statistics of the innovations
MEASURED = ("height", "airspeed", "sideslip", "lift", "north", "east")


class InertialState(NominalState):
    """The state, its prediction between measurements, and the measurements that wait for a correction.

    `propagate` takes every inertial step, `height` and `airspeed` every measurement. Measurements are stored
    as mean residuals until a correction uses them.
    """

    def __init__(self, wing: Wing, noise: InertialNoise) -> None:
        super().__init__(wing, noise)
        self.nis: dict[str, float] = dict.fromkeys(MEASURED, 1.0)
        self.innovations: dict[str, Innovation] = {}
        self.prediction = Prediction()
        self._step = np.zeros(SIZE)
        self.age_s = self._polar_s = 0.0
        self._clear_batch()

    def _clear_batch(self) -> None:
        self._batch_s = 0.0
        self.turned = [0.0, 0.0, 0.0]
        self.pushed = [0.0, 0.0, 0.0]
        self._height = [0.0, 0.0, 0.0]  # sum of residuals, of variances, count
        self._speed = [0.0, 0.0, 0.0]

    def start(
        self, lift: Vector, tas_mps: float, height_m: float, climb_mps: float = 0.0, *, learned: bool = False
    ) -> None:
        """Start from the readings; `lift` points up (specific force minus the centripetal part).

        `learned`: errors of sensors and mounting that were found earlier.
        """
        kept = (self.gyro_bias, self.accel_bias, self.gnss_latency_s, self.baro_lag_s)
        kept_x, kept_variance = self.x.copy(), self.cov.diagonal().copy()
        n = self.noise
        size = math.hypot(*lift) or 1.0
        self.down = (-lift[0] / size, -lift[1] / size, -lift[2] / size)
        self.north = level(self.down, (1.0, 0.0, 0.0))
        self.wind_mps = (0.0, 0.0)
        self.ground.forget()
        self.gnss_latency_s, self.baro_lag_s = n.gnss_latency_s, n.baro_lag_s
        self.air = (tas_mps, 0.0, 0.05 * tas_mps)
        self.x[:] = 0.0
        self.x[SIDE] = TYPICAL_SIDE_M
        self.climb_mps, self.height_m, self.gust_mps = climb_mps, height_m, 0.0
        self.x[ALPHA] = -self.wing.lift_m * G0_MPS2 / LEVEL_FUSELAGE_MPS**2
        self.gust_sigma_mps = 0.7
        self.gyro_bias = self.accel_bias = (0.0, 0.0, 0.0)
        self.nis = dict.fromkeys(self.nis, 1.0)
        sigma = first_sigmas(n, self.gust_sigma_mps, wing_known=self.wing.polar is not None)
        if learned:
            self.gyro_bias, self.accel_bias, self.gnss_latency_s, self.baro_lag_s = kept
            self.x[KEPT] = kept_x[KEPT]
            sigma[KEPT] = np.minimum(sigma[KEPT], 2.0 * np.sqrt(kept_variance[KEPT]))
            sigma[LATE:] = np.minimum(sigma[LATE:], 2.0 * np.sqrt(kept_variance[LATE:]))
        self.cov = np.diag(sigma * sigma)
        if tas_mps > SLOWEST_MPS and not learned:
            start_on_path(self, tas_mps, climb_mps)
        self.age_s = 0.0
        self._clear_batch()

    # --- prediction -------------------------------------------------------------------------------

    def propagate(self, force: Vector, rate: Vector, dt_s: float) -> None:
        """Advance the estimate by one inertial step, given the mean measured specific force and rate."""
        bx, by, bz = self.gyro_bias
        ax, ay, az = self.accel_bias
        p, q, r = rate[0] - bx, rate[1] - by, rate[2] - bz
        fx, fy, fz = force[0] - ax, force[1] - ay, force[2] - az
        dx, dy, dz = self.down
        vx, vy, vz = self.air
        # Trapezoidal rule: half of the acceleration acts before the rotation and half after it.
        half = 0.5 * dt_s
        lift = G0_MPS2 * half
        roll, pitch, yaw = p * dt_s, q * dt_s, r * dt_s
        ex, ey, ez = turn((dx, dy, dz), roll, pitch, yaw)
        vx, vy, vz = turn(
            (vx + fx * half + lift * dx, vy + fy * half + lift * dy, vz + fz * half + lift * dz),
            roll,
            pitch,
            yaw,
        )
        self.air = (vx + fx * half + lift * ex, vy + fy * half + lift * ey, vz + fz * half + lift * ez)
        up_mps2 = -0.5 * (fx * (dx + ex) + fy * (dy + ey) + fz * (dz + ez)) - G0_MPS2
        self.height_m += dt_s * (self.climb_mps + 0.5 * up_mps2 * dt_s)
        self.climb_mps += up_mps2 * dt_s
        self.gust_mps *= 1.0 - dt_s / (self.noise.gust_time_s + dt_s)
        self.north = turn(self.north, roll, pitch, yaw)
        self.down, self.force, self.rate = (ex, ey, ez), (fx, fy, fz), (p, q, r)
        self.ground.moved(self.north, self.down, self.force, dt_s)
        self._batch_s += dt_s
        self.age_s += dt_s
        turned, pushed = self.turned, self.pushed
        turned[0] += roll
        turned[1] += pitch
        turned[2] += yaw
        pushed[0] += fx * dt_s
        pushed[1] += fy * dt_s
        pushed[2] += fz * dt_s

    def bridge(self, gap_s: float) -> None:
        """The unit was silent. Its last rates are assumed to have continued, with increased variance."""
        turned, pushed = GAP_RADPS * gap_s, GAP_MPS2 * gap_s
        sigma = np.zeros(SIZE)
        sigma[PSI : PSI + 3] = turned
        sigma[V : V + 3] = pushed
        sigma[CLIMB], sigma[HEIGHT] = pushed, 0.5 * pushed * gap_s
        self.cov += np.diag(sigma * sigma)

    def rescale_airspeed(self, factor: float) -> None:
        """The airspeeds were wrong; `factor`: true airspeed over the one used.

        Attitude and velocity over ground are right: the air velocity gets the true length, the wind the rest.
        """
        old, less = self.air, 1.0 - factor
        self.air = (factor * old[0], factor * old[1], factor * old[2])
        wind_north_mps, wind_east_mps = self.wind_mps
        self.wind_mps = (
            wind_north_mps + less * dot(old, self.north),
            wind_east_mps + less * dot(old, self.east),
        )
        sigma = np.zeros(SIZE)
        sigma[V : V + 3] = sigma[WIND : WIND + 2] = WRONG_SCALE_SHARE * abs(less) * old[0]
        self.cov += np.diag(sigma * sigma)

    def rescale_incidence(self, factor: float, density_ratio: float) -> None:
        """The incidence α0 = v_z/V + K f_z/(σ V²) was learned at an airspeed wrong by this factor."""
        fast = max(self.air[0], SLOWEST_MPS)
        lift_rad = -self.lift_m * self.force[2] / (density_ratio * fast * fast)
        raised_rad = lift_rad * (factor * factor - 1.0)
        self.x[ALPHA] += raised_rad
        self.cov[ALPHA, ALPHA] += (WRONG_SCALE_SHARE * raised_rad) ** 2

    def height(self, measured_m: float, sigma_m: float, latency_s: float = 0.0) -> None:
        """Store a pressure height that is `latency_s` old."""
        batch = self._height
        fx, fy, fz = self.force
        dx, dy, dz = self.down
        lag_s = self.baro_lag_s
        up_mps2 = -(fx * dx + fy * dy + fz * dz) - G0_MPS2
        late_m = (latency_s + lag_s) * self.climb_mps - lag_s * lag_s * up_mps2
        batch[0] += measured_m - (self.height_m - late_m)
        batch[1] += sigma_m * sigma_m
        batch[2] += 1.0

    def airspeed(
        self, measured_mps: float, sigma_mps: float, lag_s: float = 0.0, late_s: float = 0.0
    ) -> None:
        """Store a true airspeed that is `late_s` old, from tubing with this lag (0 s: not known)."""
        vx, vy, vz = self.air
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        fx, fy, fz = self.force
        dx, dy, dz = self.down
        faster_mps2 = (
            (fx + G0_MPS2 * dx) * vx + (fy + G0_MPS2 * dy) * vy + (fz + G0_MPS2 * dz) * vz
        ) / speed  # fmt: skip
        unsure_s = 0.0 if lag_s else self.noise.pitot_lag_sigma_s
        lag_s = (lag_s or self.noise.pitot_lag_s) + late_s
        batch = self._speed
        batch[0] += measured_mps - (speed + self.gust_mps - lag_s * faster_mps2)
        batch[1] += sigma_mps * sigma_mps + (unsure_s * faster_mps2) ** 2
        batch[2] += 1.0

    def take_off(self, tas_mps: float) -> None:
        """The wing begins to carry: the air velocity is initialised again, attitude and biases are kept."""
        self.air, self.gust_mps = (tas_mps, 0.0, 0.05 * tas_mps), 0.0
        self.ground.forget()
        for index, sigma in ((V, 2.0), (V + 1, 3.0), (V + 2, 3.0), (GUST, self.gust_sigma_mps)):
            self.cov[index, :] = 0.0
            self.cov[:, index] = 0.0
            self.cov[index, index] = sigma * sigma

    @property
    def due_s(self) -> float:
        """Time since the last correction."""
        return self._batch_s

    @property
    def step(self) -> NDArray[np.float64]:
        """The latest correction of the estimate, shape (SIZE,)."""
        return self._step

    def predict_covariance(self, regime: Regime) -> None:
        """Predict the covariance over the batch: P = F P F' + Q."""
        self.prediction.move(self, regime)

    def note(self, name: str, innovation: Innovation, seconds: float) -> None:
        """Store an innovation of this correction, and update the mean NIS."""
        self.innovations[name] = innovation
        share = min(1.0, seconds / NIS_S)
        self.nis[name] += share * (min(innovation.nis, 100.0) - self.nis[name])
