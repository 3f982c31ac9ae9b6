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


def take_velocity(state: WindState, north: float, east: float, tas: float, heading_rad: float) -> bool:
    """Update with a ground velocity, level airspeed and turn angle; false if rejected."""
    if state.heading_lost:
        _find_heading(state, north, east, heading_rad)
    cos, sin = math.cos(heading_rad), math.sin(heading_rad)
    _update_mean_direction(state, cos, sin)
    if _straight(state) and not state.scale_known and state.ran_s > START_OVER_S:
        direction = state.mean_direction
        state.reset()
        state.mean_direction = direction
    along, across = tas * cos, tas * sin
    h = np.array([[1.0, 0.0, along, -across, 0.0, 1.0, 0.0], [0.0, 1.0, across, along, 0.0, 0.0, 1.0]])
    expected_north, expected_east = h.dot(state.x).tolist()
    residual = [north - expected_north, east - expected_east]
    taken = _take(state, residual, h, state.noise.gnss_mps**2, eddies=True)
    if not state.scale_hinted and state.scale > 0.3 and state.north_sigma_rad < 0.2:
        _hint_scale(state)
    return taken


def take_speed(state: WindState, north: float, east: float, tas: float) -> bool:
    """Update with a ground velocity and level airspeed without heading; false if rejected."""
    state.heading_lost = True
    wind_north, wind_east, *_, eddy_north, eddy_east = state.x.tolist()
    through_north, through_east = north - wind_north - eddy_north, east - wind_east - eddy_east
    through = math.hypot(through_north, through_east)
    length = max(through, 1.0)
    there_north, there_east = through_north / length, through_east / length
    _update_mean_direction(state, there_north, there_east)
    cos, sin = state.unit()
    h = np.array([[there_north, there_east, tas * cos, tas * sin, 0.0, there_north, there_east]])
    residual = [through - tas * state.scale]
    return _take(state, residual, h, state.noise.gnss_mps**2, eddies=True)


def take_wind(state: WindState, north: float, east: float, sigma: float) -> bool:
    """Update with the wind from a circle; false if rejected."""
    wind_north, wind_east = state.wind_mps
    return _take(state, [north - wind_north, east - wind_east], _WIND_ROWS, sigma**2, eddies=False)


def start_scale(state: WindState, scale: float, sigma: float) -> None:
    """Set the scale while the heading is not known."""
    state.x[TURN] = scale, 0.0
    _forget(state, TURN, np.diag([sigma**2, START_SCALE**2]))
    state.heading_lost = state.scale_hinted = True


def lose_heading(state: WindState) -> None:
    """The turn angle has a gap: its relation to north must be found again."""
    state.heading_lost = True


def _take(state: WindState, residual: list[float], h: Floats, variance: float, *, eddies: bool) -> bool:
    """Update with a measurement unless it is an outlier; `variance` is R for each component."""
    count = len(residual)
    pht = state.cov.dot(h.T)
    inverse = _inverse(h.dot(pht).tolist(), variance)
    nis = math.nan if inverse is None else _size2(residual, inverse) / count
    if inverse is None or not math.isfinite(nis):
        state.restarts += 1
        state.reset()  # numerically broken: nothing can be kept
        return False
    settled = state.sigma_mps < 3.0
    state.last_nis = nis
    if eddies and settled:
        _learn_eddies(state, nis)
    # Near straight flight, a wind with a large variance would follow a gust many times its size.
    if (settled or state.scale_known) and nis * count > REJECT_NIS:
        state.rejected_s += state.since_s
        if state.rejected_s > RESTART_S:
            state.restarts += 1
            state.reset()
        return False
    state.rejected_s = 0.0
    state.nis = nis if state.nis is None else state.nis + 0.02 * (nis - state.nis)
    before, n, e = state.principal_axis()
    _use(state, residual, h, variance, pht.dot(inverse), keep_scale=_straight(state) and state.scale_known)
    p = state.cov
    after = n * n * p[N, N] + 2.0 * n * e * p[N, E] + e * e * p[E, E]
    # The old part of the information along the principal axis keeps its age.
    state.age_s *= min(1.0, float(after) / before)
    return True


def _use(
    state: WindState,
    residual: list[float],
    h: Floats,
    variance: float,
    gain: Floats,
    *,
    keep_scale: bool = False,
) -> None:
    """Update x and P; Joseph's form is valid for any gain."""
    if keep_scale:
        scale = state.scale
        unit = state.x[TURN] / scale
        gain[TURN] -= np.multiply.outer(unit, unit.dot(gain[TURN]))
        state.x = state.x + gain.dot(residual)
        state.x[TURN] *= scale / state.scale  # the step along the tangent has changed the scale
    else:
        state.x = state.x + gain.dot(residual)
    left = _EYE - gain.dot(h)
    cov = left.dot(state.cov).dot(left.T) + variance * gain.dot(gain.T)
    state.cov = 0.5 * (cov + cov.T)


def _update_mean_direction(state: WindState, cos: float, sin: float) -> None:
    """Update the mean direction of flight."""
    old = state.mean_direction or (cos, sin)
    share = low_pass_weight(state.since_s, SPREAD_S)
    state.mean_direction = old[0] + share * (cos - old[0]), old[1] + share * (sin - old[1])


def _straight(state: WindState) -> bool:
    return state.mean_direction is not None and math.hypot(*state.mean_direction) > STRAIGHT


def _learn_eddies(state: WindState, nis: float) -> None:
    n = state.noise
    grow = 0.5 * state.since_s / n.eddy_learn_s * (min(nis, 9.0) - 1.0)
    state.eddy_mps = min(n.eddy_most_mps, max(n.eddy_least_mps, state.eddy_mps * math.exp(grow)))


def _hint_scale(state: WindState) -> None:
    """Once the direction is known, update with the usual scale, 1."""
    state.scale_hinted = True
    cos, sin = state.unit()
    h = np.array([[0.0, 0.0, cos, sin, 0.0, 0.0, 0.0]])
    pht, variance = state.cov.dot(h.T), USUAL_SCALE**2
    _use(state, [1.0 - state.scale], h, variance, pht / (float(h[0].dot(pht[:, 0])) + variance))


def _find_heading(state: WindState, north: float, east: float, heading_rad: float) -> None:
    """Rotate a and c to the direction of the velocity through the air, with a large variance."""
    state.heading_lost = False
    x, scale = state.x, state.scale
    if not state.has_scale or state.sigma_mps > 4.0:
        x[TURN] = 0.0
        _forget(state, TURN, START_SCALE**2 * np.eye(2))
        return
    off = math.atan2(east - x[E], north - x[N]) - heading_rad - state.north_rad
    cos, sin = math.cos(off), math.sin(off)
    turned = np.eye(SIZE)
    turned[TURN, TURN] = (cos, -sin), (sin, cos)
    state.x = turned @ x
    p = turned @ state.cov @ turned.T
    cos, sin = state.unit()
    across = np.array([-sin, cos])
    p[TURN, TURN] += (0.4 * scale) ** 2 * np.outer(across, across)
    state.cov = p
    state.x[B] = 0.0
    _forget(state, slice(B, B + 1), np.array([[state.noise.turn_rate_radps**2]]))


def _forget(state: WindState, part: slice, covariance: Floats) -> None:
    p = state.cov
    p[part, :] = 0.0
    p[:, part] = 0.0
    p[part, part] = covariance
