"""The wind filter against general statistics: least squares, bounds, chi-square consistency.

The equations are checked against R. Labbe's filterpy. Sources: Cramér-Rao bound of the centre of a full
circle of N points with white noise s: s·√(2/N) per component; of a regression with the direction known, s/√N.
Consistency tests (NEES, NIS): Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to
Tracking and Navigation, 2001, section 5.4.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from tests.support.examples import short
from tests.support.wind_tips import DT_S, TAS_MPS, TURN_RADPS, Floats, feed, flown, tips
from vario.flight.wind.circle import EDDY_S, fit_circle, fit_sigma_mps
from vario.flight.wind.known import USEFUL_MPS
from vario.flight.wind.noise import WindNoise
from vario.flight.wind.state import WindState
from vario.flight.wind.update import (
    REJECT_NIS,
    RESTART_S,
    USUAL_SCALE,
    lose_heading,
    start_scale,
    take_speed,
    take_velocity,
    take_wind,
)

GEOMETRIES = {
    "one circle": np.arange(0.0, 1.05 * math.tau, TURN_RADPS * DT_S),
    "three circles to the left": -np.arange(0.0, 3.0 * math.tau, TURN_RADPS * DT_S),
    "two legs": np.concatenate(
        [np.zeros(200), np.arange(0.0, math.pi / 2, TURN_RADPS * DT_S), np.full(300, math.pi / 2)]
    ),
    "S-turns": 0.8 * np.sin(np.arange(0.0, 40.0, DT_S) * 0.4),
}


def test_attainable_accuracy_over_a_full_circle() -> None:
    """s·√(2/N) of the circle's centre: 0.028 m/s for 25 fixes of 0.1 m/s; Monte Carlo of the fit itself."""
    rng = np.random.default_rng(8)
    for count, s, published in ((25, 0.1, 0.028), (25, 0.5, 0.141), (100, 1.0, 0.141)):
        assert s * math.sqrt(2.0 / count) == pytest.approx(published, rel=0.02)
        exact = tips(np.arange(count) * math.tau / count, (4.0, -3.0))
        winds = []
        for _ in range(1500):
            north, east = (exact + rng.normal(0.0, s, exact.shape)).T
            fit = fit_circle(north.tolist(), east.tolist())
            assert fit is not None
            winds.append((fit.north_mps, fit.east_mps))
        assert np.std(winds, axis=0) == pytest.approx((published, published), rel=0.06)


def test_correlated_errors_count_for_as_few_as_published() -> None:
    """AR(1) with 0.83 from second to second (soaring storks): the variance of a mean × (1+φ)/(1-φ) = 10.8."""
    assert pytest.approx((1 + 0.83) / (1 - 0.83), rel=0.02) == 2.0 * EDDY_S
    seconds, scatter = 24.0, 3.0
    white = scatter * math.sqrt(2.0 / seconds)
    assert fit_sigma_mps(scatter, seconds) == pytest.approx(white * math.sqrt(10.8), rel=0.02)


# --- consistency ------------------------------------------------------------------------------------


