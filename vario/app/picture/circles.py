"""Draw the circles of the climbs from above, with the distribution of the lift."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from vario.app.picture.bands import draw_band
from vario.app.picture.data import TraceData
from vario.app.picture.style import INK, LARGE, NORMAL, PAPER, SMALL, SOFT_INK
from vario.settings.display import METRIC, Measure, Unit

MOST = 8
VERTICAL = METRIC.of(Measure.VERTICAL_SPEED)
INNER, OUTER = 0.62, 1.0  # width of the ring, in units of its radius
LEAST_SPAN_MPS = 1.0
"""Minimum range of the shades, so that a well-centred climb looks even."""

_BAND_TEXT = (
    "\nThe drawing beside it shows the climb in the moving air. Its band is as wide as the climb there: lift "
    "outside the circle, sink inside. The last turn is dark."
)

SHADES = LinearSegmentedColormap.from_list("lift", ("#fbf3df", "#f2b544", "#8a4d06", "#2e1a02"))
"""Light means weak, dark means strong, in colour and in greyscale."""


def chosen(climbs: Sequence[Mapping[str, Any]]) -> list[tuple[int, Mapping[str, Any]]]:
    """The climbs to draw, with numbers, in order of time: those with a picture and the largest gain."""
    pictured = [(number, climb) for number, climb in enumerate(climbs, start=1) if climb.get("circle")]
    best = sorted(pictured, key=lambda entry: float(entry[1].get("gain_m") or 0.0), reverse=True)[:MOST]
    return sorted(best, key=lambda entry: entry[0])


def draw_circles(figure: Figure, flight: TraceData, bottom: float, height: float) -> None:
    """Draw a row of circles between `bottom` and `bottom + height` (shares of the page).

    If there is room, each climb is drawn from above beside its circle.
    """
    drawn = chosen(flight.climbs)
    beside = 2 * len(drawn) <= MOST
    figure.text(
        0.045,
        bottom + 0.9 * height,
        "Lift around the circle at the end of each climb, seen from above",
        fontsize=LARGE,
        color=INK,
        fontweight="bold",
    )
    figure.text(
        0.045,
        bottom + 0.875 * height,
        "Dark sectors have stronger lift. The number inside is the mean of the last turns. The arrow shows "
        "where the lift is strongest, and the number below by how much it exceeds the mean."
        + (_BAND_TEXT if beside else ""),
        fontsize=SMALL,
        color=SOFT_INK,
        va="top",
    )
    width = 0.93 / MOST
    for place, (number, climb) in enumerate(drawn):
        left = 0.045 + place * 0.93 / len(drawn)  # few circles are spread over the whole width
        axes = figure.add_axes((left, bottom, 0.92 * width, 0.76 * height))
        draw_circle(axes, number, climb["circle"], flight.unit(Measure.VERTICAL_SPEED))
        if beside:
            draw_band(figure.add_axes((left + width, bottom, 0.92 * width, 0.76 * height)), flight, climb)


def draw_circle(axes: Axes, number: int, circle: Mapping[str, Any], unit: Unit = VERTICAL) -> None:
    """Draw one circle: a ring of sectors, number and mean of the climb inside, an arrow towards the core."""
    axes.set_aspect("equal")
    axes.set_axis_off()
    axes.set_xlim(-1.35, 1.35)
    axes.set_ylim(-1.55, 1.35)
    mean = np.array([math.nan if value is None else value for value in circle["mean_mps"]], float)
    known = mean[np.isfinite(mean)]
    middle = float(circle["middle_mps"])
    span = max(LEAST_SPAN_MPS, 2.0 * float(np.max(np.abs(known - middle)))) if known.size else LEAST_SPAN_MPS
    size = math.tau / len(mean)
    # On a right-hand circle, a glider with heading h is a quarter turn to the left of h as seen from the
    # centre.
    quarter = math.pi / 2 if circle["right"] else -math.pi / 2
    for sector, value in enumerate(mean):
        if not math.isfinite(value):
            continue
        begin = sector * size - quarter
        bearing = np.linspace(begin, begin + size, 6)
        inner, outer = INNER * np.ones(6), OUTER * np.ones(6)
        radius = np.concatenate((inner, outer[::-1]))
        angle = np.concatenate((bearing, bearing[::-1]))
        shade = SHADES(min(1.0, max(0.0, 0.5 + (value - middle) / span)))
        axes.fill(
            radius * np.sin(angle), radius * np.cos(angle), facecolor=shade, edgecolor=PAPER, linewidth=0.4
        )
    for radius_1 in (INNER, OUTER):
        round_ = np.linspace(0.0, math.tau, 73)
        axes.plot(radius_1 * np.sin(round_), radius_1 * np.cos(round_), color=SOFT_INK, linewidth=0.6)
    axes.text(0, 0.12, str(number), fontsize=LARGE, fontweight="bold", color=INK, ha="center", va="center")
    axes.text(0, -0.2, unit.shown(middle, sign=True), fontsize=NORMAL, color=INK, ha="center", va="center")
    if circle["from_north"]:
        axes.text(0, 1.17, "N", fontsize=SMALL, color=SOFT_INK, ha="center", va="center")
    towards = circle.get("towards_rad")
    below = "even" if towards is None else unit.shown(circle["asymmetry_mps"], sign=True)
    if towards is not None:
        tip = 1.3
        axes.annotate(
            "",
            xy=(tip * math.sin(towards), tip * math.cos(towards)),
            xytext=(OUTER * 1.02 * math.sin(towards), OUTER * 1.02 * math.cos(towards)),
            arrowprops={"arrowstyle": "-|>,head_width=0.3,head_length=0.5", "color": INK, "linewidth": 1.6},
        )
    axes.text(0, -1.45, below, fontsize=SMALL, color=SOFT_INK, ha="center", va="center")
