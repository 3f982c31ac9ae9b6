"""Check the recording of a live run: whether it can be read to its end, and its gaps."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from drivers.events import Mark, SettingsChange
from drivers.samples import CHANNEL_OF, Baro, GnssPos, ImuAccel, Pitot
from hw_replay.recording import Recording

GAP_S = 1.0
"""A sensor without readings for this long is missing in the recording."""

_ALWAYS = tuple(CHANNEL_OF[kind] for kind in (ImuAccel, Baro, Pitot, GnssPos))
_PERIOD_S = 0.01
"""Period of the chip of the inertial sensor."""


@dataclass(frozen=True, slots=True)
class Kept:
    """The content of a recording.

    Attributes:
        samples: number of samples by channel.
        span_s: time from the first to the last sample.
        longest_s: longest time between two readings, by channel.
        off_ms: error of the period of the inertial sensor: median, 99th percentile, largest.
        changes, marks: number of changed settings and of marks.
        complaints: warnings of the reader.
    """

    samples: Counter[str]
    span_s: float
    longest_s: dict[str, float]
    off_ms: tuple[float, float, float]
    changes: int
    marks: int
    complaints: list[str]

    def problems(self, changes: int, marks: int) -> Iterator[str]:
        """Faults that are independent of the machine, one sentence each, for this number of changes and
        marks.
        """
        yield from self.complaints
        yield from (f"{name} was never recorded" for name in _ALWAYS if name not in self.samples)
        if (self.changes, self.marks) != (changes, marks):
            yield f"{changes} changes and {marks} marks were made, {self.changes} and {self.marks} recorded"

    def gaps(self) -> Iterator[str]:
        """The gaps of the sensors, one sentence each."""
        for name in _ALWAYS:
            if self.longest_s.get(name, 0.0) > GAP_S:
                yield f"{name}: a gap of {self.longest_s[name]:.2f} s"


def kept(path: Path) -> Kept:
    """Read a recording to its end."""
    times: dict[str, list[float]] = {}
    events: Counter[type] = Counter()
    recording = Recording(path)
    for sample in recording:
        if isinstance(sample, SettingsChange | Mark):
            events[type(sample)] += 1
        elif type(sample) in CHANNEL_OF:
            times.setdefault(CHANNEL_OF[type(sample)], []).append(sample.t_s)
    complaints = recording.warnings()
    if recording.rejected():
        complaints.append(f"{recording.rejected()} samples of the recording were rejected")
    for name, of_one in times.items():
        if any(after <= before for before, after in pairwise(of_one)):
            complaints.append(f"{name}: time does not go on")
    ends = [t_s for of_one in times.values() for t_s in (of_one[0], of_one[-1])]
    off_ms = np.abs(np.diff(times.get(CHANNEL_OF[ImuAccel], [0.0, _PERIOD_S])) - _PERIOD_S) * 1000.0
    return Kept(
        Counter({name: len(of_one) for name, of_one in times.items()}),
        max(ends, default=0.0) - min(ends, default=0.0),
        {name: float(np.max(np.diff(of_one))) for name, of_one in times.items() if len(of_one) > 1},
        (float(np.percentile(off_ms, 50)), float(np.percentile(off_ms, 99)), float(np.max(off_ms))),
        events[SettingsChange],
        events[Mark],
        complaints,
    )
