"""A simple filter, as a reference for the benchmark of the estimator (another one: `reference_design`).

The plain alternative: a Kalman filter of two states (energy height and its rate) on barometer and airspeed,
at its steady state. Its one constant was tuned once, on seeds that are not scored.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from drivers import isa
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_flight import Flight, fly

Floats = NDArray[np.float64]

ENERGY_NOISE_M = 0.13
"""Noise of one energy height: 1.2 Pa of the barometer are 0.12 m, 0.5 Pa of the pitot at 25 m/s another 0.05
m.
"""

TWO_STATE_PSD = 0.019
"""Spectral density of the second derivative of energy height, m²/s³. `tune_two_state` found it on seeds 1 and
2 of both gliders: the minimum of the mean RMS over `TUNING_SCENES`.
"""

TUNING_SCENES = ("speed_changes", "streets", "thermal")
"""Gust steps and strong turbulence are excluded: they read as lift with any constant, and there the least
error belongs to a needle that hardly moves.
"""


def energy_heights_m(static_pa: Floats, impact_pa: Floats) -> list[float]:
    """Energy height h + V²/2g of each pair of readings, in standard air."""
    found = []
    for static, impact in zip(static_pa.tolist(), impact_pa.tolist(), strict=True):
        height_m = isa.altitude_m(static)
        tas_mps = isa.tas_mps(max(impact, 0.0), static, isa.temperature_k(height_m))
        found.append(height_m + tas_mps * tas_mps / (2.0 * isa.G0_MPS2))
    return found


def two_state(energy: list[float], t: float, psd: float = TWO_STATE_PSD) -> Floats:
    """Rate of energy height at each energy height, which are `t` seconds apart; shape (n,)."""
    gain_position, gain_rate = steady_gains(psd, ENERGY_NOISE_M, t)
    position, rate = energy[0], 0.0
    found = np.empty(len(energy))
    for i, measured in enumerate(energy):
        position += t * rate
        residual = measured - position
        position += gain_position * residual
        rate += gain_rate * residual
        found[i] = rate
    return found


def steady_gains(psd: float, sigma: float, t_s: float) -> tuple[float, float]:
    """Kalman gains of the white-acceleration model once they no longer change, by filterpy."""
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x = np.zeros(2)
    kf.P = np.diag([sigma**2, 9.0])
    kf.F = np.array([[1.0, t_s], [0.0, 1.0]])
    kf.H = np.array([[1.0, 0.0]])
    kf.R = np.array([[sigma**2]])
    kf.Q = psd * np.array([[t_s**3 / 3, t_s**2 / 2], [t_s**2 / 2, t_s]])
    for _ in range(3000):
        kf.predict()
        kf.update(np.zeros(1))
    return float(kf.K[0, 0]), float(kf.K[1, 0])


def tune_two_state(cache: Path) -> float:
    """Determine the constant above again: the least mean RMS error against the gust-free truth."""
    flights = [
        fly(scene, glider, seed, cache)
        for scene in TUNING_SCENES
        for glider in ("sgs126", "sgs233")
        for seed in (1, 2)
    ]

    energies = [energy_heights_m(flight.baro_pa, flight.pitot_pa) for flight in flights]

    def cost(log_psd: float) -> float:
        found = [two_state(energy, 1.0 / flights[0].air_hz, math.exp(log_psd)) for energy in energies]
        return float(np.mean([_rms(flight, vario) for flight, vario in zip(flights, found, strict=True)]))

    return math.exp(minimize_scalar(cost, bounds=(math.log(0.01), math.log(30.0)), method="bounded").x)


def _rms(flight: Flight, vario_mps: Floats) -> float:
    truth = flight.truth[RATE_HZ // flight.air_hz - 1 :: RATE_HZ // flight.air_hz]
    scored = truth["t_s"] > flight.score_from_s
    return float(np.sqrt(np.mean((vario_mps - truth["vario_mps"])[scored] ** 2)))
