"""A recording with altered samples: with marks inserted, or with other settings."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from drivers.samples import Sample
from hw_replay.source import RecordingInfo, Source


class Altered:
    """A source whose samples pass through `alter` in each iteration. Everything else is that of the source.

    Args:
        source: the recording.
        alter: makes the new samples from those of the source.
    """

    def __init__(self, source: Source, alter: Callable[[Iterable[Sample]], Iterator[Sample]]) -> None:
        self._source = source
        self._alter = alter

    @property
    def info(self) -> RecordingInfo:
        """Information about the recording."""
        return self._source.info

    @property
    def duration_s(self) -> float | None:
        """That of the source."""
        return self._source.duration_s

    def __iter__(self) -> Iterator[Sample]:
        return self._alter(self._source)

    def rejected(self) -> int:
        """That of the source."""
        return self._source.rejected()

    def warnings(self) -> list[str]:
        """Those of the source."""
        return self._source.warnings()
