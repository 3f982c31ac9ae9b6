"""The vario smoothed after the flight.

Oracles: weighted least squares over the whole series, of which a fixed-interval smoother is the recursive
solution (A. Gelb, ed., Applied Optimal Estimation, 1974, section 5.2), filterpy, and simulated truth.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from drivers import isa
from drivers.samples import Baro, GnssVel, ImuAccel, ImuGyro, LoadFactor, Reference, Sample
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from vario.app.cli import main
from vario.app.hindsight.hindsight import Hindsight, Series, distance
from vario.app.hindsight.smoothing import energy_noise, smoothed_errors, smoothed_rate
from vario.app.replay.console import hindsight_sentence
from vario.app.replay.player import play
from vario.app.replay.session import ReplaySession, opened
from vario.settings.display import METRIC


def walk(seed: int, n: int, step_s: float, psd: float) -> NDArray[np.float64]:
    """Value and rate of the model, shape (n, 2)."""
    rng = np.random.default_rng(seed)
    move = np.array([[1.0, step_s], [0.0, 1.0]])
    noise = psd * np.array([[step_s**3 / 3, step_s**2 / 2], [step_s**2 / 2, step_s]])
    root = np.linalg.cholesky(noise)
    states = [np.zeros(2)]
    for _ in range(n - 1):
        states.append(move @ states[-1] + root @ rng.standard_normal(2))
    return np.array(states)


def test_the_rate_is_the_least_squares_solution_of_the_whole_series() -> None:
    """All states at once, from the initial state, the predictions and the measurements, each divided by its
    standard deviation.
    """
    rng = np.random.default_rng(31)
    n, psd, sigma = 25, 0.7, 0.4
    t_s = np.cumsum(rng.uniform(0.5, 3.0, n))
    measured = 3.0 * np.sin(t_s / 5.0) + rng.normal(0.0, sigma, n)
    rows, right = [], []

    def ask(row: NDArray[np.float64], value: NDArray[np.float64], covariance: NDArray[np.float64]) -> None:
        whiten = np.linalg.inv(np.linalg.cholesky(covariance))
        rows.append(whiten @ row)
        right.append(whiten @ value)

    first = np.zeros((2, 2 * n))
    first[:, :2] = np.eye(2)
    ask(first, np.array([measured[0], 0.0]), np.diag([sigma**2, 25.0]))
    for k in range(1, n):
        t = t_s[k] - t_s[k - 1]
        row = np.zeros((2, 2 * n))
        row[:, 2 * k - 2 : 2 * k] = -np.array([[1.0, t], [0.0, 1.0]])
        row[:, 2 * k : 2 * k + 2] = np.eye(2)
        ask(row, np.zeros(2), psd * np.array([[t**3 / 3, t**2 / 2], [t**2 / 2, t]]))
        row = np.zeros((1, 2 * n))
        row[0, 2 * k] = 1.0
        ask(row, measured[k : k + 1], np.array([[sigma**2]]))
    wanted = np.linalg.lstsq(np.vstack(rows), np.concatenate(right), rcond=None)[0][1::2]
    np.testing.assert_allclose(smoothed_rate(t_s, measured, psd, sigma), wanted, rtol=1e-6, atol=1e-7)


def test_errors_of_an_error_state_filter_are_those_of_the_plain_smoother() -> None:
    """The same data through a plain filter and through an error-state filter."""
    rng = np.random.default_rng(32)
    move, noise = np.array([[1.0, 0.5], [0.0, 0.95]]), np.diag([0.02, 0.3])
    kalman = KalmanFilter(dim_x=2, dim_z=1)
    kalman.x, kalman.P, kalman.F, kalman.Q = np.zeros(2), np.diag([2.0, 3.0]), move, noise
    kalman.H, kalman.R = np.array([[1.0, 0.0]]), np.array([[0.5]])
    states, covariances, steps = [], [], []
    for value in rng.normal(0.0, 2.0, 40):
        kalman.predict()
        before = kalman.x.copy()
        kalman.update(value)
        states.append(kalman.x.copy())
        covariances.append(kalman.P.copy())
        steps.append(kalman.x - before)
    plain = kalman.rts_smoother(np.array(states), np.array(covariances))[0]
    found = smoothed_errors(steps, covariances, [move] * 40, [noise] * 40)
    np.testing.assert_allclose(np.array(states) + found, plain, rtol=1e-9, atol=1e-9)
    # A state that is known exactly, with an influence on the others, changes nothing.
    sure = np.pad(move, (0, 1))
    sure[:, 2] = 0.3, -0.2, 1.0
    wide = smoothed_errors(
        [np.append(step, 0.0) for step in steps],
        [np.pad(covariance, (0, 1)) for covariance in covariances],
        [sure] * 40,
        [np.pad(noise, (0, 1))] * 40,
    )
    np.testing.assert_allclose(wide, np.pad(found, ((0, 0), (0, 1))), rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize(("step_s", "psd", "sigma"), [(1.0, 1.0, 0.5), (4.0, 0.5, 2.0), (1.0, 0.3, 0.1)])
def test_noise_figures_put_in_come_out(step_s: float, psd: float, sigma: float) -> None:
    states = walk(33, 20_000, step_s, psd)
    measured = states[:, 0] + np.random.default_rng(34).normal(0.0, sigma, 20_000)
    found_psd, found_sigma = energy_noise(np.arange(20_000) * step_s, measured)
    assert found_psd == pytest.approx(psd, rel=0.1)
    assert found_sigma == pytest.approx(sigma, rel=0.15)


def test_a_lag_and_a_noise_put_in_are_told() -> None:
    t_s = np.arange(0.0, 600.0, 0.2)
    truth = Series(t_s, 2.0 * np.sin(t_s / 7.0))
    noise = np.random.default_rng(35).normal(0.0, 0.2, t_s.size)
    live = Series(t_s, 2.0 * np.sin((t_s - 1.5) / 7.0) + 0.1 + noise)
    found = distance(live, truth)
    assert found is not None
    assert found["lag_s"] == pytest.approx(1.5, abs=0.11)
    assert found["mean_mps"] == pytest.approx(0.1, abs=0.02)
    assert found["rms_without_lag_mps"] == pytest.approx(math.hypot(0.2, 0.1), abs=0.02)
    assert found["rms_mps"] > found["rms_without_lag_mps"]
    assert distance(Series(t_s[:100], t_s[:100]), truth) is None


def test_no_lag_is_told_where_nothing_changes() -> None:
    t_s = np.arange(0.0, 100.0, 0.2)
    found = distance(Series(t_s, np.full(t_s.size, 0.5)), Series(t_s, np.full(t_s.size, 0.4)))
    assert found is not None
    assert (found["rms_mps"], found["lag_s"], found["rms_without_lag_mps"]) == (0.1, None, None)
    assert hindsight_sentence(found, METRIC).endswith("mean +0.10 m/s; its lag is not known")


def errors(samples: list[Sample], most_s: float) -> tuple[float, float]:
    """RMS errors of the live vario and of the vario in hindsight, against simulated truth, in flight."""
    source, loaded = opened(BUNDLED, None)
    session = ReplaySession(source, loaded.settings, loaded.glider)
    hindsight = Hindsight()
    session._pipeline.watch_corrections(hindsight.corrected)
    for reading in play((s for s in samples if s.t_s < most_s), session._pipeline):
        hindsight.take(reading)
    truth = np.array([(s.t_s, s.value) for s in samples if getattr(s, "name", "") == "truth_vario_mps"])
    live = hindsight.live()
    wanted = np.interp(live.t_s, truth[:, 0], truth[:, 1])
    seen = hindsight.series().at(live.t_s)
    both = np.isfinite(seen)
    assert both.mean() > 0.9
    rms = [float(np.sqrt(np.mean((v - wanted)[both] ** 2))) for v in (live.vario_mps, seen)]
    return rms[0], rms[1]


def once_a_second(samples: list[Sample]) -> list[Sample]:
    """The data of a flight recorder: pressures once per second, and no inertial unit."""
    kept: list[Sample] = []
    last: dict[type[Sample], float] = {}
    for sample in samples:
        if isinstance(sample, (ImuAccel, ImuGyro, LoadFactor)):
            continue
        if isinstance(sample, Reference) or sample.t_s > last.get(type(sample), -1.0) + 0.999:
            kept.append(sample)
            last[type(sample)] = sample.t_s
    return kept


def barometer_a_second() -> Iterator[Sample]:
    """Ten minutes of climbs and glides between −2 and 4 m/s at 20 m/s over ground, read to half a metre."""
    rng = np.random.default_rng(36)
    for second in range(600):
        height_m = 1500.0 + second - 3.0 * 12.0 * math.cos(second / 12.0) + float(rng.normal(0.0, 0.5))
        yield Reference(second + 0.01, "truth_vario_mps", 1.0 + 3.0 * math.sin(second / 12.0))
        yield GnssVel(second + 0.01, 0.0, 20.0, 0.0)
        yield Baro(second + 0.01, isa.pressure_pa(height_m))


def test_hindsight_is_nearer_to_the_truth_than_a_reading_a_second_is_live() -> None:
    live, seen = errors(list(barometer_a_second()), 1000.0)
    assert seen < 0.5 * live


@pytest.mark.long
def test_hindsight_is_nearer_to_the_truth_without_inertial_unit() -> None:
    live, seen = errors(once_a_second(list(open_source(BUNDLED))), 1000.0)
    assert seen < 0.7 * live


@pytest.mark.long
def test_hindsight_is_nearer_to_the_truth_with_inertial_unit() -> None:
    live, seen = errors(list(open_source(BUNDLED)), 1000.0)
    assert seen < 0.8 * live


@pytest.mark.long
def test_compare_takes_hindsight_as_the_reference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["compare", str(BUNDLED), "--hindsight", "--rms", "vario_mps=0.01", "--out", str(tmp_path)])
    assert code == 1  # a live vario cannot be as accurate
    assert "in hindsight" in capsys.readouterr().out
    assert main(["compare", str(BUNDLED), str(BUNDLED), "--hindsight", "--out", str(tmp_path)]) == 2


def test_a_lag_of_zero_has_no_sign() -> None:
    t_s = np.arange(0.0, 100.0, 0.2)
    found = distance(Series(t_s, np.sin(t_s)), Series(t_s, np.sin(t_s)))
    assert found is not None
    assert str(found["lag_s"]) == "0.0"
