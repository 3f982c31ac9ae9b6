"""The panels of the page over time. The catalogue of outputs (`Output.plot`) defines what each one draws."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from vario.app.outputs.catalogue import PLOTTED
from vario.app.outputs.output import Output, Plot
from vario.settings.display import DisplayUnits, Measure


@dataclass(frozen=True, slots=True)
class Panel:
    """One panel.

    Attributes:
        key: the name to which `Plot.panel` of an output refers.
        title: heading.
        unit: shown beside the heading; a measure: its display unit.
        height: pixels.
        options: for the script: `zero` (a line at 0), `from` (lowest value shown), `climbs` (their
            numbers), `optional` (left out if nothing is known).
    """

    key: str
    title: str
    unit: str | Measure
    height: int
    options: dict[str, Any] = field(default_factory=dict)


FLIGHT = (
    Panel("altitude", "Altitude", Measure.HEIGHT, 170, {"climbs": True}),
    Panel("vario", "Vario", Measure.VERTICAL_SPEED, 190, {"zero": True}),
    Panel("airspeed", "Airspeed", Measure.SPEED, 140),
    Panel("wind", "Wind", Measure.WIND, 130, {"from": 0}),
    Panel("attitude", "Attitude", "°", 120, {"zero": True}),
    Panel(
        "goal",
        "Arrival above the reserve, arithmetic only",
        Measure.HEIGHT,
        120,
        {"zero": True, "optional": True},
    ),
)
"""The panels of the flight, from top to bottom."""

ESTIMATE = (
    Panel("two_varios", "Vario by two methods", Measure.VERTICAL_SPEED, 140, {"zero": True}),
    Panel("gyro_bias", "Gyro bias", "°/s", 120, {"zero": True}),
    Panel("accel_bias", "Accelerometer bias", "m/s²", 120, {"zero": True}),
    Panel("attitude_sigma", "Uncertainty of pitch and bank", "°, one standard deviation", 100, {"from": 0}),
)
"""The panels on the consistency of the estimator, below the innovations."""


HINDSIGHT = "hindsight"
"""The column of the vario in hindsight, which is not an output of the instrument."""

_HINDSIGHT_SERIES = [HINDSIGHT, "in hindsight", "violet", 1.4, 1, [3, 2], None]


def panels(
    units: DisplayUnits, *, hindsight: bool = False, barometer: bool = True
) -> dict[str, list[dict[str, Any]]]:
    """The panels in the form that the script of the page reads, with or without the vario in hindsight.

    Without a barometer the altitude is that of GNSS, and its label says so.
    """
    flight = [_panel(panel, units) for panel in FLIGHT]
    if hindsight:
        for panel, drawn in zip(FLIGHT, flight, strict=True):
            if panel.key == "vario":
                drawn["series"].append(_HINDSIGHT_SERIES)
    if not barometer:
        (altitude,) = [drawn for panel, drawn in zip(FLIGHT, flight, strict=True) if panel.key == "altitude"]
        altitude["series"][0][1] = "of GNSS, no barometer"
    return {"flight": flight, "estimate": [_panel(panel, units) for panel in ESTIMATE]}


def _panel(panel: Panel, units: DisplayUnits) -> dict[str, Any]:
    drawn = [(output, output.plot) for output in PLOTTED if output.plot and output.plot.panel == panel.key]
    drawn.sort(key=lambda pair: pair[1].order)
    return {
        "title": panel.title,
        "unit": units.of(panel.unit).symbol if isinstance(panel.unit, Measure) else panel.unit,
        "height": panel.height,
        **panel.options,
        "series": [_series(output, plot, units) for output, plot in drawn],
    }


def _series(output: Output, plot: Plot, units: DisplayUnits) -> list[Any]:
    """Column, label, ink, line width, decimals, dashes, and the unit if it differs from that of the panel."""
    unit = output.shown_in(units).text if plot.second_scale else None
    return [
        output.page_name,
        plot.label,
        plot.ink,
        plot.width,
        output.decimals_in(units),
        list(plot.dash) or None,
        unit,
    ]
