"""How well speech is understood over the tone: `python -m tests.bench.voice FOLDER`.

FOLDER is the one that `vario words` made, with the languages in it. The measure is the speech
intelligibility index of ANSI S3.5-1997, third-octave method, in its simplest form: per band, the share of
the 30 dB of speech dynamics that the masker leaves, weighted by the importance of the band (table 3, average
speech; equal to the copy of the table in google/speech_intelligibility_index). The standard calls 0.75 and
more good, 0.45 and less poor (annex A, from memory). The masker is the tone as it sounds during speech,
without its pauses, at every lift and sink.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import signal

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

BANDS_HZ = 1000.0 * 10.0 ** (np.arange(-8, 10) / 10.0)
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
    """Power in the third-octave bands from 160 Hz to 8 kHz, shape (18,)."""
    frequency_hz, power = signal.welch(sound, WORDS_HZ, nperseg=4096)
    edges_hz = 1000.0 * 10.0 ** ((np.arange(-8, 11) - 0.5) / 10.0)
    at = np.digitize(frequency_hz, edges_hz)
    return np.array([power[at == k].sum() for k in range(1, edges_hz.size)]) + 1e-15


def index(speech: Samples, masker: Samples) -> float:
    """The speech intelligibility index, 0 to 1."""
    snr_db = 10.0 * np.log10(bands(speech) / bands(masker))
    return float(np.sum(IMPORTANCE * np.clip((snr_db + 15.0) / 30.0, 0.0, 1.0)))


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
        sys.stdout.write(
            f"{language}: index over a continuous tone {min(found):.2f} to {max(found):.2f}, median "
            f"{np.median(found):.2f}; speech over tone {np.median(loudness_db):+.0f} dB\n"
        )


if __name__ == "__main__":
    main(Path(sys.argv[1]))
