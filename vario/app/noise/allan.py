"""Allan deviation of a sensor at rest, and the noise figures that follow from its curve.

Terms and formulas follow IEEE Std 952-1997, annex C, and El-Sheimy, Hou and Niu, "Analysis and modeling of
inertial sensors using Allan variance", IEEE Transactions on Instrumentation and Measurement 57 (2008):

    quantisation       √3·Q/τ        slope −1
    white noise        N/√τ          slope −1/2
    bias instability   0.664·B       slope 0, at the minimum
    rate random walk   K·√(τ/3)      slope +1/2
    correlated noise   a local maximum at 1.89 correlation times
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

POINTS_A_DECADE = 12

LEAST_STRETCHES = 9
"""The recording is this many times as long as the longest averaging time, whose relative error is then
1/√(2·(9 − 1)) = 25 %."""

FLICKER = math.sqrt(2.0 * math.log(2.0) / math.pi)
"""0.664: the Allan deviation of flicker noise of unit size."""

MARKOV_MAXIMUM = 1.89
"""Averaging time of the maximum for a first-order Gauss-Markov process, in correlation times."""

SLOPE_TOLERANCE = 0.12
LEAST_SPAN = 2.5
"""A law is accepted if the slope matches within `SLOPE_TOLERANCE` over averaging times with a ratio of at
least `LEAST_SPAN`."""

LEAST_PROMINENCE = 1.4
"""A local maximum counts if it is larger by this factor than the minima before and after it."""


@dataclass(frozen=True, slots=True)
class AllanCurve:
    """Overlapping Allan deviation.

    Attributes:
        tau_s: averaging times in ascending order, shape (k,).
        deviation: Allan deviation in the unit of the values, shape (k,).
        error: relative standard error of each deviation, shape (k,).
    """

    tau_s: Floats
    deviation: Floats
    error: Floats


@dataclass(frozen=True, slots=True)
class NoiseFigures:
    """Noise figures of a curve, in the unit of the values. None: the curve does not show it.

    Attributes:
        sample: standard deviation of the white noise of one sample.
        second: Allan deviation at an averaging time of 1 s.
        white: N, noise density in unit/√Hz (= unit·√s): the deviation at 1 s of the white noise alone.
            Datasheets that state a one-sided density give a value √2 times as large.
        quantisation: Q, in unit·s.
        instability: B, the minimum of the curve divided by 0.664; an upper bound if `instability_at_end`.
        instability_s: averaging time of the minimum.
        instability_at_end: whether the minimum is at the end of the curve.
        random_walk: K, in unit/√s.
        correlation_s: correlation time of the correlated noise.
    """

    sample: float
    second: float | None
    white: float | None
    quantisation: float | None
    instability: float
    instability_s: float
    instability_at_end: bool
    random_walk: float | None
    correlation_s: float | None


def allan_curve(values: Floats, rate_hz: float) -> AllanCurve:
    """Overlapping Allan deviation of evenly spaced values.

    Args:
        values: readings, shape (n,), n at least `2 * LEAST_STRETCHES`.
        rate_hz: readings per second.
    """
    n = len(values)
    longest = n // LEAST_STRETCHES
    steps = math.ceil(math.log10(longest) * POINTS_A_DECADE) + 1
    lengths = np.unique(np.round(np.geomspace(1, longest, steps)).astype(np.int64))
    # Without the mean, the cumulative sum loses fewer digits.
    total = np.concatenate(([0.0], np.cumsum(values - np.mean(values))))
    deviation = np.empty(len(lengths))
    for i, m in enumerate(lengths.tolist()):
        change = total[2 * m :] - 2.0 * total[m:-m] + total[: -2 * m]
        deviation[i] = math.sqrt(float(np.mean(change * change)) / 2.0) / m
    return AllanCurve(lengths / rate_hz, deviation, 1.0 / np.sqrt(2.0 * (n / lengths - 1.0)))


def noise_figures(curve: AllanCurve) -> NoiseFigures:
    """Noise figures from the curve of a sensor at rest; every deviation must be above zero."""
    tau_s, deviation = curve.tau_s, curve.deviation
    lowest = int(np.argmin(deviation))
    scaled = _coefficient(curve, -1.0)
    walk = _coefficient(curve, 0.5)
    return NoiseFigures(
        sample=float(deviation[0]),
        second=float(np.interp(0.0, np.log(tau_s), deviation)) if tau_s[0] <= 1.0 <= tau_s[-1] else None,
        white=_coefficient(curve, -0.5),
        quantisation=None if scaled is None else scaled / math.sqrt(3.0),
        instability=float(deviation[lowest]) / FLICKER,
        instability_s=float(tau_s[lowest]),
        instability_at_end=lowest >= len(tau_s) - 2,
        random_walk=None if walk is None else walk * math.sqrt(3.0),
        correlation_s=_correlation_s(curve),
    )


def _coefficient(curve: AllanCurve, slope: float) -> float | None:
    """The factor c of the law c·τ^slope, from the longest part of the curve with that slope, or None."""
    log_tau, log_deviation = np.log(curve.tau_s), np.log(curve.deviation)
    follows = np.abs(np.gradient(log_deviation, log_tau) - slope) < SLOPE_TOLERANCE
    edges = np.flatnonzero(np.diff(np.concatenate(([0], follows.astype(np.int8), [0]))))
    stretches = [(log_tau[end - 1] - log_tau[start], start, end) for start, end in edges.reshape(-1, 2)]
    span, start, end = max(stretches, default=(0.0, 0, 0))
    if span < math.log(LEAST_SPAN):
        return None
    # The weights are inverse variances: short averaging times are the most accurate.
    weights = curve.error[start:end] ** -2
    return float(np.exp(np.average(log_deviation[start:end] - slope * log_tau[start:end], weights=weights)))


def _correlation_s(curve: AllanCurve) -> float | None:
    """Correlation time from the most prominent local maximum, s; None if the curve has none."""
    deviation = curve.deviation
    before, after = np.minimum.accumulate(deviation), np.minimum.accumulate(deviation[::-1])[::-1]
    prominence = np.minimum(deviation / before, deviation / after)
    top = int(np.argmax(prominence))
    return float(curve.tau_s[top]) / MARKOV_MAXIMUM if prominence[top] >= LEAST_PROMINENCE else None
