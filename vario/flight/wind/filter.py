"""Kalman filter for the wind: ground velocity = wind + eddy + scale · airspeed along the heading.

The equations are those of the extended Kalman filter. They are written out, which takes a quarter of the time
of R. Labbe's filterpy; the tests compare the two. State, in this order:

    wind north, wind east   m/s
    a, c                    k·cos δ and k·sin δ, with k the airspeed's scale and δ the angle by which the
                            heading summed from the turn rate is short of true north
    b                       error of the turn rate, rad/s
    eddy north, east        m/s, turbulence of the air: a first-order Gauss-Markov process

With a and c instead of k and δ, the ground velocity is linear in the state, so the filter needs no initial
guess. Without turn rate, only the length of the velocity through the air is measured (after A. Cho, J. Kim,
S. Lee, C. Kee, Wind estimation and airspeed calibration using a UAV with a single-antenna GPS receiver and
pitot tube, IEEE Trans. Aerospace and Electronic Systems 47, 2011).

The scale is updated only while headings differ. In straight flight, gusts change the airspeed but not the
ground velocity, as if the scale were 0: an hour of rough cruise would bring k near 0. So k is not updated
there, while its uncertainty is still counted (a "consider" state: S. F. Schmidt, Application of state-space
methods to navigation problems, Advances in Control Systems 3, 1966).
"""

from __future__ import annotations

import math

import numpy as np

from vario.flight.core.low_pass import low_pass_weight
from vario.flight.wind.state import SIZE, START_SCALE, TURN, B, E, Floats, N, WindState

USUAL_SCALE = 0.08
"""Usual standard deviation of the scale of an airspeed sensor (common practice, no source)."""

REJECT_NIS = 25.0
"""A measurement with a larger NIS is an outlier."""

SPREAD_S = 20.0
STRAIGHT = 0.95
"""Flight is straight if the mean of the unit vector of direction over this time is longer than this
(±18°)."""

START_OVER_S = 15.0
"""Until the scale is known, the filter is reset after this time of straight flight, because gusts bias it."""

RESTART_S = 12.0
"""If measurements are outliers for this long, the filter is wrong and is reset."""


_EYE = np.eye(SIZE)
_WIND_ROWS = _EYE[[N, E]]


def _inverse(hpht: list[list[float]], variance: float) -> list[list[float]] | None:
    """Inverse of S = HPHᵀ + R for one or two residuals; None if it has none."""
    if len(hpht) == 1:
        s = hpht[0][0] + variance
        return [[1.0 / s]] if s > 0.0 else None
    (a, b), (c, d) = hpht
    a, d = a + variance, d + variance
    size = a * d - b * c
    return [[d / size, -b / size], [-c / size, a / size]] if size > 0.0 else None


def _size2(residual: list[float], inverse: list[list[float]]) -> float:
    """The residual squared over its covariance (normalised innovation squared)."""
    weights = [math.fsum(m * r for m, r in zip(row, residual, strict=True)) for row in inverse]
    return math.fsum(w * r for w, r in zip(weights, residual, strict=True))


