"""Play only cues and speech, one at a time, with the library `simpleaudio`.

This library can only start a complete sound. It cannot play the tone, which changes with the lift and
comes from another device.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import Any

import numpy as np

from vario.flight.tone.stage import ToneCommand
from vario.sound.cue_sounds import CueSound, cue_sounds
from vario.sound.errors import SoundDeviceError
from vario.sound.synth import HEADROOM
from vario.sound.word_bank import WordBank

FIRST_UNSAFE = (3, 12)
"""Beginning with this Python version, playing a sound with simpleaudio 1.0.4 crashes the interpreter."""


class DiscreteSink:
    """Plays the cues and the speech in the commands and ignores the tone.

    It has no clock: if the flight logic stops, no cue reports it.

    Args:
        sample_rate_hz: samples per second.
        words: recorded words at this rate, for speech; None: nothing is said.

    Raises:
        SoundDeviceError: if simpleaudio is missing, or unsafe with this Python.
    """

    underruns = 0
    """A sound is passed on completely, so no block can be late."""

    is_lost = False
    """Always False: the library opens the device for each cue."""

    def __init__(self, sample_rate_hz: int = 44100, words: WordBank | None = None) -> None:
        self._library = _simpleaudio()
        self._rate_hz = sample_rate_hz
        self._words = words
        self._speech_number: int | None = None
        self._number: int | None = None
        self._playing: Any = None
        self._in_cue = False
        self._refused = False

    @property
    def is_playing(self) -> bool:
        """Whether the device accepted the last cue."""
        return not self._refused

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002  (see Sink)
        """Start the cue of the command if it is new, otherwise its speech if no cue sounds.

        A cue stops what is playing. Speech stops earlier speech, but no cue.

        Raises:
            SoundDeviceError: if the device refuses it.
        """
        cue, speech = command.cue, command.speech
        if cue is not None and cue.number != self._number:
            self._number = cue.number
            self._in_cue = True
            level = command.warning_level if cue.is_warning else command.cue_level
            self._start(cue_sounds(self._rate_hz)[cue.cue], level)
        if speech is not None and speech.number != self._speech_number:
            self._speech_number = speech.number
            sound = None if self._words is None else self._words.sentence(speech.words)
            if sound is not None and not (self._in_cue and self._playing and self._playing.is_playing()):
                self._in_cue = False
                self._start(sound, command.speech_level)

    def _start(self, sound: CueSound, level: float) -> None:
        if self._playing is not None:
            self._playing.stop()
        pcm = np.rint(sound.samples * (level * HEADROOM * 32767.0)).astype(np.int16)
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
        # Not an import statement: compiled, that would keep the library of its first call for good.
        return import_module("simpleaudio")
    except ImportError as error:
        raise SoundDeviceError(
            "single cues need the extra audio: pip install 'glider-vario[audio]', "
            "and on Debian first: apt install gcc python3-dev libasound2-dev"
        ) from error
