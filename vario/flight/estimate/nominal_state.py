"""The estimate of the inertial filter, and the values that follow from it; see `inertial_model`."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.ground import Ground
from vario.flight.estimate.inertial_model import (
    ALPHA,
    CLIMB,
    LIFT,
    PSI,
    SIZE,
    WIND,
    InertialNoise,
    Wing,
)
from vario.flight.estimate.vectors import Vector, cross

CALM_MPS = 0.2
"""Below this standard deviation of the gusts the air is calm. On tuning flights it is 0.1, its lower bound,
in still air and in thermals, and 0.35 in rough air.
"""


class NominalState:
    """The estimate: the state that the error states correct (Solà, section 5.1), and its covariance.

    Tilt, air velocity, climb, height, gust and wind have attributes of their own; the others are in `x`.
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
        self.x = np.zeros(SIZE)  # biases, incidence ...; tilt and v live in `down` and `air`
        self.cov = np.eye(SIZE)
        self.force: Vector = (0.0, 0.0, -G0_MPS2)
        self.rate: Vector = (0.0, 0.0, 0.0)
        self.climb_mps = self.height_m = self.gust_mps = 0.0
        self.gust_sigma_mps = 0.7
        self.gyro_bias: Vector = (0.0, 0.0, 0.0)
        self.accel_bias: Vector = (0.0, 0.0, 0.0)

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

    def vario_sigma_mps(self) -> float:
        """One standard deviation of `vario_mps`."""
        row = self.vario_row()
        return math.sqrt(max(float(row.dot(self.cov.dot(row))), 0.0))

    def vario_row(self) -> NDArray[np.float64]:
        """Derivative of `vario_mps` with respect to the errors of the states, shape (SIZE,)."""
        dx, dy, dz = self.down
        vx, vy, vz = self.air
        fx, fy, fz = self.force
        row = np.zeros(SIZE)
        row[: CLIMB + 1] = (
            *(vy * dz - vz * dy, vz * dx - vx * dz, vx * dy - vy * dx),
            *(dx + fx / G0_MPS2, dy + fy / G0_MPS2, dz + fz / G0_MPS2),
            *(0.0, 0.0, 0.0),
            *(-vx / G0_MPS2, -vy / G0_MPS2, -vz / G0_MPS2),
            1.0,
        )
        return row

    def wind(self) -> Vector | None:
        """North, east and one standard deviation; None while no velocity over ground determines it."""
        if not self.ground.in_use:
            return None
        variance = max(float(self.cov[WIND, WIND]), float(self.cov[WIND + 1, WIND + 1]))
        return (*self.wind_mps, math.sqrt(max(variance, 0.0)))

    def attitude_sigma_rad(self) -> float:
        """One standard deviation of pitch and bank, as the RMS of the two: (tr P - d'P d)/2 is its square."""
        tilt = self.cov[PSI : PSI + 3, PSI : PSI + 3].tolist()
        about_down = math.fsum(
            a * b * p
            for a, row in zip(self.down, tilt, strict=True)
            for b, p in zip(self.down, row, strict=True)
        )
        return math.sqrt(max(0.5 * (tilt[0][0] + tilt[1][1] + tilt[2][2] - about_down), 0.0))

    @property
    def incidence_rad(self) -> float:
        """Angle of the zero-lift line to the instrument's x axis."""
        return float(self.x[ALPHA])
