"""Differences between two traces, or a trace and the truth: size, first time, and statistics by mode."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from vario.app.compare.rows import SAME_TIME_S, paired, rows_of_one_side
from vario.app.compare.tables import Floats, Table
from vario.app.outputs.angles import differences_rad, mean_direction_rad
from vario.app.outputs.catalogue import OUTPUTS, output_of
from vario.app.outputs.output import Output

SHORTEST_CLIMB_S = 30.0
"""Circling for a shorter time, about one turn, is not listed as a climb."""


@dataclass(frozen=True, slots=True)
class Spread:
    """Statistics of the differences B − A over some rows: their number, mean, and root mean square.

    Differences of angles are within ±π. Their mean is the mean direction, or None if it is undefined.
    """

    count: int
    mean: float | None
    rms: float

    @classmethod
    def of(cls, differences: Floats, output: Output) -> Spread | None:
        """The statistics of an output; None if there are no differences."""
        if not differences.size:
            return None
        return cls(differences.size, _mean(output, differences), _rms(differences))


@dataclass(frozen=True, slots=True)
class ColumnDifference:
    """The differences in one column.

    Attributes:
        name: name of the column.
        tolerance: largest allowed difference of a single row; None: not tested.
        rms_tolerance: largest allowed RMS of the differences; None: not tested.
        t_s: the times compared, shape (n,).
        difference: B − A, NaN where one of them has no value; for text 1 where the two differ, else 0.
        only_a: number of rows in which only A has a value.
        only_b: number of rows in which only B has a value.
        beyond: number of rows that differ by more than the tolerance, or in which only one has a value.
        first_s: time of the first of these rows.
        all: statistics over all rows; None if no row could be compared.
        modes: statistics by flight mode.
        largest: the largest difference, with its sign; `largest_s` is its time.
        judged: whether a difference in this column makes the comparison fail.
    """

    name: str
    tolerance: float | None
    rms_tolerance: float | None
    t_s: Floats
    difference: Floats
    only_a: int
    only_b: int
    beyond: int
    first_s: float | None
    all: Spread | None
    modes: Mapping[str, Spread]
    largest: float | None
    largest_s: float | None

    @property
    def judged(self) -> bool:
        """Whether this column can make the comparison fail."""
        return self.tolerance is not None or self.rms_tolerance is not None

    @property
    def differs(self) -> bool:
        """Whether it does."""
        too_rough = (
            self.rms_tolerance is not None and self.all is not None and self.all.rms > self.rms_tolerance
        )
        nothing_to_judge = self.rms_tolerance is not None and self.all is None
        return self.beyond > 0 or too_rough or nothing_to_judge

    @property
    def moved(self) -> bool:
        """Whether the column has a difference to report, which is not within a tolerance."""
        if self.tolerance is not None:
            return self.differs
        return self.only_a + self.only_b > 0 or bool(np.any(np.nan_to_num(self.difference) != 0))


@dataclass(frozen=True, slots=True)
class ClimbMean:
    """One column over one climb: the means of A and B (None: undefined mean angle) and the RMS of B − A."""

    a: float | None
    b: float | None
    rms: float


@dataclass(frozen=True, slots=True)
class ClimbDifference:
    """One climb: an interval of circling in A (in B if A has no modes).

    `means` contains, by column, the means of both sides over the climb.
    """

    start_s: float
    end_s: float
    means: Mapping[str, ClimbMean]


@dataclass(frozen=True, slots=True)
class Comparison:
    """The result of a comparison.

    Attributes:
        a: name of the first side.
        b: name of the second side.
        columns: every column that both sides have, in the order of the trace.
        climbs: statistics of each climb.
        missing: columns that only A has.
        added: columns that only B has.
        unmatched_s: times of rows that only one side has, within the time that both cover.
        uncovered_s: duration that only one side covers.
        against_reference: whether one side is the truth or another instrument.
    """

    a: str
    b: str
    columns: tuple[ColumnDifference, ...]
    climbs: tuple[ClimbDifference, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    unmatched_s: tuple[float, ...]
    uncovered_s: float
    against_reference: bool

    @property
    def same(self) -> bool:
        """Whether nothing judged differs."""
        rows = bool(self.unmatched_s) or self.uncovered_s > 0.0 or bool(self.missing)
        return not (any(c.differs for c in self.columns) or (rows and not self.against_reference))

    @property
    def judged(self) -> bool:
        """Whether anything was judged at all."""
        return not self.against_reference or any(column.judged for column in self.columns)

    @property
    def first(self) -> ColumnDifference | None:
        """The column that differs first; among several, the first of the trace."""
        diverging = [column for column in self.columns if column.first_s is not None]
        return min(diverging, key=lambda c: c.first_s if c.first_s is not None else math.inf, default=None)

    def __getitem__(self, name: str) -> ColumnDifference:
        """The column of that name."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Tolerances:
    """The tolerances of a comparison.

    Between two traces, the default tolerance of a column is two units of its last decimal place, so that
    different rounding on another processor is not a difference. Against a reference there is no default.

    Attributes:
        largest: by column, tolerance of a single row, in the unit of the column.
        rms: by column, tolerance of the RMS of the differences.
    """

    largest: Mapping[str, float] = field(default_factory=dict)
    rms: Mapping[str, float] = field(default_factory=dict)

    def of_row(self, column: str, *, against_reference: bool) -> float | None:
        """The largest allowed difference of a row."""
        if column in self.largest:
            return self.largest[column]
        if against_reference:
            return None
        decimals = output_of(column).decimals
        return 0.0 if decimals == 0 else 2.000001 * 10.0**-decimals


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


def _mean(output: Output, values: Floats) -> float | None:
    return mean_direction_rad(values) if output.is_angle else float(np.mean(values))


def _rms(differences: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(differences))))


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
    pairs = {name: paired(output_of(name), a, b) for name in CLIMB_COLUMNS if name in common}
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
                    _mean(output, in_a), _mean(output, in_b), _rms(_less(output, in_b, in_a))
                )
        yield ClimbDifference(start_s, end_s, means)


CLIMB_COLUMNS = ("vario_mps", "netto_mps", "average_mps", "wind_north_mps", "wind_east_mps")
"""The columns whose means over a climb are compared."""
