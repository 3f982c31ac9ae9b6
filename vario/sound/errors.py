"""The errors of the sound."""

from __future__ import annotations


class SoundError(Exception):
    """Sound cannot be made or delivered."""


class SoundFileError(SoundError):
    """A sound file cannot be read or written. The message gives the file and the reason."""


class SoundLibraryError(SoundFileError):
    """The library for sound files cannot be loaded. The message explains what to do."""


class SoundDeviceError(SoundError):
    """A sound device or its library cannot be used. The message explains what to do."""


class WordsMissingError(SoundError):
    """Recorded words or their table are missing or invalid. The message explains what to do."""
