"""What can go wrong with a recording, as one small tree."""

from __future__ import annotations

from collections import Counter
from pathlib import Path


class RecordingError(Exception):
    """A recording or import that cannot be used at all; the message names the file."""


class UnknownFormat(RecordingError):  # noqa: N818 -- the name already says what is wrong
    """The file is none of the formats this project reads."""


class CorruptRecording(RecordingError):  # noqa: N818 -- likewise
    """The file is of a known format, but its beginning cannot be read."""


class UnwritableRecording(RecordingError):  # noqa: N818 -- likewise
    """A recording cannot be written.

    Attributes:
        error: what the system said.
    """

    def __init__(self, path: Path, error: OSError) -> None:
        super().__init__(f"{path}: cannot be written: {error.strerror or error}")
        self.error = error


class RejectLog:
    """Counts the rows or messages a reader had to leave out, and keeps where the first ones were.

    Args:
        unit: what a place number counts, for the message: "line" or "message".
    """

    KEPT_PLACES = 5
    KEPT_REASONS = 30
    """Further reasons are counted together: a damaged file can hold any number of them."""

    def __init__(self, unit: str = "line") -> None:
        self.unit = unit
        self._counts: Counter[str] = Counter()
        self._places: dict[str, list[int]] = {}

    def add(self, reason: str, place: int) -> None:
        """Note one rejected row at `place` (a 1-based line or message number)."""
        if reason not in self._counts and len(self._counts) >= self.KEPT_REASONS:
            reason = "other reasons"
        self._counts[reason] += 1
        places = self._places.setdefault(reason, [])
        if len(places) < self.KEPT_PLACES:
            places.append(place)

    @property
    def total(self) -> int:
        """How many were rejected in all."""
        return sum(self._counts.values())

    def messages(self) -> list[str]:
        """One line a reason: how many and where the first ones were."""
        lines = []
        for reason, count in self._counts.items():
            places = ", ".join(str(place) for place in self._places[reason])
            more = ", …" if count > self.KEPT_PLACES else ""
            plural = "s" if count > 1 else ""
            lines.append(
                f"{count} {self.unit}{plural} rejected: {reason} ({self.unit}{plural} {places}{more})"
            )
        return lines
