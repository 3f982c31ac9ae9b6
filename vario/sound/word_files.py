"""The files of the recorded words, and the tables of words in each language."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass
from hw_replay.bounded_toml import parse_toml
from vario.flight.tone.phrases import WORDS
from vario.sound.errors import WordsMissingError
from vario.sound.flac import load_soundfile
from vario.sound.synth import LOWEST_RATE_HZ
from vario.sound.word_bank import WordBank

WORDS_HZ = LOWEST_RATE_HZ
"""Sample rate of the files. Players have this rate or a multiple of it."""

ENDING = ".flac"

LARGEST_TABLE = 64 * 1024


@dataclass(frozen=True, slots=True)
class Language:
    """The table of a language.

    Attributes:
        voice: voice of the speech program.
        words_per_minute: its speed.
        texts: what it reads for each word.
    """

    voice: str
    words_per_minute: int
    texts: Mapping[str, str]


_TABLES = files(__package__) / "languages"


def languages() -> list[str]:
    """The languages of the package, sorted."""
    return sorted(path.name.removesuffix(".toml") for path in _TABLES.iterdir())


def language_table(language: str, folder: Path) -> Language:
    """The table of a language: `<language>.toml` in the folder of the words, otherwise one of the package.

    Raises:
        WordsMissingError: if there is none, or it is invalid.
    """
    own = folder / f"{language}.toml"
    packaged = _TABLES / f"{language}.toml"
    try:
        if own.is_file():
            with own.open("rb") as file:
                text = file.read(LARGEST_TABLE).decode("utf-8")
        else:
            text = packaged.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise WordsMissingError(
            f"{language}: there is no table of words; expected {', '.join(languages())}, or your own as {own}"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise WordsMissingError(f"{own}: cannot be read: {error}") from error
    try:
        table = parse_toml(text)
        voice, speed, texts = table["voice"], table["words_per_minute"], table["words"]
        missing = [word for word in WORDS if not isinstance(texts.get(word), str)]
    except (ValueError, KeyError, AttributeError) as error:
        raise WordsMissingError(
            f"table of words {language}: expected voice, words_per_minute and [words]: {error}"
        ) from error
    if not isinstance(voice, str) or not isinstance(speed, int):
        raise WordsMissingError(
            f"table of words {language}: voice = {voice!r}, words_per_minute = {speed!r}; expected a text "
            "and a whole number"
        )
    if missing:
        raise WordsMissingError(f"table of words {language}: missing or no text: {', '.join(missing)}")
    return Language(voice, speed, {word: texts[word] for word in WORDS})


def load_words(folder: Path, language: str, sample_rate_hz: int) -> WordBank:
    """The words of a language in a folder.

    Args:
        folder: as `vario words` made it.
        language: two letters.
        sample_rate_hz: rate of the player, a multiple of `WORDS_HZ`.

    Raises:
        WordsMissingError: if the folder or words are missing; the message says what to do.
        SoundLibraryError: if sound files cannot be read at all.
    """
    soundfile = load_soundfile()
    here = folder / language
    words: dict[str, NDArray[np.float64]] = {}
    for name in WORDS:
        path = here / f"{name}{ENDING}"
        try:
            samples, rate_hz = soundfile.read(path, dtype="float64", frames=10 * WORDS_HZ)
        except (OSError, RuntimeError) as error:  # the library raises a subclass of RuntimeError
            raise WordsMissingError(f"{path}: the word cannot be read ({error}); run: vario words") from error
        if rate_hz != WORDS_HZ or samples.ndim != 1 or not samples.size:
            raise WordsMissingError(f"{path}: expected one channel at {WORDS_HZ} Hz; run: vario words")
        words[name] = np.asarray(samples, np.float64)
    if sample_rate_hz != WORDS_HZ:
        from scipy.signal import resample_poly  # noqa: PLC0415  (slow to load)

        words = {
            name: np.clip(resample_poly(samples, sample_rate_hz, WORDS_HZ), -1.0, 1.0)
            for name, samples in words.items()
        }
    return WordBank(words, sample_rate_hz)
