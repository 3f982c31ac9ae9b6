"""The panels of the page over time. The catalogue of outputs (`Output.plot`) defines what each one draws."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from vario.app.outputs.catalogue import PLOTTED
from vario.app.outputs.output import Output, Plot


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel.

    Attributes:
        key: the name to which `Plot.panel` of an output refers.
        title: heading.
        unit: shown beside the heading.
        height: pixels.
        options: for the script: `zero` (a line at 0), `from` (lowest value shown), `climbs` (their
            numbers), `optional` (left out if nothing is known).
    """

    key: str
    title: str
    unit: str
    height: int
    options: dict[str, Any] = field(default_factory=dict)


FLIGHT = (
    Panel("altitude", "Altitude", "m", 170, {"climbs": True}),
    Panel("vario", "Vario", "m/s", 190, {"zero": True}),
    Panel("airspeed", "Airspeed", "km/h", 140),
    Panel("wind", "Wind", "km/h", 130, {"from": 0}),
    Panel("attitude", "Attitude", "°", 120, {"zero": True}),
    Panel("goal", "Arrival above the reserve, arithmetic only", "m", 120, {"zero": True, "optional": True}),
)
"""The panels of the flight, from top to bottom."""

ESTIMATE = (
    Panel("two_varios", "Vario by two methods", "m/s", 140, {"zero": True}),
    Panel("gyro_bias", "Gyro bias", "°/s", 120, {"zero": True}),
    Panel("accel_bias", "Accelerometer bias", "m/s²", 120, {"zero": True}),
    Panel("attitude_sigma", "Uncertainty of pitch and bank", "°, one standard deviation", 100, {"from": 0}),
)
"""The panels on the consistency of the estimator, below the innovations."""


HINDSIGHT = "hindsight"
"""The column of the vario in hindsight, which is not an output of the instrument."""

_HINDSIGHT_SERIES = [HINDSIGHT, "in hindsight", "violet", 1.4, 1, [3, 2], None]


def panels(*, hindsight: bool = False) -> dict[str, list[dict[str, Any]]]:
    """The panels in the form that the script of the page reads, with or without the vario in hindsight."""
    flight = [_panel(panel) for panel in FLIGHT]
    if hindsight:
        for panel, drawn in zip(FLIGHT, flight, strict=True):
            if panel.key == "vario":
                drawn["series"].append(_HINDSIGHT_SERIES)
    return {"flight": flight, "estimate": [_panel(panel) for panel in ESTIMATE]}


def _panel(panel: Panel) -> dict[str, Any]:
    drawn = [(output, output.plot) for output in PLOTTED if output.plot and output.plot.panel == panel.key]
    drawn.sort(key=lambda pair: pair[1].order)
    return {
        "title": panel.title,
        "unit": panel.unit,
        "height": panel.height,
        **panel.options,
        "series": [_series(output, plot) for output, plot in drawn],
    }


def _series(output: Output, plot: Plot) -> list[Any]:
    """Column, label, ink, line width, decimals, dashes, and the unit if it differs from that of the panel."""
    unit = output.shown_in.text if plot.second_scale else None
    return [
        output.page_name,
        plot.label,
        plot.ink,
        plot.width,
        output.shown_decimals,
        list(plot.dash) or None,
        unit,
    ]
