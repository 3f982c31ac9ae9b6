"""A recording as arrays, and the stretches of it in which nothing moves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.samples import CHANNEL_OF, CHANNELS, Baro, Pitot, Sample
from vario.app.errors import AppError
from vario.flight.inputs.calibration import Pressures
from vario.settings.fitted import Sensors

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """One channel: times, shape (n,), and values, shape (n, fields); a field left empty is NaN."""

    channel: str
    t_s: Floats
    values: Floats

    def between(self, from_s: float, to_s: float) -> Series:
        """The part from one time to another."""
        inside = (self.t_s >= from_s) & (self.t_s < to_s)
        return Series(self.channel, self.t_s[inside], self.values[inside])

    @property
    def mean(self) -> Floats:
        """Of each field."""
        return np.asarray(np.mean(self.values, axis=0))

    @property
    def noise(self) -> Floats:
        """White noise of each field, from the differences of neighbours."""
        return np.asarray(np.std(np.diff(self.values, axis=0), axis=0) / np.sqrt(2.0))


def collect(samples: Iterable[Sample], *channels: str) -> dict[str, Series]:
    """The channels of a recording, each in order of time; those it does not have are left out."""
    times: dict[str, list[float]] = {channel: [] for channel in channels}
    rows: dict[str, list[tuple[float, ...]]] = {channel: [] for channel in channels}
    fields = {channel: CHANNELS[channel].value_fields for channel in channels}
    for sample in samples:
        channel = CHANNEL_OF.get(type(sample), "")
        if channel in rows:
            times[channel].append(sample.t_s)
            values = (getattr(sample, name) for name in fields[channel])
            rows[channel].append(tuple(np.nan if value is None else value for value in values))
    found = {}
    for channel in channels:
        if times[channel]:
            t_s = np.array(times[channel])
            order = np.argsort(t_s, kind="stable")
            found[channel] = Series(channel, t_s[order], np.array(rows[channel])[order])
    return found


def corrected_pressures(samples: Iterable[Sample], sensors: Sensors) -> Iterator[Sample]:
    """The samples with the pressures as the settings correct them."""
    pressures = Pressures(sensors)
    for sample in samples:
        if isinstance(sample, Baro):
            yield pressures.baro(sample)
        elif isinstance(sample, Pitot):
            yield pressures.pitot(sample)
        else:
            yield sample


def needed(found: dict[str, Series], channel: str, least_s: float) -> Series:
    """A channel that must be there, and long enough.

    Raises:
        AppError: if it is not.
    """
    series = found.get(channel)
    if series is None:
        raise AppError(f"the recording holds no {channel}")
    length_s = float(series.t_s[-1] - series.t_s[0])
    if length_s < least_s:
        raise AppError(f"{channel}: {length_s:.1f} s are too short, expected {least_s:g} s or more")
    return series


def must_rest(series: Series, allowed: float, advice: str) -> None:
    """Make sure that no field drifts or jumps: one-second means stay within `allowed` of their median.

    Raises:
        AppError: if one does; the message says when.
    """
    seconds = np.floor(series.t_s - series.t_s[0]).astype(int)
    counts = np.bincount(seconds)
    full = counts >= 0.5 * np.median(counts[counts > 0])
    for column, name in zip(series.values.T, CHANNELS[series.channel].value_fields, strict=True):
        means = np.bincount(seconds, column)[full] / counts[full]
        off = np.abs(means - np.median(means))
        worst = int(np.argmax(off))
        if off[worst] > allowed:
            at_s = float(series.t_s[0]) + float(np.flatnonzero(full)[worst])
            raise AppError(
                f"{series.channel}: not at rest: {name} is off its median by {off[worst]:.3g} "
                f"at {at_s:.0f} s, allowed is {allowed:g}. {advice}"
            )


def resting(series: Series, allowed: float, least_s: float) -> list[Series]:
    """The stretches of at least `least_s` in which every half-second mean is within `allowed` of the last.

    A quarter second is left out at both ends of each.
    """
    bin_s = 0.5
    bins = np.floor((series.t_s - series.t_s[0]) / bin_s).astype(int)
    counts = np.bincount(bins)
    means = np.array([np.bincount(bins, column) / np.maximum(counts, 1) for column in series.values.T]).T
    spreads = np.array(
        [
            np.sqrt(np.maximum(np.bincount(bins, column**2) / np.maximum(counts, 1) - mean**2, 0.0))
            for column, mean in zip(series.values.T, means.T, strict=True)
        ]
    ).T
    quiet = (counts > 0) & (np.max(spreads, axis=1) <= allowed)
    found = []
    first: int | None = None
    for index in range(len(counts) + 1):
        goes_on = index < len(counts) and quiet[index]
        if goes_on and first is not None and np.max(np.abs(means[index] - means[first])) > allowed:
            goes_on = False
        if goes_on:
            first = index if first is None else first
        elif first is not None:
            if (index - first) * bin_s >= least_s:
                begin_s = float(series.t_s[0]) + first * bin_s
                end_s = float(series.t_s[0]) + index * bin_s
                found.append(series.between(begin_s + 0.25, end_s - 0.25))
            first = index if index < len(counts) and quiet[index] else None
    return found
