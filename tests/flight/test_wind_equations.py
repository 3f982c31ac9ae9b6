"""The equations of the wind filter against filterpy and least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import ExtendedKalmanFilter

from tests.support.wind_tips import TAS_MPS, Floats, feed, flown, tips, to_and_fro
from vario.flight.wind.noise import WindNoise
from vario.flight.wind.state import WindState
from vario.flight.wind.update import take_speed, take_velocity, take_wind

STEADY = WindNoise(
    wind_mps_per_sqrt_s=0.0,
    wind_mps_per_sqrt_km=0.0,
    heading_rad_per_sqrt_s=0.0,
    turn_rate_radps=0.0,
    turn_rate_drift=0.0,
    scale_per_sqrt_s=0.0,
    gnss_mps=0.1,
    eddy_least_mps=0.0,
    eddy_most_mps=0.0,
)
"""Only white noise of the receiver: the problem is then a linear regression."""


# --- bounds and least squares -----------------------------------------------------------------------


def test_without_process_noise_it_is_the_least_squares_regression() -> None:
    rng = np.random.default_rng(3)
    headings = to_and_fro(104)
    exact = tips(headings, (-4.0, 7.0), north_rad=2.0, scale=1.04)
    velocities = exact + rng.normal(0.0, 0.1, exact.shape)
    kalman = WindState(STEADY)
    feed(kalman, velocities, headings, 5.0)
    along, across = TAS_MPS * np.cos(headings), TAS_MPS * np.sin(headings)
    one, none = np.ones_like(along), np.zeros_like(along)
    rows = np.concatenate(
        [np.stack([one, none, along, -across], axis=1), np.stack([none, one, across, along], axis=1)]
    )
    wanted, *_ = np.linalg.lstsq(rows, velocities.T.ravel(), rcond=None)
    covariance = 0.1**2 * np.linalg.inv(rows.T @ rows)
    np.testing.assert_allclose(kalman.x[:4], wanted, atol=2e-3)  # the start's prior is that weak
    np.testing.assert_allclose(kalman.cov[:4, :4], covariance, rtol=0.02, atol=1e-9)
    assert kalman.scale == pytest.approx(math.hypot(wanted[2], wanted[3]), abs=1e-4)


def test_the_turn_rate_makes_a_circle_worth_twice_as_much() -> None:
    """With the direction known but for a constant, the bound is s/√N instead of s·√(2/N)."""
    headings = to_and_fro(100)
    kalman = WindState(STEADY)
    feed(kalman, tips(headings, (4.0, -3.0)), headings, 5.0)
    assert kalman.sigma_mps == pytest.approx(0.1 / math.sqrt(100), rel=0.02)


# --- the general library ------------------------------------------------------------------------------


def _drawn() -> WindState:
    """A filter after some updates, with a covariance without zeros."""
    kalman = flown()
    rng = np.random.default_rng(11)
    for heading in rng.uniform(0.0, math.tau, 20):
        kalman.predict(0.3, climbed_m=1.0, moved_m=5.0)
        take_velocity(
            kalman,
            3.0 + 24.0 * math.cos(heading + 1.0),
            -5.0 + 24.0 * math.sin(heading + 1.0),
            TAS_MPS,
            heading,
        )
    return kalman


def _twin(kalman: WindState) -> ExtendedKalmanFilter:
    theirs = ExtendedKalmanFilter(7, 2)
    theirs.x, theirs.P = kalman.x.copy(), kalman.cov.copy()
    return theirs


def test_time_passes_as_in_filterpy() -> None:
    kalman, n, dt_s = _drawn(), WindNoise(), 0.4
    theirs, eddy_mps = _twin(kalman), kalman.eddy_mps
    _, _, a, c, b, *_ = kalman.x
    keep = math.exp(-dt_s / n.eddy_s)
    f = np.diag([1.0, 1.0, 1.0, 1.0, 1.0, keep, keep])
    f[2:4, 2:5] += dt_s * np.array([[0.0, -b, -c], [b, 0.0, a]])
    across = np.array([-c, a])
    q = np.zeros((7, 7))
    q[:2, :2] = np.eye(2) * (
        n.wind_mps_per_sqrt_s**2 * dt_s + n.wind_mps_per_sqrt_km**2 * 0.008 + n.wind_mps_per_sqrt_m**2 * 3.0
    )
    q[2:4, 2:4] = n.heading_rad_per_sqrt_s**2 * dt_s * np.outer(across, across)
    q[2:4, 2:4] += np.eye(2) * n.scale_per_sqrt_s**2 * dt_s
    q[4, 4] = n.turn_rate_drift**2 * dt_s
    q[5:, 5:] = np.eye(2) * eddy_mps**2 * (1.0 - keep**2)
    theirs.F, theirs.Q = f, q
    theirs.predict()
    kalman.predict(dt_s, climbed_m=-3.0, moved_m=8.0)
    np.testing.assert_allclose(kalman.cov, theirs.P, rtol=1e-12, atol=1e-15)
    # a and c turn by b·dt; filterpy, which moves the state by F, would count the product b·(a, c) twice.
    turned = complex(a, c) * np.exp(1j * b * dt_s)
    np.testing.assert_allclose(kalman.x[2:4], [turned.real, turned.imag], rtol=1e-12)
    np.testing.assert_allclose(kalman.x[[0, 1, 4, 5, 6]], theirs.x[[0, 1, 4, 5, 6]], rtol=1e-12)


@pytest.mark.parametrize("measured", ["velocity", "speed", "wind"])
def test_a_measurement_does_what_it_does_in_filterpy(measured: str) -> None:
    kalman, n = _drawn(), WindNoise()
    kalman.predict(0.3)
    theirs = _twin(kalman)
    north, east, heading = 2.5, 18.9, 0.6
    if measured == "velocity":
        z, noise = np.array([north, east]), n.gnss_mps

        def expected(x: Floats) -> Floats:
            cos, sin = TAS_MPS * math.cos(heading), TAS_MPS * math.sin(heading)
            air = np.array([x[2] * cos - x[3] * sin, x[2] * sin + x[3] * cos])
            return np.asarray(x[:2] + x[5:] + air)

        taken = take_velocity(kalman, north, east, TAS_MPS, heading)
    elif measured == "speed":
        z, noise = np.zeros(1), n.gnss_mps

        def expected(x: Floats) -> Floats:
            through = math.hypot(north - x[0] - x[5], east - x[1] - x[6])
            return np.array([TAS_MPS * math.hypot(x[2], x[3]) - through])

        taken = take_speed(kalman, north, east, TAS_MPS)
    else:
        z, noise = np.array([3.3, -4.6]), 0.8

        def expected(x: Floats) -> Floats:
            return x[:2]

        taken = take_wind(kalman, 3.3, -4.6, noise)

    def slopes(x: Floats) -> Floats:
        """Derivatives by finite differences, which also check those of the filter."""
        steps = 1e-6 * np.eye(7)
        return np.array([(expected(x + step) - expected(x - step)) / 2e-6 for step in steps]).T

    theirs.update(z, slopes, expected, noise**2 * np.eye(len(z)))
    assert taken
    np.testing.assert_allclose(kalman.x, theirs.x, rtol=1e-7, atol=1e-8)
    np.testing.assert_allclose(kalman.cov, theirs.P, rtol=1e-6, atol=1e-9)
