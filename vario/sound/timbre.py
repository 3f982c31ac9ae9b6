"""The sound of each voice: its partials and its rhythm within a beep.

A voice must be recognisable within half a second, so voices differ in several ways:

* lift is warm, with one note per beep;
* sink is darker and has more partials, because a small loudspeaker cannot reproduce 220 Hz; the ear
  infers the pitch from the partials;
* relative netto is hollow (odd partials only), with pairs of equal notes;
* the speed to fly is glassy (a fundamental and its double octave), with pairs a fourth apart: rising for
  faster, falling for slower.
"""

from __future__ import annotations

from bisect import bisect_right
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass
from vario.flight.tone.stage import Voice
from vario.sound.grid import all_on_grid
from vario.sound.loudness import amplitude_for

FOURTH = 4 / 3

_TABLE = 1 << 14
_PITCHES_HZ = np.geomspace(100.0, 4000.0, 64)
_PITCHES: list[float] = _PITCHES_HZ.tolist()


@dataclass(frozen=True, slots=True)
class Note:
    """A part of a beep, from `start` to `stop` (shares of its period), at `ratio` times the pitch."""

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


# The voices whose pitch may reach 3 kHz have no partial above the third: all must be below 22.05 kHz / 2.
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
    """One period of a timbre with peak 1, and the amplitude per pitch for equal loudness of all voices."""

    table: NDArray[np.float32]
    points: list[float]
    """Amplitudes at `_PITCHES`."""

    def amplitudes_at(self, pitches_hz: list[float]) -> list[float]:
        """Peak amplitudes for level 1 at these pitches: linear between those of the table."""
        return [self._amplitude_at(pitch_hz) for pitch_hz in pitches_hz]

    def _amplitude_at(self, pitch_hz: float) -> float:
        at = bisect_right(_PITCHES, pitch_hz)
        if at in {0, len(_PITCHES)}:
            return self.points[min(at, len(_PITCHES) - 1)]
        low, high = self.points[at - 1 : at + 1]
        below = _PITCHES[at - 1]
        return (high - low) / (_PITCHES[at] - below) * (pitch_hz - below) + low


def wave_of(partials: tuple[tuple[float, float], ...]) -> tuple[NDArray[np.float64], float]:
    """One period of integer partials scaled to peak 1, and the scale."""
    turn = np.arange(_TABLE) * (2 * np.pi / _TABLE)
    # A phase step of a third of a period between partials separates their peaks: more power at the same
    # peak.
    wave = sum(a * np.sin(m * turn + k * 2.1) for k, (m, a) in enumerate(partials))
    peak = float(np.max(np.abs(wave)))
    return np.asarray(wave / peak), peak


@cache
def full_scale() -> float:
    """The amplitude of full scale at level 1, relative to a sine of 1 kHz with amplitude 1.

    It is the largest amplitude that any voice needs at any pitch, so that level 1 never exceeds full
    scale.
    """
    return max(float(np.max(_needed(timbre))) for timbre in TIMBRES.values())


@cache
def waves() -> dict[Voice, Wave]:
    """The waves of all voices."""
    return {
        voice: Wave(
            all_on_grid(wave_of(timbre.partials)[0]).astype(np.float32),
            all_on_grid(_needed(timbre) / full_scale()).tolist(),
        )
        for voice, timbre in TIMBRES.items()
    }


def _needed(timbre: Timbre) -> NDArray[np.float64]:
    return wave_of(timbre.partials)[1] * amplitude_for(_PITCHES_HZ, timbre.partials)
