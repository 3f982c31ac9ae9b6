"""Short form of the fault matrix: each sensor and each fault once, and the page with the whole matrix.

`make faults` simulates every cell; see docs/faults.md.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from tests.campaigns.faults import contradiction_flights
from tests.campaigns.faults.cells import FAULTS, PHASES, SENSORS, Cell, cells
from tests.campaigns.faults.contradictions import FLIGHTS
from tests.campaigns.faults.contradictions import TABLE as CONTRADICTIONS
from tests.campaigns.faults.expectations import TABLE, expected, shortfalls
from tests.campaigns.faults.judge import judge
from tests.campaigns.faults.report import MEASURED, expectations
from tests.support import missing
from tests.support.compiled import interpreted_only

PAGE = Path(__file__).parents[2] / "docs" / "faults.md"

# Only faults in flight: the cells of a phase share the flight up to the fault, which saves time.
SHORTEST = (Cell("barometer", "late", "cruise"),)
SHORT = (
    Cell("barometer", "frozen", "circling"),
    Cell("barometer", "ten times the noise", "circling"),
    Cell("barometer", "late", "cruise"),
    Cell("barometer", "a step", "circling"),
    Cell("pitot", "lost midway", "cruise"),
    Cell("pitot", "at the end of its range", "cruise"),
    Cell("pitot", "not a number", "circling"),
    Cell("inertial", "spikes", "circling"),
    Cell("inertial", "a step", "cruise"),
    Cell("inertial", "clock jumps ahead", "circling"),
    Cell("GNSS", "out of order", "cruise"),
    Cell("temperature", "at the end of its range", "cruise"),
    Cell("supply", "everything twice", "cruise"),
    Cell("everything", "clock jumps back", "circling"),
    Cell("everything", "lost midway", "cruise"),
    Cell("barometer", "missing from the start", "cruise"),
)


@interpreted_only
@pytest.mark.parametrize(
    "cell",
    [
        pytest.param(
            cell,
            id=f"{cell.sensor}, {cell.fault}, {cell.phase}",
            marks=[] if cell in SHORTEST else pytest.mark.long,
        )
        for cell in SHORT
    ],
)
def test_a_failing_sensor(cell: Cell) -> None:
    assert not list(shortfalls(cell, judge(cell)))


@pytest.mark.long
@pytest.mark.parametrize("flight", FLIGHTS)
def test_sensors_that_contradict_each_other(flight: str, tmp_path: Path) -> None:
    missing.library("jsbsim", missing.JSBSIM)
    usual = contradiction_flights.seen(flight, tmp_path)
    for name in ("static ports iced", "pitot and drain iced", "pitot reads half, from the start"):
        case = CONTRADICTIONS[name]
        found = contradiction_flights.outcome(flight, tmp_path, case, usual)
        assert not contradiction_flights.shortfalls(case, flight, found), name


def test_the_short_form_has_every_sensor_and_every_fault() -> None:
    assert {cell.sensor for cell in SHORT} == set(SENSORS)
    assert {cell.fault for cell in SHORT} == set(FAULTS)


def test_every_cell_has_one_expectation_and_every_expectation_a_cell() -> None:
    for cell in cells():
        expected(cell)
    everywhere = {(cell.sensor, cell.fault, cell.phase) for cell in cells()}
    for row in TABLE:
        assert {(row.sensor, *pair) for pair in itertools.product(row.faults, row.phases)} <= everywhere
    assert len(everywhere) == 6 * len(FAULTS) * len(PHASES) + 6 * len(PHASES)


@pytest.mark.skipif(not PAGE.exists(), reason=missing.CHECKOUT)
def test_the_page_is_current_and_whole() -> None:
    # If this fails: make faults
    text = PAGE.read_text(encoding="utf-8")
    assert text.startswith(expectations())
    rows = text[text.index(MEASURED) :]
    tables = len(SENSORS) + 1
    assert rows.count("\n| ") == len(cells()) / len(PHASES) + len(CONTRADICTIONS) + tables
