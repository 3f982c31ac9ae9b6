"""The needle and the averager against closed forms.

The needle is a first-order low pass. After a step it shows the share 1 − e^(−t/τ) at the time t. It lags
behind a ramp by τ. White noise of variance σ² per sample, taken every dt, gives it the variance σ²·(1 − a)/(1
+ a), a = e^(−dt/τ): K. Ogata, Modern Control Engineering, section on first-order systems; G. Box, G. Jenkins,
Time Series Analysis, section on the autoregressive process of first order (both from memory). The averager is
a boxcar of N seconds: after a step it shows the share t/N, and it lags behind a ramp by N/2 (the mean of a
straight line is its middle). A 20 s averager: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from tests.support.setups import setup
from vario.flight.core.low_pass import LowPass
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.thermal.averages import AveragesStage
from vario.settings.schema import Average

DT_S = 0.02
STRAIGHT = Turning(0.0, 0.0, 0.0, 0.0, active=False, now=False)


def needle(inputs: list[float], time_constant_s: float, dt_s: float = DT_S) -> np.ndarray:
    damping = LowPass(time_constant_s)
    return np.array([damping.update(value, dt_s) for value in inputs], dtype=float)


@given(st.floats(0.3, 10.0), st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.sampled_from([0.01, 0.02, 0.1]))
def test_of_a_step_the_needle_shows_what_the_first_order_system_shows(
    time_constant_s: float, before: float, after: float, dt_s: float
) -> None:
    shown = needle([before] + [after] * 400, time_constant_s, dt_s)
    t_s = dt_s * np.arange(401)
    exact = before + (after - before) * -np.expm1(-t_s / time_constant_s)
    np.testing.assert_allclose(shown, exact, atol=1e-9)


def test_the_needle_is_the_step_response_of_a_general_library() -> None:
    t_s = DT_S * np.arange(500)
    _, exact = signal.step(signal.TransferFunction([1.0], [1.5, 1.0]), T=t_s)
    np.testing.assert_allclose(needle([0.0] + [1.0] * 499, 1.5), exact, atol=1e-6)


@pytest.mark.parametrize("time_constant_s", [0.5, 1.0, 3.0])
def test_behind_a_ramp_the_needle_lags_by_its_time_constant(time_constant_s: float) -> None:
    ramp = DT_S * np.arange(round(12 * time_constant_s / DT_S))
    lag_s = ramp[-1] - needle(ramp.tolist(), time_constant_s)[-1]
    assert lag_s == pytest.approx(time_constant_s, abs=0.51 * DT_S)  # sampling: a half step


def test_of_white_noise_the_needle_lets_the_published_share_through() -> None:
    noise = np.random.default_rng(7).standard_normal(200_000)
    a = math.exp(-DT_S / 0.2)
    shown = needle(noise.tolist(), 0.2)[1000:]
    assert float(np.var(shown)) == pytest.approx((1.0 - a) / (1.0 + a), rel=0.05)


def test_uneven_frames_are_one_frame_of_their_sum() -> None:
    one, several = LowPass(1.3), LowPass(1.3)
    for damping in (one, several):
        damping.update(0.0, DT_S)
    for dt_s in (0.02, 0.5, 0.07, 0.11):
        last = several.update(2.0, dt_s)
    assert last == pytest.approx(one.update(2.0, 0.7), abs=1e-12)


def test_what_is_not_known_passes_at_once_and_no_damping_damps_nothing() -> None:
    damping = LowPass(5.0)
    assert [damping.update(v, DT_S) for v in (3.0, None, -2.0)] == [3.0, None, -2.0]
    assert [LowPass(0.0).update(v, DT_S) for v in (1.0, -4.0)] == [1.0, -4.0]


def averages(climb_mps: np.ndarray, window_s: float) -> np.ndarray:
    """The averager in a climb; NaN while it is not known."""
    stage, energy_m, shown = (
        AveragesStage(setup(average=Average.model_validate({"window": f"{window_s} s"}))),
        800.0,
        [],
    )
    for k, climb in enumerate(climb_mps.tolist()):
        energy_m += climb * DT_S
        energy = Energy(800.0, climb, 25.0, 26.0, 1.1, climb, energy_m, compensated=True)
        mean = stage.update(DT_S * (k + 1), energy, STRAIGHT, Mode.CRUISE).average_mps
        shown.append(math.nan if mean is None else mean)
    return np.array(shown)


@pytest.mark.parametrize("window_s", [10.0, 20.0, 30.0])
def test_of_a_step_the_averager_shows_the_share_of_its_window(window_s: float) -> None:
    rest = round((window_s + 5.0) / DT_S)
    shown = averages(np.repeat([0.0, 2.0], [rest, rest + 1]), window_s)
    t_s = DT_S * np.arange(1, rest + 1)
    exact = 2.0 * np.minimum(t_s / window_s, 1.0)
    # Points are kept every 0.1 s: at the corner a line is drawn across as much of it.
    np.testing.assert_allclose(shown[rest : 2 * rest], exact, atol=2.0 * 0.1 / window_s)
    np.testing.assert_allclose(
        shown[rest : rest + round((window_s - 0.2) / DT_S)],
        exact[: round((window_s - 0.2) / DT_S)],
        atol=1e-6,
    )


def test_behind_a_ramp_the_averager_lags_by_half_its_window() -> None:
    t_s = DT_S * np.arange(1, 3001)
    shown = averages(0.1 * t_s, 20.0)
    assert shown[-1] == pytest.approx(0.1 * (t_s[-1] - 10.0), abs=0.1 * DT_S)


def test_the_averager_is_twenty_seconds_and_says_nothing_sooner() -> None:
    assert Average().window_s == 20.0
    shown = averages(np.full(1100, 1.0), Average().window_s)
    assert np.isnan(shown[: round(19.9 / DT_S)]).all()
    assert shown[-1] == pytest.approx(1.0)
