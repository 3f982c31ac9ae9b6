"""Noise figures by maximum likelihood, for any filter that shows its innovations.

Each measurement is a draw from the normal distribution the filter predicted just before, so the sum of the
logarithms of these densities says how well a set of noise figures explains a whole flight (R. Mehra, "On the
identification of variances and adaptive Kalman filtering", IEEE Transactions on Automatic Control AC-15,
1970). A general optimiser without derivatives finds the largest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from vario.flight.core.innovation import Innovation

GATE_NIS = 36.0
"""An innovation beyond 6 sigma counts as one of 6 sigma: a spike must not set the noise."""

LARGEST_FACTOR = 20.0
"""Every parameter is sought within this factor of where it starts, either way."""

FIRST_FACTOR = 1.5
EVALUATIONS = 90


@dataclass(frozen=True, slots=True)
class Parameters:
    """What is sought, all standard deviations.

    Attributes:
        baro_pa: white noise of a static pressure.
        pitot_pa: white noise of an impact pressure.
        model: factor on what else drives the filter: how much the motion is expected to change by itself.
    """

    baro_pa: float
    pitot_pa: float
    model: float = 1.0


Run = Callable[[Parameters], Iterator[Mapping[str, Innovation]]]
"""A filter run over a flight with given parameters: the innovations of each step, by measurement."""

Innovations = dict[str, list[Innovation]]


@dataclass(frozen=True, slots=True)
class Consistency:
    """How the innovations of one kind of measurement look.

    Attributes:
        count: how many.
        nis: mean normalised innovation squared; 1 if they are as large as the filter says.
        nis_spread: what this mean may differ from 1 by chance (two standard deviations).
        correlation: of neighbouring innovations; 0 if white.
        correlation_spread: likewise.
        refused: share that did not pass the filter's gate.
    """

    count: int
    nis: float
    nis_spread: float
    correlation: float
    correlation_spread: float
    refused: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Parameters and consistency before and after; `gain` is the rise of log likelihood per innovation."""

    before: Parameters
    after: Parameters
    consistency_before: dict[str, Consistency]
    consistency_after: dict[str, Consistency]
    gain: float
    evaluations: int


def fit(run: Run, start: Parameters, progress: Callable[[int], None] = lambda _: None) -> Fit | None:
    """Find the parameters of largest likelihood, near `start`; None if a run gives no innovations at all.

    Pitot noise is sought only if a run shows a measurement called "airspeed". `progress` is called with the
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
            "xatol": 0.02,  # 2 % is less than such a fit is good for
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
    """Parameters by the logarithms of their factors: barometer, model and, where there is one, pitot."""
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
    """Mean logarithm of the density of an innovation.

    `counts` says how many of each there should be. One that is missing counts as one at the gate, or the
    noise figures that make the filter start over and over would look best.
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
    """Whether innovations are as large and as white as they should be."""
    n = len(innovations)
    scaled = np.array([i.residual / math.sqrt(i.variance) for i in innovations])
    size = float(np.mean(scaled * scaled))
    # The mean of n squares of unit normals has variance 2/n, the correlation of white noise 1/n.
    return Consistency(
        n,
        size,
        2.0 * math.sqrt(2.0 / n),
        float(np.mean(scaled[1:] * scaled[:-1])) / size if n > 1 and size > 0.0 else 0.0,
        2.0 / math.sqrt(n),
        float(np.mean([not i.used for i in innovations])),
    )
