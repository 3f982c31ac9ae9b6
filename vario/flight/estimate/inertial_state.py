"""State, covariance and prediction of the inertial filter; `inertial_model` describes the model."""

from __future__ import annotations

import math

import numpy as np

from drivers.isa import G0_MPS2
from vario.flight.core.innovation import Innovation
from vario.flight.core.low_pass import low_pass_weight
from vario.flight.core.vectors import Vector, cross, dot, turn
from vario.flight.estimate.ground import Ground
from vario.flight.estimate.inertial_model import (
    ALPHA,
    CLIMB,
    GUST,
    HEIGHT,
    LIFT,
    PSI,
    SIZE,
    SLOWEST_MPS,
    WIND,
    InertialNoise,
    Regime,
    V,
    Wing,
)
from vario.flight.estimate.prediction import Prediction

GAP_RADPS, GAP_MPS2 = 0.1, 1.5
WRONG_SCALE_SHARE = 0.25
"""Uncertainty of a corrected scale, as a share of the correction: the incidence was learned at several loads,
and the scale found is uncertain by a few percent.
"""
NIS_S = 4.0  # time constant of the statistics of the innovations
MEASURED = ("height", "airspeed", "sideslip", "lift", "north", "east")

CALM_MPS = 0.2
"""Below this standard deviation of the gusts the air is calm. On tuning flights it is 0.1, its lower bound,
in still air and in thermals, and 0.35 in rough air.
"""


