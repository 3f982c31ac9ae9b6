"""Noise figures by maximum likelihood, for any filter that gives its innovations.

Each measurement is a sample of the normal distribution that the filter predicted for it. Therefore the sum of
the logarithms of these densities is the log likelihood of a set of noise figures for a whole flight
(R. Mehra, "On the identification of variances and adaptive Kalman filtering", IEEE Transactions on Automatic
Control AC-15, 1970). A general optimiser without derivatives finds its maximum.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from vario.flight.core.innovation import Innovation

GATE_NIS = 36.0
"""An innovation above 6 sigma counts as one of 6 sigma, so that spikes do not determine the noise."""

LARGEST_FACTOR = 20.0
"""Every parameter is searched between its start value divided by this factor and multiplied by it."""

FIRST_FACTOR = 1.5
EVALUATIONS = 90


@dataclass(frozen=True, slots=True)
class Parameters:
    """The parameters of the fit.

    Attributes:
        baro_pa: white noise of a static pressure, standard deviation.
        pitot_pa: white noise of an impact pressure, standard deviation.
        model: factor for the process noise of the filter.
    """

    baro_pa: float
    pitot_pa: float
    model: float = 1.0


Run = Callable[[Parameters], Iterator[Mapping[str, Innovation]]]
"""Runs a filter over a flight with given parameters; yields the innovations of each step by measurement."""

Innovations = dict[str, list[Innovation]]


@dataclass(frozen=True, slots=True)
class Consistency:
    """Consistency of the innovations of one kind of measurement.

    Attributes:
        count: number of innovations.
        nis: mean normalised innovation squared; 1 if the filter predicts their variance correctly.
        nis_spread: two standard deviations of this mean.
        correlation: correlation of consecutive innovations; 0 for white noise.
        correlation_spread: two standard deviations of the correlation.
        refused: fraction rejected by the gate of the filter.
    """

    count: int
    nis: float
    nis_spread: float
    correlation: float
    correlation_spread: float
    refused: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters and consistency before and after; `gain` is the change of log likelihood per innovation."""

    before: Parameters
    after: Parameters
    consistency_before: dict[str, Consistency]
    consistency_after: dict[str, Consistency]
    gain: float
    evaluations: int


def fit(run: Run, start: Parameters, progress: Callable[[int], None] = lambda _: None) -> Fit | None:
    """Find the parameters with the largest likelihood near `start`; None if a run gives no innovations.

    The pitot noise is fitted only if a run has a measurement named "airspeed". `progress` is called with the
    number of runs so far.
    """
    first = _collect(run(start))
    counts = {name: len(found) for name, found in first.items()}
    if not counts:
        return None
    runs = 0

    def cost(logs: Sequence[float]) -> float:
        nonlocal runs
        runs += 1
        progress(runs)
        return -log_likelihood(_collect(run(_moved(start, logs))), counts)

    size = 3 if "airspeed" in counts else 2
    room = math.log(LARGEST_FACTOR)
    found = minimize(
        cost,
        np.zeros(size),
        method="Nelder-Mead",
        bounds=[(-room, room)] * size,
        options={
            "initial_simplex": np.vstack([np.zeros(size), math.log(FIRST_FACTOR) * np.eye(size)]),
            "xatol": 0.02,  # 2 % is less than the uncertainty of such a fit
            "fatol": 1e-4,
            "maxfev": EVALUATIONS,
        },
    )
    after = _moved(start, found.x)
    last = _collect(run(after))
    return Fit(
        start,
        after,
        {name: consistency(innovations) for name, innovations in first.items()},
        {name: consistency(innovations) for name, innovations in last.items()},
        log_likelihood(last, counts) - log_likelihood(first, counts),
        runs,
    )


def _moved(start: Parameters, logs: Sequence[float]) -> Parameters:
    """Parameters from the logarithms of their factors: barometer, model and, if present, pitot."""
    factors = [math.exp(value) for value in logs]
    pitot = factors[2] if len(factors) > 2 else 1.0
    return Parameters(start.baro_pa * factors[0], start.pitot_pa * pitot, start.model * factors[1])


def _collect(steps: Iterator[Mapping[str, Innovation]]) -> Innovations:
    found: Innovations = {}
    for step in steps:
        for name, innovation in step.items():
            found.setdefault(name, []).append(innovation)
    return found


def log_likelihood(found: Innovations, counts: Mapping[str, int]) -> float:
    """Mean logarithm of the density per innovation.

    `counts` is the expected number of innovations by measurement. A missing innovation counts as one at the
    gate; otherwise noise figures that reset the filter often would have the largest likelihood.
    """
    total = 0.0
    for name, count in counts.items():
        innovations = found.get(name) or [Innovation(0.0, 1.0)]
        variance = np.array([i.variance for i in innovations])
        nis = np.array([i.nis for i in innovations])
        density = -0.5 * (np.minimum(nis, GATE_NIS) + np.log(2.0 * math.pi * variance))
        at_gate = -0.5 * (GATE_NIS + math.log(2.0 * math.pi * float(np.median(variance))))
        total += float(np.sum(density)) + max(0, count - len(innovations)) * at_gate
    return total / sum(counts.values())


def consistency(innovations: Sequence[Innovation]) -> Consistency:
    """Measure whether the innovations have the predicted variance and are white."""
    n = len(innovations)
    scaled = np.array([i.residual / math.sqrt(i.variance) for i in innovations])
    size = float(np.mean(scaled * scaled))
    # The mean of n squares of unit normals has the variance 2/n; the correlation of white noise has 1/n.
    return Consistency(
        n,
        size,
        2.0 * math.sqrt(2.0 / n),
        float(np.mean(scaled[1:] * scaled[:-1])) / size if n > 1 and size > 0.0 else 0.0,
        2.0 / math.sqrt(n),
        float(np.mean([not i.used for i in innovations])),
    )
