"""Faults of sensors, applied to the samples of a simulated flight.

A fault has a start time, an end time and a channel; it may be repeated, like the pulses of a vent. True
values are not changed, except by a jump of the clock of the recording: it shifts them too, so that they keep
the time of the samples. Faults of the pressure lines change barometer and pitot together (`pressure_lines`).
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

import numpy as np

from drivers.samples import CHANNEL_OF, CHANNELS, Reference, Sample
from hw_replay.simulate.pressure_lines import LINE_FAULTS, LineKind

FileKind = Literal[
    "loss",
    "freeze",
    "stop",
    "spikes",
    "bias",
    "noise",
    "late",
    "stamped late",
    "duplicates",
    "disorder",
    "clock jump",
    "scale",
    LineKind,
]
"""The kinds of faults that a recording can contain: all except a reading that is NaN."""

FaultKind = Literal[FileKind, "no number"]

EVERYTHING = "all"
"""Stands for all channels, for example for a jump of the clock of the recording."""

PRESSURES = "pressures"
"""Stands for barometer and pitot, which share the static line."""

GNSS_ALTITUDE = "gnss_altitude"
"""Stands for the altitude of the positions, without latitude and longitude."""

_GROUPS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {EVERYTHING: tuple(CHANNELS), PRESSURES: ("baro", "pitot"), GNSS_ALTITUDE: ("gnss_pos",)}
)

_DEG_PER_M = 1.0 / 111_200.0
"""One metre in degrees of latitude. In longitude it is less than a metre, which is sufficient for a fault."""

_SCALES: Mapping[str, float] = MappingProxyType({"lat_deg": _DEG_PER_M, "lon_deg": _DEG_PER_M})


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        channel: a channel of `drivers.samples.CHANNELS`, "all", "pressures" or "gnss_altitude".
        kind: the kind of fault:
            "loss": no samples. "freeze": the first value is repeated. "spikes": `size` is added to or
            subtracted from some samples. "no number": every value is NaN. "stop": every value is `size`, the
            end of the range. "bias": `size` is added. "noise": the total white noise is `size` times that of
            the sensor. "late": samples arrive `by_s` later, with the correct time. "stamped late": the time
            of the samples is `by_s` too late. "duplicates": some samples arrive twice. "disorder": some
            samples are exchanged with the next one of their channel. "clock jump": times are `size` seconds
            later (negative: earlier). "scale": every value is multiplied by `size`. "total blocked", "static
            blocked", "static lag", "static suction": see `pressure_lines`; the channel is "pressures".
        from_s: start time.
        until_s: end time.
        size: see `kind`; in the unit of the channel, in seconds, or a factor. For a position it is in metres;
            for "stop" it is also the latitude and longitude in degrees.
        share: fraction of the samples with spikes, duplicates or disorder, 0 to 1.
        by_s: see `kind`.
        every_s: the fault is repeated with this period; 0: it lasts all the time.
        lasts_s: duration of each repetition.
    """

    channel: str
    kind: FaultKind
    from_s: float = 0.0
    until_s: float = math.inf
    size: float = 0.0
    share: float = 0.02
    by_s: float = 0.0
    every_s: float = 0.0
    lasts_s: float = 0.0

    def __post_init__(self) -> None:
        if self.channel not in _GROUPS and self.channel not in CHANNELS:
            expected = ", ".join([EVERYTHING, *CHANNELS, PRESSURES, GNSS_ALTITUDE])
            raise ValueError(f"fault: channel {self.channel!r}: expected one of {expected}")
        if self.kind not in _MAKERS:
            raise ValueError(f"fault: kind {self.kind!r}: expected one of {', '.join(_MAKERS)}")
        if self.kind in LINE_FAULTS and self.channel != PRESSURES:
            raise ValueError(f"fault: kind {self.kind!r} on channel {self.channel!r}: expected {PRESSURES}")

    def holds(self, sample: Sample) -> bool:
        """Whether the fault affects a sample."""
        if not self.from_s <= sample.t_s < self.until_s:
            return False
        if self.every_s > 0.0 and (sample.t_s - self.from_s) % self.every_s >= self.lasts_s:
            return False
        if isinstance(sample, Reference):
            return self.kind == "clock jump" and self.channel == EVERYTHING
        return CHANNEL_OF.get(type(sample)) in _GROUPS.get(self.channel, (self.channel,))

    def fields(self, sample: Sample) -> tuple[str, ...]:
        """The values of a sample that the fault changes."""
        if self.channel == GNSS_ALTITUDE:
            return ("altitude_m",)
        return CHANNELS[CHANNEL_OF[type(sample)]].value_fields


Arrival = tuple[float, Sample]
"""The time of arrival of a sample, and the sample."""

_Apply = Callable[[Arrival], list[Arrival]]


