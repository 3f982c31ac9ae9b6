"""Play only cues, one at a time, with the library `simpleaudio`: the tone comes from another device.

This library can only start a complete sound. It cannot play the tone, which changes with the lift.
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
"""Beginning with this Python version, playing a sound with simpleaudio 1.0.4 crashes the interpreter."""


class DiscreteSink:
    """Plays the cues in the commands and ignores the tone.

    It has no clock: if the flight logic stops, no cue reports it.

    Raises:
        SoundDeviceError: if simpleaudio is missing, or unsafe with this Python.
    """

    underruns = 0
    """A sound is passed on completely, so no block can be late."""

    is_lost = False
    """Always False: the library opens the device for each cue."""

    def __init__(self, sample_rate_hz: int = 44100) -> None:
        self._library = _simpleaudio()
        self._rate_hz = sample_rate_hz
        self._number: int | None = None
        self._playing: Any = None
        self._refused = False

    @property
    def is_playing(self) -> bool:
        """Whether the device accepted the last cue."""
        return not self._refused

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002  (see Sink)
        """Start the cue of the command if it is new. The previous cue stops.

        Raises:
            SoundDeviceError: if the device refuses it.
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
        """Stop the sound and wait until the device is released, so that its thread ends first."""
        if self._playing is not None:
            self._playing.stop()
            self._playing.wait_done()
            self._playing = None


def require_safe_python() -> None:
    """Refuse a Python version that would crash while playing a cue.

    Raises:
        SoundDeviceError: from version `FIRST_UNSAFE` on.
    """
    running = sys.version_info[:2]
    if running >= FIRST_UNSAFE:
        raise SoundDeviceError(
            f"simpleaudio crashes Python {FIRST_UNSAFE[0]}.{FIRST_UNSAFE[1]} and later, and this is "
            f'{running[0]}.{running[1]}: under [audio] write output = "tone", which plays the cues as well'
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
