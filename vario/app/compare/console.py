"""What `vario compare` prints: the verdict, then what moved and what it means."""

from __future__ import annotations

from pathlib import Path

from rich.console import Console
from rich.table import Table as Grid

from vario.app.clock import clock
from vario.app.compare.compare import ColumnDifference, Comparison
from vario.app.compare.words import bare, meaning, shown, size, unit_text
from vario.app.trace import TEXT_COLUMNS


def print_comparison(comparison: Comparison, picture: Path, result: Path) -> None:
    """Print it."""
    console = Console(highlight=False)
    console.print(f"A  {comparison.a}", soft_wrap=True)
    console.print(f"B  {comparison.b}", soft_wrap=True)
    moved = [column for column in comparison.columns if column.moved]
    _print_columns(console, moved)
    equal = len(comparison.columns) - len(moved)
    if equal:
        console.print(f"{equal} of {len(comparison.columns)} columns are equal, within the tolerances")
    _print_modes(console, moved)
    for sentence in meaning(comparison):
        console.print(f"- {sentence}", soft_wrap=True)
    console.print(f"look at {picture}", soft_wrap=True)
    console.print(f"numbers {result}", soft_wrap=True)
    console.print(_verdict(comparison), style="bold", soft_wrap=True)


def _verdict(comparison: Comparison) -> str:
    if not comparison.judged:
        return (
            "nothing was judged: against a reference say what may differ, "
            "with --tolerance COLUMN=VALUE or --rms COLUMN=VALUE"
        )
    if comparison.same:
        return "no difference beyond the tolerances"
    names = [column.name for column in comparison.columns if column.differs]
    return f"they differ: {', '.join(names) or 'not the same rows or columns'}"


def _print_columns(console: Console, columns: list[ColumnDifference]) -> None:
    if not columns:
        return
    grid = Grid("column", "rows", "mean B−A", "RMS", "largest", "at", "beyond", box=None, pad_edge=False)
    for name in ("rows", "mean B−A", "RMS", "largest", "at", "beyond"):
        next(column for column in grid.columns if column.header == name).justify = "right"
    for c in columns:
        if c.name in TEXT_COLUMNS:
            differing = f"{int(c.difference.sum())} differ"
            grid.add_row(c.name, str(c.difference.size), "", "", differing, _at(c.first_s), str(c.beyond))
        elif c.all is None or c.largest is None:
            grid.add_row(c.name, "0", "", "", "", _at(c.first_s), str(c.beyond))
        else:
            grid.add_row(
                c.name,
                str(c.all.count),
                shown(c.name, c.all.mean, 2),
                size(c.name, c.all.rms, 2),
                shown(c.name, c.largest, 2),
                _at(c.largest_s),
                str(c.beyond) if c.tolerance is not None else "not judged",
            )
    console.print(grid)


def _print_modes(console: Console, columns: list[ColumnDifference]) -> None:
    numbers = [c for c in columns if c.name not in TEXT_COLUMNS and c.modes]
    modes = sorted({mode for column in numbers for mode in column.modes})
    if not modes:
        return
    grid = Grid("mean (RMS) in", "", *modes, box=None, pad_edge=False)
    for c in numbers:
        cells = [
            f"{bare(c.name, spread.mean)} ({bare(c.name, spread.rms, sign=False)})" if spread else ""
            for spread in (c.modes.get(mode) for mode in modes)
        ]
        grid.add_row(c.name, unit_text(c.name), *cells)
    console.print(grid)


def _at(t_s: float | None) -> str:
    return "" if t_s is None else clock(t_s)
