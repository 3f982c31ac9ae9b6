"""The folder of the recorded words, and loading them for live flight and replay."""

from __future__ import annotations

from pathlib import Path

from vario.settings.load import LoadedSettings
from vario.sound.word_bank import WordBank
from vario.sound.word_files import load_words

FOLDER = "words"


def words_folder(loaded: LoadedSettings) -> Path:
    """The folder of the settings; without one, `words` beside the settings file or in this folder."""
    return loaded.path(loaded.settings.voice.folder or FOLDER)


def words_of(loaded: LoadedSettings, sample_rate_hz: int, folder: Path | None = None) -> WordBank | None:
    """The recorded words for these settings; None if they name no language.

    Raises:
        WordsMissingError: if words are missing; the message says what to do.
    """
    language = loaded.settings.voice.language
    if language is None:
        return None
    return load_words(folder or words_folder(loaded), language, sample_rate_hz)
