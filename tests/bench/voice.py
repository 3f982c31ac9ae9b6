"""How well speech is understood over the tone: `python -m tests.bench.voice FOLDER`.

FOLDER is the one that `vario words` made, with the languages in it. The measure is the speech
intelligibility index of ANSI S3.5-1997, third-octave method, in its simplest form: per band, the share of
the 30 dB of speech dynamics that the masker leaves, weighted by the importance of the band (table 3, average
speech; equal to the copy of the table in google/speech_intelligibility_index). The standard calls 0.75 and
more good, 0.45 and less poor (annex A, from memory). The masker is the tone as it sounds during speech,
without its pauses, at every lift and sink.

Beside it stand the two measures of the cues: by how much a third-octave band of the speech stands above the
masked threshold in a step of 20 ms (ISO 7731 asks 13 dB of a danger signal; its threshold falls by 2.5 dB
from each band to the next higher one; both from memory), the loudness level by ISO 532-1, and the index in
pink noise as strong as the speech.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from tests.support.loudness import phon
from tests.support.pink_noise import pink
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import CueInputs
from vario.flight.tone.stage import Speech, ToneCommand, ToneInputs, ToneStage
from vario.settings.schema import Settings
from vario.sound.synth import Synth
from vario.sound.word_bank import WordBank
from vario.sound.word_files import WORDS_HZ, load_words

Samples = NDArray[np.float64]

EDGES_HZ = 1000.0 * 10.0 ** ((np.arange(-8, 11) - 0.5) / 10.0)
"""Of the third-octave bands from 160 Hz to 8 kHz."""

IMPORTANCE = np.array(
    [
        *(0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818),
        *(0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185),
    ]
)

SENTENCES = (
    ("average", "2", "decimal", "3"),
    ("maccready", "1", "decimal", "5"),
    ("wind", "2", "4", "0", "2", "5"),
    ("goal", "4", "hundred", "below_reserve"),
    ("no_airspeed",),
)


def bands(sound: Samples) -> Samples:
    """Power in the bands, shape (18,)."""
    frequency_hz, power = signal.welch(sound, WORDS_HZ, nperseg=4096)
    at = np.digitize(frequency_hz, EDGES_HZ)
    return np.array([power[at == k].sum() for k in range(1, EDGES_HZ.size)]) + 1e-15


def index(speech: Samples, masker: Samples) -> float:
    """The speech intelligibility index, 0 to 1."""
    snr_db = 10.0 * np.log10(bands(speech) / bands(masker))
    return float(np.sum(IMPORTANCE * np.clip((snr_db + 15.0) / 30.0, 0.0, 1.0)))


def stands_out_db(speech: Samples, masker: Samples) -> float:
    """Of the strongest band, dB; median over the steps of 20 ms in which the speech sounds."""
    step = WORDS_HZ // 50
    powers = []
    for sound in (speech, masker):
        frequency_hz, _, power = signal.spectrogram(sound, WORDS_HZ, "hann", 2 * step, step, nfft=4096)
        at = np.digitize(frequency_hz, EDGES_HZ)
        powers.append(np.array([power[at == k].sum(axis=0) for k in range(1, EDGES_HZ.size)]) + 1e-12)
    for band in range(1, len(IMPORTANCE)):
        powers[1][band] = np.maximum(powers[1][band], powers[1][band - 1] * 10.0**-0.25)
    sounds = powers[0].sum(axis=0) > 0.05 * powers[0].sum(axis=0).max()
    return float(np.median(10.0 * np.log10((powers[0] / powers[1]).max(axis=0))[sounds]))


def phons(sound: Samples) -> float:
    """Loudness level of the sound as a whole, phon."""
    return phon(signal.resample_poly(sound, 160, 147 * WORDS_HZ // 44100))


def rendered(bank: WordBank, words: tuple[str, ...], tone: ToneCommand) -> tuple[Samples, Samples]:
    """Speech alone, and the tone as it sounds during the speech."""
    sound = bank.sentence(words)
    assert sound is not None
    n = sound.samples.size
    silent = replace(tone, level=0.0, speech=Speech(words, 1))
    alone = Synth(WORDS_HZ, bank).render(silent, n).astype(float)
    both = Synth(WORDS_HZ, bank)
    both.render(replace(tone, speech=None), WORDS_HZ // 2)  # the tone sounds already
    mixed = both.render(replace(tone, speech=Speech(words, 1)), n).astype(float)
    return alone, mixed - alone


def main(folder: Path) -> None:
    """Print the index for each language."""
    settings = Settings().tone
    for language in sorted(path.name for path in folder.iterdir() if path.is_dir()):
        bank = load_words(folder, language, WORDS_HZ)
        found: list[float] = []
        loudness_db: list[float] = []
        over_db: list[float] = []
        noisy: list[float] = []
        speech_phon: list[float] = []
        tone_phon: list[float] = []
        stage = ToneStage(Setup())
        for vario_mps in np.arange(-5.0, 5.1, 1.0):
            heard = CueInputs(0.0, Mode.CIRCLING, Quality.OK, vario_known=True)
            command = stage.update(ToneInputs(heard, float(vario_mps)))
            if command.level == 0.0:
                continue
            command = replace(command, beep_hz=None, speech_level=settings.volume_voice)
            for words in SENTENCES:
                speech, tone = rendered(bank, words, command)
                found.append(index(speech, tone))
                loudness_db.append(10.0 * np.log10(np.mean(speech**2) / np.mean(tone**2)))
                over_db.append(stands_out_db(speech, tone))
                noise = pink(np.random.default_rng(1), speech.size, float(np.sqrt(np.mean(speech**2))))
                noisy.append(index(speech, tone + noise))
            speech_phon.append(phons(speech))
            tone_phon.append(phons(tone))
        sys.stdout.write(
            f"{language}: index over a continuous tone {min(found):.2f} to {max(found):.2f}, median "
            f"{np.median(found):.2f}, in noise too {min(noisy):.2f} to {max(noisy):.2f}; speech over tone "
            f"{np.median(loudness_db):+.0f} dB; over the masked threshold at least {min(over_db):.0f} dB; "
            f"loudness level {max(speech_phon):.0f} phon, of the lowered tone {min(tone_phon):.0f} to "
            f"{max(tone_phon):.0f}\n"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
