"""Sequential scalar Kalman updates of one instant, with a single update of the covariance at the end.

A scalar measurement with row h and noise r subtracts u u'/s from the covariance P, with u = P h and s = h'u +
r. For the remaining measurements only their own u and h'u change, and these changes follow from the small
matrix H P H' of all measurements. Therefore the large covariance is used only twice: to compute P H', and to
subtract the sum of the updates. In between, each measurement can be examined, gated or omitted, and the
effect of the earlier ones is included.

This equals a Cholesky solution for all measurements at once, one column at a time: G. J. Bierman,
Factorization Methods for Discrete Sequential Estimation, 1977, chapters II and V.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class SequentialUpdate:
    """The measurements of one instant, each identified by the number of its row.

    Args:
        cov: covariance before the updates, shape (n, n); `finish` changes it.
        rows: one row for each measurement, shape (m, n).
        step: the correction of the state found so far, shape (n,); `finish` adds to it.
    """

    def __init__(self, cov: Floats, rows: Floats, step: Floats) -> None:
        self._cov, self._step = cov, step
        self._pht = cov.dot(rows.T)
        self._hpht: list[list[float]] = rows.dot(self._pht).tolist()
        self._expected: list[float] = rows.dot(step).tolist()
        # The present P h of each measurement, as a combination of the columns of the initial P H'.
        self._mix = [row.copy() for row in _identity(len(self._expected))]
        # For each measurement used: its number, its innovation and the standard deviation of the innovation.
        self._used: list[tuple[int, float, float]] = []

    def expected(self, number: int) -> float:
        """The prediction of the measurement by the correction so far."""
        return self._expected[number]

    def predicted_variance(self, number: int) -> float:
        """The variance of the prediction of the measurement, without the noise of the measurement: h'P h."""
        return self._hpht[number][number]

    def use(self, number: int, innovation: float, s: float) -> None:
        """Use a measurement; `s` is the variance S of its innovation.

        Measurements must be used in the order of their rows.
        """
        hpht, mix = self._hpht, self._mix
        gain = innovation / s
        own, own_mix = hpht[number], mix[number]
        self._used.append((number, innovation, math.sqrt(s)))
        waiting = range(number + 1, len(own))
        for j in waiting:
            self._expected[j] += own[j] * gain
            share = own[j] / s
            row, its_mix = hpht[j], mix[j]
            for i in range(j, len(own)):  # what is left of it is not used any more
                row[i] -= share * own[i]
            for i in range(number + 1):
                its_mix[i] -= share * own_mix[i]

    def finish(self, considered: tuple[int, ...] = (), last: int | None = None) -> None:
        """Apply the measurements used to covariance and correction.

        `considered`: states that the `last` measurements used do not correct, and whose covariance among
        themselves they keep (S. F. Schmidt's consider states); None: all measurements used.
        """
        if not self._used:
            return
        # Each u is divided by its √s, so that the subtracted matrix is a product of one matrix with its
        # transpose.
        mix = [[share / sigma for share in self._mix[number]] for number, _, sigma in self._used]
        u = self._pht.dot(np.array(mix).T)
        scaled = [innovation / sigma for _, innovation, sigma in self._used]
        self._step += u.dot(scaled)
        self._cov -= u.dot(u.T)
        if not considered:
            return
        first = 0 if last is None else max(len(scaled) - last, 0)
        places, block = _places(considered)
        u = u[places, first:]
        self._step[places] -= u.dot(scaled[first:])
        self._cov[block] += u.dot(u.T)


@cache
def _identity(count: int) -> list[list[float]]:
    rows: list[list[float]] = np.eye(count).tolist()
    return rows


@cache
def _places(states: tuple[int, ...]) -> tuple[NDArray[np.intp], tuple[NDArray[np.intp], ...]]:
    """The states as an index of a vector, and their block of a matrix."""
    places = np.array(states)
    return places, np.ix_(places, places)
