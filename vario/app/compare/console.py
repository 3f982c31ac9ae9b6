"""Print the result of `vario compare`: the differences in numbers and sentences, and the verdict."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.table import Table as Grid

from vario.app.compare.result import ColumnDifference, Comparison
from vario.app.compare.words import (
    beginning,
    climb_sentences,
    mean_and_rms,
    size_text,
    unit_of_column,
    value_text,
)
from vario.app.outputs.catalogue import output_of
from vario.app.outputs.flight_time import clock
from vario.app.terminal import terminal
from vario.settings.display import DisplayUnits

MOST_NAMES = 8
"""Largest number of columns named in the verdict; the table contains all."""


def print_comparison(comparison: Comparison, picture: Path, result: Path) -> None:
    """Print the comparison."""
    console = terminal()
    console.print(f"A  {comparison.a}", soft_wrap=True)
    console.print(f"B  {comparison.b}", soft_wrap=True)
    moved = [column for column in comparison.columns if column.moved]
    _print_columns(console, comparison.units, moved)
    equal = len(comparison.columns) - len(moved)
    if equal:
        console.print(f"{equal} of {len(comparison.columns)} columns are equal, within the tolerances")
    _print_modes(console, comparison.units, moved)
    for sentence in (*beginning(comparison), *climb_sentences(comparison)):
        console.print(f"- {sentence}", soft_wrap=True)
    console.print(f"look at {picture}", soft_wrap=True)
    console.print(f"numbers {result}", soft_wrap=True)
    console.print(_verdict(comparison), style="bold", soft_wrap=True)


def _verdict(comparison: Comparison) -> str:
    if not comparison.judged:
        return (
            "nothing was tested: a comparison with a reference needs tolerances; set them "
            "with --tolerance COLUMN=VALUE or --rms COLUMN=VALUE"
        )
    if comparison.same:
        return "no difference beyond the tolerances"
    names = [column.name for column in comparison.columns if column.differs]
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return f"they differ: {', '.join(names[:MOST_NAMES]) or 'not the same rows or columns'}{more}"


def _print_columns(console: Console, units: DisplayUnits, columns: list[ColumnDifference]) -> None:
    if not columns:
        return
    grid = Grid("column", box=None, pad_edge=False)
    alone = [side for side in ("only_a", "only_b") if any(getattr(c, side) for c in columns)]
    headings = {"only_a": "only in A", "only_b": "only in B"}
    for name in ("rows", "mean B−A", "RMS", "largest", "at", "beyond", *(headings[side] for side in alone)):
        grid.add_column(name, justify="right", no_wrap=True)
    for c in columns:
        mean = rms = largest = at = ""
        count, beyond = c.difference.size, str(c.beyond)
        if output_of(c.name).is_text:
            largest, at = f"{int(c.difference.sum())} differ", _at(c.first_s)
        elif c.all is None or c.largest is None:
            count, at = 0, _at(c.first_s)
        else:
            count, at = c.all.count, _at(c.largest_s)
            mean, rms = value_text(units, c.name, c.all.mean), size_text(units, c.name, c.all.rms)
            largest = value_text(units, c.name, c.largest)
        if not c.judged:
            beyond = "not judged"
        elif c.tolerance is None:
            beyond = "RMS beyond" if c.differs else "RMS within"
        grid.add_row(
            c.name, str(count), mean, rms, largest, at, beyond, *(str(getattr(c, side)) for side in alone)
        )
    console.print(grid)


def _print_modes(console: Console, units: DisplayUnits, columns: list[ColumnDifference]) -> None:
    numbers = [c for c in columns if not output_of(c.name).is_text and c.modes]
    modes = sorted({mode for column in numbers for mode in column.modes})
    if not modes:
        return
    grid = Grid("mean (RMS) in", "", *modes, box=None, pad_edge=False)
    for c in numbers:
        spreads = [c.modes.get(mode) for mode in modes]
        cells = [mean_and_rms(units, c.name, spread) if spread else "" for spread in spreads]
        grid.add_row(c.name, unit_of_column(units, c.name).strip(), *cells)
    console.print(grid)


def _at(t_s: float | None) -> str:
    return "" if t_s is None else clock(t_s)
