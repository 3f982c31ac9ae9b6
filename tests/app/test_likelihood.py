"""Maximum likelihood with drawn noise, so that the true parameters are known: the two-state filter of
filterpy.

For a filter with the true parameters, innovations are white and their normalised squares average 1
(Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, section 5.4, from
memory); filterpy gives the log likelihood of a measurement itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter

from vario.app.noise.likelihood import Parameters, Run, consistency, fit, log_likelihood
from vario.flight.core.innovation import Innovation

T = 0.1
TRUE = Parameters(baro_pa=0.5, pitot_pa=1.0, model=0.3)


def two_state(sigma: float, acceleration: float) -> KalmanFilter:
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x = np.zeros(2)
    kf.P = np.diag([sigma**2, 1.0])
    kf.F = np.array([[1.0, T], [0.0, 1.0]])
    kf.H = np.array([[1.0, 0.0]])
    kf.R = np.array([[sigma**2]])
    kf.Q = acceleration**2 * np.array([[T**3 / 3, T**2 / 2], [T**2 / 2, T]])
    return kf


def drawn(n: int, seed: int) -> list[float]:
    rng = np.random.default_rng(seed)
    kf = two_state(TRUE.baro_pa, TRUE.model)
    root = np.linalg.cholesky(kf.Q)
    x, out = np.zeros(2), []
    for _ in range(n):
        x = kf.F @ x + root @ rng.standard_normal(2)
        out.append(float(x[0] + TRUE.baro_pa * rng.standard_normal()))
    return out


def runner(measured: list[float], spoil: Callable[[int, float], float] = lambda _i, z: z) -> Run:
    def run(parameters: Parameters) -> Iterator[Mapping[str, Innovation]]:
        kf = two_state(parameters.baro_pa, parameters.model)
        for i, z in enumerate(measured):
            kf.predict()
            kf.update(np.array([spoil(i, z)]))
            yield {"height": Innovation(float(kf.y[0]), float(kf.S[0, 0]))}

    return run


def test_log_likelihood_is_filterpys() -> None:
    kf = two_state(0.5, 0.3)
    for z in drawn(50, 1):
        kf.predict()
        kf.update(np.array([z]))
        ours = Innovation(float(kf.y[0]), float(kf.S[0, 0]))
        found = log_likelihood({"height": [ours]}, {"height": 1})
        assert found == pytest.approx(kf.log_likelihood, rel=1e-9)


@pytest.mark.long
@pytest.mark.parametrize("start", [Parameters(2.0, 1.0, 0.1), Parameters(0.15, 1.0, 1.0)])
def test_the_noise_drawn_is_found(start: Parameters) -> None:
    found = fit(runner(drawn(2000, 2)), start)
    assert found is not None
    assert found.after.baro_pa == pytest.approx(TRUE.baro_pa, rel=0.05)
    assert found.after.model == pytest.approx(TRUE.model, rel=0.25)
    assert found.after.pitot_pa == start.pitot_pa  # nothing in the data says anything about it
    assert found.gain > 0.0
    after = found.consistency_after["height"]
    assert after.nis == pytest.approx(1.0, abs=2 * after.nis_spread)
    assert after.correlation == pytest.approx(0.0, abs=2 * after.correlation_spread)
    before = found.consistency_before["height"]
    assert abs(before.nis - 1.0) > 2 * before.nis_spread


def test_a_filter_run_with_the_truth_is_consistent_and_no_other_is_likelier() -> None:
    measured = drawn(3000, 3)
    true = [step["height"] for step in runner(measured)(TRUE)]
    found = consistency(true)
    assert found.nis == pytest.approx(1.0, abs=2 * found.nis_spread)
    assert found.correlation == pytest.approx(0.0, abs=2 * found.correlation_spread)
    count = {"height": len(measured)}
    for other in (Parameters(0.4, 1.0, 0.3), Parameters(0.6, 1.0, 0.3), Parameters(0.5, 1.0, 0.9)):
        wrong = [step["height"] for step in runner(measured)(other)]
        assert log_likelihood({"height": wrong}, count) < log_likelihood({"height": true}, count)


@pytest.mark.long
def test_spikes_do_not_set_the_noise() -> None:
    spiky = runner(drawn(2000, 4), lambda i, z: z + (50.0 if i % 400 == 399 else 0.0))
    found = fit(spiky, Parameters(0.8, 1.0, 0.3))
    assert found is not None
    # Without the cap five spikes of 100 sigma would make it several times as large.
    assert found.after.baro_pa < 1.6 * TRUE.baro_pa


def test_a_filter_that_says_nothing_gives_no_fit() -> None:
    assert fit(lambda _: iter(()), TRUE) is None
