"""`make faults`: simulate the whole matrix, print the failed cases and write docs/faults.md.

With `--sensor` and `--fault` only that part is simulated and printed, and nothing is written.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import traceback
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from tests.campaigns.faults import contradiction_flights
from tests.campaigns.faults.cells import FAULTS, PHASES, SENSORS, Cell, cells
from tests.campaigns.faults.contradiction_flights import Outcome
from tests.campaigns.faults.contradictions import FLIGHTS
from tests.campaigns.faults.contradictions import TABLE as CONTRADICTIONS
from tests.campaigns.faults.expectations import shortfalls
from tests.campaigns.faults.judge import Result, judge
from tests.campaigns.faults.report import page

PAGE = Path(__file__).parents[3] / "docs" / "faults.md"


def fly_cell(cell: Cell) -> Result | str:
    """The result of a cell, or the exception that it raised."""
    try:
        return judge(cell)
    except Exception:  # the matrix must find any exception
        return traceback.format_exc().splitlines()[-1]


def fly_cells(wanted: list[Cell]) -> list[tuple[Cell, Result | str]]:
    """The cells of one phase share the flight up to the fault, so one process simulates them."""
    return [(cell, fly_cell(cell)) for cell in wanted]


def fly_contradictions(flight: str) -> list[tuple[tuple[str, str], Outcome]]:
    """The contradictions of one flight, which the process flies once without a fault."""
    with tempfile.TemporaryDirectory() as folder:
        usual = contradiction_flights.seen(flight, Path(folder))
        return [
            ((name, flight), contradiction_flights.outcome(flight, Path(folder), case, usual))
            for name, case in CONTRADICTIONS.items()
        ]


def main() -> int:
    """Exit code 1 if a cell fails."""
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns.faults", description=__doc__)
    parser.add_argument("--sensor", choices=list(SENSORS), action="append")
    parser.add_argument("--fault", choices=list(FAULTS), action="append")
    arguments = parser.parse_args()
    wanted = [
        cell
        for cell in cells()
        if cell.sensor in (arguments.sensor or SENSORS) and cell.fault in (arguments.fault or FAULTS)
    ]
    if not wanted:
        parser.error(f"no cell has --sensor {arguments.sensor} and --fault {arguments.fault}; see `cells.py`")
    by_phase = [[cell for cell in wanted if cell.phase == phase] for phase in PHASES]
    with ProcessPoolExecutor(min(len(PHASES), os.cpu_count() or 1)) as pool:
        flown = dict(pair for pairs in pool.map(fly_cells, by_phase) for pair in pairs)
        outcomes = {}
        if len(wanted) == len(cells()):
            outcomes = dict(pair for pairs in pool.map(fly_contradictions, FLIGHTS) for pair in pairs)
    results = {cell: flown[cell] for cell in wanted}
    short = 0
    for cell, result in results.items():
        words = [result] if isinstance(result, str) else list(shortfalls(cell, result))
        short += bool(words)
        if words or len(results) < len(cells()):
            print(f"{cell.sensor}, {cell.fault}, {cell.phase}: {'; '.join(words) or result}")
    for (name, flight), outcome in outcomes.items():
        words = contradiction_flights.shortfalls(CONTRADICTIONS[name], flight, outcome)
        short += bool(words)
        if words:
            print(f"{name}, {flight}: {'; '.join(words)}")
    print(f"{len(results) + len(outcomes)} cells, {short} fall short")
    if len(results) == len(cells()):
        PAGE.write_text(page(results, outcomes), encoding="utf-8")
        print(PAGE)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
