"""What can go wrong with sound, as one small tree."""

from __future__ import annotations


class SoundError(Exception):
    """Sound that cannot be made or delivered."""


class SoundFileError(SoundError):
    """A sound file that cannot be read or written; the message names the file and the reason."""


class SoundLibraryError(SoundFileError):
    """The library for sound files cannot be loaded; the message says what to do about it."""


class SoundDeviceError(SoundError):
    """A sound device or its library that cannot be used; the message says what to do about it."""
