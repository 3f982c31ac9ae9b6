"""Match the rows of two traces by time."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.compare.tables import Floats, Table
from vario.app.outputs.angles import differences_rad
from vario.app.outputs.output import Output

SAME_TIME_S = 0.005
"""Rows within this time are the same row; the times of traces have a resolution of 0.01 s."""

LONGEST_GAP_S = 1.5
"""There is no interpolation between values that are further apart than this."""


def paired(output: Output, a: Table, b: Table) -> tuple[Floats, Any, Any]:
    """The values of both sides at common times.

    Rows with the same time are matched. If the two sides have different times, A is interpolated to the times
    of B: angles by the shorter way, text from the row before.
    """
    (ta, va), (tb, vb) = a.columns[output.name], b.columns[output.name]
    in_a, in_b = _matches(ta, tb)
    if in_a.size >= 0.5 * min(ta.size, tb.size):  # also if one side has no rows
        return ta[in_a], va[in_a], vb[in_b]
    inside = (tb >= ta[0] - SAME_TIME_S) & (tb <= ta[-1] + SAME_TIME_S)
    tb, vb = tb[inside], vb[inside]
    before = np.clip(np.searchsorted(ta, tb + SAME_TIME_S, "right") - 1, 0, ta.size - 1)
    if output.is_text:
        return tb, va[before], vb
    numbers = np.asarray(va, np.float64)
    after = np.minimum(before + 1, ta.size - 1)
    step = ta[after] - ta[before]
    share = np.divide(tb - ta[before], step, out=np.zeros(tb.size), where=step > 0)
    share = np.clip(share, 0.0, 1.0)
    if output.is_angle:
        between = numbers[before] + share * differences_rad(numbers[after], numbers[before])
    else:
        between = (1 - share) * numbers[before] + share * numbers[after]
    # At the exact time of a row, a missing neighbour must not make the value missing.
    between = np.where(share < 1e-3, numbers[before], between)
    return tb, np.where(step <= LONGEST_GAP_S, between, np.nan), vb


def _matches(ta: Floats, tb: Floats) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of the rows with the same time, in A and in B."""
    if not (ta.size and tb.size):
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    near = np.clip(np.searchsorted(tb, ta - SAME_TIME_S), 0, tb.size - 1)
    in_a = np.flatnonzero(np.abs(tb[near] - ta) <= SAME_TIME_S)
    in_b, first = np.unique(near[in_a], return_index=True)
    return in_a[first], in_b


def rows_of_one_side(a: Table, b: Table) -> tuple[tuple[float, ...], float]:
    """Times of rows that only one side has within the common time, and the duration only one covers, s."""
    if not (a.columns and b.columns):
        return (), 0.0
    ta, tb = next(iter(a.columns.values()))[0], next(iter(b.columns.values()))[0]
    if not (ta.size and tb.size):
        return (), float(max(np.ptp(ta) if ta.size else 0.0, np.ptp(tb) if tb.size else 0.0))
    in_a, in_b = _matches(ta, tb)
    if in_a.size < 0.5 * min(ta.size, tb.size):
        in_a, in_b = np.arange(ta.size), np.arange(tb.size)  # all times differ: interpolate
    start, end = max(ta[0], tb[0]), min(ta[-1], tb[-1])
    alone_a, alone_b = np.delete(ta, in_a), np.delete(tb, in_b)
    if ta.size > 1 and tb.size > 1:
        rows_a, rows_b = np.median(np.diff(ta)), np.median(np.diff(tb))
        # With different rates, the trace with the higher rate always has additional rows.
        if rows_a < 0.95 * rows_b:
            alone_a = alone_a[:0]
        elif rows_b < 0.95 * rows_a:
            alone_b = alone_b[:0]
    alone = np.concatenate([alone_a, alone_b])
    within = np.sort(alone[(alone >= start) & (alone <= end)])
    # The end of a trace is rounded to a row; a difference of less than one row does not count.
    uncovered = abs(ta[0] - tb[0]) + abs(ta[-1] - tb[-1])
    row = max((float(np.median(np.diff(t))) for t in (ta, tb) if t.size > 1), default=0.0)
    return tuple(within.tolist()), float(uncovered) if uncovered > row * 1.5 else 0.0
