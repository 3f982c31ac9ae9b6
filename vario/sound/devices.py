"""Select the sink according to the settings."""

from __future__ import annotations

from vario.settings.hardware import Audio
from vario.sound.discrete import DiscreteSink
from vario.sound.live import LIVE_HZ, LiveSink
from vario.sound.sink import Device, NullSink
from vario.sound.word_bank import WordBank


def open_device(audio: Audio, words: WordBank | None = None) -> Device:
    """The device that the settings select, ready to play, with recorded words for speech.

    Raises:
        SoundDeviceError: if the library or the device is missing, or the library is unsafe with this
            Python.
    """
    if audio.output == "off":
        return NullSink()
    if audio.output == "cues":
        return DiscreteSink(LIVE_HZ, words)
    return LiveSink(device=audio.device, words=words)
