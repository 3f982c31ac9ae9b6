"""A reference design for the benchmark: an inertial filter with GNSS and air data, and its smoother.

It is an error-state Kalman filter of the textbook (P. Groves, Principles of GNSS, Inertial, and Multisensor
Integrated Navigation Systems, 2013, chapters 3 and 14) in axes of the earth, with one set of parameters for
all scenes. Unlike the instrument it is told the lags of its sensors and the latency of the velocities. It
knows the lift constant and the polar of the glider. The fixed-interval smoother (H. Rauch, F. Tung, C.
Striebel 1965) uses the whole flight, also later samples: no instrument can be much better.

States: tilt (3, north east down), velocity over ground (3), height, gyro and accelerometer bias (3 + 3), wind
(3), incidence and sideslip without force, offset of the pitot, side-force constant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers import isa
from tests.support.estimator_flights import Run
from tests.support.truth_dynamics import RATE_HZ
from vario.flight.estimate.inertial_model import Wing

Floats = NDArray[np.float64]

TILT, VEL, HEIGHT, GYRO, ACC, WIND, ALPHA, BETA, OFFSET, SIDE, SIZE = 0, 3, 6, 7, 10, 13, 16, 17, 18, 19, 20
EVERY = 4
STEP_S = EVERY / RATE_HZ
GUST_LEAST, GUST_MOST, GUST_S = 0.08, 2.5, 2.0
POLAR_EVERY = 5
GRAVITY = np.array([0.0, 0.0, isa.G0_MPS2])
SIGMAS = (
    *(0.1, 0.1, 0.3, 3.0, 3.0, 3.0, 3.0),
    *([0.01] * 3 + [0.15] * 3),
    *(8.0, 8.0, 2.0, 0.1, 0.05, 2.0, 15.0),
)
NOISE = (
    *(3e-4, 3e-4, 3e-4, 5e-3, 5e-3, 5e-3, 0.0),
    *([2e-5] * 3 + [2e-4] * 3),
    *(0.3, 0.3, 1.2, 3e-4, 3e-4, 1e-3, 1e-2),
)
"""Standard deviations at the start, and process noise per √s, in the order of the states."""


@dataclass(frozen=True, slots=True)
class _Step:
    """What the smoother needs of a step: before the measurements, after them, and the transition to it."""

    axes: Floats
    force: Floats
    state: Floats
    cov: Floats
    cov_before: Floats
    move: Floats
    change: Floats


class ReferenceDesign:
    """Runs the filter over a flight, and then the smoother."""

    def __init__(self, run: Run, wing: Wing) -> None:
        self._run, self._wing = run, wing
        self._x = np.zeros(SIZE)
        self._cov = np.diag(np.square(SIGMAS))
        self._change, self._move = np.zeros(SIZE), np.eye(SIZE)
        self._gust = 0.3
        self._steps: list[_Step] = []
        first = run.gnss[0]
        self._x[VEL : VEL + 2] = first[3:5]
        self._x[HEIGHT] = isa.altitude_m(run.air[0, 0])
        self._x[SIDE] = 30.0
        heading = math.atan2(first[4], first[3])
        cos, sin = math.cos(heading), math.sin(heading)
        self._axes = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])

    def varios(self) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Vario of the filter and of the smoother, m/s, and the number of the true sample of each."""
        run, latency_s = self._run, self._run.fitted.gnss_latency_s
        hz = run.fitted.gnss_hz
        arrivals = [((k + 1) / hz + latency_s, row[3:5]) for k, row in enumerate(run.gnss)][::-1]
        sums: list[Floats] = [np.zeros(2)]
        ends = np.arange(EVERY, len(run.imu) + 1, EVERY)
        live = []
        for k, end in enumerate(ends.tolist()):
            force, accel = self._predict(run.imu[end - EVERY : end].mean(axis=0))
            sums.append(sums[-1] + STEP_S * accel[:2])
            self._change = np.zeros(SIZE)
            cov_before, move = self._cov, self._move
            self._air_data(run.air[end // 2 - 2 : end // 2].mean(axis=0), force, accel, k)
            while arrivals and arrivals[-1][0] <= end / RATE_HZ:
                old_s, velocity = arrivals.pop()
                then = (old_s - latency_s) / STEP_S
                low = max(min(int(then), k), 0)
                since = sums[-1] - (sums[low] + (then - low) * (sums[low + 1] - sums[low]))
                for axis in range(2):
                    row = np.zeros(SIZE)
                    row[VEL + axis] = 1.0
                    residual = velocity[axis] + since[axis] - self._x[VEL + axis]
                    self._use(row, residual, 0.005 + 0.01 * hz)
            self._inject()
            self._steps.append(
                _Step(self._axes, force, self._x.copy(), self._cov, cov_before, move, self._change)
            )
            live.append(_vario(self._steps[-1], np.zeros(SIZE)))
        return np.array(live), self._smoothed(), ends - 1

    def _predict(self, imu: Floats) -> tuple[Floats, Floats]:
        """One step of inertial navigation; specific force and acceleration over ground."""
        x = self._x
        force, rate = imu[:3] - x[ACC : ACC + 3], imu[3:] - x[GYRO : GYRO + 3]
        middle = self._axes @ _turn(0.5 * STEP_S * rate)
        self._axes = self._axes @ _turn(STEP_S * rate)
        pushed = middle @ force
        accel = pushed + GRAVITY
        x[HEIGHT] -= STEP_S * (x[VEL + 2] + 0.5 * STEP_S * accel[2])
        x[VEL : VEL + 3] += STEP_S * accel
        move = np.eye(SIZE)
        move[VEL : VEL + 3, TILT : TILT + 3] = -STEP_S * _skew(pushed)
        move[VEL : VEL + 3, ACC : ACC + 3] = move[TILT : TILT + 3, GYRO : GYRO + 3] = -STEP_S * middle
        move[HEIGHT, VEL + 2] = -STEP_S
        noise = np.square(NOISE) * STEP_S
        noise[WIND : WIND + 2] = self._gust**2 * STEP_S
        self._cov, self._move = move @ self._cov @ move.T + np.diag(noise), move
        return force, accel

    def _air_data(self, pressures: Floats, force: Floats, accel: Floats, number: int) -> None:
        """Height, airspeed, lift curve, side force and polar."""
        x, fitted = self._x, self._run.fitted
        static_pa, impact_pa = pressures.tolist()
        height_m = isa.altitude_m(static_pa)
        air_k = isa.temperature_k(height_m)
        density = isa.density_kgpm3(static_pa, air_k)
        ratio = density / isa.SEA_LEVEL_KGPM3
        late_s = 0.25 * STEP_S  # the mean of the two readings of a step
        row = np.zeros(SIZE)
        lag_s = fitted.baro_lag_s + late_s
        row[HEIGHT], row[VEL + 2] = 1.0, lag_s
        residual = height_m - x[HEIGHT] - lag_s * x[VEL + 2] + lag_s * fitted.baro_lag_s * accel[2]
        self._use(row, residual, 0.12**2 / 2.0)
        through = x[VEL : VEL + 3] - x[WIND : WIND + 3]
        speed = float(np.linalg.norm(through))
        body = self._axes.T @ through
        of_tilt = self._axes.T @ _skew(through)
        row = np.zeros(SIZE)
        row[VEL : VEL + 3], row[WIND : WIND + 3] = through / speed, -through / speed
        row[OFFSET] = 1.0 / (density * speed)
        lag_s = fitted.pitot_lag_s + late_s
        expected = speed - lag_s * float(through @ accel) / speed + x[OFFSET] * row[OFFSET]
        residual = isa.tas_mps(max(impact_pa, 0.0), static_pa, air_k) - expected
        nis = self._use(row, residual, 0.03**2)
        grow = 0.5 * STEP_S / GUST_S * (min(nis, 25.0) - 1.0)
        self._gust = min(max(self._gust * math.exp(grow), GUST_LEAST), GUST_MOST)
        fast = max(speed, 10.0)
        lift = -self._wing.lift_m * force[2] / (ratio * fast)
        side = x[SIDE] * force[1] / (ratio * fast)
        row = self._row(of_tilt[2], self._axes[:, 2])
        row[ALPHA] = -fast
        self._use(row, fast * x[ALPHA] + lift - body[2], 0.1**2 / STEP_S)
        row = self._row(of_tilt[1], self._axes[:, 1])
        row[BETA], row[SIDE] = -fast, force[1] / (ratio * fast)
        self._use(row, fast * x[BETA] - side - body[1], 0.15**2 / STEP_S)
        if number % POLAR_EVERY == 0:
            load = float(np.linalg.norm(force)) / isa.G0_MPS2
            row = self._row(force @ of_tilt, self._axes @ force) / isa.G0_MPS2
            residual = -float(force @ body) / isa.G0_MPS2 - self._wing.sink_mps(speed, load, ratio)
            self._use(row, residual, 0.6**2 / (POLAR_EVERY * STEP_S))

    @staticmethod
    def _row(tilt: Floats, air: Floats) -> Floats:
        """The row of a measurement that depends on the velocity through the air, in body axes."""
        row = np.zeros(SIZE)
        row[TILT : TILT + 3], row[VEL : VEL + 3], row[WIND : WIND + 3] = tilt, air, -air
        return row

    def _use(self, row: Floats, residual: float, variance: float) -> float:
        """One scalar measurement; the correction is applied at the end of the step. Returns its NIS."""
        spread = self._cov @ row
        total = float(row @ spread) + variance
        innovation = residual - float(row @ self._change)
        self._change = self._change + spread * (innovation / total)
        self._cov = self._cov - np.outer(spread, spread) / total
        return innovation * innovation / total

    def _inject(self) -> None:
        change = self._change
        self._axes = _turn(change[:3]) @ self._axes
        self._x[3:] += change[3:]

    def _smoothed(self) -> Floats:
        """The vario from each step after correction by all later ones.

        The correction of a step from the later ones is e = P F' P⁻¹ (e of the next step + its own
        correction), with P⁻¹ of the prediction of the next step.
        """
        later, found = np.zeros(SIZE), []
        for k in range(len(self._steps) - 1, -1, -1):
            step = self._steps[k]
            if k + 1 < len(self._steps):
                after = self._steps[k + 1]
                gain = np.linalg.solve(after.cov_before, after.move @ step.cov).T
                later = gain @ (later + after.change)
            found.append(_vario(step, later))
        return np.array(found[::-1])


def _vario(step: _Step, change: Floats) -> float:
    """Gust-free total energy: climb plus velocity through the air times acceleration over g."""
    x = step.state + change
    accel = _turn(change[:3]) @ step.axes @ (step.force - change[ACC : ACC + 3]) + GRAVITY
    through = x[VEL : VEL + 3] - x[WIND : WIND + 3]
    return float(-x[VEL + 2] + through @ accel / isa.G0_MPS2)


def _skew(v: Floats) -> Floats:
    x, y, z = v.tolist()
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _turn(angle: Floats) -> Floats:
    """The rotation by a small vector (Rodrigues, fourth order)."""
    cross = _skew(angle)
    square = float(angle @ angle)
    return np.eye(3) + (1.0 - square / 6.0) * cross + (0.5 - square / 24.0) * cross @ cross
