"""A recording as arrays, and the intervals in which the sensors are at rest."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.isa import altitude_m, temperature_k
from drivers.samples import CHANNEL_OF, CHANNELS, Baro, Pitot, Sample
from vario.app.errors import AppError
from vario.flight.inputs.calibration import Pressures
from vario.settings.hardware import Sensors

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChannelSeries:
    """One channel: times, s, shape (n,), and values, shape (n, fields). A missing value is NaN."""

    channel: str
    t_s: Floats
    values: Floats

    def between(self, from_s: float, to_s: float) -> ChannelSeries:
        """The part with from_s ≤ t < to_s."""
        inside = (self.t_s >= from_s) & (self.t_s < to_s)
        return ChannelSeries(self.channel, self.t_s[inside], self.values[inside])

    @property
    def mean(self) -> Floats:
        """Mean of each field, shape (fields,)."""
        return np.asarray(np.mean(self.values, axis=0))

    @property
    def noise(self) -> Floats:
        """Standard deviation of the white noise, shape (fields,), from differences of consecutive values."""
        return np.asarray(np.std(np.diff(self.values, axis=0), axis=0) / np.sqrt(2.0))


def collect(samples: Iterable[Sample], *channels: str) -> dict[str, ChannelSeries]:
    """The given channels of a recording, each in order of time; missing channels are omitted."""
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
            found[channel] = ChannelSeries(channel, t_s[order], np.array(rows[channel])[order])
    return found


def corrected_pressures(samples: Iterable[Sample], sensors: Sensors) -> Iterator[Sample]:
    """The samples, with pressures corrected by the settings."""
    pressures = Pressures(sensors)
    for sample in samples:
        if isinstance(sample, Baro):
            yield pressures.baro(sample)
        elif isinstance(sample, Pitot):
            yield pressures.pitot(sample)
        else:
            yield sample


def needed(found: dict[str, ChannelSeries], channel: str, least_s: float) -> ChannelSeries:
    """A channel that is required, with a minimum length.

    Raises:
        AppError: if the channel is missing or too short.
    """
    series = found.get(channel)
    if series is None:
        raise AppError(f"the recording contains no {channel} samples")
    length_s = float(series.t_s[-1] - series.t_s[0])
    if length_s < least_s:
        raise AppError(f"{channel}: {length_s:.1f} s of samples; expected {least_s:g} s or more")
    return series


def air_k(oat: ChannelSeries | None, at_s: float, static_pa: float) -> float:
    """Air temperature at a time: the measured one, otherwise that of the standard atmosphere, K."""
    if oat is None:
        return temperature_k(altitude_m(static_pa))
    return float(np.interp(at_s, oat.t_s, oat.values[:, 0]))


def second_means(t_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Means over intervals of one second that contain values: times, s, and values, both of shape (n,).

    Args:
        t_s: times, rising, shape (m,).
        values: values at these times, shape (m,).
    """
    index = np.floor(t_s - t_s[0]).astype(int)
    counts = np.bincount(index)
    there = counts > 0
    return (
        np.asarray(np.bincount(index, t_s)[there] / counts[there]),
        np.asarray(np.bincount(index, values)[there] / counts[there]),
    )


def must_rest(series: ChannelSeries, allowed: float, advice: str) -> None:
    """Check that every mean over one second stays within `allowed` of the median of its field.

    Args:
        series: the channel to check.
        allowed: largest deviation, in the unit of the channel.
        advice: a sentence for the message: what the user can do.

    Raises:
        AppError: if a field drifts or jumps; the message contains the time.
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
                f"{series.channel}: not at rest: {name} differs from its median by {off[worst]:.3g} "
                f"at {at_s:.0f} s; expected {allowed:g} or less. {advice}"
            )


def resting(series: ChannelSeries, allowed: float, least_s: float) -> list[ChannelSeries]:
    """The intervals of at least `least_s` at rest.

    At rest, the standard deviation in each half second is at most `allowed`, and each half-second mean is
    within `allowed` of the first one. A quarter of a second is removed at both ends of each interval.
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
