"""Fixed-interval smoothing on filterpy, and the noise figures for a series of energy heights.

Source of the smoother: H. Rauch, F. Tung, C. Striebel, Maximum likelihood estimates of linear dynamic
systems, AIAA Journal 3, 1965, as filterpy's `KalmanFilter.rts_smoother` implements it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_PSD, MOST_PSD = 0.02, 50.0
"""Bounds of the acceleration noise, m²/s³: that of calm air, and of aerobatics without airspeed."""

LEAST_SIGMA_M = 0.05
OUTLIER = 5.0
"""A second difference is limited to this many typical ones, so that a spike has little effect."""


def energy_noise(t_s: Floats, energy_m: Floats) -> tuple[float, float]:
    """Acceleration noise (m²/s³) and measurement noise (m, one standard deviation) of energy heights.

    For the model of `vario.flight.estimate.rate` with steps T, second differences have the variance
    6σ² + ⅔qT³ and the covariance −4σ² + ⅙qT³ with the next one. The two equations give σ and q.

    Args:
        t_s: times, shape (n,), n ≥ 3.
        energy_m: energy heights, shape (n,).
    """
    step_s = float(np.median(np.diff(t_s)))
    regular = np.abs(np.diff(t_s) - step_s) < 0.2 * step_s
    bends = np.diff(energy_m, 2)[regular[1:] & regular[:-1]]
    if bends.size < 3:
        return LEAST_PSD, 1.0
    most = OUTLIER * 1.4826 * float(np.median(np.abs(bends))) + 1e-3
    bends = np.clip(bends, -most, most)
    variance, covariance = float(np.mean(bends**2)), float(np.mean(bends[1:] * bends[:-1]))
    noise = max((variance - 4.0 * covariance) / 22.0, LEAST_SIGMA_M**2)
    psd = 1.5 * (variance - 6.0 * noise) / step_s**3
    return min(max(psd, LEAST_PSD), MOST_PSD), float(np.sqrt(noise))


def smoothed_rate(t_s: Floats, energy_m: Floats, psd: float, sigma_m: float) -> Floats:
    """Rate of change of a series, m/s, smoothed over the whole series; shape (n,).

    Args:
        t_s: times, shape (n,), rising.
        energy_m: measured values, shape (n,).
        psd: acceleration noise, m²/s³.
        sigma_m: measurement noise, one standard deviation.
    """
    kalman = KalmanFilter(dim_x=2, dim_z=1)
    kalman.x = np.array([energy_m[0], 0.0])
    kalman.P = np.diag([sigma_m**2, 25.0])
    kalman.H, kalman.R = np.array([[1.0, 0.0]]), np.array([[sigma_m**2]])
    states, covariances = [kalman.x], [kalman.P]
    moves, noises = [np.eye(2)], [np.zeros((2, 2))]
    for step_s, measured_m in zip(np.diff(t_s), energy_m[1:], strict=True):
        move = np.array([[1.0, step_s], [0.0, 1.0]])
        noise = psd * np.array([[step_s**3 / 3.0, step_s**2 / 2.0], [step_s**2 / 2.0, step_s]])
        kalman.predict(F=move, Q=noise)
        kalman.update(measured_m)
        states.append(kalman.x)
        covariances.append(kalman.P)
        moves.append(move)
        noises.append(noise)
    return _smoothed(states, covariances, moves, noises)[:, 1]


def smoothed_errors(
    steps: Sequence[Floats], covariances: Sequence[Floats], moves: Sequence[Floats], noises: Sequence[Floats]
) -> Floats:
    """Smooth the errors of an error-state filter after each of its corrections.

    Such a filter applies each correction to its estimate at once, and starts the next one at zero error. For
    the smoother the corrections are summed, as in a plain Kalman filter; afterwards the sums are subtracted.

    Args:
        steps: what each correction added, n of shape (m,).
        covariances: after each correction, n of shape (m, m).
        moves: transition of the prediction before each correction, n of shape (m, m).
        noises: noise of that prediction, n of shape (m, m).

    Returns:
        The values to add to each estimate, shape (n, m).
    """
    carried = [np.zeros_like(steps[0])]
    for move, step in zip(moves[1:], steps[1:], strict=True):
        carried.append(move @ carried[-1] + step)
    # A state without variance has no error; with it the covariance has no inverse.
    unsure = np.flatnonzero(np.any([np.diag(covariance) > 0.0 for covariance in covariances], axis=0))
    part = np.ix_(unsure, unsure)
    errors = np.zeros((len(carried), len(carried[0])))
    inner = [state[unsure] for state in carried]
    errors[:, unsure] = _smoothed(
        inner, *([matrix[part] for matrix in each] for each in (covariances, moves, noises))
    ) - np.array(inner)
    return errors


def _smoothed(
    states: Sequence[Floats], covariances: Sequence[Floats], moves: Sequence[Any], noises: Sequence[Any]
) -> Floats:
    size = len(states[0])
    smoother = KalmanFilter(dim_x=size, dim_z=1)
    found, *_ = smoother.rts_smoother(np.array(states), np.array(covariances), Fs=moves, Qs=noises)
    return np.asarray(found, np.float64)
