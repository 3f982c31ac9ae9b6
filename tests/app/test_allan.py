"""Allan deviation against a general library and closed forms.

Sources: allantools (general library for frequency stability) for the deviation itself; IEEE Std 952-1997,
annex C, for the laws of the noise terms (from memory): white noise N/√τ, quantisation √3·Q/τ, rate random
walk K·√(τ/3), flicker floor 0.664·B, Gauss-Markov top at 1.89 correlation times.
"""

from __future__ import annotations

import math

import allantools
import numpy as np
import pytest
from numpy.typing import NDArray

from vario.app.noise.allan import allan_curve, noise_figures

RATE_HZ = 50.0
Floats = NDArray[np.float64]


def rng(seed: int) -> np.random.Generator:
    return np.random.default_rng(seed)


def white(n: int, sigma: float, seed: int = 1) -> Floats:
    return sigma * rng(seed).standard_normal(n)


def walk(n: int, k: float, seed: int = 2) -> Floats:
    """Random walk whose variance grows by k² per second."""
    return np.cumsum(white(n, k / math.sqrt(RATE_HZ), seed))


def gauss_markov(n: int, sigma: float, correlation_s: float, seed: int = 3) -> Floats:
    keep = math.exp(-1.0 / (RATE_HZ * correlation_s))
    kicks = white(n, sigma * math.sqrt(1.0 - keep * keep), seed).tolist()
    values, x = [], 0.0
    for kick in kicks:
        x = keep * x + kick
        values.append(x)
    return np.array(values)


@pytest.mark.parametrize(
    "values",
    [
        white(4000, 0.7),
        walk(4000, 0.2),
        gauss_markov(4000, 1.0, 2.0),
        100_000.0 + white(3001, 1.5) + 0.1 * walk(3001, 1.0),
    ],
    ids=["white", "walk", "markov", "barometer"],
)
def test_deviation_is_the_librarys(values: Floats) -> None:
    curve = allan_curve(values, RATE_HZ)
    tau_s, deviation, _, _ = allantools.oadev(values, rate=RATE_HZ, data_type="freq", taus=curve.tau_s)
    np.testing.assert_allclose(tau_s, curve.tau_s, rtol=1e-12)
    np.testing.assert_allclose(deviation, curve.deviation, rtol=1e-7)


@pytest.mark.parametrize("sigma", [0.02, 1.5])
def test_white_noise_falls_with_the_root_of_time(sigma: float) -> None:
    curve = allan_curve(white(200_000, sigma), RATE_HZ)
    figures = noise_figures(curve)
    slope = np.polyfit(np.log(curve.tau_s), np.log(curve.deviation), 1, w=1.0 / curve.error)[0]
    assert slope == pytest.approx(-0.5, abs=0.01)
    assert figures.sample == pytest.approx(sigma, rel=0.01)
    assert figures.white == pytest.approx(sigma / math.sqrt(RATE_HZ), rel=0.01)
    assert figures.second == pytest.approx(sigma / math.sqrt(RATE_HZ), rel=0.05)
    assert figures.random_walk is None
    assert figures.quantisation is None
    assert figures.correlation_s is None


def test_random_walk_rises_with_the_root_of_time() -> None:
    # 20 walks, because a single one has only a few independent long intervals.
    found = [noise_figures(allan_curve(walk(50_000, 0.2, seed), RATE_HZ)).random_walk for seed in range(20)]
    assert all(k is not None for k in found)
    assert np.mean([k for k in found if k is not None]) == pytest.approx(0.2, rel=0.05)


def test_a_quantised_integral_falls_with_time() -> None:
    """Rate from an angle in steps: the step adds uniform noise of step/√12 to the angle."""
    step = 0.01
    angle = np.cumsum(white(100_000, 1e-5) / RATE_HZ + 0.0137 / RATE_HZ) + 7.0 * np.arange(100_000) / RATE_HZ
    rate = np.diff(step * np.floor(angle / step + rng(5).uniform(size=angle.size))) * RATE_HZ
    figures = noise_figures(allan_curve(rate, RATE_HZ))
    assert figures.white is None
    # Dithered rounding: the error is the sum of two uniform ones, variance step²/6. The Allan variance of
    # a white angle error s is 3 s²/τ², so √3·Q/τ with Q = s.
    assert figures.quantisation == pytest.approx(step / math.sqrt(6.0), rel=0.05)


def flicker(n: int, b: float, seed: int) -> Floats:
    """Noise of spectrum b²/(2πf), two-sided, made by shaping white noise in frequency."""
    f = np.fft.rfftfreq(n, 1.0 / RATE_HZ)[1:]
    draw = rng(seed).standard_normal((2, len(f)))
    size = np.sqrt(b * b / (2.0 * math.pi * f) * RATE_HZ * n / 2.0)
    return np.fft.irfft(np.concatenate(([0.0], size * (draw[0] + 1j * draw[1]))), n)


def test_flicker_noise_is_flat_at_0_664() -> None:
    curve = allan_curve(flicker(2**18, 0.3, 4), RATE_HZ)
    middle = (curve.tau_s > 0.2) & (curve.tau_s < 100.0)
    assert np.mean(curve.deviation[middle]) == pytest.approx(0.664 * 0.3, rel=0.05)
    mixed = noise_figures(allan_curve(flicker(2**18, 0.3, 4) + white(2**18, 0.5), RATE_HZ))
    assert mixed.instability == pytest.approx(0.3, rel=0.15)


def test_correlated_noise_shows_its_correlation_time() -> None:
    times = [
        noise_figures(
            allan_curve(gauss_markov(60_000, 1.0, 5.0, seed) + white(60_000, 1.0, 100 + seed), RATE_HZ)
        ).correlation_s
        for seed in range(8)
    ]
    assert all(t is not None for t in times)
    # The maximum is broad: a single estimate is accurate to a third.
    assert np.median([t for t in times if t is not None]) == pytest.approx(5.0, rel=0.3)


def test_the_lowest_part_at_the_end_is_only_a_bound() -> None:
    assert noise_figures(allan_curve(white(20_000, 1.0), RATE_HZ)).instability_at_end
    mixed = noise_figures(allan_curve(white(200_000, 1.0) + walk(200_000, 0.05), RATE_HZ))
    assert not mixed.instability_at_end
    # Closed form: N²/τ + K²τ/3 is least at τ = √3 N/K and worth 2NK/√3 there.
    n = 1.0 / math.sqrt(RATE_HZ)
    assert mixed.instability_s == pytest.approx(math.sqrt(3.0) * n / 0.05, rel=0.5)
    assert mixed.instability * 0.664 == pytest.approx(math.sqrt(2.0 * n * 0.05 / math.sqrt(3.0)), rel=0.1)