class WindFilter(WindState):
    """The filter: `predict` to the time of a measurement, then update with it."""

    # --- measurements -----------------------------------------------------------------------------

    def take_velocity(self, north: float, east: float, tas: float, heading_rad: float) -> bool:
        """Update with a ground velocity, level airspeed and turn angle; false if rejected."""
        if self.heading_lost:
            self._find_heading(north, east, heading_rad)
        cos, sin = math.cos(heading_rad), math.sin(heading_rad)
        self._update_mean_direction(cos, sin)
        if self._straight and not self.scale_known and self._ran_s > START_OVER_S:
            direction = self._mean_direction
            self._reset()
            self._mean_direction = direction
        along, across = tas * cos, tas * sin
        h = np.array([[1.0, 0.0, along, -across, 0.0, 1.0, 0.0], [0.0, 1.0, across, along, 0.0, 0.0, 1.0]])
        expected_north, expected_east = h.dot(self._x).tolist()
        residual = [north - expected_north, east - expected_east]
        taken = self._take(residual, h, self.noise.gnss_mps**2, eddies=True)
        if not self._scale_hinted and self.scale > 0.3 and self.north_sigma_rad < 0.2:
            self._hint_scale()
        return taken

    def take_speed(self, north: float, east: float, tas: float) -> bool:
        """Update with a ground velocity and level airspeed without heading; false if rejected."""
        self.heading_lost = True
        wind_north, wind_east, *_, eddy_north, eddy_east = self._x.tolist()
        through_north, through_east = north - wind_north - eddy_north, east - wind_east - eddy_east
        through = math.hypot(through_north, through_east)
        length = max(through, 1.0)
        there_north, there_east = through_north / length, through_east / length
        self._update_mean_direction(there_north, there_east)
        cos, sin = self._unit()
        h = np.array([[there_north, there_east, tas * cos, tas * sin, 0.0, there_north, there_east]])
        residual = [through - tas * self.scale]
        return self._take(residual, h, self.noise.gnss_mps**2, eddies=True)

    def take_wind(self, north: float, east: float, sigma: float) -> bool:
        """Update with the wind from a circle; false if rejected."""
        wind_north, wind_east = self.wind_mps
        return self._take([north - wind_north, east - wind_east], _WIND_ROWS, sigma**2, eddies=False)

    def start_scale(self, scale: float, sigma: float) -> None:
        """Set the scale while the heading is not known."""
        self._x[TURN] = scale, 0.0
        self._forget(TURN, np.diag([sigma**2, START_SCALE**2]))
        self.heading_lost = self._scale_hinted = True

    def lose_heading(self) -> None:
        """The turn angle has a gap: its relation to north must be found again."""
        self.heading_lost = True

    # --- inside -----------------------------------------------------------------------------------

    def _take(self, residual: list[float], h: Floats, variance: float, *, eddies: bool) -> bool:
        """Update with a measurement unless it is an outlier; `variance` is R for each component."""
        count = len(residual)
        pht = self._cov.dot(h.T)
        inverse = _inverse(h.dot(pht).tolist(), variance)
        nis = math.nan if inverse is None else _size2(residual, inverse) / count
        if inverse is None or not math.isfinite(nis):
            self.restarts += 1
            self._reset()  # numerically broken: nothing can be kept
            return False
        settled = self.sigma_mps < 3.0
        self.last_nis = nis
        if eddies and settled:
            self._learn_eddies(nis)
        # Near straight flight, a wind with a large variance would follow a gust many times its size.
        if (settled or self.scale_known) and nis * count > REJECT_NIS:
            self._rejected_s += self._since_s
            if self._rejected_s > RESTART_S:
                self.restarts += 1
                self._reset()
            return False
        self._rejected_s = 0.0
        self.nis = nis if self.nis is None else self.nis + 0.02 * (nis - self.nis)
        before, n, e = self._principal_axis()
        self._use(residual, h, variance, pht.dot(inverse), keep_scale=self._straight and self.scale_known)
        p = self._cov
        after = n * n * p[N, N] + 2.0 * n * e * p[N, E] + e * e * p[E, E]
        # The old part of the information along the principal axis keeps its age.
        self.age_s *= min(1.0, float(after) / before)
        return True

    def _use(
        self, residual: list[float], h: Floats, variance: float, gain: Floats, *, keep_scale: bool = False
    ) -> None:
        """Update x and P; Joseph's form is valid for any gain."""
        if keep_scale:
            scale = self.scale
            unit = self._x[TURN] / scale
            gain[TURN] -= np.multiply.outer(unit, unit.dot(gain[TURN]))
            self._x = self._x + gain.dot(residual)
            self._x[TURN] *= scale / self.scale  # the step along the tangent has changed the scale
        else:
            self._x = self._x + gain.dot(residual)
        left = _EYE - gain.dot(h)
        cov = left.dot(self._cov).dot(left.T) + variance * gain.dot(gain.T)
        self._cov = 0.5 * (cov + cov.T)

    def _update_mean_direction(self, cos: float, sin: float) -> None:
        """Update the mean direction of flight."""
        old = self._mean_direction or (cos, sin)
        share = low_pass_weight(self._since_s, SPREAD_S)
        self._mean_direction = old[0] + share * (cos - old[0]), old[1] + share * (sin - old[1])

    @property
    def _straight(self) -> bool:
        return self._mean_direction is not None and math.hypot(*self._mean_direction) > STRAIGHT

    def _learn_eddies(self, nis: float) -> None:
        n = self.noise
        grow = 0.5 * self._since_s / n.eddy_learn_s * (min(nis, 9.0) - 1.0)
        self.eddy_mps = min(n.eddy_most_mps, max(n.eddy_least_mps, self.eddy_mps * math.exp(grow)))

    def _hint_scale(self) -> None:
        """Once the direction is known, update with the usual scale, 1."""
        self._scale_hinted = True
        cos, sin = self._unit()
        h = np.array([[0.0, 0.0, cos, sin, 0.0, 0.0, 0.0]])
        pht, variance = self._cov.dot(h.T), USUAL_SCALE**2
        self._use([1.0 - self.scale], h, variance, pht / (float(h[0].dot(pht[:, 0])) + variance))

    def _find_heading(self, north: float, east: float, heading_rad: float) -> None:
        """Rotate a and c to the direction of the velocity through the air, with a large variance."""
        self.heading_lost = False
        x, scale = self._x, self.scale
        if not self.has_scale or self.sigma_mps > 4.0:
            x[TURN] = 0.0
            self._forget(TURN, START_SCALE**2 * np.eye(2))
            return
        off = math.atan2(east - x[E], north - x[N]) - heading_rad - self.north_rad
        cos, sin = math.cos(off), math.sin(off)
        turned = np.eye(SIZE)
        turned[TURN, TURN] = (cos, -sin), (sin, cos)
        self._x = turned @ x
        p = turned @ self._cov @ turned.T
        cos, sin = self._unit()
        across = np.array([-sin, cos])
        p[TURN, TURN] += (0.4 * scale) ** 2 * np.outer(across, across)
        self._cov = p
        self._x[B] = 0.0
        self._forget(slice(B, B + 1), np.array([[self.noise.turn_rate_radps**2]]))

    def _forget(self, part: slice, covariance: Floats) -> None:
        p = self._cov
        p[part, :] = 0.0
        p[:, part] = 0.0
        p[part, part] = covariance