def _monte_carlo(headings: Floats, noise: WindNoise, seed: int) -> tuple[float, float, list[float]]:
    """NEES of wind (2 degrees of freedom) and scale (1), and every late NIS (2), in the filter's world."""
    rng = np.random.default_rng([17, seed])
    wind, scale = rng.normal(0.0, 6.0, 2), rng.normal(1.0, USUAL_SCALE)
    rate, north = rng.normal(0.0, noise.turn_rate_radps), rng.uniform(0.0, math.tau)
    keep = math.exp(-DT_S / noise.eddy_s)
    eddy = rng.normal(0.0, noise.eddy_most_mps, 2)
    kalman, nis = WindState(noise), []
    for heading in headings.tolist():
        wind = wind + rng.normal(0.0, noise.wind_mps_per_sqrt_s * math.sqrt(DT_S), 2)
        rate += rng.normal(0.0, noise.turn_rate_drift * math.sqrt(DT_S))
        north += rate * DT_S + rng.normal(0.0, noise.heading_rad_per_sqrt_s * math.sqrt(DT_S))
        scale += rng.normal(0.0, noise.scale_per_sqrt_s * math.sqrt(DT_S))
        eddy = keep * eddy + rng.normal(0.0, noise.eddy_most_mps * math.sqrt(1.0 - keep * keep), 2)
        air = scale * TAS_MPS * np.array([math.cos(heading + north), math.sin(heading + north)])
        velocity = wind + eddy + air + rng.normal(0.0, noise.gnss_mps, 2)
        kalman.predict(DT_S)
        take_velocity(kalman, float(velocity[0]), float(velocity[1]), TAS_MPS, heading)
        assert kalman.last_nis is not None
        nis.append(2.0 * kalman.last_nis)
    error = np.array(kalman.wind_mps) - wind
    nees = float(error @ np.linalg.solve(kalman.cov[:2, :2], error))
    return nees, ((kalman.scale - scale) / kalman.scale_sigma) ** 2, nis[len(nis) // 2 :]


@pytest.mark.parametrize("name", short(1, GEOMETRIES))
def test_errors_are_as_large_as_it_says(name: str) -> None:
    """NEES and NIS over 60 flights within the chi-square bounds of 99.9 % (two-sided)."""
    runs = 60
    noise = replace(WindNoise(), eddy_least_mps=0.4, eddy_most_mps=0.4)
    found = [_monte_carlo(GEOMETRIES[name], noise, seed) for seed in range(runs)]
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], 2 * runs)
    assert low < sum(wind for wind, _, _ in found) < high
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], runs)
    assert low < sum(scale for _, scale, _ in found) < high
    nis = [value for _, _, values in found for value in values]
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], 2 * len(nis))
    assert low < sum(nis) < high


# --- behaviour --------------------------------------------------------------------------------------


def test_straight_flight_grows_uncertain_and_old() -> None:
    kalman = flown()
    known, young = kalman.sigma_mps, kalman.age_s
    headings = np.zeros(3000)
    sigmas = []
    for north, east in tips(headings, (3.0, -5.0), north_rad=1.0, scale=0.95).tolist():
        kalman.predict(DT_S, moved_m=0.95 * TAS_MPS * DT_S)
        take_velocity(kalman, north, east, TAS_MPS, 0.0)
        sigmas.append(kalman.sigma_mps)
    assert known < 0.3
    assert sigmas[-1] > 2.0 * known
    assert kalman.age_s > young + 100.0
    assert math.hypot(kalman.wind_mps[0] - 3.0, kalman.wind_mps[1] + 5.0) < 2.0 * sigmas[-1]


@pytest.mark.parametrize("seed", range(3))
def test_gusts_of_a_rough_cruise_do_not_pass_for_a_scale(seed: int) -> None:
    """Gusts show in the airspeed and hardly in the ground velocity: inertia. Half an hour of 1 m/s of them.

    Regressed on its own noise a slope shrinks (attenuation; W. A. Fuller, Measurement Error Models, 1987,
    section 1.1): left to itself, the scale falls below 0.4 here.
    """
    kalman = flown()
    rng = np.random.default_rng(seed)
    keep, gust = math.exp(-0.5 / 6.0), 0.0
    for north, east in tips(np.zeros(3600), (3.0, -5.0), north_rad=1.0, scale=0.95).tolist():
        gust = keep * gust + math.sqrt(1.0 - keep * keep) * rng.normal()
        kalman.predict(0.5, moved_m=0.5 * TAS_MPS)
        noise = rng.normal(0.0, 0.1, 2)
        take_velocity(kalman, north + noise[0], east + noise[1], TAS_MPS + gust, 0.0)
    assert kalman.scale == pytest.approx(0.95, abs=0.01)
    assert 0.01 < kalman.scale_sigma < 0.03
    assert math.hypot(kalman.wind_mps[0] - 3.0, kalman.wind_mps[1] + 5.0) < 3.0 * kalman.sigma_mps


