"""Where sound goes: one interface for a file, a live device, single cues and nowhere.

The file is in `flac`, the live device in `live`, single cues in `discrete`.
"""

from __future__ import annotations

from typing import Protocol

from vario.flight.tone.stage import ToneCommand


class Sink(Protocol):
    """Takes tone commands as they come."""

    def play(self, command: ToneCommand, duration_s: float) -> None:
        """Let `command` sound for the next `duration_s` seconds of the flight.

        A live sink has a clock of its own: there the command sounds until the next one comes.

        Raises:
            ValueError: if the command cannot be played.
            SoundError: if the sound cannot be delivered.
        """
        ...

    def close(self) -> None:
        """Finish; doing so twice is harmless."""
        ...


class Device(Sink, Protocol):
    """A sink whose device may go while it is in use."""

    @property
    def is_playing(self) -> bool:
        """Whether the device is there."""
        ...

    @property
    def is_lost(self) -> bool:
        """Whether it has to be closed and opened again before anything is heard."""
        ...

    @property
    def underruns(self) -> int:
        """Blocks that came too late for the device; each may have been heard as a click."""
        ...


class NullSink:
    """Silence, for a flight without loudspeaker and for tests."""

    @property
    def is_playing(self) -> bool:
        """Nothing is meant to be heard, so nothing is missing."""
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
        """Nothing is heard."""

    def close(self) -> None:
        """Nothing to finish."""
