"""The interface for the output of sound: to a file, to a live device, of single cues, or nowhere.

The file is in `flac`, the live device in `live`, single cues in `discrete`.
"""

from __future__ import annotations

from typing import Protocol

from vario.flight.tone.stage import ToneCommand


class Sink(Protocol):
    """Accepts tone commands."""

    def play(self, command: ToneCommand, duration_s: float) -> None:
        """Play `command` for the next `duration_s` seconds of the flight.

        A live sink has its own clock: it plays the command until the next one arrives.

        Raises:
            ValueError: if the command cannot be played.
            SoundError: if the sound cannot be delivered.
        """

    def close(self) -> None:
        """Finish. A second call has no effect."""


class Device(Sink, Protocol):
    """A sink whose device may be lost during use."""

    @property
    def is_playing(self) -> bool:
        """Whether the device is present."""

    @property
    def is_lost(self) -> bool:
        """Whether the device must be closed and reopened before it can play."""

    @property
    def underruns(self) -> int:
        """Blocks that were too late for the device; each may be audible as a click."""


class NullSink:
    """No sound, for a flight without loudspeaker and for tests."""

    @property
    def is_playing(self) -> bool:
        """Always True: no sound is expected, so none is missing."""
        return True

    @property
    def is_lost(self) -> bool:
        """Never."""
        return False

    @property
    def underruns(self) -> int:
        """None."""
        return 0

    def play(self, command: ToneCommand, duration_s: float) -> None:
        """Play nothing."""

    def close(self) -> None:
        """Nothing to finish."""
