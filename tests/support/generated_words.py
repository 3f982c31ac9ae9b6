"""A bank of generated words: noise with the rhythm of syllables, different for each word."""

from __future__ import annotations

import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.phrases import WORDS
from vario.sound.flac import load_soundfile
from vario.sound.word_bank import WordBank
from vario.sound.word_files import ENDING, WORDS_HZ


def generated_word(name: str, rate_hz: int = WORDS_HZ) -> NDArray[np.float64]:
    """Samples of a word, shape (n,), peak 0.9."""
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    n = round((0.25 + 0.03 * len(name)) * rate_hz)
    t_s = np.arange(n) / rate_hz
    syllables = 0.5 - 0.5 * np.cos(2 * np.pi * 4.0 * t_s)
    wave = syllables * np.interp(np.arange(n), np.arange(0, n, 4), rng.standard_normal(len(range(0, n, 4))))
    return np.asarray(0.9 * wave / np.max(np.abs(wave)))


def generated_bank(rate_hz: int = WORDS_HZ) -> WordBank:
    """All words."""
    return WordBank({name: generated_word(name, rate_hz) for name in WORDS}, rate_hz)


def write_bank(folder: Path) -> None:
    """Write all words of the language "en" as `vario words` does."""
    soundfile = load_soundfile()
    (folder / "en").mkdir(parents=True)
    for name in WORDS:
        soundfile.write(folder / "en" / f"{name}{ENDING}", generated_word(name), WORDS_HZ, format="FLAC")
