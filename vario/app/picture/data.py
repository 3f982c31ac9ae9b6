"""Prepare the trace for the picture: numeric columns, reduced to the resolution of the picture."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.outputs.track import track_m
from vario.settings.display import METRIC, DisplayUnits, Measure, Unit

Floats = NDArray[np.float64]

MOST_ROWS = 20_000
"""Rows kept for the picture: about half an hour at 10 Hz; for longer flights the rate is reduced."""

_POINTS = 700
"""Maximum number of points of a time panel: one for every second pixel."""

_TRACK_POINTS = 20_000

_LEAST_BREAK_S = 5.0
"""A shorter gap in the recording does not interrupt the line."""


@dataclass(frozen=True, slots=True)
class Line:
    """A value over time, one point per picture column.

    Attributes:
        t_s: times.
        low: minimum within the column; NaN: no data.
        mean: mean within the column; NaN: no data.
        high: maximum within the column; NaN: no data.
    """

    t_s: Floats
    low: Floats
    mean: Floats
    high: Floats

    @property
    def empty(self) -> bool:
        """Whether there are no data to draw."""
        return not bool(np.any(np.isfinite(self.mean)))

    @property
    def spread(self) -> bool:
        """Whether columns contain more than one value, so that low and high differ from the mean."""
        return bool(np.any(self.high > self.low))


class TraceData:
    """Access to the columns of a trace, of which any may be missing.

    Args:
        trace: columns by name, each of shape (n,).
        climbs: the climbs, in order of time.
        start_utc: the time of `t_s` = 0; None: unknown.
        units: the units of the picture. The columns are in SI units.
    """

    def __init__(
        self,
        trace: Mapping[str, NDArray[Any]],
        climbs: Sequence[Mapping[str, Any]],
        start_utc: datetime | None = None,
        units: DisplayUnits = METRIC,
    ) -> None:
        self._trace = trace
        self.units = units
        self.start_utc = start_utc
        self.climbs = climbs
        self.t_s: Floats = np.asarray(trace.get("t_s", ()), np.float64)
        edges = np.linspace(self.t_s[0], self.t_s[-1], _POINTS + 1)[:-1] if self.t_s.size else np.zeros(0)
        starts = np.unique(np.searchsorted(self.t_s, edges, "left"))
        self._starts = starts if self.t_s.size > _POINTS else np.arange(self.t_s.size)
        counts = np.diff(self._starts, append=self.t_s.size)
        means_s = np.add.reduceat(self.t_s, self._starts) / counts if self.t_s.size else self.t_s
        self._breaks = _breaks(means_s)
        self._line_s = np.insert(means_s, self._breaks, means_s[self._breaks])

    def column(self, name: str) -> Floats:
        """A complete column, shape (n,); NaN for missing data or a missing column."""
        if name not in self._trace:
            return np.full(self.t_s.size, np.nan)
        values = np.array(self._trace[name], np.float64)
        values[~np.isfinite(values)] = np.nan
        return values

    def words(self, name: str) -> NDArray[np.str_]:
        """A column of text, shape (n,); empty text for a missing column."""
        return np.asarray(self._trace[name] if name in self._trace else [""] * self.t_s.size, np.str_)

    def unit(self, measure: Measure) -> Unit:
        """The unit of a measure in the picture."""
        return self.units.of(measure)

    def line(self, name: str, measure: Measure) -> Line:
        """A column reduced for a time panel, in the unit of its measure."""
        values = self.column(name) * self.unit(measure).factor
        if not values.size:
            return Line(values, values, values, values)
        known = np.isfinite(values)
        count = np.add.reduceat(known, self._starts, dtype=np.int64)
        total = np.add.reduceat(np.where(known, values, 0.0), self._starts)
        mean = np.full(count.size, np.nan)
        np.divide(total, count, out=mean, where=count > 0)
        # fmin and fmax ignore NaN; they give NaN only if a column has no other value.
        low, high = np.fmin.reduceat(values, self._starts), np.fmax.reduceat(values, self._starts)
        return Line(self._line_s, *(np.insert(part, self._breaks, np.nan) for part in (low, mean, high)))

    def thin_words(self, name: str) -> NDArray[np.str_]:
        """A column of text at the points of `line`."""
        words = self.words(name)[self._starts]
        return np.insert(words, self._breaks, words[self._breaks])

    def runs(self, name: str) -> Iterator[tuple[str, float, float]]:
        """Intervals in which a column of text does not change: its text, start and end in seconds."""
        words = self.words(name)
        if not words.size:
            return
        starts = np.concatenate([[0], np.flatnonzero(words[1:] != words[:-1]) + 1])
        for start, stop in zip(starts, [*starts[1:], words.size - 1], strict=True):
            yield str(words[start]), float(self.t_s[start]), float(self.t_s[stop])

    def track_km(self) -> tuple[Floats, Floats, Floats]:
        """Times and the track east and north, reduced evenly; NaN between points that are not connected."""
        north_m, east_m = track_m(self.column("latitude_deg"), self.column("longitude_deg"))
        way = np.array([self.t_s, east_m / 1000, north_m / 1000])
        way = way[:, np.isfinite(way).all(axis=0)]
        way = way[:, :: max(1, way.shape[1] // _TRACK_POINTS)]
        t_s, east_km, north_km = np.insert(way, _breaks(way[0]), np.nan, axis=1)
        return t_s, east_km, north_km


def _breaks(t_s: Floats) -> NDArray[np.intp]:
    """Whether the line must be interrupted before each point, because an interval of time is missing."""
    steps_s = np.diff(t_s)
    if not steps_s.size:
        return np.zeros(0, np.intp)
    return np.flatnonzero(steps_s > max(_LEAST_BREAK_S, 5.0 * float(np.median(steps_s)))) + 1
