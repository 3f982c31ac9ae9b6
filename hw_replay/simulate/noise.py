"""Streams of random numbers, each with its own seed, so that an added stream does not change the others."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np


def normals(seed: int, stream: str) -> Iterator[float]:
    """An endless stream of standard normal numbers, drawn in blocks because single calls are slow."""
    generator = np.random.default_rng([seed, *stream.encode()])
    while True:
        yield from generator.standard_normal(1024).tolist()


class GaussMarkov:
    """Exponentially correlated noise (first-order Gauss-Markov process).

    Args:
        sigma: standard deviation, in the unit of the disturbed value.
        tau_s: correlation time.
        dt_s: time between two calls of `step`.
        source: standard normal numbers.
    """

    def __init__(self, sigma: float, tau_s: float, dt_s: float, source: Iterator[float]) -> None:
        self._keep = math.exp(-dt_s / tau_s)
        self._drive = sigma * math.sqrt(1.0 - self._keep**2)
        self._source = source
        self._value = sigma * next(source)

    def step(self) -> float:
        """The next value."""
        self._value = self._keep * self._value + self._drive * next(self._source)
        return self._value
