"""The exceptions for recordings, and a log of rejected rows."""

from __future__ import annotations

from collections import Counter
from pathlib import Path


class RecordingError(Exception):
    """A recording or import cannot be used; the message names the file."""


class UnknownFormat(RecordingError):  # noqa: N818 -- the name already says what is wrong
    """The file has none of the formats that this project reads."""


class CorruptRecording(RecordingError):  # noqa: N818 -- likewise
    """The file has a known format, but its start cannot be read."""


class UnusableRecording(RecordingError):  # noqa: N818 -- likewise
    """The file can be read, but it contains nothing that can be replayed."""


class UnwritableRecording(RecordingError):  # noqa: N818 -- likewise
    """A recording cannot be written.

    Attributes:
        error: the error of the operating system.
    """

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(f"{path}: cannot be written: {error.strerror or error}")
        self.error = error


class RejectLog:
    """Counts the rows or messages that a reader rejected, and keeps the places of the first ones.

    Args:
        unit: the unit of a place number, for the message: "line" or "message".
    """

    KEPT_PLACES = 5
    KEPT_REASONS = 30
    """Further reasons are counted together, because a damaged file can give any number of reasons."""

    def __init__(self, unit: str = "line") -> None:
        self.unit = unit
        self._counts: Counter[str] = Counter()
        self._places: dict[str, list[int]] = {}

    def add(self, reason: str, place: int) -> None:
        """Record one rejected row at `place` (a line or message number, from 1)."""
        if reason not in self._counts and len(self._counts) >= self.KEPT_REASONS:
            reason = "other reasons"
        self._counts[reason] += 1
        places = self._places.setdefault(reason, [])
        if len(places) < self.KEPT_PLACES:
            places.append(place)

    @property
    def total(self) -> int:
        """Total number of rejected rows."""
        return sum(self._counts.values())

    def messages(self) -> list[str]:
        """One line per reason, with the number and the first places."""
        lines = []
        for reason, count in self._counts.items():
            places = ", ".join(str(place) for place in self._places[reason])
            more = ", …" if count > self.KEPT_PLACES else ""
            plural = "s" if count > 1 else ""
            lines.append(
                f"{count} {self.unit}{plural} rejected: {reason} ({self.unit}{plural} {places}{more})"
            )
        return lines
