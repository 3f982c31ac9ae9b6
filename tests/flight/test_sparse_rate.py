"""The filter of height and its rate on samples a tenth of a second or more apart.

Oracle: filterpy's Kalman filter with the true noise figures, which is optimal for the simulated process
(Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and Navigation, section
6.2.2).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from vario.flight.estimate.rate import RateFilter

STATED_PSD, STATED_SIGMA = 0.15, 0.3


def noise_matrix(psd: float, t: float) -> NDArray[np.float64]:
    shape: NDArray[np.float64] = np.array([[t**3 / 3.0, t**2 / 2.0], [t**2 / 2.0, t]])
    return psd * shape


@pytest.mark.parametrize(
    ("seed", "step_s", "psd", "sigma", "most"),
    [(11, 1.0, 2.0, 1.0, 1.25), (12, 4.0, 1.0, 1.5, 1.25), (14, 0.1, 8.0, 0.4, 1.35)],
)
def test_learnt_figures_come_near_the_optimal_filter(
    seed: int, step_s: float, psd: float, sigma: float, most: float
) -> None:
    """The error is near that of the optimal filter, and the innovations fit their variance.

    At ten samples a second a correlation of the innovations is tolerated, so the filter is further from it.
    """
    rng = np.random.default_rng(seed)
    q = noise_matrix(psd, step_s)
    root = np.linalg.cholesky(q)
    move = np.array([[1.0, step_s], [0.0, 1.0]])
    mine, fixed = RateFilter(STATED_PSD), RateFilter(STATED_PSD, learns=False)
    best = KalmanFilter(dim_x=2, dim_z=1)
    best.x = np.zeros(2)
    best.F, best.Q, best.H, best.P = move, q, np.array([[1.0, 0.0]]), np.diag([1.0, 25.0])
    best.R = np.array([[sigma**2]])
    x = np.zeros(2)
    errors, nis = [], []
    for i in range(4000):
        x = move @ x + root @ rng.standard_normal(2)
        measured = float(x[0] + rng.normal(0.0, sigma))
        for filter_ in (mine, fixed):
            if filter_.started:
                filter_.predict(step_s)
            size = filter_.correct(measured, STATED_SIGMA)
            if filter_ is mine:
                nis.append(size)
        best.predict()
        best.update(measured)
        if i > 600:
            errors.append([f - x[1] for f in (mine.rate, fixed.rate, float(best.x[1]))])
    learnt, unlearnt, optimal = np.sqrt(np.mean(np.square(errors), axis=0))
    assert learnt < most * optimal
    assert learnt < 0.8 * unlearnt
    assert float(np.mean(nis[600:])) == pytest.approx(1.0, abs=0.3)


@pytest.mark.parametrize("step_s", [0.1, 1.0])
def test_innovations_fit_soon_after_the_air_becomes_rough(step_s: float) -> None:
    """The noise becomes three times as large. An exponential rule with the time constant τ that keeps the
    logarithm of the variance in balance has a mean NIS of 1 + τ ln 9 / T over a time T: 1.33 for 30 s in
    200 s.
    """
    rng = np.random.default_rng(17)
    filter_, sizes = RateFilter(STATED_PSD), []
    for i in range(round(800.0 / step_s)):
        t_s = i * step_s
        if i:
            filter_.predict(step_s)
        sigma = STATED_SIGMA * (3.0 if t_s > 600.0 else 1.0)
        size = filter_.correct(1000.0 - t_s + float(rng.normal(0.0, sigma)), STATED_SIGMA)
        if t_s > 600.0:
            sizes.append(min(size, 36.0))
    assert 0.9 < float(np.mean(sizes)) < 1.5


def glide(t_s: float) -> float:
    """Metres at a time: white noise of the stated size about a steady sink of 1 m/s."""
    return 1000.0 - t_s + STATED_SIGMA * math.sin(37.0 * t_s)


@pytest.mark.parametrize(("step_s", "count", "at"), [(1.0, 400, 300), (0.1, 1500, 1000)])
@pytest.mark.parametrize("spike_m", [-500.0, -15.0, 15.0, 500.0])
def test_a_single_spike_is_refused(spike_m: float, step_s: float, count: int, at: int) -> None:
    filter_ = RateFilter(STATED_PSD)
    for i in range(count):
        if i:
            filter_.predict(step_s)
        filter_.correct(glide(i * step_s) + (spike_m if i == at else 0.0), STATED_SIGMA)
        if i * step_s > 20.0:
            assert filter_.known_rate == pytest.approx(-1.0, abs=0.6)


@pytest.mark.parametrize("step_s", [0.1, 0.25, 1.0])
def test_dives_and_pull_ups_are_never_blank_at_any_step(step_s: float) -> None:
    """The rate swings by 7 m/s to either side, at up to 3.5 m/s²; the stated noise is that of calm air."""
    rng = np.random.default_rng(15)
    filter_, sizes = RateFilter(STATED_PSD), []
    for i in range(round(400.0 / step_s)):
        t_s = i * step_s
        height_m = 2000.0 - t_s - 14.0 * math.sin(t_s / 2.0) * (math.sin(t_s / 40.0) > 0.0)
        if i:
            filter_.predict(step_s)
        sizes.append(filter_.correct(height_m + float(rng.normal(0.0, STATED_SIGMA)), STATED_SIGMA))
        assert t_s < 20.0 or filter_.known_rate is not None
    assert np.mean(np.array(sizes[round(20.0 / step_s) :]) > 36.0) < 0.01  # rejected


@pytest.mark.parametrize("step_s", [0.02, 0.1])
def test_a_gust_is_never_blank_and_soon_forgotten(step_s: float) -> None:
    """4 m/s more head wind within half a second at 27 m/s: 11.9 m of energy height (V²/2g), and no lift.

    The gust of half a second is an assumption of the simulated flights with steps of wind, without source.
    """
    rng = np.random.default_rng(16)
    filter_ = RateFilter(STATED_PSD)
    for i in range(round(300.0 / step_s)):
        t_s = i * step_s
        tas_mps = 27.0 + 4.0 * min(max((t_s - 200.0) / 0.5, 0.0), 1.0)
        energy_m = 2000.0 - t_s + tas_mps**2 / (2.0 * 9.80665) + float(rng.normal(0.0, STATED_SIGMA))
        if i:
            filter_.predict(step_s)
        filter_.correct(energy_m, STATED_SIGMA)
        rate = filter_.known_rate
        if t_s > 20.0:
            assert rate is not None
            assert rate == pytest.approx(-1.0, abs=2.0) or (step_s < 0.08 and 200.0 < t_s < 205.0)
    assert filter_.value == pytest.approx(1700.0 + 31.0**2 / (2.0 * 9.80665), abs=1.0)


@pytest.mark.parametrize("step_s", [0.1, 1.0])
@pytest.mark.parametrize("climb_mps", [6.0, 12.0])
def test_a_sudden_climb_is_never_blank_and_followed_in_four_seconds(climb_mps: float, step_s: float) -> None:
    filter_ = RateFilter(STATED_PSD)
    for i in range(round(400.0 / step_s)):
        t_s = i * step_s
        if i:
            filter_.predict(step_s)
        filter_.correct(glide(t_s) + max(t_s - 300.0, 0.0) * (1.0 + climb_mps), STATED_SIGMA)
        assert t_s < 20.0 or filter_.known_rate is not None
        if t_s >= 304.0:
            assert filter_.rate == pytest.approx(climb_mps, rel=0.2)


def test_a_step_no_flight_makes_starts_the_filter_again() -> None:
    """After 300 m in a second, the height is the new one and no climb is shown for it."""
    filter_ = RateFilter(STATED_PSD)
    for i in range(320):
        if i:
            filter_.predict(1.0)
        filter_.correct(glide(i) + (300.0 if i >= 300 else 0.0), STATED_SIGMA)
        assert abs(filter_.rate) < 2.0
    assert filter_.value == pytest.approx(glide(319) + 300.0, abs=1.0)


def test_dense_samples_teach_nothing() -> None:
    """At 50 Hz the parameters are those of the sensor: a noise far larger than stated does not change
    them.
    """
    rng = np.random.default_rng(13)
    mine, fixed = RateFilter(STATED_PSD), RateFilter(STATED_PSD, learns=False)
    for _ in range(2000):
        measured = float(rng.normal(0.0, 2.0))
        for filter_ in (mine, fixed):
            if filter_.started:
                filter_.predict(0.02)
            filter_.correct(measured, 1.0)
        assert (mine.rate, mine.rate_sigma) == (fixed.rate, fixed.rate_sigma)
