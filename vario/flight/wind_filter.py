"""The Kalman filter behind the wind: ground velocity = wind + eddy + scale · airspeed along the heading.

State, in this order (the filter itself is R. Labbe's filterpy):

    wind north, wind east   m/s
    a, c                    k·cos δ and k·sin δ, with k the airspeed's scale and δ the angle by which the
                            heading summed from the turn rate is short of true north
    b                       error of the turn rate, rad/s
    eddy north, east        m/s, the air's unevenness: a first-order Gauss-Markov process

With a and c instead of k and δ the ground velocity is linear in the state, so the filter finds its way from
knowing nothing, without a first guess that could be wrong. Without turn rate the length of the velocity
through the air is all an airspeed says (after A. Cho, J. Kim, S. Lee, C. Kee, Wind estimation and airspeed
calibration using a UAV with a single-antenna GPS receiver and pitot tube, IEEE Trans. Aerospace and
Electronic Systems 47, 2011).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from filterpy.kalman import ExtendedKalmanFilter
from numpy.typing import NDArray

from vario.flight.wind_noise import WindNoise

Floats = NDArray[np.float64]

SIZE = 7
_N, _E, _A, _C, _B, _EDDY = 0, 1, 2, 3, 4, 5
_WIND, _TURN, _EDDIES = slice(0, 2), slice(2, 4), slice(5, 7)


START_WIND_MPS = 12.0
START_SCALE = 1.2
"""One standard deviation of a and c before anything is known: any heading, any sensible scale."""

USUAL_SCALE = 0.08
"""An airspeed sensor and its ports are seldom further off than this. Common practice, no source."""

REFUSE_NIS = 25.0
"""A measurement this far off is an outlier."""

RESTART_S = 12.0
"""Outliers for so long are the truth, and what the filter believes is not."""


class WindFilter:
    """Predict to the time of a fix, then take it in. All angles rad, speeds m/s.

    Attributes:
        eddy_mps: strength of the eddies, learnt.
        heading_lost: the heading has no known relation to north, and will be found with the next velocity.
        age_s: mean age of what is known of the wind's least known direction.
        last_nis: normalised innovation squared of the last measurement, over its dimension; `nis` smoothed.
        restarts: how often it had to begin afresh.
    """

    def __init__(self, noise: WindNoise) -> None:
        self.noise = noise
        self.restarts = 0
        self._begin()

    def _begin(self) -> None:
        kalman = ExtendedKalmanFilter(SIZE, 2)
        kalman.x = np.zeros(SIZE)
        self.eddy_mps = min(max(0.5, self.noise.eddy_least_mps), self.noise.eddy_most_mps)
        kalman.P = np.diag(
            [START_WIND_MPS**2] * 2
            + [START_SCALE**2] * 2
            + [self.noise.turn_rate_radps**2]
            + [self.eddy_mps**2] * 2
        )
        self._kalman = kalman
        self._scale_hinted = False
        self._refused_s = 0.0
        self._since_s = 0.0
        self.heading_lost = False
        self.age_s = 0.0
        self.nis: float | None = None
        self.last_nis: float | None = None

    # --- what is known ----------------------------------------------------------------------------

    @property
    def state(self) -> Floats:
        """A copy of the state."""
        return np.array(self._kalman.x, dtype=np.float64)

    @property
    def covariance(self) -> Floats:
        """A copy of its covariance."""
        return np.array(self._kalman.P, dtype=np.float64)

    @property
    def wind_mps(self) -> tuple[float, float]:
        """North and east."""
        return float(self._kalman.x[_N]), float(self._kalman.x[_E])

    @property
    def sigma_mps(self) -> float:
        """One standard deviation of the wind in its least known direction."""
        return math.sqrt(max(self._worst()[0], 0.0))

    @property
    def scale(self) -> float:
        """True airspeed over measured; 0 while nothing is known."""
        return math.hypot(self._kalman.x[_A], self._kalman.x[_C])

    @property
    def scale_sigma(self) -> float:
        """One standard deviation of `scale`."""
        return self._along(*self._unit())

    @property
    def north_rad(self) -> float:
        """What to add to the summed heading for one from true north."""
        return math.atan2(self._kalman.x[_C], self._kalman.x[_A])

    @property
    def north_sigma_rad(self) -> float:
        """One standard deviation of `north_rad`; infinite while nothing is known."""
        cos, sin = self._unit()
        return self._along(-sin, cos) / self.scale if self.scale > 0.0 and not self.heading_lost else math.inf

    def _unit(self) -> tuple[float, float]:
        scale = self.scale
        return (self._kalman.x[_A] / scale, self._kalman.x[_C] / scale) if scale > 0.0 else (1.0, 0.0)

    def _along(self, a: float, c: float) -> float:
        p = self._kalman.P
        return math.sqrt(max(a * a * p[_A, _A] + 2.0 * a * c * p[_A, _C] + c * c * p[_C, _C], 0.0))

    def _worst(self) -> tuple[float, float, float]:
        """Largest eigenvalue of the wind's covariance and its direction."""
        p = self._kalman.P
        nn, ee, ne = float(p[_N, _N]), float(p[_E, _E]), float(p[_N, _E])
        angle = 0.5 * math.atan2(2.0 * ne, nn - ee)
        value = 0.5 * (nn + ee) + math.hypot(0.5 * (nn - ee), ne)
        return value, math.cos(angle), math.sin(angle)

    # --- time passes ------------------------------------------------------------------------------

    def predict(self, dt_s: float, climbed_m: float = 0.0, moved_m: float = 0.0) -> None:
        """Let time pass, in which the glider climbed and moved on through the air."""
        n, kalman = self.noise, self._kalman
        x = kalman.x.copy()
        a, c, b = x[_A], x[_C], x[_B]
        keep = math.exp(-dt_s / n.eddy_s)
        f = np.eye(SIZE)
        f[_A, _C], f[_C, _A] = -b * dt_s, b * dt_s
        f[_A, _B], f[_C, _B] = -c * dt_s, a * dt_s
        f[_EDDY, _EDDY] = f[_EDDY + 1, _EDDY + 1] = keep
        wind = (
            n.wind_mps_per_sqrt_s**2 * dt_s
            + n.wind_mps_per_sqrt_km**2 * moved_m / 1000.0
            + n.wind_mps_per_sqrt_m**2 * abs(climbed_m)
        )
        turn = n.heading_rad_per_sqrt_s**2 * dt_s
        scale = n.scale_per_sqrt_s**2 * dt_s
        eddy = self.eddy_mps**2 * (1.0 - keep * keep)
        drift = n.turn_rate_drift**2 * dt_s
        q = np.diag([wind, wind, c * c * turn + scale, a * a * turn + scale, drift, eddy, eddy])
        q[_A, _C] = q[_C, _A] = -a * c * turn
        kalman.F, kalman.Q = f, q
        kalman.predict()
        # filterpy moves the state by F, which for the product b·(a, c) would move it twice.
        x[_A], x[_C] = a - b * c * dt_s, c + b * a * dt_s
        x[_EDDIES] *= keep
        kalman.x = x
        self.age_s += dt_s
        self._since_s = dt_s

    # --- measurements -----------------------------------------------------------------------------

    def take_velocity(self, north: float, east: float, tas: float, heading_rad: float) -> bool:
        """Ground velocity with level airspeed and summed heading; false if it was refused."""
        if self.heading_lost:
            self._find_heading(north, east, heading_rad)
        along, across = tas * math.cos(heading_rad), tas * math.sin(heading_rad)
        h = np.zeros((2, SIZE))
        h[0] = 1.0, 0.0, along, -across, 0.0, 1.0, 0.0
        h[1] = 0.0, 1.0, across, along, 0.0, 0.0, 1.0
        taken = self._take(
            np.array([north, east]), h, lambda x: h @ x, self.noise.gnss_mps**2 * np.eye(2), eddies=True
        )
        if not self._scale_hinted and self.scale > 0.3 and self.north_sigma_rad < 0.2:
            self._hint_scale()
        return taken

    def take_speed(self, north: float, east: float, tas: float) -> bool:
        """Ground velocity with level airspeed, the heading unknown; false if it was refused."""
        self.heading_lost = True
        x = self._kalman.x
        through = (north - x[_N] - x[_EDDY], east - x[_E] - x[_EDDY + 1])
        length = max(math.hypot(*through), 1.0)
        cos, sin = self._unit()
        h = np.zeros((1, SIZE))
        h[0, :4] = through[0] / length, through[1] / length, tas * cos, tas * sin
        h[0, 5:] = h[0, :2]

        def excess(state: Floats) -> Floats:
            return np.array(
                [
                    tas * math.hypot(state[_A], state[_C])
                    - math.hypot(north - state[_N] - state[_EDDY], east - state[_E] - state[_EDDY + 1])
                ]
            )

        return self._take(np.zeros(1), h, excess, np.array([[self.noise.gnss_mps**2]]), eddies=True)

    def take_wind(self, north: float, east: float, sigma: float) -> bool:
        """The wind itself, from a circle; false if it was refused."""
        h = np.zeros((2, SIZE))
        h[0, _N] = h[1, _E] = 1.0
        return self._take(np.array([north, east]), h, lambda x: h @ x, sigma**2 * np.eye(2), eddies=False)

    def start_scale(self, scale: float, sigma: float) -> None:
        """Begin with a scale where no heading is known."""
        self._kalman.x[_TURN] = scale, 0.0
        self._forget(_TURN, np.diag([sigma**2, START_SCALE**2]))
        self.heading_lost = self._scale_hinted = True

    @property
    def has_scale(self) -> bool:
        """Whether a and c mean anything yet."""
        return self.scale > 0.3

    def lose_heading(self) -> None:
        """The summed heading has a gap: its north must be found again."""
        self.heading_lost = True

    # --- inside -----------------------------------------------------------------------------------

    def _take(
        self, z: Floats, h: Floats, expected: Callable[[Floats], Floats], r: Floats, *, eddies: bool
    ) -> bool:
        kalman = self._kalman
        y = z - expected(kalman.x)
        s = h @ kalman.P @ h.T + r
        nis = float(y @ np.linalg.solve(s, y)) / len(z)
        settled = self.sigma_mps < 3.0
        self.last_nis = nis
        if eddies and settled:
            self._learn_eddies(nis)
        if settled and nis * len(z) > REFUSE_NIS:
            self._refused_s += self._since_s
            if self._refused_s > RESTART_S:
                self.restarts += 1
                self._begin()
            return False
        self._refused_s = 0.0
        self.nis = nis if self.nis is None else self.nis + 0.02 * (nis - self.nis)
        before, n, e = self._worst()
        kalman.update(z, lambda _x: h, expected, r)
        kalman.P = 0.5 * (kalman.P + kalman.P.T)
        p = kalman.P
        after = n * n * p[_N, _N] + 2.0 * n * e * p[_N, _E] + e * e * p[_E, _E]
        # The share of old knowledge that remains along the least known direction keeps its age.
        self.age_s *= min(1.0, float(after) / before)
        return True

    def _learn_eddies(self, nis: float) -> None:
        n = self.noise
        grow = 0.5 * self._since_s / n.eddy_learn_s * (min(nis, 9.0) - 1.0)
        self.eddy_mps = min(n.eddy_most_mps, max(n.eddy_least_mps, self.eddy_mps * math.exp(grow)))

    def _hint_scale(self) -> None:
        """Once the direction is known, say how large a scale usually is."""
        self._scale_hinted = True
        h = np.zeros((1, SIZE))
        h[0, _TURN] = self._unit()
        self._kalman.update(
            np.array([1.0]),
            lambda _x: h,
            lambda x: np.array([math.hypot(x[_A], x[_C])]),
            np.array([[USUAL_SCALE**2]]),
        )

    def _find_heading(self, north: float, east: float, heading_rad: float) -> None:
        """Turn a and c to where the velocity through the air points; how far they may be off is wide."""
        self.heading_lost = False
        x, scale = self._kalman.x, self.scale
        if not self.has_scale or self.sigma_mps > 4.0:
            x[_TURN] = 0.0
            self._forget(_TURN, START_SCALE**2 * np.eye(2))
            return
        off = math.atan2(east - x[_E], north - x[_N]) - heading_rad - self.north_rad
        cos, sin = math.cos(off), math.sin(off)
        turned = np.eye(SIZE)
        turned[_TURN, _TURN] = (cos, -sin), (sin, cos)
        self._kalman.x = turned @ x
        p = turned @ self._kalman.P @ turned.T
        cos, sin = self._unit()
        across = np.array([-sin, cos])
        p[_TURN, _TURN] += (0.4 * scale) ** 2 * np.outer(across, across)
        self._kalman.P = p
        self._kalman.x[_B] = 0.0
        self._forget(slice(_B, _B + 1), np.array([[self.noise.turn_rate_radps**2]]))

    def _forget(self, part: slice, covariance: Floats) -> None:
        p = self._kalman.P
        p[part, :] = 0.0
        p[:, part] = 0.0
        p[part, part] = covariance
