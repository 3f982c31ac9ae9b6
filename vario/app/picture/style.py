"""Colours and line styles of the picture, readable in a greyscale print.

Where colour has a meaning, lightness has it too: modes differ in lightness and hatching, lines in
lightness, width and dashes.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from matplotlib.axes import Axes

INK = "#1b2733"
SOFT_INK = "#5a6772"
GRID = "#d9dee2"
PAPER = "#ffffff"
BAND = "#b9c4cd"  # range of a value within one pixel
TEAL = "#2f8f8a"
AMBER = "#b9690a"
VIOLET = "#5a4a9c"
CLIMB_TINT = "#fdeecb"  # circling, behind lines

SMALL, NORMAL, LARGE, HUGE = 8.5, 10.0, 12.0, 19.0


@dataclass(frozen=True, slots=True)
class ModeStyle:
    """The shading of a flight mode."""

    fill: str
    hatch: str | None
    hatch_colour: str


MODE_STYLES: Mapping[str, ModeStyle] = MappingProxyType(
    {
        "cruise": ModeStyle("#e4edf3", None, "#e4edf3"),
        "circling": ModeStyle("#f2b544", None, "#f2b544"),
        "approach": ModeStyle("#2e3b55", "xx", "#55648a"),
        "launch": ModeStyle("#5d96ad", "////", "#3c7086"),
        "ground": ModeStyle("#6d5a48", "....", "#93806d"),
    }
)


def dress(axes: Axes, heading: str) -> None:
    """Format a panel: heading above the left edge, a light grid, no frame."""
    axes.set_facecolor(PAPER)
    axes.set_title(heading, loc="left", fontsize=LARGE, color=INK, fontweight="bold", pad=7)
    axes.grid(True, color=GRID, linewidth=0.7)
    axes.set_axisbelow(True)
    axes.tick_params(colors=SOFT_INK, labelsize=SMALL, length=0)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(SOFT_INK)


def say_empty(axes: Axes, text: str) -> None:
    """Write into an empty panel which data are missing."""
    axes.grid(False)
    axes.set_yticks([])
    axes.set_facecolor("#f5f7f8")
    axes.text(
        0.5,
        0.5,
        text,
        transform=axes.transAxes,
        ha="center",
        va="center",
        fontsize=LARGE,
        style="italic",
        color=SOFT_INK,
    )


def badge(axes: Axes, x: float, y: float, number: int) -> None:
    """The number of a climb in a small disc, at data coordinates."""
    axes.plot(x, y, "o", markersize=14.0, color=INK, markeredgecolor=PAPER, markeredgewidth=1.0, zorder=6)
    axes.text(
        x,
        y,
        str(number),
        fontsize=SMALL,
        fontweight="bold",
        color=PAPER,
        ha="center",
        va="center_baseline",
        zorder=6,
    )
