"""Flights drawn from the model of the inertial filter, to compare its errors with its stated variances.

All assumptions of the filter hold: white noise and biases of the sensors, a random walk of the air, gusts
along track, a wing whose lift and side force follow their equations with white errors, and an initial error
according to the initial variance. A simple pilot banks to both sides and holds the speed. The motion is
integrated here with the rotations of scipy, without code of the filter.

Consistency: normalised estimation error squared (NEES) and normalised innovation squared (NIS) follow
chi-square; Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and
Navigation, 2001, section 5.4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    CLIMB,
    GUST,
    GYRO,
    HEIGHT,
    PSI,
    SIZE,
    TYPICAL_SIDE_M,
    InertialNoise,
    Regime,
    V,
    Wing,
)
from vario.flight.estimate.inertial_sigmas import vario_sigma_mps
from vario.flight.estimate.inertial_start import start
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.inertial_update import InertialUpdate

Floats = NDArray[np.float64]

G = 9.80665
DT_S = 0.02
GUST_MPS = 0.7
DRIFT_SHARE = 0.1
CALM = replace(
    InertialNoise(),
    gust_least_mps=GUST_MPS,
    gust_most_mps=GUST_MPS,
    updraft_mps_per_sqrt_s=0.4,
    drift_share=DRIFT_SHARE,
    baro_lag_s=0.0,
    baro_lag_sigma_s=1e-6,
    pitot_lag_s=0.0,
    pitot_lag_sigma_s=0.0,
    lift_share=0.0,
    lift_creep_per_sqrt_s=0.0,
)
"""The sensors have no lag, the lift constant is the true one, and the filter knows both. The gust variance is
given and not learned, because learning is not part of the theory of a linear filter. Nor is the dependence of
the force of the wing (an input of the filter) on the updraft (a disturbance). Therefore the updraft changes
less than the filter allows for in flight.
"""

AS_FLOWN = replace(CALM, updraft_mps_per_sqrt_s=InertialNoise().updraft_mps_per_sqrt_s)

BARO_M, PITOT_MPS = 0.12, 0.025
DENSITY_RATIO = 0.8
WING = Wing(6.9)
SPEED_MPS = 27.0

GROUPS = {
    "tilt": 2,
    "air velocity": 3,
    "gyro bias": 3,
    "accelerometer bias": 3,
    "climb and height": 2,
    "incidence and yaw of mounting": 2,
    "gust": 1,
    "vario": 1,
}
"""The groups of states and their degrees of freedom. The two constants of the side force are excluded: with
errors as large as the filter allows for, one of them would change its sign.
"""

MEASUREMENTS = ("height", "airspeed", "sideslip", "lift")


@dataclass
class World:
    """The true state, with an initial error according to the variance of the filter."""

    rng: np.random.Generator
    noise: InertialNoise = CALM

    def __post_init__(self) -> None:
        rng, n = self.rng, self.noise
        self.down = np.array([0.0, 0.0, 1.0])
        self.air = np.array([SPEED_MPS, 0.0, 0.05 * SPEED_MPS]) + rng.normal(0.0, [1.0, 2.5, 2.5])
        self.gyro_bias = rng.normal(0.0, n.gyro_bias_radps, 3)
        self.accel_bias = rng.normal(0.0, n.accel_bias_mps2, 3)
        self.climb, self.height = rng.normal(0.0, 3.0), 1500.0 + rng.normal(0.0, 1.0)
        self.alpha, self.beta = rng.normal(0.0, n.incidence_rad), rng.normal(0.0, n.mounting_yaw_rad)
        self.gust = rng.normal(0.0, GUST_MPS)
        self.side = max(rng.normal(TYPICAL_SIDE_M, n.side_m), 12.0)
        self.cross_axis = rng.normal(0.0, n.cross_axis_m)
        self.force = np.array([0.0, 0.0, -G])
        self.push = self.force  # its mean since the last correction

    def step(self, t_s: float) -> tuple[Floats, Floats]:
        """One step; returns the readings of accelerometer and gyro."""
        rng, n, dt = self.rng, self.noise, DT_S
        white = rng.standard_normal
        vx, _, vz = self.air
        fast = max(vx + self.gust, 8.0)
        per = DENSITY_RATIO * fast
        root = math.sqrt(dt)
        fz = -per / WING.lift_m * (vz - fast * self.alpha)
        # Lift is perpendicular to the path through the air; drag is a thirtieth of the weight.
        self.force = np.array([-G / 30.0 - fz * vz / vx, 0.6 * math.sin(math.tau * t_s / 7.0), fz])
        rate = self._pilot(t_s)
        turned = Rotation.from_rotvec(-rate * dt)
        before, self.down = self.down, turned.apply(self.down)
        self.air = turned.apply(self.air + 0.5 * dt * (self.force + G * before)) + 0.5 * dt * (
            self.force + G * self.down
        )
        drift = 1e-3 + DRIFT_SHARE * GUST_MPS**2
        self.air = self.air + math.sqrt(drift * dt) * white(3)
        self.air = self.air + math.sqrt((n.updraft_mps_per_sqrt_s**2 - drift) * dt) * white() * self.down
        up = -0.5 * float(self.force @ (before + self.down)) - G
        self.height += dt * (self.climb + 0.5 * up * dt)
        self.climb += up * dt
        keep = math.exp(-dt / n.gust_time_s)
        self.gust = keep * self.gust + GUST_MPS * math.sqrt(1.0 - keep * keep) * white()
        creep = n.incidence_creep_rad_per_sqrt_s * root
        self.alpha, self.beta = self.alpha + creep * white(), self.beta + creep * white()
        return (
            self.force + self.accel_bias + n.accel_mps_per_sqrt_s / root * white(3),
            rate + self.gyro_bias + n.gyro_rad_per_sqrt_s / root * white(3),
        )

    def _pilot(self, t_s: float) -> Floats:
        """Rates that give the desired bank and hold the speed."""
        dx, dy, dz = self.down
        bank, pitch = math.atan2(dy, dz), -math.asin(max(-1.0, min(1.0, dx)))
        wish = 0.7 * math.sin(math.tau * t_s / 22.0)
        speed = float(np.linalg.norm(self.air))
        pitching = 0.5 * (0.02 * (speed - SPEED_MPS) - pitch)
        turning = G * math.tan(bank) / speed
        roll = 1.2 * (wish - bank)
        vx, vy, vz = self.air
        return np.array(
            [
                roll,
                pitching * math.cos(bank) + turning * math.sin(bank) * math.cos(pitch),
                # Prevents a growing sideslip; the second part is that of the fin.
                (self.force[1] + G * dy + roll * vz + 0.7 * vy) / vx,
            ]
        )

    def lift_off_mps(self) -> float:
        """Deviation of the true motion from the lift equation of the filter."""
        vx, _, vz = self.air
        fast = vx + self.gust
        return float(fast * self.alpha - WING.lift_m * self.push[2] / (DENSITY_RATIO * fast) - vz)

    def sideslip_off_mps(self) -> float:
        """Deviation from the equation of the side force."""
        vx, vy, _ = self.air
        fast = vx + self.gust
        _, fy, fz = self.push
        return float(fast * self.beta - (self.side * fy + self.cross_axis * fz) / (DENSITY_RATIO * fast) - vy)


class Update(InertialUpdate):
    """The update, with the two equations of the wing as measurements of the simulation with white errors.

    In flight they are not measured: they contain the force of the wing itself, so their errors cannot be
    drawn independently of the motion, as the theory of the Kalman filter requires.
    """

    def __init__(self, world: World) -> None:
        super().__init__()
        self._world = world

    def _scalar(self, state: InertialState, name: str, number: int, residual: float, variance: float) -> None:
        if name in {"lift", "sideslip"}:
            world = self._world
            residual -= world.lift_off_mps() if name == "lift" else world.sideslip_off_mps()
            residual += math.sqrt(variance) * float(world.rng.standard_normal())
        super()._scalar(state, name, number, residual, variance)


@dataclass(frozen=True)
class Outcome:
    """Results of one flight: NEES at its end by group, and the innovations of its second half by measurement,
    in standard deviations.
    """

    nees: dict[str, float]
    residuals: dict[str, list[float]]


def fly(seed: int, noise: InertialNoise = CALM, every: int = 1, seconds: float = 45.0) -> Outcome:
    """Run one flight, corrected after `every` steps; the filter starts with an error."""
    rng = np.random.default_rng([23, seed])
    world = World(rng, noise)
    kalman, update = InertialState(WING, world.noise), Update(world)
    off = Rotation.from_rotvec(rng.normal(0.0, 0.15, 3))
    start(kalman, tuple((-off.apply(world.down)).tolist()), SPEED_MPS, 1500.0)
    residuals: dict[str, list[float]] = {name: [] for name in MEASUREMENTS}
    pushes = []
    for k in range(round(seconds / DT_S)):
        force, rate = world.step(k * DT_S)
        pushes.append(world.force)
        kalman.propagate(tuple(force.tolist()), tuple(rate.tolist()), DT_S)
        kalman.height(world.height + rng.normal(0.0, BARO_M), BARO_M)
        tas = float(np.linalg.norm(world.air)) + world.gust
        kalman.airspeed(tas + rng.normal(0.0, PITOT_MPS), PITOT_MPS)
        if k % every == every - 1:
            world.push = np.mean(pushes[-every:], axis=0)
            update.correct(kalman, Regime.GLIDING, DENSITY_RATIO)
            if k * DT_S > 0.5 * seconds:
                for name, innovation in kalman.innovations.items():
                    residuals[name].append(innovation.residual / math.sqrt(innovation.variance))
    return Outcome(_nees(world, kalman), residuals)


def _nees(world: World, kalman: InertialState) -> dict[str, float]:
    believed = np.array(kalman.down)
    across = np.linalg.svd(believed[None, :])[2][1:]
    dx, dy, dz = believed
    tilting = across @ np.array([[0.0, -dz, dy], [dz, 0.0, -dx], [-dy, dx, 0.0]])  # d × ψ
    rows, errors = {}, {}
    rows["tilt"] = np.zeros((2, SIZE))
    rows["tilt"][:, PSI : PSI + 3] = tilting
    errors["tilt"] = across @ (world.down - believed)

    def straight(name: str, first: int, error: Floats) -> None:
        rows[name] = np.eye(SIZE)[first : first + len(error)]
        errors[name] = error

    straight("air velocity", V, world.air - np.array(kalman.air))
    straight("gyro bias", GYRO, world.gyro_bias - np.array(kalman.gyro_bias))
    straight("accelerometer bias", ACC, world.accel_bias - np.array(kalman.accel_bias))
    rows["climb and height"] = np.eye(SIZE)[[CLIMB, HEIGHT]]
    errors["climb and height"] = np.array([world.climb - kalman.climb_mps, world.height - kalman.height_m])
    straight(
        "incidence and yaw of mounting",
        ALPHA,
        np.array([world.alpha, world.beta]) - kalman.x[ALPHA : ALPHA + 2],
    )
    straight("gust", GUST, np.array([world.gust - kalman.gust_mps]))
    found = {
        name: float(errors[name] @ np.linalg.solve(rows[name] @ kalman.cov @ rows[name].T, errors[name]))
        for name in rows
    }
    # The white noise of the accelerometer in the last step is in both, because it is not a state.
    force = np.array(kalman.force) + np.array(kalman.accel_bias) - world.accel_bias
    share = 1.0 + world.gust / float(np.linalg.norm(world.air))
    vario = world.climb + float(world.down @ world.air) + share * float(force @ world.air) / G
    return found | {"vario": ((vario - kalman.vario_mps) / vario_sigma_mps(kalman)) ** 2}
