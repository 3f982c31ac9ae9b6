"""`make faults`: fly the whole matrix, print what falls short and write docs/faults.md.

With `--sensor` and `--fault` only that part is flown and printed, and nothing written.
"""

from __future__ import annotations

import argparse
import os
import sys
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.campaigns.faults.cells import FAULTS, PHASES, SENSORS, Cell, cells
from tests.campaigns.faults.expectations import shortfalls
from tests.campaigns.faults.judge import Result, judge
from tests.campaigns.faults.report import page

PAGE = Path(__file__).parents[3] / "docs" / "faults.md"


def fly_cell(cell: Cell) -> Result | str:
    """A cell's result, or the exception that came out of it."""
    try:
        return judge(cell)
    except Exception:  # whatever comes out is what the matrix is to find
        return traceback.format_exc().splitlines()[-1]


def fly_cells(wanted: list[Cell]) -> list[tuple[Cell, Result | str]]:
    """Those of one phase share the flight up to the fault: one process flies them."""
    return [(cell, fly_cell(cell)) for cell in wanted]


def main() -> int:
    """Exit status 1 if a cell falls short."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.faults", description=__doc__)
    parser.add_argument("--sensor", choices=list(SENSORS), action="append")
    parser.add_argument("--fault", choices=list(FAULTS), action="append")
    arguments = parser.parse_args()
    wanted = [
        cell
        for cell in cells()
        if cell.sensor in (arguments.sensor or SENSORS) and cell.fault in (arguments.fault or FAULTS)
    ]
    by_phase = [[cell for cell in wanted if cell.phase == phase] for phase in PHASES]
    with ProcessPoolExecutor(min(len(PHASES), os.cpu_count() or 1)) as pool:
        flown = dict(pair for pairs in pool.map(fly_cells, by_phase) for pair in pairs)
    results = {cell: flown[cell] for cell in wanted}
    short = 0
    for cell, result in results.items():
        words = [result] if isinstance(result, str) else list(shortfalls(cell, result))
        short += bool(words)
        if words or len(results) < len(cells()):
            print(f"{cell.sensor}, {cell.fault}, {cell.phase}: {'; '.join(words) or result}")
    print(f"{len(results)} cells, {short} fall short")
    if len(results) == len(cells()):
        PAGE.write_text(page(results), encoding="utf-8")
        print(PAGE)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
