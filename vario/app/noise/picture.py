"""The picture of `vario noise static`: Allan deviation against averaging time, one panel per sensor."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from vario.app.errors import OutputError
from vario.app.noise.static import Measured, StaticResult
from vario.app.picture.style import AMBER, BAND, INK, LARGE, NORMAL, PAPER, SMALL, SOFT_INK, TEAL, dress

_NAMES = {"baro": "barometer", "pitot": "pitot", "imu_accel": "accelerometer", "imu_gyro": "gyro"}
# Lines differ in lightness, dashes and marker, so they can be distinguished in a grey print.
_LINES = ((INK, "-", "o"), (TEAL, "--", "s"), (AMBER, ":", "^"))


def draw_static(result: StaticResult, path: Path) -> None:
    """Draw the curves into a PNG.

    Raises:
        OutputError: if it cannot be written.
    """
    panels = [(s, list(group)) for s, group in groupby(result.measured, key=lambda m: m.sensor)]
    columns = min(2, len(panels))
    rows = -(-len(panels) // columns)
    figure = Figure(figsize=(6.4 * columns, 4.6 * rows + 0.7), facecolor=PAPER, layout="constrained")
    origin = result.origin
    figure.suptitle(
        f"Noise at rest: {origin['file']}, {origin['duration_s']:.0f} s",
        fontsize=LARGE,
        color=INK,
        x=0.01,
        ha="left",
        parse_math=False,
    )
    for index, (sensor, measured) in enumerate(panels):
        axes = figure.add_subplot(rows, columns, index + 1)
        dress(axes, _NAMES[sensor.channel])
        _draw(axes, measured)
        axes.set_ylabel(f"Allan deviation, {sensor.unit}", fontsize=NORMAL, color=SOFT_INK)
        axes.set_xlabel("averaging time, s", fontsize=NORMAL, color=SOFT_INK)
    try:
        figure.savefig(path, dpi=110, format="png")
    except OSError as error:
        raise OutputError(path, error) from error


def _draw(axes: Axes, measured: Sequence[Measured]) -> None:
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.grid(True, which="minor", color="#eef1f3", linewidth=0.5)
    for (colour, dashes, marker), m in zip(_LINES, measured, strict=False):
        tau_s, deviation, error = m.curve.tau_s, m.curve.deviation, m.curve.error
        axes.fill_between(
            tau_s, deviation * (1 - error), deviation * (1 + error), color=BAND, alpha=0.45, lw=0
        )
        axis = m.axis if len(measured) > 1 else "measured"
        axes.plot(
            tau_s, deviation, color=colour, ls=dashes, lw=1.6, marker=marker, ms=3.2, markevery=4, label=axis
        )
        if len(measured) == 1:
            _annotate(axes, m)
    first = measured[0]
    span_s = np.array([first.curve.tau_s[0], first.curve.tau_s[-1]])
    axes.plot(
        span_s,
        first.figures.sample * np.sqrt(span_s[0] / span_s),
        color=SOFT_INK,
        lw=0.8,
        label="white noise alone" if len(measured) == 1 else "white noise alone, as x",
    )
    axes.legend(fontsize=SMALL, frameon=False, labelcolor=INK, loc="lower left")


def _annotate(axes: Axes, m: Measured) -> None:
    """Write the figures beside their points on the curve."""
    f = m.figures
    notes = [(float(m.curve.tau_s[0]), f.sample, f"{f.sample:.3g} per sample", (9, 7), "left")]
    if f.second is not None:
        # Below the curve, because the curve may rise from here.
        notes.append((1.0, f.second, f"{f.second:.3g} after 1 s", (-9, -13), "right"))
    for tau_s, deviation, text, offset, side in notes:
        axes.plot(tau_s, deviation, "o", ms=7, mfc=PAPER, mec=INK, mew=1.4, zorder=5)
        axes.annotate(
            text,
            (tau_s, deviation),
            offset,
            textcoords="offset points",
            fontsize=SMALL,
            color=INK,
            ha=side,
            zorder=6,
        )
