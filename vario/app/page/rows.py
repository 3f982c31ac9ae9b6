"""Collect the columns of the page during the flight. Memory is bounded for any length."""

from __future__ import annotations

from array import array
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.hindsight.hindsight import Series
from vario.app.outputs.catalogue import OUTPUTS, PLOTTED
from vario.app.outputs.columns import Columns
from vario.app.outputs.track import track_m
from vario.app.page.innovations import Innovations
from vario.app.page.pack import packed
from vario.app.page.panels import HINDSIGHT
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits

MOST_ROWS = 60_000
"""Number of rows: 100 min at 10 rows per second. For longer flights the rate is halved, once or more."""

_TIME, _LATITUDE, _LONGITUDE = (OUTPUTS[name] for name in ("t_s", "latitude_deg", "longitude_deg"))
_STEPS = {"t_s": 0.01, "north_m": 1.0, "east_m": 1.0}
_INNOVATION_STEP = 0.01


class PageRows:
    """Collects the outputs of the page at a constant rate, which is halved if too many rows are stored.

    Args:
        rate_hz: rows per second at the beginning.
        units: the units of the page.
    """

    def __init__(self, rate_hz: float, units: DisplayUnits) -> None:
        self._units = units
        self._columns = Columns((_TIME, *PLOTTED, _LATITUDE, _LONGITUDE), rate_hz, most_rows=MOST_ROWS)
        self._innovations = Innovations()
        self._modes = Runs()
        self._qualities = Runs()

    def take(self, reading: Reading) -> None:
        """Add the reading if a row is due."""
        self._modes.take(reading.t_s, reading.mode.value)
        self._qualities.take(reading.t_s, str(reading.quality))
        self._innovations.take(reading)
        if self._columns.take(reading):
            self._columns.note(dict(self._innovations.row()))

    def result(self, hindsight: Series | None = None) -> dict[str, Any]:
        """The packed columns in the units shown, and the intervals of mode and quality."""
        kept = {name: np.asarray(values, np.float64) for name, values in self._columns.columns().items()}
        north_m, east_m = track_m(kept.pop(_LATITUDE.name), kept.pop(_LONGITUDE.name))
        shown: dict[str, tuple[NDArray[np.float64], float]] = {}
        for name, values in kept.items():
            output = OUTPUTS.get(name)
            if output is None:  # of an innovation
                shown[name] = values, _INNOVATION_STEP
            elif output is not _TIME:
                shown[output.page_name] = (
                    values * output.shown_in(self._units).factor,
                    output.page_step(self._units),
                )
        shown |= {name: (v, _STEPS[name]) for name, v in (("north_m", north_m), ("east_m", east_m))}
        shown["t_s"] = kept[_TIME.name], _STEPS["t_s"]
        if hindsight is not None:
            vario = OUTPUTS["vario_mps"]
            factor, step = vario.shown_in(self._units).factor, vario.page_step(self._units)
            shown[HINDSIGHT] = hindsight.at(kept[_TIME.name]) * factor, step
        return {
            "columns": {name: packed(array("d", values), step) for name, (values, step) in shown.items()},
            "modes": self._modes.result(),
            "qualities": self._qualities.result(),
        }


class Runs:
    """Intervals of time in which a word does not change."""

    def __init__(self) -> None:
        self._runs: list[tuple[float, str]] = []
        self._end_s = 0.0

    def take(self, t_s: float, word: str) -> None:
        """Add the word at this time."""
        self._end_s = t_s
        if not self._runs or self._runs[-1][1] != word:
            self._runs.append((t_s, word))

    def result(self) -> list[tuple[float, float, str]]:
        """Start, end and word of each interval."""
        ends = [start for start, _ in self._runs[1:]] + [self._end_s] * bool(self._runs)
        return [(round(t, 2), round(end, 2), word) for (t, word), end in zip(self._runs, ends, strict=True)]