class InertialState:
    """The state x, its covariance P and their prediction, and the measurements that wait for a correction.

    The state is the nominal one, which the error states correct (J. Solà, section 5.1). Tilt, air velocity,
    climb, height, gust and wind have attributes of their own; the others are in `x`. `propagate` takes every
    inertial step, `height` and `airspeed` every measurement. Measurements are stored as mean residuals until
    a correction (`inertial_update`) uses them.

    Attributes:
        x, cov: state and covariance P of the error state, in the order of `inertial_model`.
        down, north: these directions in body axes.
        air: air velocity, body axes.
        force, rate: specific force and rate of the last step, without bias.
        step: the latest correction, shape (SIZE,).
        due_s: time since the last correction.
        delta_angle, delta_velocity: the increments of the steps since then.
        age_s: time since the start.
        nis, innovations: mean NIS and latest innovation by measurement.
    """

    def __init__(self, wing: Wing, noise: InertialNoise) -> None:
        self.wing, self.noise = wing, noise
        self.down: Vector = (0.0, 0.0, 1.0)
        self.north: Vector = (1.0, 0.0, 0.0)
        self.wind_mps = (0.0, 0.0)
        self.gnss_latency_s = noise.gnss_latency_s
        self.baro_lag_s = noise.baro_lag_s
        self.ground = Ground()
        self.air: Vector = (0.0, 0.0, 0.0)
        self.x = np.zeros(SIZE)
        self.cov = np.eye(SIZE)
        self.force: Vector = (0.0, 0.0, -G0_MPS2)
        self.rate: Vector = (0.0, 0.0, 0.0)
        self.climb_mps = self.height_m = self.gust_mps = 0.0
        self.gust_sigma_mps = noise.gust_start_mps
        self.gyro_bias: Vector = (0.0, 0.0, 0.0)
        self.accel_bias: Vector = (0.0, 0.0, 0.0)
        self.nis: dict[str, float] = dict.fromkeys(MEASURED, 1.0)
        self.innovations: dict[str, Innovation] = {}
        self.prediction = Prediction()
        self.step = np.zeros(SIZE)
        self.age_s = 0.0
        self.clear_batch()

    def clear_batch(self) -> None:
        """Discard increments and measurements: a correction has used them."""
        self.due_s = 0.0
        self.delta_angle = [0.0, 0.0, 0.0]
        self.delta_velocity = [0.0, 0.0, 0.0]
        self.height_batch = [0.0, 0.0, 0.0]  # sum of residuals, of variances, count
        self.speed_batch = [0.0, 0.0, 0.0]

    # --- outputs ----------------------------------------------------------------------------------

    @property
    def lift_m(self) -> float:
        """The lift constant as learned."""
        return self.wing.lift_m * math.exp(float(self.x[LIFT]))

    @property
    def calm(self) -> bool:
        """Whether there are no gusts."""
        return self.gust_sigma_mps < CALM_MPS

    @property
    def east(self) -> Vector:
        """East in body axes."""
        return cross(self.down, self.north)

    @property
    def tas_mps(self) -> float:
        """True airspeed."""
        vx, vy, vz = self.air
        return max(math.sqrt(vx * vx + vy * vy + vz * vz) + self.gust_mps, 0.0)

    @property
    def pitch_rad(self) -> float:
        """Pitch of the instrument."""
        return -math.asin(max(-1.0, min(1.0, self.down[0])))

    @property
    def bank_rad(self) -> float:
        """Bank of the instrument, right wing down positive."""
        return math.atan2(self.down[1], self.down[2])

    def path_rad(self) -> tuple[float, float]:
        """Direction of the path through the air: right of the nose (from above), above the horizon."""
        dx, dy, dz = self.down
        vx, vy, vz = self.air
        sinking = dx * vx + dy * vy + dz * vz
        level, across = vx - dx * sinking, vy * dz - vz * dy  # both times cos(pitch)
        speed = max(math.sqrt(vx * vx + vy * vy + vz * vz), 1e-6)
        return math.atan2(across, level), -math.asin(max(-1.0, min(1.0, sinking / speed)))

    @property
    def air_up_mps(self) -> float:
        """Vertical motion of the air: climb minus climb through the air."""
        dx, dy, dz = self.down
        vx, vy, vz = self.air
        return self.climb_mps + dx * vx + dy * vy + dz * vz

    @property
    def vario_mps(self) -> float:
        """Total-energy vario without gusts along track: w + V (f·v)/g."""
        fx, fy, fz = self.force
        vx, vy, vz = self.air
        power = (fx * vx + fy * vy + fz * vz) / G0_MPS2
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        return self.air_up_mps + power * (1.0 + self.gust_mps / max(speed, 8.0))

    def wind(self) -> Vector | None:
        """North, east and one standard deviation; None while no velocity over ground determines it."""
        if not self.ground.in_use:
            return None
        variance = max(float(self.cov[WIND, WIND]), float(self.cov[WIND + 1, WIND + 1]))
        return (*self.wind_mps, math.sqrt(max(variance, 0.0)))

    @property
    def incidence_rad(self) -> float:
        """Angle of the zero-lift line to the instrument's x axis."""
        return float(self.x[ALPHA])

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
        self.gust_mps *= math.exp(-dt_s / self.noise.gust_time_s)
        self.north = turn(self.north, roll, pitch, yaw)
        self.down, self.force, self.rate = (ex, ey, ez), (fx, fy, fz), (p, q, r)
        self.ground.add_step(self.north, self.down, self.force, dt_s)
        self.due_s += dt_s
        self.age_s += dt_s
        delta_angle, delta_velocity = self.delta_angle, self.delta_velocity
        delta_angle[0] += roll
        delta_angle[1] += pitch
        delta_angle[2] += yaw
        delta_velocity[0] += fx * dt_s
        delta_velocity[1] += fy * dt_s
        delta_velocity[2] += fz * dt_s

    def bridge(self, gap_s: float) -> None:
        """The unit was silent. Its last rates are assumed to have continued, with increased variance."""
        angle, speed = GAP_RADPS * gap_s, GAP_MPS2 * gap_s
        sigma = np.zeros(SIZE)
        sigma[PSI : PSI + 3] = angle
        sigma[V : V + 3] = speed
        sigma[CLIMB], sigma[HEIGHT] = speed, 0.5 * speed * gap_s
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
        batch = self.height_batch
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
        batch = self.speed_batch
        batch[0] += measured_mps - (speed + self.gust_mps - lag_s * faster_mps2)
        batch[1] += sigma_mps * sigma_mps + (unsure_s * faster_mps2) ** 2
        batch[2] += 1.0

    def take_off(self, tas_mps: float) -> None:
        """The wing begins to carry: the air velocity is initialised again, attitude and biases are kept."""
        self.air, self.gust_mps = (tas_mps, 0.0, 0.05 * tas_mps), 0.0
        self.ground.reset()
        for index, sigma in ((V, 2.0), (V + 1, 3.0), (V + 2, 3.0), (GUST, self.gust_sigma_mps)):
            self.cov[index, :] = 0.0
            self.cov[:, index] = 0.0
            self.cov[index, index] = sigma * sigma

    def predict_covariance(self, regime: Regime) -> None:
        """Predict the covariance over the batch: P = F P F' + Q."""
        self.prediction.predict(self, regime)

    def note(self, name: str, innovation: Innovation, nis: float, seconds: float) -> None:
        """Store an innovation of this correction with its NIS, and update the mean NIS."""
        self.innovations[name] = innovation
        mean = self.nis[name]
        self.nis[name] = mean + low_pass_weight(seconds, NIS_S) * (min(nis, 100.0) - mean)
