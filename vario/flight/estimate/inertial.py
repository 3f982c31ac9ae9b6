"""The corrections of the inertial filter; the model is described in `inertial_model`.

Every measurement is scalar and used in turn: no matrix is inverted, and each has its own gate. The
equations are the Kalman filter's (R. Labbe's filterpy implements the same and checks it in the tests).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.fill import Fill
from vario.flight.estimate.in_turn import InTurn
from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    BETA,
    CLIMB,
    GUST,
    GYRO,
    HEIGHT,
    LAG,
    LATE,
    POLAR_EVERY_S,
    PSI,
    SIDE,
    SIZE,
    SKEW,
    WIND,
    InertialNoise,
    Regime,
    V,
    Vector,
    Wing,
)
from vario.flight.estimate.inertial_state import InertialState, cross, _level
from vario.flight.monitor import Innovation

GATES = {"height": 5.0, "sideslip": 4.0, "lift": 4.0}
REFUSE_NIS = 25.0
START_OVER_S = 8.0
MUCH_DRAG_MPS = 1.5
OFF_POLAR_SIGMAS = 2.0
OFF_POLAR_S = 180.0
GUST_WINDOW_S = 0.5
"""Standard deviations beyond which an innovation counts for less: as much as one at the gate would."""

NIS_S = 4.0
"""How long innovations are looked back at."""

LOOSE_STALLED = 400.0
LOOSE_TOWED = 2.0
"""How much less the lift curve is believed, in variance: not at all in a stall; on tow the rope pulls a
little up or down, on a winch a lot down."""

SETTLE_S = 10.0
"""No gate and no learning of the air's roughness until the start's large errors are worked off."""


_HEIGHT, _AIRSPEED, _SIDESLIP, _LIFT = range(4)
"""The measurements in flight, by their rows; the height is always the first."""

_ROLLING_ROWS = np.eye(SIZE)[[HEIGHT]]
_REST_ROWS = np.eye(SIZE)[[HEIGHT, V, GYRO, V + 1, GYRO + 1, V + 2, GYRO + 2]]

_ROW_PLACES = np.ravel_multi_index(
    (
        [_HEIGHT] * 2 + [_AIRSPEED] * 3 + [_SIDESLIP] * 6 + [_LIFT] * 3,
        [
            *(CLIMB, LAG),
            *(V, V + 1, V + 2),
            *(V, ACC + 1, ACC + 2, BETA, SIDE, SKEW),
            *(V, ACC + 2, ALPHA),
        ],
    ),
    (4, SIZE),
)
"""Where the rows in flight hold numbers that change; see `_in_flight`."""


class InertialFilter(InertialState):
    """The filter: call `correct` when a batch of measurements is due."""

    def __init__(self, wing: Wing, noise: InertialNoise) -> None:
        super().__init__(wing, noise)
        self._rows = np.zeros((4, SIZE))
        self._rows[[_HEIGHT, _AIRSPEED, _SIDESLIP, _LIFT], [HEIGHT, GUST, V + 1, V + 2]] = 1.0
        self._fill_rows = Fill(_ROW_PLACES)
        self._ground: list[tuple[float, float, float]] = []
        self._ground_s = 0.0
        self._ground_used_s = 0.0
        self._heading_s = 0.0
        self._refused_s = 0.0
        self._gust_s, self._gust_sum, self._gust_count = 0.0, 0.0, 0
        self._off_polar_s = 0.0
        self._turns: InTurn

    def correct(self, regime: Regime, density_ratio: float) -> None:
        """Bring covariance and estimate up to now with the batch of measurements and what flying implies."""
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
            self._turns.finish()
        else:
            self._in_flight(regime, density_ratio, t)
        self._ground.clear()
        self._inject()
        self._clear_batch()

    def ground_velocity(self, north_mps: float, east_mps: float, age_s: float) -> None:
        """Take in a velocity over ground that carries a time `age_s` ago; how late that time is, is a state."""
        self._ground.append((north_mps, east_mps, age_s - self._clock_s))

    def _correct_ground(self, north_mps: float, east_mps: float, stamp_s: float) -> None:
        n = self.noise
        # How the velocity has changed since then, and how fast it did at that time.
        then_s = -stamp_s - self.gnss_latency_s
        track = self._track
        if len(track) < 4 or then_s < track[0][0]:
            return
        k = len(track) - 2
        while k > 1 and track[k][0] > then_s:
            k -= 1
        (t0, n0, e0), (t1, n1, e1) = track[k], track[k + 1]
        slow_north, slow_east = (n1 - n0) / (t1 - t0), (e1 - e0) / (t1 - t0)
        north_mps += self._gone[0] - n0 - slow_north * (then_s - t0)
        east_mps += self._gone[1] - e0 - slow_east * (then_s - t0)
        if not self.heading_known:
            self._find_heading(north_mps, east_mps)
        since_s = min(max(self._clock_s - self._ground_used_s, 0.05), 2.0)
        self._ground_used_s = self._clock_s
        v = self.air
        north, east = self.north, self.east
        rows = np.zeros((2, SIZE))
        rows[0, PSI : PSI + 3] = cross(v, north)
        rows[1, PSI : PSI + 3] = cross(v, east)
        rows[0, V : V + 3] = north
        rows[1, V : V + 3] = east
        rows[0, WIND] = rows[1, WIND + 1] = 1.0
        rows[0, LATE], rows[1, LATE] = -slow_north, -slow_east
        self._measure(rows)
        variance = n.gnss_mps**2 + n.gnss_mps_sqrt_s**2 / since_s
        residual_n = north_mps - _dot(north, v) - self.wind_mps[0]
        residual_e = east_mps - _dot(east, v) - self.wind_mps[1]
        s0 = self._turns.signal(0) + variance
        s1 = self._turns.signal(1) + variance
        i0 = residual_n - self._turns.expected(0)
        i1 = residual_e - self._turns.expected(1)
        if (i0 * i0 / s0 > REFUSE_NIS or i1 * i1 / s1 > REFUSE_NIS) and self._clock_s > self._heading_s + 5.0:
            self._refused_s += since_s
            if self._refused_s > START_OVER_S:
                self.heading_known = False
                self._refused_s = 0.0
            return
        self._refused_s = 0.0
        self._scalar("north", 0, residual_n, variance)
        self._scalar("east", 1, residual_e, variance)
        self._turns.finish()

    def _find_heading(self, north_mps: float, east_mps: float) -> None:
        """Begin with the heading along the track and a wind not known."""
        speed = math.hypot(north_mps, east_mps)
        if speed < 10.0:
            return
        n = self.noise
        dx, dy, dz = self.down
        along = _level(self.down, self.air)
        right = cross(self.down, along)
        cos, sin = north_mps / speed, east_mps / speed
        self.north = (
            cos * along[0] - sin * right[0],
            cos * along[1] - sin * right[1],
            cos * along[2] - sin * right[2],
        )
        self._track.clear()
        d = np.array(self.down)
        keep = np.eye(SIZE)
        keep[PSI : PSI + 3, PSI : PSI + 3] -= np.outer(d, d)
        keep[WIND, WIND] = keep[WIND + 1, WIND + 1] = 0.0
        self.cov = keep @ self.cov @ keep.T
        self.cov[PSI : PSI + 3, PSI : PSI + 3] += n.heading_rad**2 * np.outer(d, d)
        self.cov[WIND, WIND] = self.cov[WIND + 1, WIND + 1] = n.wind_mps**2
        self.wind_mps = (0.0, 0.0)
        self.heading_known = True
        self._heading_s = self._clock_s

    def _measure(self, rows: NDArray[np.float64]) -> None:
        """Begin with the measurements of these rows."""
        self._turns = InTurn(self.cov, rows, self._step)

    def _scalar(self, name: str, number: int, residual: float, variance: float) -> None:
        """One scalar Kalman update; beyond the gate the residual is believed as if it were less sure."""
        turns = self._turns
        innovation = residual - turns.expected(number)
        total = turns.signal(number) + variance
        if name:
            nis = innovation * innovation / total
            gate = GATES.get(name, math.inf)
            used = nis <= gate * gate
            self.innovations[name] = Innovation(innovation, total, used=used)
            share = min(1.0, self._batch_s / NIS_S)
            self.nis[name] += share * (min(nis, 100.0) - self.nis[name])
            if not used and self._age_s > SETTLE_S:
                total = innovation * innovation / (gate * gate)
        turns.use(number, innovation, total)

    def _correct_height(self) -> None:
        count = self._height[2]
        if count:
            self._scalar("height", _HEIGHT, self._height[0] / count, self._height[1] / (count * count))

    def _at_rest(self, t: float) -> None:
        self._measure(_REST_ROWS)
        self._correct_height()
        for axis in range(3):
            self._scalar("", 1 + 2 * axis, -self.air[axis], 0.04 / t)
            # What the gyro reads on a glider that does not turn is bias.
            self._scalar("", 2 + 2 * axis, self._turn[axis] / t, 4e-6 / t)
        self._turns.finish()

    def _in_flight(self, regime: Regime, density_ratio: float, t: float) -> None:
        """Height, airspeed, and what a wing that flies implies."""
        n = self.noise
        vx, vy, vz = self.air
        x = self.x.tolist()
        alpha0, beta0, side_m, skew_m = x[ALPHA], x[BETA], x[SIDE], x[SKEW]
        speed = math.sqrt(vx * vx + vy * vy + vz * vz) + 1e-9
        fy, fz = self._push[1] / t, self._push[2] / t
        fast = max(vx + self.gust_mps, 8.0)
        per = 1.0 / (density_ratio * fast)
        lift_mps = -self.wing.lift_m * fz * per
        self._fill_rows.put(
            self._rows,
            [
                *(-self.baro_lag_s, -self.climb_mps),
                *(vx / speed, vy / speed, vz / speed),
                *(-beta0, -side_m * per, -skew_m * per, -fast, fy * per, fz * per),
                *(lift_mps / fast - alpha0, -self.wing.lift_m * per, -fast),
            ],
        )
        self._measure(self._rows)
        self._correct_height()
        if self._speed[2]:
            self._correct_airspeed()
        residual = fast * beta0 - (side_m * fy + skew_m * fz) * per - vy
        self._scalar("sideslip", _SIDESLIP, residual, n.sideslip_mps_sqrt_s**2 / t)
        residual = fast * alpha0 + lift_mps - vz
        # A stalled wing carries less than its incidence says: v_z is at least the lift curve's.
        loose = LOOSE_STALLED if regime is Regime.STALLED and residual < 0.0 else 1.0
        if regime is Regime.TOWED:
            loose = LOOSE_TOWED
        self._scalar("lift", _LIFT, residual, loose * n.lift_mps_sqrt_s**2 / t)
        self._turns.finish()
        if regime is Regime.TOWED:
            self._step[ALPHA] = 0.0
        for north_mps, east_mps, age_s in self._ground:
            self._correct_ground(north_mps, east_mps, age_s)
        self._polar_s = self._polar_s + t if regime is Regime.GLIDING else 0.0
        if self._polar_s > POLAR_EVERY_S:
            self._correct_polar(density_ratio, self._polar_s)
            self._polar_s = 0.0

    def _correct_airspeed(self) -> None:
        n = self.noise
        total_mps, variance, count = self._speed
        mean_mps, variance = total_mps / count, variance / (count * count)
        if self._age_s > SETTLE_S:
            # Learn how rough the air is: the innovations must have the size the filter expects.
            residual = mean_mps - self._turns.expected(_AIRSPEED)
            total = self._turns.signal(_AIRSPEED) + variance
            nis = residual * residual / total
            self._learn_gusts(residual / math.sqrt(total))
            if nis > 16.0:
                # A gust front, not an error of attitude: let the air velocity alone move, along the horizon.
                self._turns.finish()
                self._free_along_track(residual * residual / 16.0 - total)
                self._measure(self._rows)
        self._scalar("airspeed", _AIRSPEED, mean_mps, variance)

    def _learn_gusts(self, normalised: float) -> None:
        """Sums of innovations over half a second: those of single readings the lag of the tubing hides."""
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

    def _along_track(self) -> NDArray[np.float64]:
        """Horizontal direction of flight in body axes."""
        d, v = np.array(self.down), np.array(self.air)
        level = v - d * float(d @ v)
        return level / max(float(np.linalg.norm(level)), 1e-6)

    def _free_along_track(self, variance: float) -> None:
        track = self._along_track()
        there = np.zeros(SIZE)
        there[V : V + 3] = track
        there[WIND] = -float(np.dot(track, self.north))
        there[WIND + 1] = -float(np.dot(track, self.east))
        self.cov += variance * np.outer(there, there)

    def _correct_polar(self, density_ratio: float, t: float) -> None:
        """Let v_z and α0 learn from the drag the polar promises, and nothing else.

        Were tilt and biases to learn too, an error of the polar would become an error of the vario. A
        gain that is not the optimal one needs the covariance in Joseph's form.
        """
        n = self.noise
        fx, fy, fz = self.force
        vx, vy, vz = self.air
        load = math.sqrt(fx * fx + fy * fy + fz * fz) / G0_MPS2
        sink = self.wing.sink_mps(self.tas_mps, load, density_ratio)
        row = np.zeros(SIZE)
        row[3:6] = fx / G0_MPS2, fy / G0_MPS2, fz / G0_MPS2
        innovation = -(fx * vx + fy * vy + fz * vz) / G0_MPS2 - sink - float(row @ self._step)
        spread = self.cov @ row
        signal = float(row @ spread)
        # Airbrakes, a slip or a rope change the drag for a while; what stays is a wrong incidence.
        doubt = OFF_POLAR_SIGMAS * math.sqrt(signal + n.polar_mps_sqrt_s**2)
        self._off_polar_s = self._off_polar_s + t if abs(innovation) > max(doubt, MUCH_DRAG_MPS) else 0.0
        if 0.0 < self._off_polar_s < OFF_POLAR_S:
            return
        total = signal + (n.polar_mps_sqrt_s if self.wing.polar else n.generic_polar) ** 2 / t
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
        nx, ny, nz = self.north
        nx, ny, nz = nx + ny * c - nz * b, ny + nz * a - nx * c, nz + nx * b - ny * a
        self.north = _level(self.down, (nx, ny, nz))
        self.x[14:19] += step[14:19]
        self.wind_mps = (self.wind_mps[0] + s[WIND], self.wind_mps[1] + s[WIND + 1])
        self.gnss_latency_s = min(max(self.gnss_latency_s + s[LATE], 0.0), 0.6)
        self.baro_lag_s = min(max(self.baro_lag_s + s[LAG], 0.0), 0.4)
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
            wind_north, wind_east = self.wind_mps
            self.wind_mps = (
                wind_north - u * _dot(track, self.north),
                wind_east - u * _dot(track, self.east),
            )
            self.gust_mps = 0.0
            self.cov[GUST, :] = 0.0
            self.cov[:, GUST] = 0.0
            self.cov[GUST, GUST] = self.gust_sigma_mps**2
            self._free_along_track(u * u)


def _dot(a: list[float] | Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