def inject(
    samples: Iterable[Sample], faults: Sequence[Fault], noise: Mapping[str, float], seed: int
) -> Iterator[Sample]:
    """The samples with the faults applied, in order of arrival.

    Args:
        samples: samples of a flight without faults, in order of time.
        faults: faults, applied one after the other.
        noise: standard deviation of one sample by channel.
        seed: seed of the random numbers; each fault has its own stream.
    """
    steps = [
        (fault, _MAKERS[fault.kind](fault, np.random.default_rng([seed, 77, place]), noise))
        for place, fault in enumerate(faults)
    ]
    waiting: list[tuple[float, int, Sample]] = []
    order = 0
    for sample in samples:
        arrivals: list[Arrival] = [(sample.t_s, sample)]
        for fault, apply in steps:
            if fault.holds(sample):
                arrivals = [after for before in arrivals for after in apply(before)]
        for at_s, arrived in arrivals:
            order += 1
            heapq.heappush(waiting, (at_s, order, arrived))
        # A sample that arrives now can be yielded at once, because the input is in order.
        while waiting and waiting[0][0] <= sample.t_s:
            yield heapq.heappop(waiting)[2]
    while waiting:
        yield heapq.heappop(waiting)[2]


def _changed(fault: Fault, sample: Sample, change: Callable[[str, float], float]) -> Sample:
    """A copy of the sample with `change(name, value)` instead of each value."""
    if isinstance(sample, Reference):
        return sample
    values: dict[str, Any] = {}
    for name in fault.fields(sample):
        value = getattr(sample, name)
        if value is not None:
            values[name] = change(name, value)
    return replace(sample, **values)


def _added(fault: Fault, sample: Sample, change: Callable[[], float]) -> Sample:
    """A copy of the sample with `change()` added to each value, in metres for a position."""
    return _changed(fault, sample, lambda name, value: value + _SCALES.get(name, 1.0) * change())


def _loss(_fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda _arrival: []


def _freeze(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    held: dict[type, Sample] = {}

    def apply(arrival: Arrival) -> list[Arrival]:
        at_s, sample = arrival
        frozen = held.setdefault(type(sample), sample)
        return [(at_s, _changed(fault, sample, lambda name, _value: getattr(frozen, name)))]

    return apply


def _spikes(fault: Fault, rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    def apply(arrival: Arrival) -> list[Arrival]:
        at_s, sample = arrival
        if rng.random() >= fault.share:
            return [arrival]
        return [(at_s, _added(fault, sample, lambda: fault.size if rng.random() < 0.5 else -fault.size))]

    return apply


def _no_number(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [(arrival[0], _changed(fault, arrival[1], lambda _name, _value: math.nan))]


def _stop(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [(arrival[0], _changed(fault, arrival[1], lambda _name, _value: fault.size))]


def _scale(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [
        (arrival[0], _changed(fault, arrival[1], lambda _name, value: fault.size * value))
    ]


def _line(fault: Fault, rng: np.random.Generator, noise: Mapping[str, float]) -> _Apply:
    line = LINE_FAULTS[fault.kind](fault.size, fault.by_s, noise, rng)
    return lambda arrival: [(arrival[0], line.reading(arrival[1]))]


def _bias(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [(arrival[0], _added(fault, arrival[1], lambda: fault.size))]


def _more_noise(fault: Fault, rng: np.random.Generator, noise: Mapping[str, float]) -> _Apply:
    # Variances of independent noise add; the noise of the sensor is already in the sample.
    factor = math.sqrt(max(0.0, fault.size**2 - 1.0))

    def apply(arrival: Arrival) -> list[Arrival]:
        at_s, sample = arrival
        sigma = factor * noise.get(CHANNEL_OF.get(type(sample), ""), 0.0)
        return [(at_s, _added(fault, sample, lambda: sigma * float(rng.standard_normal())))]

    return apply


def _late(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [(arrival[0] + fault.by_s, arrival[1])]


def _stamped(later_s: float) -> _Apply:
    def apply(arrival: Arrival) -> list[Arrival]:
        at_s, sample = arrival
        # Rounded to whole microseconds, like all times of the simulator.
        return [(at_s, replace(sample, t_s=max(0.0, round(sample.t_s + later_s, 6))))]

    return apply


def _stamped_late(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return _stamped(fault.by_s)


def _clock_jump(fault: Fault, _rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return _stamped(fault.size)


def _duplicates(fault: Fault, rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    return lambda arrival: [arrival, arrival] if rng.random() < fault.share else [arrival]


def _disorder(fault: Fault, rng: np.random.Generator, _noise: Mapping[str, float]) -> _Apply:
    last_s: dict[type, float] = {}

    def apply(arrival: Arrival) -> list[Arrival]:
        at_s, sample = arrival
        period_s = at_s - last_s.get(type(sample), at_s)
        last_s[type(sample)] = at_s
        # Half a period after the next one of its channel.
        return [(at_s + 1.5 * period_s if rng.random() < fault.share else at_s, sample)]

    return apply


_MAKERS: Mapping[str, Callable[[Fault, np.random.Generator, Mapping[str, float]], _Apply]] = MappingProxyType(
    {
        "loss": _loss,
        "freeze": _freeze,
        "spikes": _spikes,
        "no number": _no_number,
        "stop": _stop,
        "bias": _bias,
        "noise": _more_noise,
        "late": _late,
        "stamped late": _stamped_late,
        "duplicates": _duplicates,
        "disorder": _disorder,
        "clock jump": _clock_jump,
        "scale": _scale,
        **dict.fromkeys(LINE_FAULTS, _line),
    }
)
