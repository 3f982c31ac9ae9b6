"""The picture of a flight: one page with what the instrument showed."""

from __future__ import annotations

import textwrap
import warnings
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from numpy.typing import NDArray

from vario.app.caution import REPORT_CAUTION
from vario.app.outputs.flight_time import duration_text
from vario.app.picture.circles import chosen, draw_circles
from vario.app.picture.data import TraceData
from vario.app.picture.panels import draw_airspeed, draw_altitude, draw_marks, draw_vario
from vario.app.picture.style import HUGE, INK, NORMAL, PAPER, SMALL, SOFT_INK
from vario.app.picture.time_axis import set_time_axis
from vario.app.picture.track import draw_climbs, draw_track, table_share
from vario.settings.display import METRIC, DisplayUnits, Measure

_SIZE_IN = (17.0, 11.4)
_CIRCLES_IN = 2.5
_DPI = 120
_WIDTH = 190  # characters per line at the bottom
_MOST_LINES = 5


def write_report(
    path: str | Path,
    trace: Mapping[str, NDArray[Any]],
    climbs: Sequence[Mapping[str, Any]],
    title: str,
    notes: Sequence[str] = (),
    *,
    marks: Sequence[Mapping[str, Any]] = (),
    start_utc: datetime | None = None,
    units: DisplayUnits = METRIC,
) -> None:
    """Draw the flight into a PNG file.

    Args:
        path: the file to write.
        trace: the columns of trace.csv by name, each of shape (n,): floats (NaN: no data) or text.
            Columns may be missing; n may be 0.
        climbs: one mapping per climb with start_s, end_s, gain_m, average_mps, turns and direction,
            and with its circle from `CirclePictures` or None.
        title: heading of the page.
        notes: warnings, each a short sentence, for the bottom of the page.
        marks: marks of the pilot, one mapping each with t_s and text.
        start_utc: the time of `t_s` = 0, for the time axis; None: it counts from the first row.
        units: the units of the page.

    Raises:
        OSError: if the file cannot be written.
    """
    figure = draw_report(trace, climbs, title, notes, marks=marks, start_utc=start_utc, units=units)
    with warnings.catch_warnings():
        # A title in a script that the font lacks is drawn with boxes, without a warning.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(path, format="png")


def draw_report(
    trace: Mapping[str, NDArray[Any]],
    climbs: Sequence[Mapping[str, Any]],
    title: str,
    notes: Sequence[str] = (),
    *,
    marks: Sequence[Mapping[str, Any]] = (),
    start_utc: datetime | None = None,
    units: DisplayUnits = METRIC,
) -> Figure:
    """The page as a figure; for the arguments see `write_report`."""
    flight = TraceData(trace, climbs, start_utc, units)
    width_in, height_in = _SIZE_IN
    strip_in = _CIRCLES_IN if chosen(climbs) else 0.0
    # The row of circles is between panels and bottom; all else keeps its size.
    share = height_in / (height_in + strip_in)
    figure = Figure(figsize=(width_in, height_in + strip_in), dpi=_DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)
    page = figure.add_gridspec(
        1,
        2,
        left=0.045,
        right=0.975,
        top=1 - 0.125 * share,
        bottom=1 - 0.845 * share,
        wspace=0.12,
        width_ratios=(2, 1),
    )
    left = page[0].subgridspec(3, 1, height_ratios=(1.25, 1.1, 0.9), hspace=0.2)
    table = table_share(flight)
    right = page[1].subgridspec(2, 1, height_ratios=(1.0 - table, table), hspace=0.2)
    altitude = figure.add_subplot(left[0])
    vario = figure.add_subplot(left[1], sharex=altitude)
    airspeed = figure.add_subplot(left[2], sharex=altitude)
    set_time_axis(airspeed, flight)
    for upper in (altitude, vario):
        upper.tick_params(labelbottom=False)
    draw_altitude(altitude, flight)
    draw_vario(vario, flight)
    draw_airspeed(airspeed, flight)
    for panel in (altitude, vario, airspeed):
        draw_marks(panel, marks, named=panel is altitude)
    draw_track(figure.add_subplot(right[0]), flight)
    draw_climbs(figure.add_subplot(right[1]), flight)
    if strip_in:
        draw_circles(figure, flight, bottom=0.115 * share, height=1 - share)
    _write_head(figure, title, flight, share)
    _write_foot(figure, flight, notes, share)
    return figure


def _write_head(figure: Figure, title: str, flight: TraceData, share: float) -> None:
    title = textwrap.shorten(title, 80, placeholder=" …")
    figure.text(
        0.045, 1 - 0.053 * share, title, fontsize=HUGE, color=INK, fontweight="bold", parse_math=False
    )
    figure.text(0.045, 1 - 0.078 * share, "   ·   ".join(_facts(flight)), fontsize=NORMAL, color=SOFT_INK)


def _facts(flight: TraceData) -> Iterator[str]:
    """The main figures of the flight, as far as they are known."""
    if not flight.t_s.size:
        yield "an empty recording"
        return
    yield duration_text(float(flight.t_s[-1] - flight.t_s[0]))
    altitude_m = flight.column("altitude_m")
    known = altitude_m[np.isfinite(altitude_m)]
    if known.size:
        height = flight.unit(Measure.HEIGHT)
        yield f"{height.figure(known.min())} to {height.shown(known.max())}"
    gains_m = [climb["gain_m"] for climb in flight.climbs if climb.get("gain_m") is not None]
    count = len(flight.climbs)
    if count:
        gained = f" gaining {flight.unit(Measure.HEIGHT).shown(sum(gains_m))}" if gains_m else ""
        yield f"{count} climb{'s' if count > 1 else ''}{gained}"


def _write_foot(figure: Figure, flight: TraceData, notes: Sequence[str], share: float) -> None:
    lines = [part for note in (*_inputs(flight), *notes) for part in textwrap.wrap(note, _WIDTH)]
    if len(lines) > _MOST_LINES:
        lines = [*lines[: _MOST_LINES - 1], f"… and {len(lines) - _MOST_LINES + 1} more lines in the summary"]
    figure.text(0.045, 0.104 * share, REPORT_CAUTION, fontsize=NORMAL, color=INK, fontweight="bold", va="top")
    figure.text(
        0.045,
        0.083 * share,
        "\n".join(lines),
        fontsize=SMALL,
        color=SOFT_INK,
        va="top",
        linespacing=1.25,
        parse_math=False,
    )


def _inputs(flight: TraceData) -> Iterator[str]:
    """The share of time in which the inputs were complete, and the faults of the rest."""
    rows = Counter(word for word in flight.words("quality").tolist() if word)
    flags: Counter[str] = Counter()
    for words, n in rows.items():
        flags.update(dict.fromkeys(words.split("+"), n))
    if flags:
        total = rows.total()
        shares = (f"{flag.replace('_', ' ')} {_percent(n / total)}" for flag, n in flags.most_common())
        yield f"Inputs, share of the time: {'; '.join(shares)}."


def _percent(share: float) -> str:
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < share < 1.0 else f"{100 * share:.0f} %"
