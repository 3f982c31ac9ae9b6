"""Compare two batches flight by flight: the effect of a change of code or settings on many flights."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from rich.table import Table as Grid

from vario.app.errors import AppError
from vario.app.replay.results import TRACE
from vario.app.terminal import labelled, terminal

TABLE, PACKED = "flights.csv", "flights.parquet"

Key = tuple[str, str]
"""File and number of a flight."""


@dataclass(frozen=True, slots=True)
class Change:
    """The change of one column.

    Attributes:
        name: name of the column.
        flights: the flights that differ by more than the tolerance, or in which only one side has a value.
        mean_a: mean of A over the flights with a number on both sides; None: there are none.
        mean_b: the same of B.
        largest: the largest change B − A, with its sign; None for a text.
        where: the flight with the largest change, otherwise the first one that differs.
    """

    name: str
    flights: int
    mean_a: float | None
    mean_b: float | None
    largest: float | None
    where: Key


def is_batch(folder: Path) -> bool:
    """Whether a folder contains the table of flights of a batch."""
    return (folder / TABLE).is_file()


def check_both(first: Path, second: Path | None) -> None:
    """Check that a folder of a batch is not compared with something else.

    A folder that also contains a trace may be compared as a trace.

    Raises:
        AppError: if one side is the folder of a batch, and the other one is not.
    """
    for side in (first, second):
        if side is not None and not is_batch(side) and (side / PACKED).is_file() and not _has_trace(side):
            raise AppError(
                f"{side}: this is the folder of a batch with {PACKED}; batches are compared by their "
                f"{TABLE}: repeat vario batch with --format csv"
            )
    for batch, other in ((first, second), (second, first)):
        if batch is None or not is_batch(batch) or _has_trace(batch) or (other and is_batch(other)):
            continue
        if other is None:
            found = "no second side was given"
        elif other.is_dir():
            found = f"{other} contains no {TABLE}"
        else:
            found = f"{other} is {'a file' if other.exists() else 'missing'}"
        raise AppError(
            f"{batch}: this is the folder of a batch, but {found}; expected two folders of vario batch, "
            "or two sides of which neither is one"
        )


def _has_trace(folder: Path) -> bool:
    return (folder / TRACE).is_file()


def flights_of(folder: Path) -> dict[Key, dict[str, str]]:
    """The rows of the table of flights, by file and number.

    Raises:
        AppError: if the table cannot be read, or has no flights.
    """
    try:
        with (folder / TABLE).open(newline="", encoding="utf-8") as file:
            rows = csv.DictReader(file, restkey="", restval="")
            found = {(row["file"], row["flight"]): row for row in rows}
    except (OSError, UnicodeDecodeError, csv.Error, KeyError) as error:
        raise AppError(f"{folder / TABLE}: cannot be read as a table of flights: {error}") from error
    if not found:
        raise AppError(f"{folder / TABLE}: the table has no flights; vario batch writes one row for each")
    return found


def changes(
    a: Mapping[Key, Mapping[str, str]],
    b: Mapping[Key, Mapping[str, str]],
    tolerances: Mapping[str, float],
) -> list[Change]:
    """The columns that differ in the flights of both sides, in the order of the table.

    Raises:
        AppError: for a tolerance of a column that is not on both sides.
    """
    both = [key for key in a if key in b]
    names = [name for name in next(iter(a.values()), {}) if name and name in next(iter(b.values()), {})]
    for name in tolerances:
        if name not in names:
            raise AppError(f"{name}: no such column on both sides; they have {', '.join(names)}")
    found = (_change(name, {key: (a[key][name], b[key][name]) for key in both}, tolerances) for name in names)
    return [change for change in found if change is not None]


def _change(
    name: str, cells: Mapping[Key, tuple[str, str]], tolerances: Mapping[str, float]
) -> Change | None:
    numbers = _numbers(cells)
    steps = {key: new - old for key, (old, new) in numbers.items()}
    limit = tolerances.get(name, 0.0)
    differ = [
        key for key, (old, new) in cells.items() if (abs(steps[key]) > limit if key in steps else old != new)
    ]
    if not differ:
        return None
    numeric = [key for key in differ if key in steps]
    where = max(numeric, key=lambda key: abs(steps[key])) if numeric else differ[0]
    count = len(numbers)
    return Change(
        name,
        len(differ),
        sum(old for old, _ in numbers.values()) / count if count else None,
        sum(new for _, new in numbers.values()) / count if count else None,
        steps.get(where),
        where,
    )


def _numbers(cells: Mapping[Key, tuple[str, str]]) -> dict[Key, tuple[float, float]]:
    found = {}
    for key, (old, new) in cells.items():
        with suppress(ValueError):  # a text, or a missing value
            if isfinite(float(old)) and isfinite(float(new)):
                found[key] = float(old), float(new)
    return found


def compare_batches(first: Path, second: Path, tolerances: Mapping[str, float]) -> bool:
    """Print the differences of two batches; returns whether there are none beyond the tolerances.

    Raises:
        AppError: if a table cannot be read, or a tolerance names no column of both.
    """
    a, b = flights_of(first), flights_of(second)
    found = changes(a, b, tolerances)
    console = terminal()
    for side, path, flights in (("A", first, a), ("B", second, b)):
        console.print(f"{side}  {path / TABLE}, flights: {len(flights)}", soft_wrap=True)
    if found:
        grid = Grid("column", box=None, pad_edge=False)
        for heading in ("flights", "mean A", "mean B", "largest B−A"):
            grid.add_column(heading, justify="right", no_wrap=True)
        grid.add_column("in", overflow="fold")
        for one in found:
            values = ("" if value is None else f"{value:.6g}" for value in (one.mean_a, one.mean_b))
            largest = "" if one.largest is None else f"{one.largest:+.6g}"
            grid.add_row(one.name, str(one.flights), *values, largest, " ".join(one.where))
        console.print(grid)
    columns_a, columns_b = next(iter(a.values())), next(iter(b.values()))
    missing = [name for name in columns_a if name and name not in columns_b]
    if missing:
        console.print(f"missing columns: {', '.join(missing)}", soft_wrap=True)
    alone = {"A": [key for key in a if key not in b], "B": [key for key in b if key not in a]}
    for side, keys in alone.items():
        for key in keys:
            console.print(labelled(f"only in {side}", " ".join(key)), soft_wrap=True)
    same = not (found or missing or any(alone.values()))
    names = ", ".join(one.name for one in found) or "not the same flights or columns"
    verdict = "no difference beyond the tolerances" if same else f"they differ: {names}"
    console.print(verdict, style="bold", soft_wrap=True)
    return same
