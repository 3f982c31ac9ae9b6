"""The corrections of the inertial filter; the model is described in `inertial_model`.

Every measurement is scalar and used in turn: no matrix is inverted, and each has its own gate. The
equations are the Kalman filter's (R. Labbe's filterpy implements the same and checks it in the tests).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.inertial_model import (
    ALPHA,
    BETA,
    CLIMB,
    GUST,
    GYRO,
    HEIGHT,
    POLAR_EVERY_S,
    SIDE,
    SIZE,
    SKEW,
    Regime,
    V,
    unit_row,
)
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.monitor import Innovation

GATES = {"height": 5.0, "sideslip": 4.0, "lift": 4.0}
"""Standard deviations beyond which an innovation counts for less: as much as one at the gate would."""

LOOSE_STALLED = 400.0
LOOSE_TOWED = 9.0
"""How much less the lift curve is believed, in variance: not at all in a stall; on tow the rope pulls a
little up or down, on a winch a lot down."""

SETTLE_S = 10.0
"""No gate and no learning of the air's roughness until the start's large errors are worked off."""


class InertialFilter(InertialState):
    """The filter: call `correct` when a batch of measurements is due."""

    def correct(self, regime: Regime, density_ratio: float) -> None:
        """Bring covariance and estimate up to now with the batch of measurements and what flying implies."""
        if self._batch_s <= 0.0:
            return
        t = self._batch_s
        self.innovations = {}
        self.predict_covariance(regime)
        self._step[:] = 0.0
        flying = regime not in {Regime.REST, Regime.ROLLING}
        if self._height[2]:
            count = self._height[2]
            row = unit_row(HEIGHT)
            self._scalar("height", row, self._height[0] / count, self._height[1] / (count * count))
        if self._speed[2] and flying:
            self._correct_airspeed()
        if flying:
            self._correct_wing(regime, density_ratio, t)
        elif regime is Regime.REST:
            for axis in range(3):
                self._scalar("", unit_row(V + axis), -self.air[axis], 0.04 / t)
                # What the gyro reads on a glider that does not turn is bias.
                self._scalar("", unit_row(GYRO + axis), self._turn[axis] / t, 4e-6 / t)
        self._inject()
        self._clear_batch()

    def _scalar(self, name: str, row: NDArray[np.float64], residual: float, variance: float) -> None:
        """One scalar Kalman update; beyond the gate the residual is believed as if it were less sure."""
        spread = self.cov @ row
        signal = float(row @ spread)
        innovation = residual - float(row @ self._step)
        total = signal + variance
        nis = innovation * innovation / total
        gate = GATES.get(name)
        if name:
            used = gate is None or nis <= gate * gate
            self.innovations[name] = Innovation(innovation, total, used=used)
            self.nis[name] += 0.01 * (min(nis, 100.0) - self.nis[name])
        if gate is not None and nis > gate * gate and self._age_s > SETTLE_S:
            total = innovation * innovation / (gate * gate)
        self._step += spread * (innovation / total)
        self.cov -= np.multiply.outer(spread, spread / total)

    def _correct_airspeed(self) -> None:
        n = self.noise
        count = self._speed[2]
        vx, vy, vz = self.air
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        row = np.zeros(SIZE)
        row[3], row[4], row[5], row[16] = vx / speed, vy / speed, vz / speed, 1.0
        residual = self._speed[0] / count - float(row @ self._step)
        variance = self._speed[1] / (count * count)
        total = float(row @ self.cov @ row) + variance
        nis = residual * residual / total
        if self._age_s > SETTLE_S:
            # Learn how rough the air is: the innovations must have the size the filter expects.
            grow = 0.5 * self._batch_s / n.gust_learn_s * (min(nis, 9.0) - 1.0)
            self.gust_sigma_mps = min(
                n.gust_most_mps, max(n.gust_least_mps, self.gust_sigma_mps * math.exp(grow))
            )
            if nis > 16.0:
                # A gust front, not an error of attitude: let the air velocity alone move, along the horizon.
                self._free_along_track(residual * residual / 16.0 - total)
        self._scalar("airspeed", row, self._speed[0] / count, variance)

    def _along_track(self) -> NDArray[np.float64]:
        """Horizontal direction of flight in body axes."""
        d, v = np.array(self.down), np.array(self.air)
        level = v - d * float(d @ v)
        return level / max(float(np.linalg.norm(level)), 1e-6)

    def _free_along_track(self, variance: float) -> None:
        track = self._along_track()
        self.cov[3:6, 3:6] += variance * np.outer(track, track)

    def _correct_wing(self, regime: Regime, density_ratio: float, t: float) -> None:
        n = self.noise
        vx, vy, vz = self.air
        alpha0, beta0, side_m, skew_m = self.x[[ALPHA, BETA, SIDE, SKEW]].tolist()
        fy, fz = self._push[1] / t, self._push[2] / t
        fast = max(vx + self.gust_mps, 8.0)
        per = 1.0 / (density_ratio * fast)
        row = np.zeros(SIZE)
        row[3], row[4], row[10], row[11] = -beta0, 1.0, -side_m * per, -skew_m * per
        row[15], row[17], row[18] = -fast, fy * per, fz * per
        residual = fast * beta0 - (side_m * fy + skew_m * fz) * per - vy
        self._scalar("sideslip", row, residual, n.sideslip_mps_sqrt_s**2 / t)
        lift_mps = -self.wing.lift_m * fz * per
        row = np.zeros(SIZE)
        row[3], row[5], row[11], row[14] = lift_mps / fast - alpha0, 1.0, -self.wing.lift_m * per, -fast
        residual = fast * alpha0 + lift_mps - vz
        # A stalled wing carries less than its incidence says: v_z is at least the lift curve's.
        loose = LOOSE_STALLED if regime is Regime.STALLED and residual < 0.0 else 1.0
        if regime is Regime.TOWED:
            loose = LOOSE_TOWED
        self._scalar("lift", row, residual, loose * n.lift_mps_sqrt_s**2 / t)
        self._polar_s = self._polar_s + t if regime is Regime.GLIDING else 0.0
        if self._polar_s > POLAR_EVERY_S:
            self._correct_polar(density_ratio, self._polar_s)
            self._polar_s = 0.0

    def _correct_polar(self, density_ratio: float, t: float) -> None:
        """Let v_z and α0 learn from the drag the polar promises, and nothing else.

        Were tilt and biases to learn too, an error of the polar would become an error of the vario. A
        gain that is not the optimal one needs the covariance in Joseph's form.
        """
        fx, fy, fz = self.force
        vx, vy, vz = self.air
        load = math.sqrt(fx * fx + fy * fy + fz * fz) / G0_MPS2
        sink = self.wing.sink_mps(self.tas_mps, load, density_ratio)
        if sink is None:
            return
        row = np.zeros(SIZE)
        row[3:6] = fx / G0_MPS2, fy / G0_MPS2, fz / G0_MPS2
        innovation = -(fx * vx + fy * vy + fz * vz) / G0_MPS2 - sink - float(row @ self._step)
        if abs(innovation) > 1.5 and self._age_s > 60.0:
            return  # airbrakes, gear, a slip: not the polar's glider
        spread = self.cov @ row
        total = float(row @ spread) + self.noise.polar_mps_sqrt_s**2 / t
        gain = np.zeros(SIZE)
        gain[5], gain[14] = spread[5] / total, spread[14] / total
        self._step += gain * min(max(innovation, -3.0), 3.0)
        cross = np.multiply.outer(gain, spread)
        self.cov += total * np.multiply.outer(gain, gain) - cross - cross.T

    def _inject(self) -> None:
        """Put the error into the estimate."""
        step = self._step
        s = step.tolist()
        dx, dy, dz = self.down
        a, b, c = s[0:3]
        dx, dy, dz = dx + dy * c - dz * b, dy + dz * a - dx * c, dz + dx * b - dy * a
        size = math.sqrt(dx * dx + dy * dy + dz * dz)
        self.down = (dx / size, dy / size, dz / size)
        vx, vy, vz = self.air
        self.air = (vx + s[3], vy + s[4], vz + s[5])
        self.x[6:12] += step[6:12]
        self.x[14:] += step[14:]
        bias = self.x[6:12].tolist()
        self.gyro_bias = (bias[0], bias[1], bias[2])
        self.accel_bias = (bias[3], bias[4], bias[5])
        self.climb_mps += s[CLIMB]
        self.height_m += s[HEIGHT]
        self.gust_mps += s[GUST]
        self.x[GUST] = 0.0
        if abs(self.gust_mps) > max(1.0, 3.0 * self.gust_sigma_mps):
            # Too large to be a passing gust: the wind has changed for good. Into v with it.
            track = self._along_track().tolist()
            vx, vy, vz = self.air
            u = self.gust_mps
            self.air = (vx + u * track[0], vy + u * track[1], vz + u * track[2])
            self.gust_mps = 0.0
            self.cov[GUST, :] = 0.0
            self.cov[:, GUST] = 0.0
            self.cov[GUST, GUST] = self.gust_sigma_mps**2
            self._free_along_track(u * u)
