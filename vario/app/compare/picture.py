"""The picture of a comparison: both sides in one diagram, their difference below, and its start."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MultipleLocator

from vario.app.compare.result import ColumnDifference, Comparison
from vario.app.compare.tables import Table
from vario.app.compare.words import size_text, to_display_units, unit_of_column
from vario.app.errors import OutputError
from vario.app.outputs.catalogue import output_of
from vario.app.outputs.flight_time import clock
from vario.app.picture.style import (
    AMBER,
    CLIMB_TINT,
    INK,
    LARGE,
    NORMAL,
    PAPER,
    SMALL,
    SOFT_INK,
    TEAL,
    dress,
)
from vario.settings.display import DisplayUnits

MOST_PANELS = 5
USUAL = ("vario_mps", "netto_mps", "average_mps", "altitude_m", "tas_mps")
"""Columns that are shown if nothing differs, and first if many columns differ."""


@rc_context({"text.parse_math": False})  # names of columns and files are not mathematical text
def draw_comparison(comparison: Comparison, a: Table, b: Table, path: Path) -> None:
    """Draw the columns that differ most, each with its difference, into a PNG.

    Raises:
        OutputError: if it cannot be written.
    """
    chosen = _chosen(comparison)
    figure = Figure(figsize=(12.5, 1.5 + 2.5 * max(1, len(chosen))), facecolor=PAPER, layout="constrained")
    verdict = "no difference beyond the tolerances" if comparison.same else "they differ"
    if not comparison.judged:
        verdict = "measured, not judged"
    figure.suptitle(
        f"A  {_short(comparison.a)}\nB  {_short(comparison.b)}\n{verdict}",
        fontsize=LARGE,
        color=INK,
        x=0.01,
        ha="left",
    )
    heights = [part for _ in chosen for part in (2.0, 1.0)] or [1.0]
    grid = figure.add_gridspec(len(heights), 1, height_ratios=heights)
    top: Axes | None = None
    for index, column in enumerate(chosen):
        upper = figure.add_subplot(grid[2 * index], sharex=top)
        top = top or upper
        lower = figure.add_subplot(grid[2 * index + 1], sharex=top)
        _draw_both(upper, comparison.units, column.name, a, b)
        _draw_difference(lower, comparison.units, column)
        for axes in (upper, lower):
            _mark_climbs(axes, comparison)
            axes.xaxis.set_major_locator(MultipleLocator(_tick_s(column)))
            axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: clock(x)))
            axes.tick_params(labelbottom=axes is lower)
    if not chosen:
        figure.text(0.5, 0.4, "no column of numbers in common", ha="center", color=SOFT_INK, fontsize=LARGE)
    try:
        with warnings.catch_warnings():
            # Characters that the font does not contain are drawn as boxes.
            warnings.filterwarnings("ignore", message="Glyph .* missing from")
            figure.savefig(path, dpi=110, format="png")
    except OSError as error:
        raise OutputError(path, error) from error


def _chosen(comparison: Comparison) -> list[ColumnDifference]:
    numbers = [c for c in comparison.columns if not output_of(c.name).is_text and c.all is not None]
    usual = [c for c in numbers if c.name in USUAL]
    usual.sort(key=lambda c: -c.beyond)
    moved = [c for c in numbers if c.moved and c not in usual]
    # First the usual columns that differ, then other columns in order of time, then the other usual ones.
    moved.sort(key=lambda c: c.first_s if c.first_s is not None else np.inf)
    order = [c for c in usual if c.moved] + moved + [c for c in usual if not c.moved]
    first = comparison.first
    if first in order:
        order.remove(first)
        order.insert(0, first)
    return order[:MOST_PANELS]


def _draw_both(axes: Axes, units: DisplayUnits, name: str, a: Table, b: Table) -> None:
    dress(axes, name)
    # A is broad and light, B is thin and dark on top, so both are visible where they agree, also in grey.
    for table, colour, width, label in ((a, "#8fc4c1", 3.4, "A"), (b, INK, 1.0, "B")):
        t_s, values = table.columns[name]
        axes.plot(
            t_s,
            to_display_units(units, name, np.asarray(values, np.float64)),
            color=colour,
            lw=width,
            label=label,
        )
    axes.set_ylabel(unit_of_column(units, name).strip(), fontsize=NORMAL, color=SOFT_INK)
    axes.legend(
        fontsize=SMALL, frameon=False, labelcolor=INK, loc="lower right", bbox_to_anchor=(1.0, 0.98), ncols=2
    )


def _draw_difference(axes: Axes, units: DisplayUnits, column: ColumnDifference) -> None:
    dress(axes, "")
    difference = to_display_units(units, column.name, column.difference)
    axes.axhline(0.0, color=SOFT_INK, lw=0.6)
    axes.plot(column.t_s, difference, color=AMBER, lw=0.9)
    if column.tolerance:
        band = to_display_units(units, column.name, np.array([-column.tolerance, column.tolerance]))
        axes.axhspan(band[0], band[1], color=TEAL, alpha=0.18, lw=0)
    if column.first_s is not None:
        axes.axvline(column.first_s, color=INK, lw=1.0, ls=":")
    axes.set_ylabel("B − A", fontsize=NORMAL, color=SOFT_INK)
    if column.all is not None:
        note = f"RMS {size_text(units, column.name, column.all.rms)}"
        if column.first_s is not None:
            note += f", first beyond the tolerance at {clock(column.first_s)}"
        axes.text(
            0.995,
            0.96,
            note,
            transform=axes.transAxes,
            ha="right",
            va="top",
            fontsize=SMALL,
            color=INK,
            bbox={"facecolor": PAPER, "alpha": 0.8, "lw": 0, "pad": 1.5},
        )


def _mark_climbs(axes: Axes, comparison: Comparison) -> None:
    for climb in comparison.climbs:
        axes.axvspan(climb.start_s, climb.end_s, color=CLIMB_TINT, lw=0, zorder=0)


def _tick_s(column: ColumnDifference) -> float:
    """Ticks at whole minutes, about twelve."""
    span_s = float(np.ptp(column.t_s)) if column.t_s.size else 0.0
    return next((step for step in (60.0, 120.0, 300.0, 600.0, 900.0, 1800.0) if span_s / step <= 14), 3600.0)


def _short(name: str) -> str:
    return name if len(name) <= 90 else f"…{name[-89:]}"
