"""Cues alone, one at a time, through the library `simpleaudio`: for a unit whose tone comes from elsewhere.

The library can only start a finished sound, so the tone, which must follow the lift, is not for it.
"""

from __future__ import annotations

import sys
from types import ModuleType
from typing import Any

import numpy as np

from vario.flight.tone.stage import ToneCommand
from vario.sound.cue_sounds import cue_sounds
from vario.sound.errors import SoundDeviceError
from vario.sound.synth import HEADROOM

FIRST_UNSAFE = (3, 12)
"""From this Python on, playing a sound with simpleaudio 1.0.4 crashes the interpreter."""


class DiscreteSink:
    """Plays the cues in the commands, and nothing else.

    It has no clock: if the flight logic dies, no cue says so.

    Raises:
        SoundDeviceError: if simpleaudio is missing, or not safe with this Python.
    """

    underruns = 0
    """A finished sound is handed over whole, so no block of it can come late."""

    is_lost = False
    """The library opens the device for each cue."""

    def __init__(self, sample_rate_hz: int = 44100) -> None:
        self._library = _simpleaudio()
        self._rate_hz = sample_rate_hz
        self._number: int | None = None
        self._playing: Any = None
        self._refused = False

    @property
    def is_playing(self) -> bool:
        """Whether the device took the last cue."""
        return not self._refused

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002  (see Sink)
        """Start the command's cue, if it is a new one; the one before it stops.

        Raises:
            SoundDeviceError: if the device refuses.
        """
        cue = command.cue
        if cue is None or cue.number == self._number:
            return
        self._number = cue.number
        if self._playing is not None:
            self._playing.stop()
        level = command.warning_level if cue.is_warning else command.cue_level
        samples = cue_sounds(self._rate_hz)[cue.cue].samples * (level * HEADROOM * 32767.0)
        pcm = np.rint(samples).astype(np.int16)
        try:
            self._playing = self._library.play_buffer(pcm, 1, pcm.itemsize, self._rate_hz)
            self._refused = False
        except self._library.SimpleaudioError as error:
            self._refused = True
            raise SoundDeviceError(f"the default sound device: cannot play a cue: {error}") from error

    def close(self) -> None:
        """Stop what sounds, and wait until the device is let go: its thread must not outlive it."""
        if self._playing is not None:
            self._playing.stop()
            self._playing.wait_done()
            self._playing = None


def require_safe_python() -> None:
    """Refuse a Python that playing a cue would crash.

    Raises:
        SoundDeviceError: from `FIRST_UNSAFE` on.
    """
    running = sys.version_info[:2]
    if running >= FIRST_UNSAFE:
        raise SoundDeviceError(
            f"simpleaudio crashes Python {FIRST_UNSAFE[0]}.{FIRST_UNSAFE[1]} and later, and this is "
            f'{running[0]}.{running[1]}: under [audio] write plays = "tone", which plays the cues as well'
        )


def _simpleaudio() -> ModuleType:
    require_safe_python()
    try:
        import simpleaudio  # noqa: PLC0415  (optional)
    except ImportError as error:
        raise SoundDeviceError(
            "single cues need the extra audio: pip install 'glider-vario[audio]', "
            "and on Debian first: apt install gcc python3-dev libasound2-dev"
        ) from error
    library: ModuleType = simpleaudio
    return library
