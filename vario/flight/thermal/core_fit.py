"""Position of the core: a Gaussian updraft fitted to the measured lift, in the drifting air.

w = W·exp(−d²/R²) − s, where d is the distance from the core and s the sink around it. One circle hardly
distinguishes a strong narrow thermal from a wide weak one, so the fit uses a prior of usual thermals; the
uncertainty of the result includes this. The posterior is maximised by damped Gauss-Newton steps. The usual
radius is somewhat larger than that of the updraft model of M. J. Allen, "Updraft Model for Development of
Autonomous Soaring Uninhabited Air Vehicles", AIAA 2006-1510: 55 to 110 m where its profile falls to 1/e, at
half the height of convective layers 1400 to 2000 m deep. Gliders circle longest in the widest thermals.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass

Floats = NDArray[np.float64]

RADIUS_M = 130.0
RADIUS_SPREAD = 0.5
"""Of the logarithm of the radius."""

STRENGTH_MPS, STRENGTH_SPREAD_MPS = 3.5, 1.5
SINK_MPS, SINK_SPREAD_MPS = 0.3, 0.4
"""Prior of the sink around the updraft; it also takes up a constant error of the measured air."""
PLACE_SPREAD_M = 200.0
"""Prior of the place of the core, wide: with a narrower one, a distant core is found too near."""
FURTHEST_M = 360.0
"""A fit with its core further off is refused, because no pilot circles there."""

LEAST_SCATTER_MPS = 0.25

MODEL_M = 8.0
MODEL_SHARE = 0.25
"""Added to the uncertainty of the position: a length in each direction, because the drift of the air is not
known exactly, and this share of the distance along its direction, because real updrafts are not Gaussian and
their radius is hardly known. Chosen so that errors are as large as stated, see docs/accuracy.md."""

LARGEST_ARGUMENT = 700.0
"""Of I₀, which grows as the exponential function and overflows soon after."""

STEPS = 8
RADIUS_LIMITS_M = (25.0, 600.0)


@dataclass(frozen=True, slots=True)
class Core:
    """A thermal's core north and east of the reference place, with one-sigma uncertainties.

    `sigma_m` is that of the position, the root mean square over two axes; `across_m` is that at right
    angles to the direction from the reference place. The direction is known much better than the distance.
    """

    north_m: float
    east_m: float
    strength_mps: float
    radius_m: float
    sigma_m: float
    across_m: float


def fit_core(north_m: Floats, east_m: Floats, air_mps: Floats, weight: Floats) -> Core | None:
    """The core that fits the points best; None if the fit does not converge.

    Args:
        north_m: of each point from the reference place, preferably the middle of the circle; shape (n,).
        east_m: likewise.
        air_mps: vertical motion of the air there.
        weight: number of independent samples of the air that each point represents.
    """
    prior = np.array([0.0, 0.0, STRENGTH_MPS, math.log(RADIUS_M), -SINK_MPS])
    spread = (PLACE_SPREAD_M, PLACE_SPREAD_M, STRENGTH_SPREAD_MPS, RADIUS_SPREAD, SINK_SPREAD_MPS)
    stiff = 1.0 / np.array(spread) ** 2
    x = prior.copy()
    x[2] = max(0.5, 1.3 * float(np.average(air_mps, weights=weight)))
    scatter = LEAST_SCATTER_MPS
    damping = 1e-2
    cost = math.inf
    information = np.diag(stiff)
    for _ in range(STEPS):
        rest, slope = _model(x, north_m, east_m, air_mps)
        now = float((weight * rest**2).sum() / scatter**2 + (stiff * (x - prior) ** 2).sum())
        damping = damping * 0.3 if now < cost else damping * 10.0
        cost = now
        information = slope.T @ (slope * weight[:, None]) / scatter**2 + np.diag(stiff)
        gradient = slope.T @ (weight * rest) / scatter**2 - stiff * (x - prior)
        step = np.linalg.solve(information + damping * np.diag(np.diag(information)), gradient)
        # Limit the step: far outside, the Gaussian is flat and the search would not come back.
        x = x + step * min(1.0, 60.0 / max(1e-9, float(np.hypot(step[0], step[1]))))
        x[3] = min(max(x[3], math.log(RADIUS_LIMITS_M[0])), math.log(RADIUS_LIMITS_M[1]))
        rest, _ = _model(x, north_m, east_m, air_mps)
        scatter = max(LEAST_SCATTER_MPS, math.sqrt(float((weight * rest**2).sum() / weight.sum())))
    covariance = np.linalg.inv(information)
    distance_m = math.hypot(x[0], x[1])
    if x[2] <= 0.0 or distance_m > FURTHEST_M or not math.isfinite(distance_m):
        return None
    fitted_m = math.sqrt(float(covariance[0, 0] + covariance[1, 1]) / 2)
    sigma_m = math.hypot(fitted_m, MODEL_M, MODEL_SHARE * distance_m / math.sqrt(2.0))
    across = np.array([-x[1], x[0]]) / max(distance_m, 1e-9)
    across_m = math.hypot(math.sqrt(float(across @ covariance[:2, :2] @ across)), MODEL_M)
    return Core(float(x[0]), float(x[1]), float(x[2]), math.exp(float(x[3])), sigma_m, across_m)


def circle_mean_mps(core: Core, radius_m: float, distance_m: float) -> float:
    """Mean rise of the air around a circle whose middle is `distance_m` from the core.

    W·exp(−(r² + d²)/R²)·I₀(2rd/R²): Abramowitz and Stegun 9.6.34, and for a narrow core 9.7.1.
    """
    squared = core.radius_m**2
    argument = 2.0 * radius_m * distance_m / squared
    if argument > LARGEST_ARGUMENT:
        near = math.exp(-((radius_m - distance_m) ** 2) / squared)
        return core.strength_mps * near / math.sqrt(math.tau * argument)
    mean = np.i0(argument) * math.exp(-(radius_m**2 + distance_m**2) / squared)
    return core.strength_mps * float(mean)


def _model(x: Floats, north_m: Floats, east_m: Floats, air_mps: Floats) -> tuple[Floats, Floats]:
    """Residuals of the model, and its derivatives by the parameters; shapes (n,), (n, 5)."""
    dn, de = north_m - x[0], east_m - x[1]
    squared = math.exp(-2.0 * float(x[3])) * (dn**2 + de**2)
    shape = np.exp(-squared)
    lift = x[2] * shape
    scale = 2.0 * math.exp(-2.0 * float(x[3])) * lift
    slopes = (scale * dn, scale * de, shape, 2.0 * squared * lift, np.ones_like(shape))
    return air_mps - lift - x[4], np.column_stack(slopes)
