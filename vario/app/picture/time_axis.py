"""The time axis that the panels share."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator

from vario.app.picture.data import TraceData
from vario.app.picture.style import NORMAL, SOFT_INK

_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)
_MOST_TICKS = 13


def set_time_axis(axes: Axes, flight: TraceData) -> None:
    """Format the shared time axis: UTC where it is known, otherwise the time since the first row."""
    start_s, end_s = (float(flight.t_s[0]), float(flight.t_s[-1])) if flight.t_s.size else (0.0, 60.0)
    if end_s - start_s < 1.0:
        start_s, end_s = start_s - 0.5, start_s + 0.5
    span_s = end_s - start_s
    axes.set_xlim(start_s, end_s)
    step_s = next((step for step in _STEPS_S if span_s / step <= _MOST_TICKS), span_s / _MOST_TICKS)
    utc = flight.start_utc
    if utc is not None:
        midnight = utc.replace(hour=0, minute=0, second=0, microsecond=0)
        zero_s, label = -(utc - midnight).total_seconds(), "UTC"
        text = FuncFormatter(lambda t_s, _: _time_of_day(t_s - zero_s, with_seconds=step_s < 60.0))
    elif span_s < 180.0:
        zero_s, label = start_s, "time since the beginning, seconds"
        text = FuncFormatter(lambda t_s, _: f"{t_s - zero_s:g}")
    elif span_s < 5400.0:
        zero_s, label = start_s, "time since the beginning, minutes"
        text = FuncFormatter(lambda t_s, _: f"{(t_s - zero_s) / 60:g}")
    else:
        zero_s, label = start_s, "time since the beginning, h:mm"
        text = FuncFormatter(lambda t_s, _: _hours(t_s - zero_s))
    axes.xaxis.set_major_locator(MultipleLocator(step_s, offset=zero_s % step_s))
    axes.xaxis.set_major_formatter(text)
    axes.set_xlabel(label, fontsize=NORMAL, color=SOFT_INK)


def _hours(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60}:{minutes % 60:02}"


def _time_of_day(seconds: float, *, with_seconds: bool) -> str:
    whole = round(seconds) % 86_400
    text = f"{whole // 3600}:{whole // 60 % 60:02}"
    return f"{text}:{whole % 60:02}" if with_seconds else text
