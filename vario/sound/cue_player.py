"""Play cues and speech over the tone: at most one, and the fading end of the one it interrupts."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass
from vario.flight.tone.cues import Cue
from vario.sound.cue_sounds import CueSound, cue_sounds
from vario.sound.grid import all_on_grid, on_grid, soft_edge

_GIVE_WAY_S = 0.010


@dataclass(frozen=True, slots=True)
class CuePart:
    """The contribution of the cues to a block; float32, shape (n,), full scale is 1."""

    samples: NDArray[np.float32]
    envelope: NDArray[np.float32]
    room: NDArray[np.float32]


@dataclass(slots=True)
class _Playing:
    sound: CueSound
    level: np.float32
    at: int = 0
    fades_from: int | None = None
    """Sample at which the fade-out begins, if there is one."""
    ends: int = 0
    """Index after its last sample."""


class CuePlayer:
    """The cues that are playing."""

    def __init__(self, sample_rate_hz: int) -> None:
        self._sounds = cue_sounds(sample_rate_hz)
        self._tail = round(_GIVE_WAY_S * sample_rate_hz)
        ramp = np.arange(self._tail, 0, -1) / self._tail
        self._fade = all_on_grid(soft_edge(ramp)).astype(np.float32)
        self._playing: list[_Playing] = []

    def start(self, cue: Cue, level: float) -> None:
        """Start a cue now. A cue that is playing fades out within 10 ms."""
        for playing in self._playing:
            if playing.fades_from is None:
                playing.fades_from = playing.at
                playing.ends = min(playing.at + self._tail, playing.ends)
        # A cue that is already fading out is cut off. It has less than 10 ms left and is the softest.
        sound = self._sounds[cue]
        self._playing = [
            *self._playing[-1:],
            _Playing(sound, np.float32(on_grid(level)), ends=sound.samples.size),
        ]

    def speak(self, sound: CueSound, level: float) -> None:
        """Start speech now, unless a cue is playing. A cue that begins later fades it out like a cue."""
        if all(playing.fades_from is not None for playing in self._playing):
            self._playing.append(_Playing(sound, np.float32(on_grid(level)), ends=sound.samples.size))

    def take(self, n: int) -> CuePart | None:
        """The next n samples of the cues; None if no cue is playing."""
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
