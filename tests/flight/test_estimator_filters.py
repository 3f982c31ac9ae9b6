"""The filters of the estimator against filterpy, scipy and their own Jacobian."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter, update
from numpy.typing import NDArray
from scipy.linalg import expm, solve_discrete_are

from drivers.isa import G0_MPS2
from tests.flight.test_estimator import WING
from vario.flight.core.vectors import Vector, dot, level, size, turn
from vario.flight.estimate.airdata import AirData
from vario.flight.estimate.inertial_injection import inject
from vario.flight.estimate.inertial_model import (
    ACC,
    ALPHA,
    CLIMB,
    GYRO,
    HEIGHT,
    LIFT,
    PSI,
    SIZE,
    InertialNoise,
    Regime,
    V,
    Wing,
)
from vario.flight.estimate.inertial_start import start
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.rate import RateFilter
from vario.flight.estimate.regime import RegimeWatch
from vario.flight.estimate.result import EstimatorSettings
from vario.flight.estimate.sequential_update import SequentialUpdate


def test_rate_filter_is_filterpys_kalman_filter() -> None:
    rng = np.random.default_rng(1)
    mine, theirs = RateFilter(0.3, learns=False), KalmanFilter(dim_x=2, dim_z=1)
    mine.start(100.0, 0.5)
    theirs.x, theirs.P, theirs.H = np.array([100.0, 0.0]), np.diag([0.25, 25.0]), np.array([[1.0, 0.0]])
    for _ in range(300):
        t, sigma, z = rng.uniform(0.01, 1.5), rng.uniform(0.05, 0.5), 100.0 + rng.normal(0.0, 0.3)
        q = 0.3 * np.array([[t**3 / 3.0, t**2 / 2.0], [t**2 / 2.0, t]])
        mine.predict(t)
        theirs.predict(F=np.array([[1.0, t], [0.0, 1.0]]), Q=q)
        mine.correct(z, sigma)
        theirs.update(z, R=sigma**2)
        assert (mine.value, mine.rate) == pytest.approx(tuple(theirs.x), rel=1e-9)
        assert mine.rate_sigma**2 == pytest.approx(theirs.P[1, 1], rel=1e-9)


def test_rate_filter_settles_at_the_riccati_solution() -> None:
    t, psd, sigma = 0.02, 0.15, 0.12
    f, h = np.array([[1.0, t], [0.0, 1.0]]), np.array([[1.0, 0.0]])
    q = psd * np.array([[t**3 / 3.0, t**2 / 2.0], [t**2 / 2.0, t]])
    predicted = solve_discrete_are(f.T, h.T, q, np.array([[sigma**2]]))
    wanted = predicted[1, 1] - predicted[0, 1] ** 2 / (predicted[0, 0] + sigma**2)
    mine = RateFilter(psd)
    mine.start(0.0, sigma)
    for _ in range(3000):
        mine.predict(t)
        mine.correct(0.0, sigma)
    assert mine.rate_sigma**2 == pytest.approx(wanted, rel=1e-6)


@pytest.mark.parametrize("used", [(0,), (0, 1, 2, 3), (1, 3), (2,), ()])
def test_measurements_used_in_turn_are_filterpys_updates(used: tuple[int, ...]) -> None:
    rng = np.random.default_rng(2)
    root = rng.standard_normal((SIZE, SIZE))
    mine, rows, x = root @ root.T, rng.standard_normal((4, SIZE)), rng.standard_normal(SIZE)
    residuals, variances = rng.standard_normal(4), rng.uniform(0.1, 2.0, 4)
    p, step = mine.copy(), x.copy()
    sequence = SequentialUpdate(mine, rows, step)
    for k in used:
        assert sequence.expected(k) == pytest.approx(rows[k] @ x, rel=1e-9)
        assert sequence.predicted_variance(k) == pytest.approx(rows[k] @ p @ rows[k], rel=1e-9)
        sequence.use(k, residuals[k] - sequence.expected(k), sequence.predicted_variance(k) + variances[k])
        x, p = update(x, p, residuals[k : k + 1], np.array([[variances[k]]]), rows[k : k + 1])
    sequence.finish()
    np.testing.assert_allclose(step, x, rtol=1e-9, atol=1e-10)
    np.testing.assert_allclose(mine, p, rtol=1e-8, atol=1e-9)


def test_considered_states_keep_value_and_covariance() -> None:
    """Against Joseph's form, which holds for any gain (P. S. Maybeck, Stochastic Models, 1979, 5.6), with the
    gain of the considered states set to zero (S. F. Schmidt, 1966).
    """
    rng = np.random.default_rng(3)
    root = rng.standard_normal((SIZE, SIZE))
    p, row, held = root @ root.T, rng.standard_normal(SIZE), [ALPHA, LIFT]
    mine, step = p.copy(), np.zeros(SIZE)
    sequence = SequentialUpdate(mine, row[None], step)
    total = sequence.predicted_variance(0) + 0.7
    sequence.use(0, 1.3, total)
    sequence.finish(tuple(held))
    gain = p @ row / total
    gain[held] = 0.0
    left = np.eye(SIZE) - np.outer(gain, row)
    np.testing.assert_allclose(step, 1.3 * gain, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(mine, left @ p @ left.T + 0.7 * np.outer(gain, gain), rtol=1e-8, atol=1e-9)


def test_turn_is_the_rotation_matrix_exponential() -> None:
    theta = np.array([0.03, -0.02, 0.025])
    cross = np.array([[0, -theta[2], theta[1]], [theta[2], 0, -theta[0]], [-theta[1], theta[0], 0]])
    wanted = expm(-cross) @ np.array([1.0, 2.0, 3.0])
    np.testing.assert_allclose(turn((1.0, 2.0, 3.0), *theta), wanted, atol=1e-8)


@pytest.mark.parametrize("index", [*range(PSI, PSI + 3), *range(V, V + 3), *range(GYRO, ACC + 3), CLIMB])
def test_covariance_moves_as_the_estimate_does(index: int) -> None:
    """The transition matrix against finite differences of the propagation itself."""

    def moved(error: float) -> NDArray[np.float64]:
        kalman = InertialState(WING, InertialNoise())
        start(kalman, (-0.8, 3.0, -10.5), 25.0, 1000.0)
        kalman.climb_mps, kalman.gust_mps = 1.0, 0.0
        kalman.step[:] = 0.0
        kalman.step[index] = error
        inject(kalman)
        for _ in range(2):
            kalman.propagate((0.3, 0.5, -11.0), (0.2, 0.15, 0.25), 0.02)
        return np.array([*kalman.down, *kalman.air, kalman.climb_mps, kalman.height_m])

    size = 1e-4
    slope = (moved(size) - moved(-size)) / (2.0 * size)
    kalman = InertialState(WING, InertialNoise())
    start(kalman, (-0.8, 3.0, -10.5), 25.0, 1000.0)
    for _ in range(2):
        kalman.propagate((0.3, 0.5, -11.0), (0.2, 0.15, 0.25), 0.02)
    kalman.predict_covariance(Regime.GLIDING)
    column = kalman.prediction.transition[:, index]
    d = np.array(kalman.down)
    wanted = np.array(
        [*np.cross(d, column[PSI : PSI + 3]), *column[V : V + 3], column[CLIMB], column[HEIGHT]]
    )
    # the covariance is predicted in one step of 40 ms, the estimate in two steps of 20 ms
    np.testing.assert_allclose(slope, wanted, atol=0.02 * max(1.0, float(np.abs(slope).max())))


@pytest.mark.parametrize("factor", [2.0**0.5, 0.5**0.5])
def test_a_found_scale_gives_the_incidence_of_the_true_speed(factor: float) -> None:
    """A steady glide at 28 m/s in which the pitot has read a half, or twice.

    Oracle: the lift curve W = ½ρV²S·CLα·(α - α0) at the true speed; in level flight α is the pitch.
    """
    tas_mps, pitch_rad, density = 28.0, 0.04, 0.9
    wing = Wing(WING.lift_m, WING.polar)
    filter_ = InertialState(wing, InertialNoise())
    start(filter_, (0.0, 0.0, -G0_MPS2), tas_mps / factor, 1000.0)
    read_mps = tas_mps / factor
    filter_.air = (read_mps * math.cos(pitch_rad), 0.0, read_mps * math.sin(pitch_rad))
    filter_.force = (0.0, 0.0, -G0_MPS2)
    filter_.wind_mps = (5.0, -3.0)
    ground = [dot(filter_.air, filter_.north) + 5.0, dot(filter_.air, filter_.east) - 3.0]
    loaded = wing.lift_m * G0_MPS2 / density
    filter_.x[ALPHA] = pitch_rad - loaded / read_mps**2
    known_rad = math.sqrt(filter_.cov[ALPHA, ALPHA])
    filter_.rescale_airspeed(factor)
    filter_.rescale_incidence(factor, density)
    assert filter_.tas_mps == pytest.approx(tas_mps)
    assert filter_.x[ALPHA] == pytest.approx(pitch_rad - loaded / tas_mps**2, abs=1e-3)
    assert math.sqrt(filter_.cov[ALPHA, ALPHA]) > known_rad
    north_mps, east_mps = filter_.wind_mps
    after = [dot(filter_.air, filter_.north) + north_mps, dot(filter_.air, filter_.east) + east_mps]
    assert after == pytest.approx(ground)


def test_the_incidence_is_known_again_once_its_variance_is_small() -> None:
    filter_, watch = InertialState(WING, InertialNoise()), RegimeWatch()
    start(filter_, (0.0, 0.0, -G0_MPS2), 28.0, 1000.0)
    air = AirData(EstimatorSettings(WING))
    air.tas_mps = 28.0
    watch.start(Regime.GLIDING)
    watch.forget_airspeed()
    known = []
    for sigma_rad in (0.05, 0.01, 0.05):
        filter_.cov[ALPHA, ALPHA] = sigma_rad**2
        watch.choose(filter_, air, 0.04)
        known.append(watch.incidence_known)
    assert known == [False, True, True]
    assert all(type(value) is bool for value in known)  # the compiled form accepts nothing else


@pytest.mark.parametrize("down", [(0.0, 0.6, 0.8), (1.0, 0.0, 0.0), (math.nan, 0.0, 1.0)])
@pytest.mark.parametrize("factor", [0.0, 2.0, math.nan])
def test_a_level_direction_exists_for_every_vector(down: Vector, factor: float) -> None:
    """Also along the vertical and for numbers that are not finite, of which the watch restarts the filter."""
    x, y, z = down
    direction = level(down, (factor * x, factor * y, factor * z))
    assert size(direction) == pytest.approx(1.0)
    assert math.isnan(x) or dot(direction, down) == pytest.approx(0.0)
