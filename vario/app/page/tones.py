"""The sound of a flight in the page: the commands, and the data to render them.

The sound of a flight takes about 20 MB per hour as FLAC, and its commands about 0.4 MB. The page renders
the commands with the rules of `vario.sound`. It therefore plays exactly what the instrument commanded,
and can start at any time. Only the cues, and the words of speech, are stored as samples, because they are
few and short.
"""

from __future__ import annotations

import base64
from array import array
from typing import Any

import numpy as np

from vario.app.outputs.pacer import Pacer
from vario.app.page.pack import packed
from vario.flight.inputs.frames import JUMP_S
from vario.flight.tone.stage import ToneCommand, Voice
from vario.sound.cue_sounds import cue_sounds
from vario.sound.rhythm import ATTACK_S, RELEASE_S
from vario.sound.synth import GLIDE_S, HEADROOM, LOWEST_RATE_HZ
from vario.sound.timbre import TIMBRES, waves
from vario.sound.word_bank import EDGE_S, PAUSE_S, ROOM, WordBank

RATE_HZ = 10.0
"""Commands stored per second. The ear cannot follow beeps that change much faster, and the curves change
slowly.
"""

SAMPLE_RATE_HZ = LOWEST_RATE_HZ

_VOICES = tuple(Voice)
_PITCHES_HZ = np.geomspace(100.0, 4000.0, 33)


class ToneLog:
    """Stores changes of the sound, at most `RATE_HZ` per second, and every cue and sentence.

    Args:
        words: recorded words at `SAMPLE_RATE_HZ`; None: no sentence is stored.
    """

    def __init__(self, words: WordBank | None = None) -> None:
        self._words = words
        self._speech: list[tuple[float, tuple[str, ...], float]] = []
        self._speech_number: int | None = None
        self._pacer = Pacer(RATE_HZ)
        self._columns = {name: array("d") for name in ("t_s", "pitch_hz", "beep_hz", "level", "voice")}
        self._cues: list[tuple[float, str, float]] = []
        self._cue_number: int | None = None
        self._last: tuple[float, ...] | None = None
        self._end_s: float | None = None

    def take(self, t_s: float, command: ToneCommand) -> None:
        """Add the command that is in force from `t_s` on."""
        if command.cue is not None and command.cue.number != self._cue_number:
            self._cue_number = command.cue.number
            level = command.warning_level if command.cue.is_warning else command.cue_level
            self._cues.append((round(t_s, 2), command.cue.cue.value, round(level, 3)))
        self._take_speech(t_s, command)
        if self._end_s is not None and t_s - self._end_s > JUMP_S:
            # There is no sound during a gap.
            self._keep(self._end_s, ToneCommand(command.pitch_hz, None, 0.0))
        self._end_s = t_s
        if self._pacer.due(t_s):
            self._keep(t_s, command)

    def _take_speech(self, t_s: float, command: ToneCommand) -> None:
        speech = command.speech
        if speech is None or speech.number == self._speech_number or self._words is None:
            return
        self._speech_number = speech.number
        if self._words.sentence(speech.words) is not None:
            self._speech.append((round(t_s, 2), speech.words, round(command.speech_level, 3)))

    def _keep(self, t_s: float, command: ToneCommand) -> None:
        silent = command.level == 0.0
        heard = (
            0.0 if silent else round(command.pitch_hz, 1),
            0.0 if silent else round(command.beep_hz or 0.0, 2),
            round(command.level, 2),
            0.0 if silent else float(_VOICES.index(command.voice)),
        )
        if heard != self._last:
            self._last = heard
            for kept, number in zip(self._columns.values(), (t_s, *heard), strict=True):
                kept.append(number)

    def result(self) -> dict[str, Any]:
        """The packed commands, and the cues and sentences with time and level.

        A beep_hz of 0 is a continuous tone, a level of 0 silence.
        """
        steps = {"t_s": 0.01, "pitch_hz": 0.1, "beep_hz": 0.01, "level": 0.01, "voice": 1.0}
        return {
            "commands": {name: packed(kept, steps[name]) for name, kept in self._columns.items()},
            "cues": self._cues,
            "speech": self._speech,
            "kit": {**_kit({name for _, name, _ in self._cues}), "speech": self._speech_kit()},
        }

    def _speech_kit(self) -> dict[str, Any]:
        """The words that are said, and how they make a sentence (see `vario.sound.word_bank`)."""
        said = {word for _, words, _ in self._speech for word in words}
        found = {} if self._words is None else {word: self._words.samples(word) for word in sorted(said)}
        return {
            "lead_samples": round(EDGE_S * SAMPLE_RATE_HZ),
            "pause_samples": round(PAUSE_S * SAMPLE_RATE_HZ),
            "room": ROOM,
            "words": {word: _pcm(samples) for word, samples in found.items() if samples is not None},
        }


def _kit(cues_heard: set[str]) -> dict[str, Any]:
    """The data that the page needs to render the sound like the instrument."""
    sounds = cue_sounds(SAMPLE_RATE_HZ)
    return {
        "sample_rate_hz": SAMPLE_RATE_HZ,
        "glide_s": GLIDE_S,
        "attack_s": ATTACK_S,
        "release_s": RELEASE_S,
        "headroom": HEADROOM,
        "pitches_hz": [round(float(pitch), 3) for pitch in _PITCHES_HZ],
        "voices": [
            {
                "name": voice.value,
                "partials": TIMBRES[voice].partials,
                "notes": [(note.start, note.stop, note.ratio) for note in TIMBRES[voice].notes],
                "amplitudes": [round(a, 5) for a in waves()[voice].amplitudes_at(_PITCHES_HZ.tolist())],
            }
            for voice in _VOICES
        ],
        "cues": {
            cue.value: {
                "samples": _pcm(sound.samples),
                "room": round(float(np.min(sound.room)), 4),
            }
            for cue, sound in sounds.items()
            if cue.value in cues_heard
        },
    }


def _pcm(samples: np.ndarray) -> str:
    return base64.b64encode(np.rint(samples * 32767.0).astype("<i2").tobytes()).decode("ascii")
