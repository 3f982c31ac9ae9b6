"""How each voice sounds: its partials and its rhythm within a beep.

What a voice says must be clear from half a second of it, so they differ in more than one way:

* lift is warm, and one note a beep;
* sink is darker and fuller, since a small loudspeaker cannot reproduce 220 Hz: the ear hears the pitch
  from the partials above;
* relative netto is hollow (odd partials only), and beeps in pairs of equal notes;
* the speed to fly is glassy (a fundamental and its double octave), and beeps in pairs a fourth apart,
  rising for faster and falling for slower.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.stage import Voice
from vario.sound.loudness import amplitude_for

FOURTH = 4 / 3

_TABLE = 1 << 14
_PITCHES_HZ = np.geomspace(100.0, 4000.0, 64)


@dataclass(frozen=True, slots=True)
class Note:
    """A part of a beep, from `start` to `stop` of its turn, at `ratio` times the pitch."""

    start: float
    stop: float
    ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class Timbre:
    """Partials as (multiple of the pitch, amplitude), and the notes of one beep."""

    partials: tuple[tuple[float, float], ...]
    notes: tuple[Note, ...]

    def highest_pitch_hz(self, sample_rate_hz: int) -> float:
        """The highest pitch whose partials all lie below the Nyquist frequency."""
        top = max(multiple for multiple, _ in self.partials) * max(note.ratio for note in self.notes)
        return sample_rate_hz / (2.0 * top)


# Nothing above the third partial where the pitch may reach 3 kHz: all must lie below half of 22.05 kHz.
_ONE = (Note(0.0, 0.5),)
_PAIR = (Note(0.0, 0.22), Note(0.32, 0.54))
_WARM = ((1, 1.0), (2, 0.32), (3, 0.12))
_FULL = ((1, 1.0), (2, 0.75), (3, 0.55), (4, 0.38), (5, 0.25), (6, 0.15))
_HOLLOW = ((1, 1.0), (3, 0.5))
_GLASS = ((1, 1.0), (4, 0.35))
TIMBRES = {
    Voice.LIFT: Timbre(_WARM, _ONE),
    Voice.SINK: Timbre(_FULL, _ONE),
    Voice.NETTO: Timbre(_HOLLOW, _PAIR),
    Voice.FASTER: Timbre(_GLASS, (Note(0.0, 0.22), Note(0.3, 0.52, FOURTH))),
    Voice.SLOWER: Timbre(_GLASS, (Note(0.0, 0.22), Note(0.3, 0.52, 1 / FOURTH))),
}


@dataclass(frozen=True, slots=True)
class Wave:
    """One turn of a timbre with peak 1, and the amplitude it needs at a pitch to be as loud as the others."""

    table: NDArray[np.float32]
    amplitudes: NDArray[np.float64]

    def amplitudes_at(self, pitches_hz: list[float]) -> list[float]:
        """Peak amplitudes for level 1 at these pitches."""
        return np.interp(pitches_hz, _PITCHES_HZ, self.amplitudes).tolist()


def wave_of(partials: tuple[tuple[float, float], ...]) -> tuple[NDArray[np.float64], float]:
    """One turn of whole-numbered partials scaled to peak 1, and the scale."""
    turn = np.arange(_TABLE) * (2 * np.pi / _TABLE)
    # A third of a turn between the phases of the partials spreads their peaks: fuller at the same peak.
    wave = sum(a * np.sin(m * turn + k * 2.1) for k, (m, a) in enumerate(partials))
    peak = float(np.max(np.abs(wave)))
    return np.asarray(wave / peak), peak


@cache
def full_scale() -> float:
    """The amplitude, where a sine of 1 kHz has 1, that is full scale at level 1.

    It is what the voice and pitch that need most need, so that level 1 is within range at every pitch.
    """
    return max(float(np.max(_needed(timbre))) for timbre in TIMBRES.values())


@cache
def waves() -> dict[Voice, Wave]:
    """The wave of every voice."""
    return {
        voice: Wave(wave_of(timbre.partials)[0].astype(np.float32), _needed(timbre) / full_scale())
        for voice, timbre in TIMBRES.items()
    }


def _needed(timbre: Timbre) -> NDArray[np.float64]:
    return wave_of(timbre.partials)[1] * amplitude_for(_PITCHES_HZ, timbre.partials)
