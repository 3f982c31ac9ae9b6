"""Logs of NMEA 0183 sentences as samples: positions from GGA, velocities from RMC or else VTG.

`t_s` counts from the first epoch. All sentences with the same UTC time are one epoch, and the sentences
without a time that follow them belong to it. The time of a sample is the UTC time of its epoch. A log does
not contain the time at which a sentence arrived, so no latency is taken into account. NMEA has no vertical
speed.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

from drivers.nmea import NOT_BEFORE, ROLLOVER, Fix, SentenceSplitter, read
from drivers.samples import Sample
from hw_replay.files import LINE_LIMIT, Lines
from hw_replay.igc_clock import FixClock
from hw_replay.importer import Importer
from hw_replay.metadata import LAST_YEAR
from hw_replay.source import GNSS_BARO, RecordingInfo, SensorInfo
from hw_replay.text import title_of

SENTENCE = re.compile(rb"\$[A-Z]{2}[A-Z]{3},[^$*]*\*[0-9A-Fa-f]{2}\s*$")
"""A line that ends in a sentence of the standard; loggers put their own time before it."""

COMMENT = b"#"
"""Some loggers write lines of their own at the beginning of a file."""

_DATE_AGREES_S = 1.0
_MOST_UNDATED = 10_000


@dataclass(slots=True)
class _Epoch:
    """The sentences of one UTC time, and the number of their first line."""

    line: int
    fixes: list[Fix] = field(default_factory=list)


class NmeaLog(Importer):
    """A log of sentences as a `Source`.

    Args:
        path: the file, plain or gzip.

    Raises:
        RecordingError: if it cannot be opened.
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        super().__init__(path, "line")
        self._lines = Lines(self._path)
        self._first_s = 0.0
        self._last_s: float | None = None
        self._rmc_gives_velocity = False
        self._info = self._survey()

    @property
    def duration_s(self) -> float | None:  # type: ignore[override]
        """Last minus first epoch."""
        return self._last_s

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        return super().warnings() + self._lines.warnings()

    def _survey(self) -> RecordingInfo:
        """Read the file once for the metadata that must be known before the first sample."""
        start: datetime | None = None
        seen: datetime | None = None
        first = True
        for number, (t_s, epoch) in enumerate(self._epochs()):
            if first:
                self._first_s, first = t_s, False
            self._last_s = t_s - self._first_s
            for fix in epoch.fixes:
                self._rmc_gives_velocity |= fix.kind == "RMC" and fix.velocity_mps is not None
                utc = _stated_utc(fix)
                if utc is None or start is not None or number > _MOST_UNDATED:
                    continue
                # Two dates must agree, as in the driver: one may be wrong before the leap seconds are known.
                at_zero = utc - timedelta(seconds=self._last_s)
                if seen is not None and abs((at_zero - seen).total_seconds()) < _DATE_AGREES_S:
                    start = seen
                seen = at_zero
        return RecordingInfo(
            title=title_of(self._path),
            origin="imported from NMEA 0183",
            start_utc=start,
            sensors={
                "baro": GNSS_BARO,
                "gnss_pos": SensorInfo("GNSS receiver, GGA"),
                "gnss_vel": SensorInfo(f"GNSS receiver, {'RMC' if self._rmc_gives_velocity else 'VTG'}"),
            },
        )

    def _samples(self) -> Iterator[Sample]:
        start = self._info.start_utc
        if start is not None and start.date() < NOT_BEFORE:
            later = start.date() + ROLLOVER
            self._note(f"the date is {start:%Y-%m-%d}; with an old receiver it may really be {later}")
        dimensions: int | None = None
        found = False
        for t_s, epoch in self._epochs():
            time_s = round(t_s - self._first_s, 9)
            dimensions = next((f.dimensions for f in epoch.fixes if f.dimensions), dimensions)
            position = next((fix.position for fix in epoch.fixes if fix.position), None)
            if position is not None and dimensions in {None, 3}:  # without three, no height
                found = True
                values = dict(zip(("lat_deg", "lon_deg", "altitude_m"), map(float, position), strict=True))
                yield from self._checked("gnss_pos", time_s, epoch.line, values)
            kind = "RMC" if self._rmc_gives_velocity else "VTG"
            velocity = next((fix.velocity_mps for fix in epoch.fixes if fix.kind == kind), None)
            valid = kind == "RMC" or any(fix.has_fix for fix in epoch.fixes)
            if velocity is not None and valid:
                north, east = velocity
                yield from self._checked(
                    "gnss_vel", time_s, epoch.line, {"north_mps": north, "east_mps": east}
                )

        if not found:
            self._note("the file holds no position with a height")

    def _epochs(self) -> Iterator[tuple[float, _Epoch]]:
        """The epochs with their times in s from midnight of the first day."""
        clock: FixClock[_Epoch] = FixClock()
        for second, epoch in self._runs():
            accepted, refused = clock.take(second, epoch)
            yield from accepted
            for reason, late in refused:
                self._rejects.add(reason, late.line)
        accepted, refused = clock.finish()
        yield from accepted
        for reason, late in refused:
            self._rejects.add(reason, late.line)

    def _runs(self) -> Iterator[tuple[float, _Epoch]]:
        """The sentences grouped by their UTC time, with its second of the day."""
        epoch: _Epoch | None = None
        now = None
        second = 0.0
        for number, fix in self._fixes():
            if fix.utc_time is not None and fix.utc_time != now:
                if epoch is not None:
                    yield second, epoch
                now, epoch = fix.utc_time, _Epoch(number)
                second = now.hour * 3600.0 + now.minute * 60.0 + now.second + now.microsecond / 1e6
            if epoch is not None and len(epoch.fixes) < 100:
                epoch.fixes.append(fix)
        if epoch is not None:
            yield second, epoch

    def _fixes(self) -> Iterator[tuple[int, Fix]]:
        splitter = SentenceSplitter()
        for number, line in self._lines:
            if line is None:
                self._rejects.add(f"line longer than {LINE_LIMIT} characters", number)
                continue
            garbled = splitter.garbled
            sentences = splitter.feed(line + b"\n")
            if splitter.garbled > garbled:
                self._rejects.add("wrong checksum", number)
            elif not sentences and line.strip() and not line.startswith(COMMENT):
                self._rejects.add("no sentence with a checksum", number)
            for sentence in sentences:
                fix = read(sentence)
                if fix is not None:
                    yield number, fix


def _stated_utc(fix: Fix) -> datetime | None:
    """Date and time as the receiver stated them. A log may be old: a date of long ago is not corrected."""
    if fix.day is None or fix.utc_time is None:
        return None
    try:
        day = fix.day.replace(year=fix.day.year - 100) if fix.day.year > LAST_YEAR else fix.day
    except ValueError:  # the 29th of February of 2100
        return None
    return datetime.combine(day, fix.utc_time, UTC)
