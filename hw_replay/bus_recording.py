"""A recording of the buses as a source of samples: it is replayed into the drivers.

The format is that of `drivers.bus_log`, plain or gzip. The recorded errors of the sensors are raised again,
counted and listed in `warnings`, so that a fault in the field can be examined later.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import closing
from pathlib import Path

from drivers.bus_replay import BusReplay
from drivers.errors import DivergedError, SensorError
from drivers.samples import Sample
from hw_replay.errors import CorruptRecording
from hw_replay.files import Lines
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import title_of

LONGEST_LINE = 1 << 16
"""Bytes of the longest line; the transfers of all chips and receivers are much shorter."""


class BusRecording:
    """A bus recording as a `Source`.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened.
        CorruptRecording: also during iteration, if the drivers differ from the recording, or a line is
            invalid.
    """

    duration_s: float | None = None

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        self._errors: Counter[str] = Counter()
        self._first: dict[str, str] = {}
        self._truncated = False
        self._info = RecordingInfo(
            title_of(self._path), "live, from a bus recording", sensors=self._sensors()
        )

    @property
    def info(self) -> RecordingInfo:
        """Title, origin and the sensors at the start of the recording."""
        return self._info

    def rejected(self) -> int:
        """Number of errors that the sensors raised so far."""
        return self._errors.total()

    def warnings(self) -> list[str]:
        """The errors of the sensors by kind, with the first of each."""
        sentences = [
            f"{count} × {kind}, the first: {self._first[kind]}" for kind, count in self._errors.items()
        ]
        if self._truncated:
            sentences.append("the recording is truncated; everything up to there was read")
        return sentences

    def __iter__(self) -> Iterator[Sample]:
        self._errors.clear()
        self._first.clear()
        self._truncated = False
        with closing(self._lines()) as lines:
            replay = BusReplay(lines)
            try:
                for item in replay:
                    if isinstance(item, SensorError):
                        kind = type(item).__name__
                        self._errors[kind] += 1
                        self._first.setdefault(kind, str(item))
                    else:
                        yield item
            except DivergedError as error:
                raise CorruptRecording(f"{self._path}: {error}") from error
            self._truncated |= replay.truncated

    def _sensors(self) -> dict[str, SensorInfo]:
        """The sensors declared before the first of them starts, by channel."""
        sensors: dict[str, SensorInfo] = {}
        with closing(self._lines()) as lines:
            replay = BusReplay(_until_start(lines))
            try:
                for _ in replay:
                    pass
            except DivergedError as error:
                raise CorruptRecording(f"{self._path}: {error}") from error
        for sensor in replay.sensors:
            identity = sensor.identity
            for channel in identity.channels:
                info = SensorInfo(identity.chip, identity.rate_hz, identity.noise.get(channel), 0.0)
                sensors.setdefault(channel, info)
        return sensors

    def _lines(self) -> Generator[str, None, None]:
        """The lines of the file, up to a damaged part of a gzip file."""
        lines = Lines(self._path, LONGEST_LINE)
        for _, line in lines:
            yield f"(over {LONGEST_LINE} bytes)" if line is None else line.decode("utf-8", "replace")
        self._truncated |= lines.truncated


def _until_start(lines: Iterator[str]) -> Iterator[str]:
    for line in lines:
        if line.startswith('{"start"'):
            return
        yield line
