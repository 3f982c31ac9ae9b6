"""A recording of what went over the wires, as a source of samples: the drivers read it once more.

The format is `drivers.bus_log`'s, plain or gzip. Errors the sensors raised then are raised again, counted
and told in `warnings`, so a fault from the field can be looked at on a desk.
"""

from __future__ import annotations

import gzip
import os
import zlib
from collections import Counter
from collections.abc import Generator, Iterator
from contextlib import closing, nullcontext
from pathlib import Path

from drivers.bus_replay import BusReplay
from drivers.errors import DivergedError, SensorError
from drivers.samples import Sample
from hw_replay.errors import CorruptRecording
from hw_replay.files import GZIP_MAGIC, open_binary
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.text import title_of

LONGEST_LINE = 1 << 16
"""Characters of a line that are read; no transfer of any chip or receiver is nearly as long."""


class BusRecording:
    """A bus recording as a `Source`.

    Args:
        path: the file.

    Raises:
        RecordingError: if it cannot be opened.
        CorruptRecording: also while iterating, if the drivers now do something else than then, or a line
            makes no sense.
    """

    duration_s: float | None = None

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self._path = Path(path)
        self._errors: Counter[str] = Counter()
        self._first: dict[str, str] = {}
        self._broke_off = False
        self._info = RecordingInfo(
            title_of(self._path), "live, from a bus recording", sensors=self._sensors()
        )

    @property
    def info(self) -> RecordingInfo:
        """Title, origin and the sensors it begins with."""
        return self._info

    def rejected(self) -> int:
        """How many errors the sensors raised so far."""
        return self._errors.total()

    def warnings(self) -> list[str]:
        """What the sensors raised, by kind, with the first of each."""
        sentences = [
            f"{count} × {kind}, the first: {self._first[kind]}" for kind, count in self._errors.items()
        ]
        if self._broke_off:
            sentences.append("the recording breaks off; everything up to there was read")
        return sentences

    def __iter__(self) -> Iterator[Sample]:
        self._errors.clear()
        self._first.clear()
        self._broke_off = False
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
            self._broke_off |= replay.broke_off

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
        """The lines of the file; a damaged end of a gzip file ends them."""
        with open_binary(self._path) as raw:
            packed = raw.read(len(GZIP_MAGIC)) == GZIP_MAGIC
        with open_binary(self._path) as raw, gzip.open(raw) if packed else nullcontext(raw) as file:
            try:
                while line := file.readline(LONGEST_LINE):
                    whole = line
                    while whole and not whole.endswith(b"\n"):  # what was cut off is no entry any more
                        whole = file.readline(LONGEST_LINE)
                    yield line.decode("utf-8", "replace")
            except (EOFError, OSError, zlib.error):
                self._broke_off = True


def _until_start(lines: Iterator[str]) -> Iterator[str]:
    for line in lines:
        if line.startswith('{"start"'):
            return
        yield line
