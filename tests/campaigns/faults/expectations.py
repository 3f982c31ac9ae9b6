"""The expectation for each cell of the matrix, with its physical reason.

In every cell no exception may be raised. After a fault in flight, vario and quality must be as before within
`BACK_S`, and the tone may sound a false climb (`judge.FALSE_MPS`) for at most `FALSE_S`, unless the row says
that this cannot be prevented.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from tests.campaigns.faults.cells import Cell
from tests.campaigns.faults.expected import FALSE_S, Expected
from tests.campaigns.faults.judge import Result
from tests.campaigns.faults.other_rows import OTHER_ROWS
from tests.campaigns.faults.pressure_rows import PRESSURE_ROWS

TABLE = (*PRESSURE_ROWS, *OTHER_ROWS)


def expected(cell: Cell) -> Expected:
    """The expectation for a cell.

    Raises:
        LookupError: unless exactly one row belongs to it.
    """
    found = [
        row.expected
        for row in TABLE
        if row.sensor == cell.sensor and cell.fault in row.faults and cell.phase in row.phases
    ]
    if len(found) != 1:
        raise LookupError(f"{cell}: expected one row, found {len(found)}")
    return found[0]


def shortfalls(cell: Cell, result: Result) -> Iterator[str]:
    """Describe each violation of the expectation of a cell."""
    wanted = expected(cell)
    if wanted.error_mps is not None and (result.worst_mps or 0.0) > wanted.error_mps:
        yield f"error {result.worst_mps:.1f} m/s, at most {wanted.error_mps:g}"
    if wanted.says and result.flag_s.get(wanted.says, math.inf) > wanted.within_s:
        yield f"{wanted.says} not within {wanted.within_s:g} s"
    if wanted.says and wanted.says not in result.lasting:
        yield f"{wanted.says} does not last"
    if wanted.silent and result.shown_s > wanted.within_s:
        yield f"vario shown until {result.shown_s:.1f} s"
    if result.back_s > wanted.back_s:
        yield f"back after {result.back_s:.1f} s"
    if wanted.tone_kept and result.false_s > FALSE_S:
        yield f"false climb for {result.false_s:.1f} s"
    if wanted.low_battery is not result.low_battery:
        yield "no battery warning" if wanted.low_battery else "a battery warning"