def test_nor_before_anything_is_known() -> None:
    kalman = WindState(WindNoise())
    rng = np.random.default_rng(4)
    keep, gust = math.exp(-0.5 / 6.0), 0.0
    turning = np.concatenate([np.zeros(1800), np.arange(0.0, 1.2 * math.tau, 0.15)])
    for (north, east), heading in zip(tips(turning, (3.0, -5.0)).tolist(), turning.tolist(), strict=True):
        gust = keep * gust + math.sqrt(1.0 - keep * keep) * rng.normal()
        kalman.predict(0.5)
        noise = rng.normal(0.0, 0.1, 2)
        take_velocity(kalman, north + noise[0], east + noise[1], TAS_MPS + gust, heading)
        if heading == 0.0:
            assert not kalman.scale_known
            assert kalman.sigma_mps > USEFUL_MPS
    assert kalman.restarts == 0
    assert kalman.scale == pytest.approx(1.0, abs=0.05)
    assert kalman.wind_mps == pytest.approx((3.0, -5.0), abs=0.7)


def test_a_wild_velocity_is_refused_and_lasting_misfit_starts_afresh() -> None:
    kalman = flown()
    before = kalman.x.copy()
    kalman.predict(DT_S)
    assert not take_velocity(kalman, 40.0, 40.0, TAS_MPS, 0.0)
    assert kalman.last_nis is not None
    assert 2.0 * kalman.last_nis > REJECT_NIS
    np.testing.assert_allclose(kalman.x[:2], before[:2], atol=1e-9)
    headings = np.arange(0.0, 6.0 * math.tau, TURN_RADPS * DT_S)
    feed(kalman, tips(headings, (-17.0, 12.0)), headings)
    assert kalman.restarts <= 1 + headings.size * DT_S / RESTART_S
    assert kalman.wind_mps == pytest.approx((-17.0, 12.0), abs=0.6)


def test_a_gap_in_the_turning_is_bridged_by_the_wind() -> None:
    """After the gap the summed heading has an arbitrary zero; north is found again within seconds."""
    kalman = flown()
    lose_heading(kalman)
    assert kalman.north_sigma_rad == math.inf
    headings = np.linspace(2.0, 2.3, 25)
    feed(kalman, tips(headings, (3.0, -5.0), north_rad=-2.0, scale=0.95), headings)
    assert math.remainder(kalman.north_rad + 2.0, math.tau) == pytest.approx(0.0, abs=0.03)
    assert kalman.north_sigma_rad < 0.05
    assert kalman.wind_mps == pytest.approx((3.0, -5.0), abs=0.3)
    assert kalman.scale == pytest.approx(0.95, abs=0.01)


def test_without_turn_rate_speed_alone_finds_wind_and_scale() -> None:
    headings = np.arange(0.0, 4.0 * math.tau, 0.3)  # once a second
    kalman = WindState(WindNoise())
    assert take_wind(kalman, 2.0, -4.0, 1.2)
    start_scale(kalman, 1.0, USUAL_SCALE)
    for north, east in tips(headings, (3.0, -5.0), scale=0.91).tolist():
        kalman.predict(1.0)
        take_speed(kalman, north, east, TAS_MPS)
    assert kalman.wind_mps == pytest.approx((3.0, -5.0), abs=0.1)
    assert kalman.scale == pytest.approx(0.91, abs=0.005)
    assert kalman.north_sigma_rad == math.inf


@pytest.mark.long
def test_covariance_stays_symmetric_and_positive_over_hours() -> None:
    kalman = WindState(WindNoise())
    rng = np.random.default_rng(9)
    heading = 0.0
    for step in range(20_000):
        heading += rng.choice([0.0, 0.3, -0.3]) if step % 40 == 0 else 0.0
        heading += 0.3 if (step // 300) % 3 == 1 else 0.0
        if step % 2500 == 0:
            lose_heading(kalman)
        kalman.predict(1.0, 2.0, 20.0)
        velocity = tips(np.array([heading]), (5.0, 2.0))[0] + rng.normal(0.0, 0.5, 2)
        take_velocity(kalman, float(velocity[0]), float(velocity[1]), TAS_MPS, heading)
        if step % 500 == 0:
            covariance = kalman.cov.copy()
            np.testing.assert_array_equal(covariance, covariance.T)
            assert np.linalg.eigvalsh(covariance).min() > 0.0
