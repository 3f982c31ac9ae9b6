"""The height filter of the whole instrument has the gains of the theory.

Only readings are inputs, and only `Energy` is the output.

Sources: steady-state Kalman gains by scipy's solver of the discrete Riccati equation; closed forms of the
two-state filter by P. Kalata, "The tracking index", IEEE Transactions on Aerospace and Electronic Systems
AES-20 (1984), and Y. Bar-Shalom, Estimation with Applications to Tracking and Navigation (both from memory;
the Riccati solver agrees); Kalman-Bucy steady state of white acceleration in white noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import solve_discrete_are
from scipy.optimize import least_squares

from drivers import isa
from drivers.samples import Baro, Sample
from tests.bench.references import steady_gains
from tests.support.mechanical_turn import NOISE, Floats, T, readings
from tests.support.truth_flight import Sensors, fly


def gains(f: Floats, q: Floats, r: float) -> Floats:
    """Steady-state Kalman gains of a filter that measures its first state."""
    h = np.zeros((1, len(f)))
    h[0, 0] = 1.0
    p = solve_discrete_are(f.T, h.T, q, np.array([[r]]))
    return np.asarray((p @ h.T / (h @ p @ h.T + r))[:, 0], dtype=np.float64)


def white_acceleration(psd: float, drift_psd: float) -> tuple[Floats, Floats]:
    """Position, rate and acceleration over T: white noise on rate and on acceleration, integrated exactly."""
    f = np.array([[1.0, T, T * T / 2], [0.0, 1.0, T], [0.0, 0.0, 1.0]])
    q = np.zeros((3, 3))
    q[:2, :2] = psd * np.array([[T**3 / 3, T**2 / 2], [T**2 / 2, T]])
    q += drift_psd * np.array(
        [[T**5 / 20, T**4 / 8, T**3 / 6], [T**4 / 8, T**3 / 3, T**2 / 2], [T**3 / 6, T**2 / 2, T]]
    )
    return f, q


@pytest.mark.parametrize(
    ("index", "alpha", "beta"),
    [
        (0.01, 0.13185099, 0.00931745),
        (0.1, 0.36, 0.08),
        (0.5, 0.62837346, 0.30480590),
        (1.0, 0.75, 0.5),
        (2.0, 0.85410197, 0.76393202),
        (10.0, 0.97871376, 1.45898034),
    ],
)
def test_riccati_solver_gives_kalatas_gains(index: float, alpha: float, beta: float) -> None:
    """The oracle itself, on a piecewise constant acceleration: λ = T²σw/σv."""
    f = np.array([[1.0, 1.0], [0.0, 1.0]])
    q = index**2 * np.array([[0.25, 0.5], [0.5, 1.0]])
    np.testing.assert_allclose(gains(f, q, 1.0), [alpha, beta], rtol=1e-6)


@pytest.mark.parametrize("psd", [0.001, 0.019, 1.0])
def test_the_benchmarks_two_state_filter_is_optimal(psd: float) -> None:
    """Check of the reference filter: Riccati, Kalata for short steps, Kalman and Bucy in the limit."""
    sigma = 0.13
    found = np.array(steady_gains(psd, sigma, T))
    f = np.array([[1.0, T], [0.0, 1.0]])
    q = psd * np.array([[T**3 / 3, T**2 / 2], [T**2 / 2, T]])
    np.testing.assert_allclose(found, gains(f, q, sigma**2), rtol=1e-6)
    index = T * T * math.sqrt(psd / T) / sigma
    r = (4.0 + index - math.sqrt(8.0 * index + index**2)) / 4.0
    alpha = 1.0 - r * r
    beta = 2.0 * (2.0 - alpha) - 4.0 * math.sqrt(1.0 - alpha)
    np.testing.assert_allclose(found, [alpha, beta / T], rtol=0.01)
    natural = (psd / (sigma**2 * T)) ** 0.25
    np.testing.assert_allclose(found, [math.sqrt(2.0) * natural * T, natural**2 * T], rtol=2.0 * natural * T)


def at_rest(shift_pa: Callable[[int], float], seconds: float) -> Iterator[Sample]:
    for i in range(round(seconds / T)):
        # Readings that are equal to the last digit for long would count as frozen.
        yield Baro(i * T + T - 1e-4, 95_000.0 + 1e-3 * (i % 3) + shift_pa(i))


def climb_response() -> Floats:
    """Climb shown from a single pressure height that is 1 m off, barometer alone, once settled."""
    after = 1500
    delta_pa = 1.0  # small against the gate, large against rounding
    plain = readings(at_rest(lambda _: 0.0, 40.0))
    poked = readings(at_rest(lambda i: delta_pa if i == after else 0.0, 40.0))
    height_m = isa.altitude_m(95_000.0 + delta_pa) - isa.altitude_m(95_000.0)
    with_, without = (
        np.array([r.energy.climb_mps for r in run], dtype=np.float64)[after:] for run in (poked, plain)
    )
    return np.asarray((with_ - without) / height_m, dtype=np.float64)


def test_the_height_filter_runs_with_riccati_gains() -> None:
    """Its response to one pressure is that of a Kalman filter with white acceleration and drift, to 1 %."""
    found = climb_response()[:250]
    sigma_m = NOISE.baro_pa * isa.metres_per_pascal(95_000.0)

    def response(log_psds: Floats) -> Floats:
        f, q = white_acceleration(*np.exp(log_psds))
        k = gains(f, q, sigma_m**2)
        x = np.zeros(3)
        out = np.empty(len(found))
        for i in range(len(found)):
            x = f @ x
            x = x + k * ((1.0 if i == 0 else 0.0) - x[0])
            out[i] = x[1]
        return out

    fit = least_squares(
        lambda p: response(p) - found, np.log([0.1, 0.01]), bounds=(np.log(1e-6), np.log(100.0)), x_scale=1.0
    )
    assert np.max(np.abs(fit.fun)) < 0.01 * np.max(np.abs(found))


def test_the_height_filter_reads_a_steady_climb_exactly() -> None:
    """Moments of its response: Σh = 0 (a constant height gives no climb) and Σ n·T·h = −1 (a ramp gives its
    full climb).
    """
    found = climb_response()
    n = np.arange(len(found))
    assert np.sum(found) == pytest.approx(0.0, abs=1e-3)
    assert np.sum(-n * T * found) == pytest.approx(1.0, abs=0.01)


@pytest.mark.long
def test_no_climb_is_quieter_than_white_noise_allows(truth_folder: Path) -> None:
    """Accelerometer and barometer noise alone: √2·q^¾·r^¼ is the least variance (Kalman and Bucy).

    An error below it would mean that the test uses the truth.
    """
    sensors = Sensors(accel_bias_mps2=0.0, gyro_bias_radps=0.0, mounting_rad=0.0)
    flight = fly("speed_changes", "sgs126", 305, truth_folder, sensors)
    scored = [r for r in readings(flight.samples()) if flight.score_from_s < r.t_s <= flight.truth["t_s"][-1]]
    truth = np.interp([r.t_s for r in scored], flight.truth["t_s"], flight.truth["climb_mps"])
    error = np.array([r.energy.climb_mps for r in scored], dtype=np.float64) - truth
    q = sensors.accel_mps2**2 / 100.0
    r = (
        sensors.baro_pa * isa.metres_per_pascal(float(np.mean(flight.truth["static_pa"])))
    ) ** 2 / sensors.air_hz
    floor = math.sqrt(math.sqrt(2.0) * q**0.75 * r**0.25)
    assert floor == pytest.approx(0.004, rel=0.2)
    assert np.std(error) > floor
    assert np.std(error) < 0.3
