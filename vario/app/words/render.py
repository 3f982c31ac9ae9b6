"""Make the recordings of words: speech program, trimming, equal loudness, file."""

from __future__ import annotations

import io
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from vario.app.errors import AppError, OutputError
from vario.app.files.atomic import result_file
from vario.sound.flac import load_soundfile
from vario.sound.loudness import a_weighting
from vario.sound.timbre import full_scale
from vario.sound.word_files import ENDING, WORDS_HZ, Language

Floats = NDArray[np.float64]

Speak = Callable[[str, int, str], bytes]
"""Voice, words per minute and text → a WAV file."""

PROGRAM = "espeak-ng"

LONGEST_S = 20.0
"""Longest time for one word on a slow computer."""

SILENT = 0.01
"""Share of the largest sample below which a word has not begun, or has ended."""

COMPRESSION = 3.0
"""Strength of the soft limiter. It raises the mean level of speech by about 6 dB at the same peak, as in
radiotelephony, where it improves intelligibility in noise (Licklider and Pollack, J. Acoust. Soc. Am. 20,
1948, from memory)."""

PEAK = 0.98


def espeak(voice: str, words_per_minute: int, text: str) -> bytes:
    """Speech of `espeak-ng`.

    Raises:
        AppError: if it is missing or fails.
    """
    program = shutil.which(PROGRAM)
    if program is None:
        raise AppError(f"{PROGRAM}: not installed; on Debian: sudo apt install {PROGRAM}")
    command = [program, "-v", voice, "-s", str(words_per_minute), "--stdout", "--", text]
    try:
        done = subprocess.run(command, capture_output=True, timeout=LONGEST_S, check=False)  # noqa: S603
    except (OSError, subprocess.TimeoutExpired) as error:
        raise AppError(f"{PROGRAM}: {error}") from error
    if done.returncode or not done.stdout:
        said = done.stderr.decode("utf-8", "replace").strip() or "no speech"
        raise AppError(f'{PROGRAM}: voice "{voice}", "{text}": {said}')
    return done.stdout


def prepared(samples: Floats, rate_hz: int) -> Floats:
    """A word without silence at its ends, compressed, and as loud as the tone at the same level.

    Args:
        samples: shape (n,).
        rate_hz: samples per second.

    Raises:
        ValueError: if it is silent.
    """
    peak = float(np.max(np.abs(samples), initial=0.0))
    loud = np.flatnonzero(np.abs(samples) > SILENT * peak)
    if peak == 0.0 or not loud.size:
        raise ValueError("the word is silent")
    word = samples[loud[0] : loud[-1] + 1] / peak
    word = np.tanh(COMPRESSION * word) / np.tanh(COMPRESSION)
    fade = min(round(0.004 * rate_hz), word.size // 2)
    ramp = np.arange(fade) / max(fade, 1)
    word[:fade] *= ramp
    word[word.size - fade :] *= ramp[::-1]
    # Level 1 of the tone is a sine of 1 kHz with amplitude 1 / full_scale (`timbre`).
    wanted_rms = 1.0 / full_scale() / np.sqrt(2.0)
    gain = min(wanted_rms / weighted_rms(word, rate_hz), PEAK / float(np.max(np.abs(word))))
    return np.asarray(word * gain)


def weighted_rms(samples: Floats, rate_hz: int) -> float:
    """A-weighted root mean square."""
    spectrum = np.fft.rfft(samples)
    frequency_hz = np.maximum(np.fft.rfftfreq(samples.size, 1.0 / rate_hz), 1.0)
    weighted = np.fft.irfft(spectrum * a_weighting(frequency_hz), samples.size)
    return float(np.sqrt(np.mean(weighted**2)))


def render(language: Language, out: Path, speak: Speak = espeak) -> int:
    """Write a file for each word of a language; returns their number.

    Raises:
        AppError: if the speech program fails or a file cannot be written.
    """
    soundfile = load_soundfile()
    from scipy.signal import resample_poly  # noqa: PLC0415  (slow to load)

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(out, error) from error
    for name, text in language.texts.items():
        wav = speak(language.voice, language.words_per_minute, text)
        try:
            samples, rate_hz = soundfile.read(io.BytesIO(wav), dtype="float64")
            samples = samples if samples.ndim == 1 else samples.mean(axis=1)
            if rate_hz != WORDS_HZ:
                samples = resample_poly(samples, WORDS_HZ, rate_hz)
            word = prepared(np.asarray(samples, np.float64), WORDS_HZ)
        except (ValueError, RuntimeError) as error:
            raise AppError(f'the word "{name}" ({text}): {error}') from error
        with result_file(out / f"{name}{ENDING}") as path:
            soundfile.write(path, word, WORDS_HZ, subtype="PCM_16", format="FLAC")
    return len(language.texts)
