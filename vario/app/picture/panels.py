"""The panels over time: altitude with modes, vario and netto, airspeed and speed to fly."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from numbers import Real
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from vario.app.picture.data import Floats, Line, TraceData
from vario.app.picture.style import (
    AMBER,
    BAND,
    CLIMB_TINT,
    INK,
    MODE_STYLES,
    PAPER,
    SMALL,
    SOFT_INK,
    TEAL,
    badge,
    dress,
    say_empty,
)
from vario.flight.motion.mode import Mode
from vario.settings.display import Measure

_LETTER_ROOM = 0.0065  # width of a letter, as a share of the panel width
_LONGEST_NAME = 40
_BADGE_ROOM = 0.022  # width of the number of a climb, as a share of the panel width


def draw_altitude(axes: Axes, flight: TraceData) -> None:
    """Altitude, with the modes as a strip below and with the numbers of the climbs."""
    unit = flight.unit(Measure.HEIGHT)
    dress(axes, f"Pressure altitude, {unit.symbol}")
    altitude = flight.line("altitude_m", Measure.HEIGHT)
    if altitude.empty:
        say_empty(axes, "no altitude in this recording")
        return
    bottom, top = _limits([altitude.low, altitude.high], least_span=60.0 * unit.factor)
    strip = 0.085 * (top - bottom)
    bottom -= 1.3 * strip
    modes = flight.thin_words("mode")
    shades = []
    for name, style in MODE_STYLES.items():
        here = modes == name
        if not np.any(here):
            continue
        here[1:] |= here[:-1].copy()  # an interval extends to the first point of the next one, to avoid gaps
        look: dict[str, Any] = {
            "facecolor": style.fill,
            "hatch": style.hatch,
            "edgecolor": style.hatch_colour,
            "linewidth": 0.0,
        }
        where = here.tolist()
        axes.fill_between(altitude.t_s, bottom, bottom + strip, where=where, zorder=1.5, **look)
        if name == Mode.CIRCLING:
            axes.fill_between(
                altitude.t_s, bottom + strip, altitude.mean, where=where, facecolor=CLIMB_TINT, linewidth=0.0
            )
        shades.append(Patch(label=name, **look))
    _plot(axes, altitude, INK, 1.3, "altitude")
    top += 0.14 * (top - bottom)  # space for the numbers
    axes.set_ylim(bottom, top)
    _number_climbs(axes, flight, altitude, 0.06 * (top - bottom))
    _legend(axes, shades)


def draw_vario(axes: Axes, flight: TraceData) -> None:
    """Vario and netto, with the average of each climb as a bar."""
    unit = flight.unit(Measure.VERTICAL_SPEED)
    dress(axes, f"Vario and netto, {unit.symbol}")
    vario, netto = (flight.line(name, Measure.VERTICAL_SPEED) for name in ("vario_mps", "netto_mps"))
    if vario.empty and netto.empty:
        say_empty(axes, "no vario in this recording")
        return
    _tint_circling(axes, flight)
    axes.axhline(0.0, color=SOFT_INK, linewidth=0.9, zorder=1.8)
    if vario.spread:
        axes.fill_between(vario.t_s, vario.low, vario.high, facecolor=BAND, linewidth=0.0, zorder=2.0)
    drawn: list[Artist] = [_plot(axes, vario, INK, 0.9, "vario")] if not vario.empty else []
    if not netto.empty:
        drawn.append(_plot(axes, netto, TEAL, 1.7, "netto", zorder=2.3))
    averages = [climb for climb in flight.climbs if _known(climb.get("average_mps"))]
    if averages:
        drawn.append(
            axes.hlines(
                [climb["average_mps"] * unit.factor for climb in averages],
                [climb["start_s"] for climb in averages],
                [climb["end_s"] for climb in averages],
                colors=AMBER,
                linewidth=3.0,
                zorder=1.95,  # behind the vario
                label="average of the whole climb",
            )
        )
    low, high = _limits([vario.low, vario.high, netto.mean], least_span=unit.factor, outermost=0.005)
    axes.set_ylim(min(low, -2.0 * unit.factor), max(high, 2.0 * unit.factor))
    _legend(axes, drawn)
    missing = [name for name, line in (("vario", vario), ("netto", netto)) if line.empty]
    remarks = [f"no {name} in this recording" for name in missing]
    uncompensated = np.char.find(flight.words("quality"), "uncompensated") >= 0
    if np.any(uncompensated):
        share = f"{100 * float(np.mean(uncompensated)):.0f} % of the time"
        remarks.append(f"uncompensated {share}, without airspeed: pulling up reads as lift")
    _remark(axes, remarks)


def draw_airspeed(axes: Axes, flight: TraceData) -> None:
    """Indicated airspeed and speed to fly."""
    unit = flight.unit(Measure.SPEED)
    dress(axes, f"Indicated airspeed, {unit.symbol}")
    airspeed = flight.line("ias_mps", Measure.SPEED)
    to_fly = flight.line("speed_to_fly_mps", Measure.SPEED)
    if airspeed.empty and to_fly.empty:
        say_empty(axes, "no airspeed in this recording")
        return
    _tint_circling(axes, flight)
    drawn = []
    if not airspeed.empty:
        drawn.append(_plot(axes, airspeed, INK, 1.0, "flown", zorder=2.4))
    if not to_fly.empty:
        drawn.append(_plot(axes, to_fly, AMBER, 1.8, "speed to fly", dashes=(3.5, 1.5), zorder=2.6))
    axes.set_ylim(*_limits([airspeed.mean, to_fly.mean], least_span=11.0 * unit.factor))
    _legend(axes, drawn)
    missing = [name for name, line in (("airspeed", airspeed), ("speed to fly", to_fly)) if line.empty]
    _remark(axes, [f"no {name} in this recording" for name in missing])


def draw_marks(axes: Axes, marks: Sequence[Mapping[str, Any]], *, named: bool) -> None:
    """A thin line at each mark of the pilot, with its text if there is space."""
    start, end = axes.get_xlim()
    free_from = -np.inf
    for mark in sorted(marks, key=lambda mark: float(mark["t_s"])):
        at_s = float(mark["t_s"])
        if not start <= at_s <= end:
            continue
        axes.axvline(at_s, color=INK, linewidth=0.8, linestyle=(0, (2, 3)), zorder=2.9)
        if not named or at_s < free_from:
            continue
        text = mark["text"] if len(mark["text"]) <= _LONGEST_NAME else f"{mark['text'][: _LONGEST_NAME - 1]}…"
        # At the lower end of the panel; to the left of the line if it would leave the page.
        left = at_s > start + 0.8 * (end - start)
        axes.text(
            at_s,
            0.02,
            f"{text} " if left else f" {text}",
            transform=axes.get_xaxis_transform(),
            fontsize=SMALL,
            color=INK,
            ha="right" if left else "left",
            va="bottom",
            zorder=5,
            parse_math=False,
        )
        free_from = at_s + (0.02 + _LETTER_ROOM * len(text)) * (end - start)


def _plot(
    axes: Axes,
    line: Line,
    colour: str,
    width: float,
    label: str,
    *,
    dashes: tuple[float, float] | None = None,
    zorder: float = 2.6,
) -> Line2D:
    lonely = int(np.isfinite(line.mean).sum()) == 1  # a single value is drawn as a dot
    (drawn,) = axes.plot(
        line.t_s,
        line.mean,
        color=colour,
        linewidth=width,
        linestyle=(0, dashes) if dashes else "-",
        marker="o" if lonely else "",
        markersize=5.0,
        label=label,
        zorder=zorder,
        solid_joinstyle="round",
    )
    return drawn


def _limits(values: Sequence[Floats], least_span: float, outermost: float = 0.0) -> tuple[float, float]:
    """Limits of a value axis with a margin; single spikes (outermost share) must not compress the rest."""
    every = np.concatenate(values)
    known = every[np.isfinite(every)]
    low, high = (float(q) for q in np.quantile(known, [outermost / 2, 1 - outermost / 2]))
    lack = max(0.0, least_span - (high - low)) / 2
    low, high = low - lack, high + lack
    margin = 0.06 * (high - low)
    return low - margin, high + margin


def _tint_circling(axes: Axes, flight: TraceData) -> None:
    spans = [(start_s, end_s - start_s) for mode, start_s, end_s in flight.runs("mode") if mode == "circling"]
    if spans:
        low_to_high = axes.get_xaxis_transform()
        axes.broken_barh(
            spans, (0, 1), transform=low_to_high, facecolor=CLIMB_TINT, linewidth=0.0, zorder=0.4
        )


def _number_climbs(axes: Axes, flight: TraceData, altitude: Line, above: float) -> None:
    start, end = axes.get_xlim()
    known = np.isfinite(altitude.mean)
    free_from = -np.inf
    for number, climb in enumerate(flight.climbs, start=1):
        middle_s = (climb["start_s"] + climb["end_s"]) / 2
        if middle_s < free_from:
            continue  # no space: leave out the number instead of drawing two on top of each other
        near = known & (np.abs(altitude.t_s - middle_s) <= _BADGE_ROOM / 2 * (end - start))
        top = (
            np.max(altitude.mean[near])
            if np.any(near)
            else np.interp(middle_s, altitude.t_s[known], altitude.mean[known])
        )
        badge(axes, middle_s, float(top) + above, number)
        free_from = middle_s + _BADGE_ROOM * (end - start)


def _legend(axes: Axes, handles: Sequence[Artist]) -> None:
    if handles:
        axes.legend(
            handles=list(handles),
            loc="lower right",
            bbox_to_anchor=(1.0, 0.985),
            ncols=len(handles),
            frameon=False,
            fontsize=SMALL,
            labelcolor=SOFT_INK,
            handlelength=2.2,
            columnspacing=1.6,
            borderaxespad=0.0,
        )


def _remark(axes: Axes, sentences: Iterable[str]) -> None:
    text = "; ".join(sentences)
    if not text:
        return
    low, high = axes.get_ylim()
    axes.set_ylim(low - 0.13 * (high - low), high)  # a separate strip without lines
    axes.text(
        0.008,
        0.04,
        text,
        transform=axes.transAxes,
        fontsize=SMALL,
        style="italic",
        color=INK,
        zorder=5,
        bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.75, "pad": 1.5},
    )


def _known(value: object) -> bool:
    return isinstance(value, Real) and bool(np.isfinite(float(value)))
