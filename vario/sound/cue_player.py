"""Plays cues over the tone: at most one, and the tail of one that had to give way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.cues import Cue
from vario.sound.cue_sounds import CueSound, cue_sounds

_GIVE_WAY_S = 0.010


@dataclass(frozen=True, slots=True)
class CuePart:
    """What the cues contribute to a block; float32, shape (n,), 1 being full scale."""

    samples: NDArray[np.float32]
    envelope: NDArray[np.float32]
    room: NDArray[np.float32]


@dataclass(slots=True)
class _Playing:
    sound: CueSound
    level: np.float32
    at: int = 0
    fades_from: int | None = None
    """Where it began to give way, if it does."""
    ends: int = 0
    """The sample it does not reach."""


class CuePlayer:
    """The cues that sound now."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._sounds = cue_sounds(sample_rate_hz)
        self._tail = round(_GIVE_WAY_S * sample_rate_hz)
        ramp = np.arange(self._tail, 0, -1) / self._tail
        self._fade = (ramp - np.sin(2 * np.pi * ramp) / (2 * np.pi)).astype(np.float32)  # without a corner
        self._playing: list[_Playing] = []

    def start(self, cue: Cue, level: float) -> None:
        """Begin a cue now; one that sounds gives way within 10 ms."""
        for playing in self._playing:
            if playing.fades_from is None:
                playing.fades_from = playing.at
                playing.ends = min(playing.at + self._tail, playing.ends)
        # A third at once would be a tail of a tail: it has had at most 10 ms and is cut where it is lowest.
        sound = self._sounds[cue]
        self._playing = [
            *self._playing[-1:],
            _Playing(sound, np.float32(level), ends=sound.samples.size),
        ]

    def take(self, n: int) -> CuePart | None:
        """The next n samples of cues; None if there are none."""
        if not self._playing:
            return None
        part = CuePart(np.zeros(n, np.float32), np.zeros(n, np.float32), np.ones(n, np.float32))
        for playing in self._playing:
            self._add(playing, part)
        self._playing = [playing for playing in self._playing if playing.at < playing.ends]
        return part

    def _add(self, playing: _Playing, part: CuePart) -> None:
        sound, start = playing.sound, playing.at
        stop = min(start + part.samples.size, playing.ends)
        span = slice(0, stop - start)
        gain: NDArray[np.float32] | np.float32 = playing.level
        room = sound.room[start:stop]
        if playing.fades_from is not None:
            fade = self._fade[start - playing.fades_from : stop - playing.fades_from]
            gain = gain * fade
            room = 1 - (1 - room) * fade
        part.samples[span] += sound.samples[start:stop] * gain
        part.envelope[span] += sound.envelope[start:stop] * gain
        part.room[span] *= room
        playing.at = stop
