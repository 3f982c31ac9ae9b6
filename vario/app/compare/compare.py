"""Differences between two traces, or a trace and the truth: size, first time, and statistics by mode."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from vario.app.compare.result import (
    ClimbDifference,
    ClimbMean,
    ColumnDifference,
    Comparison,
    Spread,
    Tolerances,
    mean_of,
    rms_of,
)
from vario.app.compare.rows import SAME_TIME_S, paired, rows_of_one_side
from vario.app.compare.tables import Floats, Table
from vario.app.outputs.angles import differences_rad
from vario.app.outputs.catalogue import OUTPUTS, output_of
from vario.app.outputs.output import Output

SHORTEST_CLIMB_S = 30.0
"""Circling for a shorter time, about one turn, is not listed as a climb."""


def compare_tables(a: Table, b: Table, tolerances: Tolerances | None = None) -> Comparison:
    """Compare two tables column by column; differences are B − A, and a reference should be A."""
    tolerances = tolerances or Tolerances()
    reference = a.is_reference or b.is_reference
    common = [name for name in _in_order(a) if name in b.columns]
    mode = a.columns.get("mode") or b.columns.get("mode")
    columns = tuple(_column(name, a, b, tolerances, mode) for name in common)
    unmatched, uncovered = ((), 0.0) if reference else rows_of_one_side(a, b)
    return Comparison(
        a=a.name,
        b=b.name,
        columns=columns,
        climbs=tuple(_climbs(a, b, common, mode)),
        missing=tuple(name for name in a.columns if name not in b.columns),
        added=tuple(name for name in b.columns if name not in a.columns),
        unmatched_s=unmatched,
        uncovered_s=uncovered,
        against_reference=reference,
        units=b.units,
    )


def _in_order(table: Table) -> list[str]:
    known = [name for name in OUTPUTS if name in table.columns]
    return known + [name for name in table.columns if name not in OUTPUTS]


def _column(
    name: str,
    a: Table,
    b: Table,
    tolerances: Tolerances,
    mode: tuple[Floats, Any] | None,
) -> ColumnDifference:
    output = output_of(name)
    t_s, va, vb = paired(output, a, b)
    reference = a.is_reference or b.is_reference
    tolerance = tolerances.of_row(name, against_reference=reference)
    rms_tolerance = tolerances.rms.get(name)
    if output.is_text:
        difference = (va != vb).astype(np.float64)
        only_a = only_b = np.zeros(len(t_s), np.bool_)
        beyond = difference > 0 if tolerance is not None else only_a
    else:
        difference = _less(output, vb, va)
        known_a, known_b = np.isfinite(va), np.isfinite(vb)
        only_a, only_b = known_a & ~known_b, known_b & ~known_a
        beyond = np.zeros(len(t_s), np.bool_)
        if tolerance is not None:
            beyond = np.abs(np.nan_to_num(difference)) > tolerance
            # A reference often has gaps; between two traces a missing value is a difference.
            beyond |= (only_a | only_b) & (not reference)
    known = np.isfinite(difference)
    at = int(np.nanargmax(np.abs(difference))) if known.any() else None
    return ColumnDifference(
        name=name,
        tolerance=tolerance,
        rms_tolerance=rms_tolerance,
        t_s=t_s,
        difference=difference,
        only_a=int(only_a.sum()),
        only_b=int(only_b.sum()),
        beyond=int(beyond.sum()),
        first_s=float(t_s[np.argmax(beyond)]) if beyond.any() else None,
        all=Spread.of(difference[known], output),
        modes=_by_mode(t_s, difference, mode, output),
        largest=None if at is None else float(difference[at]),
        largest_s=None if at is None else float(t_s[at]),
    )


def _less(output: Output, b: Floats, a: Floats) -> Floats:
    """B − A; for angles within ±π."""
    return differences_rad(b, a) if output.is_angle else b - a


def _by_mode(
    t_s: Floats, difference: Floats, mode: tuple[Floats, Any] | None, output: Output
) -> Mapping[str, Spread]:
    if mode is None or not t_s.size or not mode[0].size:
        return {}
    times, words = mode
    before = np.clip(np.searchsorted(times, t_s + SAME_TIME_S, "right") - 1, 0, times.size - 1)
    words = words[before]
    found = {
        str(word): Spread.of(difference[(words == word) & np.isfinite(difference)], output)
        for word in sorted(set(words.tolist()))
    }
    return {word: spread for word, spread in found.items() if spread is not None}


def _climbs(
    a: Table, b: Table, common: list[str], mode: tuple[Floats, Any] | None
) -> Iterator[ClimbDifference]:
    if mode is None:
        return
    pairs = {name: paired(output_of(name), a, b) for name in COLUMNS_BY_CLIMB if name in common}
    t_s, words = mode
    circling = np.concatenate([[False], words == "circling", [False]]).astype(np.int8)
    edges = np.flatnonzero(np.diff(circling))
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        start_s, end_s = float(t_s[start]), float(t_s[min(end, t_s.size - 1)])
        if end_s - start_s < SHORTEST_CLIMB_S:
            continue
        means = {}
        for name, (times, va, vb) in pairs.items():
            both = (times >= start_s) & (times <= end_s) & np.isfinite(va) & np.isfinite(vb)
            if both.any():
                output, in_a, in_b = output_of(name), va[both], vb[both]
                means[name] = ClimbMean(
                    mean_of(output, in_a), mean_of(output, in_b), rms_of(_less(output, in_b, in_a))
                )
        yield ClimbDifference(start_s, end_s, means)


COLUMNS_BY_CLIMB = ("vario_mps", "netto_mps", "average_mps", "wind_north_mps", "wind_east_mps")
"""The columns whose means over a climb are compared."""
