"""The panels of the page over time; what each draws is said by the catalogue of outputs (`Output.plot`)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from vario.app.outputs.catalogue import PLOTTED
from vario.app.outputs.output import Output, Plot


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel.

    Attributes:
        key: what `Plot.panel` of an output names.
        title: heading.
        unit: beside the heading.
        height: pixels.
        options: for the script: `zero` (a line at 0), `from` (least value shown), `climbs` (their numbers).
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
)
"""The flight, from top to bottom."""

ESTIMATE = (
    Panel("two_varios", "Two ways to the vario", "m/s", 140, {"zero": True}),
    Panel("gyro_bias", "Gyro bias", "°/s", 120, {"zero": True}),
    Panel("accel_bias", "Accelerometer bias", "m/s²", 120, {"zero": True}),
    Panel("attitude_sigma", "Uncertainty of pitch and bank", "°, one standard deviation", 100, {"from": 0}),
)
"""How well the estimator does, below the innovations."""


def panels() -> dict[str, list[dict[str, Any]]]:
    """The panels as the script of the page reads them."""
    return {"flight": [_panel(panel) for panel in FLIGHT], "estimate": [_panel(panel) for panel in ESTIMATE]}


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
    """Column, label, ink, width of the line, decimals, dashes, and the unit where it is not the panel's."""
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
