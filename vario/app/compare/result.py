"""The result of a comparison: statistics of the differences by column, flight mode and climb."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from vario.app.compare.tables import Floats
from vario.app.outputs.angles import mean_direction_rad
from vario.app.outputs.catalogue import output_of
from vario.app.outputs.output import Output
from vario.settings.display import METRIC, DisplayUnits


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
        return cls(differences.size, mean_of(output, differences), rms_of(differences))


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
        units: the units of the text and the picture.
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
    units: DisplayUnits = METRIC

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


def mean_of(output: Output, values: Floats) -> float | None:
    """The mean of values of an output; for angles, the mean direction or None."""
    return mean_direction_rad(values) if output.is_angle else float(np.mean(values))


def rms_of(differences: Floats) -> float:
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(differences))))
