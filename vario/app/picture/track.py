"""The track over the ground with climbs and wind, and the table of climbs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from numbers import Real
from typing import Any

import numpy as np
from matplotlib.axes import Axes

from vario.app.outputs.flight_time import clock, utc_or_clock
from vario.app.picture.data import Floats, TraceData
from vario.app.picture.style import (
    INK,
    LARGE,
    MODE_STYLES,
    NORMAL,
    PAPER,
    SMALL,
    SOFT_INK,
    badge,
    dress,
    say_empty,
)
from vario.settings.display import Measure

_ROWS = 14
_CORNERS = {(0, 1): (0.13, 0.86), (1, 1): (0.87, 0.86), (0, 0): (0.13, 0.16), (1, 0): (0.87, 0.16)}
_BAND_POINTS = 60
_LEAST_BAND_POINTS = 20
_BAND_SHARE = 0.022  # width of a band for 1 m/s, as a share of the panel width
_LEAST = 0.5  # of the unit; gives a glider that does not move an axis with round numbers


def draw_track(axes: Axes, flight: TraceData) -> None:
    """Draw the track over the ground, north up, with numbered climbs and the mean wind as an arrow."""
    unit = flight.unit(Measure.DISTANCE)
    dress(axes, f"Track, {unit.symbol}")
    t_s, *way_km = flight.track_km()
    east_shown, north_shown = (1000.0 * unit.factor * values for values in way_km)
    known = np.isfinite(t_s)
    if not np.any(known):
        say_empty(axes, "no position in this recording")
        axes.set_xticks([])
        return
    axes.set_xlabel("east", fontsize=NORMAL, color=SOFT_INK)
    axes.set_ylabel("north", fontsize=NORMAL, color=SOFT_INK)
    axes.plot(east_shown, north_shown, color=INK, linewidth=0.9, solid_joinstyle="round", zorder=2.5)
    t_s, east_shown, north_shown = t_s[known], east_shown[known], north_shown[known]
    _square(axes, east_shown, north_shown)
    _draw_bands(axes, flight, t_s, east_shown, north_shown)
    _number_climbs(axes, flight, t_s, east_shown, north_shown)
    ends = (("start", 0, "^", PAPER), ("end", -1, "s", INK))
    for name, k, marker, fill in ends:
        axes.plot(
            east_shown[k],
            north_shown[k],
            marker,
            color=INK,
            markerfacecolor=fill,
            markersize=8.0,
            label=name,
            zorder=5,
        )
    axes.legend(
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=3,
        frameon=False,
        fontsize=SMALL,
        labelcolor=SOFT_INK,
        borderaxespad=0.0,
    )
    _wind(axes, flight, east_shown, north_shown)


def table_share(flight: TraceData) -> float:
    """Share of the right column for the table of climbs; the track gets the rest."""
    return 0.05 + 0.024 * (min(len(flight.climbs), _ROWS) + 1)


def draw_climbs(axes: Axes, flight: TraceData) -> None:
    """The climbs as a table: all of them, or those with the largest gain."""
    axes.set_axis_off()
    ranked = sorted(
        enumerate(flight.climbs, start=1), key=lambda entry: _number(entry[1].get("gain_m")), reverse=True
    )
    shown = sorted(ranked[:_ROWS], key=lambda entry: entry[0])
    heading = "Climbs" if len(ranked) <= _ROWS else f"The {_ROWS} highest of {len(ranked)} climbs"
    axes.set_title(heading, loc="left", fontsize=LARGE, color=INK, fontweight="bold", pad=7)
    if not shown:
        axes.text(0.0, 0.93, "none found", fontsize=LARGE, style="italic", color=SOFT_INK, va="center")
        return
    columns = {
        "": 0.05,
        "from" if flight.start_utc is None else "from, UTC": 0.24,
        "for": 0.41,
        "gain": 0.60,
        "whole climb": 0.81,
        "turns": 1.0,
    }
    line = 1.0 / (len(shown) + 1)
    for name, x in columns.items():
        axes.text(x, 1 - 0.5 * line, name, fontsize=SMALL, color=SOFT_INK, ha="right", va="center")
    for row, (number, climb) in enumerate(shown, start=1):
        y = 1 - (row + 0.5) * line
        axes.axhline(y + 0.5 * line, color="#d9dee2", linewidth=0.7)
        for text, x in zip(_cells(number, climb, flight), columns.values(), strict=True):
            weight = "bold" if x == columns[""] else "normal"
            axes.text(x, y, text, fontsize=NORMAL, color=INK, ha="right", va="center", fontweight=weight)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(0.0, 1.0)


def _cells(number: int, climb: Mapping[str, Any], flight: TraceData) -> tuple[str, ...]:
    start_s, end_s = climb["start_s"], climb["end_s"]
    gain_m, average_mps, turns = (_number(climb.get(key)) for key in ("gain_m", "average_mps", "turns"))
    side = {"left": " L", "right": " R", "both": " L R"}.get(str(climb.get("direction")), "")
    return (
        str(number),
        utc_or_clock(start_s, flight.start_utc),
        clock(end_s - start_s),
        flight.unit(Measure.HEIGHT).shown(gain_m, sign=True) if math.isfinite(gain_m) else "–",
        flight.unit(Measure.VERTICAL_SPEED).shown(average_mps, sign=True)
        if math.isfinite(average_mps)
        else "–",
        (f"{turns:.0f}" if math.isfinite(turns) else "–") + side,
    )


def _number(value: object) -> float:
    """The value if it is a finite number, otherwise minus infinity, so that it sorts last."""
    return float(value) if isinstance(value, Real) and math.isfinite(value) else -math.inf


def _square(axes: Axes, east_shown: Floats, north_shown: Floats) -> None:
    """Limits with the same scale on both axes and a margin around the track."""
    panel = axes.get_window_extent()
    per_pixel = 1.3 * max(
        float(np.ptp(east_shown)) / panel.width,
        float(np.ptp(north_shown)) / panel.height,
        _LEAST / panel.width,
    )
    east, north = (float(values.min() + values.max()) / 2 for values in (east_shown, north_shown))
    axes.set_xlim(east - per_pixel * panel.width / 2, east + per_pixel * panel.width / 2)
    axes.set_ylim(north - per_pixel * panel.height / 2, north + per_pixel * panel.height / 2)


def _draw_bands(axes: Axes, flight: TraceData, t_s: Floats, east_shown: Floats, north_shown: Floats) -> None:
    """A band along the way of each circle: as wide as the climb over a turn is strong."""
    per_mps = _BAND_SHARE * float(np.ptp(axes.get_xlim()))
    altitude_m = flight.column("altitude_m")
    label = "climb (wider: stronger)"
    for climb in flight.climbs:
        inside = (t_s >= climb["start_s"]) & (t_s <= climb["end_s"])
        turns = _number(climb.get("turns"))
        if np.count_nonzero(inside) < _LEAST_BAND_POINTS or not turns >= 1.0:
            continue
        turn_s = (climb["end_s"] - climb["start_s"]) / turns
        at_s = np.linspace(climb["start_s"] + turn_s / 2, climb["end_s"] - turn_s / 2, _BAND_POINTS)
        east, north = (_over_turn(at_s, turn_s, t_s, values) for values in (east_shown, north_shown))
        edges = [np.interp(at_s + half_s, flight.t_s, altitude_m) for half_s in (-turn_s / 2, turn_s / 2)]
        half = np.maximum((edges[1] - edges[0]) / turn_s, 0.1) * per_mps / 2
        along_e, along_n = np.gradient(east), np.gradient(north)
        length = np.maximum(np.hypot(along_e, along_n), 1e-9)
        across_e, across_n = -along_n / length * half, along_e / length * half
        axes.fill(
            np.concatenate([east + across_e, (east - across_e)[::-1]]),
            np.concatenate([north + across_n, (north - across_n)[::-1]]),
            facecolor=MODE_STYLES["circling"].fill,
            linewidth=0.0,
            zorder=2.0,
            label=label,
        )
        label = "_"  # only the first band has an entry in the legend


def _over_turn(at_s: Floats, turn_s: float, t_s: Floats, values: Floats) -> Floats:
    """The mean of `values` over a turn around each time."""
    ends = np.linspace(-0.5, 0.5, 25) * turn_s
    return np.asarray(np.interp(at_s[:, None] + ends, t_s, values).mean(axis=1))


def _number_climbs(
    axes: Axes, flight: TraceData, t_s: Floats, east_shown: Floats, north_shown: Floats
) -> None:
    taken: list[tuple[float, float]] = []
    room = 0.045 * abs(axes.get_xlim()[1] - axes.get_xlim()[0])
    for number, climb in enumerate(flight.climbs, start=1):
        inside = (t_s >= climb["start_s"]) & (t_s <= climb["end_s"])
        if not np.any(inside):
            continue
        at = (float(east_shown[inside].mean()) + room, float(north_shown[inside].mean()) + room)
        if all(math.dist(at, other) > room for other in taken):
            badge(axes, *at, number)
            taken.append(at)


def _wind(axes: Axes, flight: TraceData, east_shown: Floats, north_shown: Floats) -> None:
    """The mean wind as an arrow in the emptiest corner, pointing downwind."""
    wind_east, wind_north = flight.column("wind_east_mps"), flight.column("wind_north_mps")
    known = np.isfinite(wind_east) & np.isfinite(wind_north)
    x, y = _emptiest_corner(axes, east_shown, north_shown)
    if not np.any(known):
        axes.text(x, y, "no wind", transform=axes.transAxes, **_NOTE)
        return
    east_mps, north_mps = float(wind_east[known].mean()), float(wind_north[known].mean())
    speed_mps = math.hypot(east_mps, north_mps)
    if speed_mps * 3.6 < 0.5:
        axes.text(x, y, "calm", transform=axes.transAxes, **_NOTE)
        return
    from_deg = round(math.degrees(math.atan2(-east_mps, -north_mps))) % 360
    reach = 0.055
    tip = (x + reach * east_mps / speed_mps, y + reach * north_mps / speed_mps)
    tail = (x - reach * east_mps / speed_mps, y - reach * north_mps / speed_mps)
    axes.annotate(
        "",
        xy=tip,
        xytext=tail,
        xycoords="axes fraction",
        arrowprops={"arrowstyle": "-|>,head_width=0.35,head_length=0.7", "color": INK, "linewidth": 2.2},
        zorder=7,
    )
    text = f"mean wind\nfrom {from_deg:03}°, {flight.unit(Measure.WIND).shown(speed_mps)}"
    axes.text(x, y - reach - 0.02, text, transform=axes.transAxes, **_NOTE)


_NOTE: Mapping[str, Any] = {
    "fontsize": SMALL,
    "color": INK,
    "ha": "center",
    "va": "top",
    "zorder": 7,
    "bbox": {"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 1.5},
}


def _emptiest_corner(axes: Axes, east_shown: Floats, north_shown: Floats) -> tuple[float, float]:
    points = axes.transAxes.inverted().transform(
        axes.transData.transform(np.column_stack([east_shown, north_shown]))
    )

    def crowd(corner: tuple[int, int]) -> int:
        near = np.abs(points - np.array(corner)) < 0.3
        return int(np.count_nonzero(near.all(axis=1)))

    return _CORNERS[min(_CORNERS, key=crowd)]
