"""Several scalar measurements used one after the other, for little more than the price of one.

A scalar measurement with row h and noise r takes u u'/s from the covariance P, where u = P h is its spread
and s = h'u + r. All that those still waiting need to know of this is how their own u and h'u change, which
is written in the small matrix H P H' of all of them. So the large covariance is met twice only: when the
spreads are formed, and when everything that was used is taken off it. In between, each measurement may be
looked at, gated or left out, with all used before it counted in.

It is the Cholesky way of solving for all at once, a column at a time: G. J. Bierman, Factorization Methods
for Discrete Sequential Estimation, 1977, chapters II and V.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class SequentialUpdate:
    """The measurements of one instant, by the number of their row.

    Args:
        cov: covariance before any of them, shape (n, n); `finish` changes it.
        rows: one row for each, shape (m, n).
        step: the correction of the state found so far, shape (n,); `finish` adds to it.
    """

    def __init__(self, cov: Floats, rows: Floats, step: Floats) -> None:
        self._cov, self._step = cov, step
        self._spreads = cov.dot(rows.T)
        self._signals: list[list[float]] = rows.dot(self._spreads).tolist()
        self._expected: list[float] = rows.dot(step).tolist()
        # The spread of each, as a mixture of the first ones: a column a measurement.
        count = len(self._expected)
        self._mix = [[float(i == j) for i in range(count)] for j in range(count)]
        # Of each that was used: its number, its innovation and the deviation that was believed with.
        self._used: list[tuple[int, float, float]] = []

    def expected(self, number: int) -> float:
        """What the correction so far makes of the measurement."""
        return self._expected[number]

    def signal(self, number: int) -> float:
        """The variance the state still gives the measurement, its own noise apart."""
        return self._signals[number][number]

    def use(self, number: int, innovation: float, total: float) -> None:
        """Use a measurement; `total` is the variance its innovation is believed with.

        Those that are used are used in the order of their rows.
        """
        signals, mix = self._signals, self._mix
        gain = innovation / total
        own, own_mix = signals[number], mix[number]
        self._used.append((number, innovation, math.sqrt(total)))
        waiting = range(number + 1, len(own))
        for j in waiting:
            self._expected[j] += own[j] * gain
            share = own[j] / total
            row, its_mix = signals[j], mix[j]
            for i in waiting:
                row[i] -= share * own[i]
            for i in range(number + 1):
                its_mix[i] -= share * own_mix[i]

    def finish(self, considered: Sequence[int] = (), last: int = 0) -> None:
        """Put what was used into covariance and correction.

        `considered`: states of which the `last` measurements used tell nothing (Schmidt).
        """
        if not self._used:
            return
        # Spreads and innovations over the deviation: what is taken off is then one matrix times itself.
        mix = [[share / sigma for share in self._mix[number]] for number, _, sigma in self._used]
        spreads = self._spreads.dot(np.array(mix).T)
        scaled = [innovation / sigma for _, innovation, sigma in self._used]
        self._step += spreads.dot(scaled)
        self._cov -= spreads.dot(spreads.T)
        for state in considered:
            for share, innovation in zip(spreads[state, -last:].tolist(), scaled[-last:], strict=True):
                self._step[state] -= share * innovation
                self._cov[state, state] += share * share
