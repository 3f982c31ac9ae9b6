"""The folder of the recorded words, and loading them for live flight and replay."""

from __future__ import annotations

from pathlib import Path

from vario.settings.load import LoadedSettings
from vario.sound.errors import WordsMissingError
from vario.sound.word_bank import WordBank

FOLDER = "words"


def words_folder(loaded: LoadedSettings) -> Path:
    """The folder of the settings; without one, `words` beside the settings file or in this folder."""
    return loaded.path(loaded.settings.voice.folder or FOLDER)


def words_of(loaded: LoadedSettings, sample_rate_hz: int, folder: Path | None = None) -> WordBank | None:
    """The recorded words for these settings; None if they name no language and no folder is given.

    Raises:
        WordsMissingError: if words are missing, or a folder is given without a language; the message says
            what to do.
    """
    if folder is not None and not folder.is_dir():
        raise WordsMissingError(f"{folder}: no such folder; expected one that vario words has made")
    language = loaded.settings.voice.language
    if language is None:
        if folder is not None:
            raise WordsMissingError(
                f"{folder}: not used, because the settings name no language; add --set voice.language=en, or "
                "the two letters of another language"
            )
        return None
    from vario.sound.word_files import load_words  # noqa: PLC0415  (only for a language: the start is shorter)

    return load_words(folder or words_folder(loaded), language, sample_rate_hz)


def words_or_note(loaded: LoadedSettings, folder: Path | None, sample_rate_hz: int) -> WordBank | None:
    """The recorded words; without them the sound has no speech, which is told."""
    from vario.app.terminal import labelled, terminal  # noqa: PLC0415  (rich is slow to load)

    try:
        return words_of(loaded, sample_rate_hz, folder)
    except WordsMissingError as error:
        terminal().print(labelled("note", f"no speech in the sound: {error}"), soft_wrap=True)
        return None
