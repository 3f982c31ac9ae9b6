"""Draw a climb from above in the moving air: the track, and a band beside it as wide as the climb there."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection

from vario.app.picture.data import Floats, TraceData
from vario.app.picture.style import AMBER, INK, SMALL, SOFT_INK, VIOLET
from vario.settings.display import Measure

STEP_S = 1.0
SMOOTHED_S = 3.0
"""The band follows the vario averaged over this time, a tenth of a turn."""

WIDTH_A_MPS = 0.11
"""Width of the band for 1 m/s, as a share of the half width of the picture."""

LEAST_S = 20
"""Without positions over this time nothing is drawn."""


def draw_band(axes: Axes, flight: TraceData, climb: Mapping[str, Any]) -> None:
    """Draw the climb. Lift is on the outside of the circle, sink on the inside; the last turn is strong."""
    axes.set_aspect("equal")
    axes.set_axis_off()
    drawn = _in_air(flight, climb)
    if drawn is None:
        axes.text(0.5, 0.5, "no positions", fontsize=SMALL, color=SOFT_INK, ha="center", va="center")
        return
    t_s, east_m, north_m, climb_mps = drawn
    reach_m = max(100.0, float(np.quantile(np.hypot(east_m, north_m), 0.96)) * 1.25)
    outside = -1.0 if climb.get("direction") == "left" else 1.0
    along_e, along_n = np.gradient(east_m), np.gradient(north_m)
    # Outside is on the left in a right turn; 0.1 m avoids a division by 0.
    off = outside * climb_mps * WIDTH_A_MPS * reach_m / np.maximum(np.hypot(along_e, along_n), 0.1)
    inner = np.column_stack([east_m, north_m])
    outer = np.column_stack([east_m - along_n * off, north_m + along_e * off])
    pieces = np.stack([inner[:-1], inner[1:], outer[1:], outer[:-1]], axis=1)
    turn_s = (climb["end_s"] - climb["start_s"]) / max(float(climb.get("turns") or 1.0), 1.0)
    newest = t_s[1:] > t_s[-1] - turn_s
    for colour, wanted in ((AMBER, climb_mps[1:] >= 0.0), (VIOLET, climb_mps[1:] < 0.0)):
        for part, alpha in ((~newest, 0.1), (newest, 0.5)):
            shapes = list(pieces[wanted & part])
            axes.add_collection(PolyCollection(shapes, facecolor=colour, alpha=alpha, linewidth=0.0))
    axes.plot(east_m, north_m, color=INK, linewidth=0.7, alpha=0.3)
    last = t_s > t_s[-1] - turn_s
    axes.plot(east_m[last], north_m[last], color=INK, linewidth=1.1)
    axes.set_xlim(-reach_m, reach_m)
    axes.set_ylim(-1.1 * reach_m, reach_m)
    left, base = -0.95 * reach_m, -1.02 * reach_m
    unit = flight.unit(Measure.HEIGHT)
    many = 300.0 if unit.symbol == "ft" else 100.0
    axes.plot([left, left + many / unit.factor], [base, base], color=SOFT_INK, linewidth=1.2)
    axes.text(left, base + 0.04 * reach_m, f"{many:.0f} {unit.symbol}", fontsize=SMALL, color=SOFT_INK)


def _in_air(flight: TraceData, climb: Mapping[str, Any]) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Times, east and north in m relative to the moving air around their middle, and the climb rate."""
    at_s, east_km, north_km = flight.track_km()
    known = np.isfinite(at_s) & (at_s >= climb["start_s"]) & (at_s <= climb["end_s"])
    vario_mps = flight.column("vario_mps")
    measured = np.isfinite(vario_mps)
    t_s = np.arange(at_s[known][0], at_s[known][-1], STEP_S) if np.any(known) else at_s[known]
    if t_s.size * STEP_S < LEAST_S or not np.any(measured):
        return None
    place = [1000.0 * np.interp(t_s, at_s[known], values[known]) for values in (east_km, north_km)]
    inside = (flight.t_s >= climb["start_s"]) & (flight.t_s <= climb["end_s"])
    for k, name in enumerate(("wind_east_mps", "wind_north_mps")):
        wind_mps = flight.column(name)[inside]
        drift_mps = float(np.nanmean(wind_mps)) if np.any(np.isfinite(wind_mps)) else 0.0
        place[k] = place[k] - drift_mps * (t_s - t_s[-1])
        place[k] -= place[k].mean()
    around_s = np.linspace(-SMOOTHED_S / 2, SMOOTHED_S / 2, 7)
    climb_mps = np.interp(t_s[:, None] + around_s, flight.t_s[measured], vario_mps[measured]).mean(axis=1)
    return t_s, place[0], place[1], np.asarray(climb_mps)
