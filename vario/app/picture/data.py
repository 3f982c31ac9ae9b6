"""The trace as the report needs it: clean columns, thinned to what a picture can show."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.outputs.track import track_m

Floats = NDArray[np.float64]

MOST_ROWS = 20_000
"""Rows kept for the picture: about half an hour at 10 Hz; beyond it fewer a second."""

_POINTS = 700
"""Points a time panel gets at most: one to every other pixel."""

_TRACK_POINTS = 20_000

_LEAST_BREAK_S = 5.0
"""A gap in the recording shorter than this is drawn over."""


@dataclass(frozen=True, slots=True)
class Line:
    """A value over time, one point a picture column.

    Attributes:
        t_s: times.
        low: least value within the column; NaN: no data.
        mean: mean value within the column; NaN: no data.
        high: greatest value within the column; NaN: no data.
    """

    t_s: Floats
    low: Floats
    mean: Floats
    high: Floats

    @property
    def empty(self) -> bool:
        """Whether there is nothing to draw."""
        return not bool(np.any(np.isfinite(self.mean)))

    @property
    def spread(self) -> bool:
        """Whether columns hold more than one value, so that low and high tell more than the mean."""
        return bool(np.any(self.high > self.low))


class Flight:
    """Access to the columns of a trace, whatever is missing from it.

    Args:
        trace: columns by name, each of shape (n,).
        climbs: the climbs, in order of time.
    """

    def __init__(self, trace: Mapping[str, NDArray[Any]], climbs: Sequence[Mapping[str, Any]]) -> None:
        self._trace = trace
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
        """A column in full, shape (n,); NaN where there is no data or no such column."""
        if name not in self._trace:
            return np.full(self.t_s.size, np.nan)
        values = np.array(self._trace[name], np.float64)
        values[~np.isfinite(values)] = np.nan
        return values

    def words(self, name: str) -> NDArray[np.str_]:
        """A column of text, shape (n,); empty text where there is no such column."""
        return np.asarray(self._trace[name] if name in self._trace else [""] * self.t_s.size, np.str_)

    def line(self, name: str, scale: float = 1.0) -> Line:
        """A column thinned for a time panel, times `scale`."""
        values = self.column(name) * scale
        if not values.size:
            return Line(values, values, values, values)
        known = np.isfinite(values)
        count = np.add.reduceat(known, self._starts, dtype=np.int64)
        total = np.add.reduceat(np.where(known, values, 0.0), self._starts)
        mean = np.full(count.size, np.nan)
        np.divide(total, count, out=mean, where=count > 0)
        # fmin and fmax pass over NaN, and give NaN only where a column has nothing else.
        low, high = np.fmin.reduceat(values, self._starts), np.fmax.reduceat(values, self._starts)
        return Line(self._line_s, *(np.insert(part, self._breaks, np.nan) for part in (low, mean, high)))

    def thin_words(self, name: str) -> NDArray[np.str_]:
        """A column of text at the points of `line`."""
        words = self.words(name)[self._starts]
        return np.insert(words, self._breaks, words[self._breaks])

    def runs(self, name: str) -> Iterator[tuple[str, float, float]]:
        """Stretches over which a column of text stays the same: its text, start and end in seconds."""
        words = self.words(name)
        if not words.size:
            return
        starts = np.concatenate([[0], np.flatnonzero(words[1:] != words[:-1]) + 1])
        for start, stop in zip(starts, [*starts[1:], words.size - 1], strict=True):
            yield str(words[start]), float(self.t_s[start]), float(self.t_s[stop])

    def track_km(self) -> tuple[Floats, Floats, Floats]:
        """Times and the way east and north, thinned evenly; NaN between what must not be joined."""
        north_m, east_m = track_m(self.column("latitude_deg"), self.column("longitude_deg"))
        way = np.array([self.t_s, east_m / 1000, north_m / 1000])
        way = way[:, np.isfinite(way).all(axis=0)]
        way = way[:, :: max(1, way.shape[1] // _TRACK_POINTS)]
        t_s, east_km, north_km = np.insert(way, _breaks(way[0]), np.nan, axis=1)
        return t_s, east_km, north_km


def _breaks(t_s: Floats) -> NDArray[np.intp]:
    """Where a line must be interrupted, because a stretch of time is missing before the point."""
    steps_s = np.diff(t_s)
    if not steps_s.size:
        return np.zeros(0, np.intp)
    return np.flatnonzero(steps_s > max(_LEAST_BREAK_S, 5.0 * float(np.median(steps_s)))) + 1
