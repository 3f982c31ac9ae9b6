"""The sounds of the cues: a few notes each, rendered once and then played back.

Cues differ in direction, rhythm, timbre and register, and are distinct within the first half second
(MIL-STD-1472E, 5.3.4: warnings discriminable in the first 0.5 s, and 0.5 s or longer). Only the two
warnings leap down, or step down slowly, and are loud. A rising sound means that something begins.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drivers.quick import dataclass
from vario.flight.tone.cues import RULES, Cue
from vario.sound.grid import all_on_grid, soft_edge
from vario.sound.loudness import amplitude_for
from vario.sound.timbre import full_scale, wave_of

Partials = tuple[tuple[float, float], ...]

_BELL: Partials = ((1, 1.0), (3, 0.25))
_SOFT: Partials = ((1, 1.0), (2, 0.2))
_REED: Partials = ((1, 1.0), (2, 0.9), (3, 0.8), (4, 0.6), (5, 0.5), (7, 0.3))
_ALARM: Partials = ((1, 1.0), (2, 0.7), (3, 0.5))
_HORN: Partials = ((1, 1.0), (3, 0.5), (5, 0.25))

_EDGE_S = 0.008

_BESIDE = 0.2
"""Share of the amplitude that the tone keeps during a cue that is not a warning (14 dB less). The second
or third partial of a beep may have the same frequency as the cue, and the cue must be audible over it.
This lasts half a second at most.
"""


@dataclass(frozen=True, slots=True)
class CueNote:
    """One note of a cue.

    Attributes:
        start_s: when it begins.
        lasts_s: how long it sounds.
        from_hz: pitch at its beginning.
        to_hz: pitch at its end.
        partials: timbre.
        decay: 0 for a constant level; otherwise the level falls by exp(-decay) over the length of the
            note.
    """

    start_s: float
    lasts_s: float
    from_hz: float
    to_hz: float
    partials: Partials
    decay: float = 0.0


def _steady(
    start_s: float, lasts_s: float, pitch_hz: float, partials: Partials, decay: float = 0.0
) -> CueNote:
    return CueNote(start_s, lasts_s, pitch_hz, pitch_hz, partials, decay)


NOTES: dict[Cue, tuple[CueNote, ...]] = {
    # Fast bright leaps down by more than an octave, four times.
    Cue.SENSOR_LOST: tuple(
        _steady(0.12 * k, 0.10, 1900.0 if k % 2 == 0 else 760.0, _ALARM) for k in range(8)
    ),
    # A slow hollow sequence of steps down: the voltage is falling.
    Cue.LOW_BATTERY: tuple(
        _steady(0.24 * k, 0.21, pitch_hz, _HORN) for k, pitch_hz in enumerate((1050.0, 790.0, 590.0, 440.0))
    ),
    # The same low buzz twice.
    Cue.SETTING_REJECTED: tuple(_steady(0.2 * k, 0.13, 250.0, _REED) for k in range(2)),
    # A dull note that swells up a fourth, twice: speed up. Lower and slower than the glide upwards.
    Cue.SLOW_FOR_BANK: tuple(CueNote(0.26 * k, 0.22, 330.0, 440.0, _HORN) for k in range(2)),
    # Two soft bells, a fifth up or down.
    Cue.CIRCLING_BEGUN: (
        _steady(0.0, 0.3, 660.0, _BELL, 3.0),
        _steady(0.13, 0.36, 990.0, _BELL, 3.0),
    ),
    Cue.CRUISE_BEGUN: (
        _steady(0.0, 0.3, 990.0, _BELL, 3.0),
        _steady(0.13, 0.36, 660.0, _BELL, 3.0),
    ),
    # One upward glide.
    Cue.WORTH_TURNING: (CueNote(0.0, 0.40, 700.0, 2100.0, _SOFT),),
    # Four quick bells up a chord, or down it.
    Cue.GLIDE_MADE: tuple(
        _steady(0.1 * k, 0.16, pitch_hz, _BELL, 3.0)
        for k, pitch_hz in enumerate((784.0, 1175.0, 1568.0, 2350.0))
    ),
    Cue.GLIDE_LOST: tuple(
        _steady(0.1 * k, 0.16, pitch_hz, _BELL, 3.0)
        for k, pitch_hz in enumerate((2350.0, 1568.0, 1175.0, 784.0))
    ),
    # One downward glide, the reverse of the cue for turning.
    Cue.CLIMB_WEAK: (CueNote(0.0, 0.40, 1500.0, 500.0, _SOFT),),
    # Two short hollow notes of one pitch: taken. The refusal has the same rhythm, much lower.
    Cue.TAKEN: tuple(_steady(0.11 * k, 0.09, 1320.0, _HORN, 2.0) for k in range(2)),
    # The shortest and highest sound.
    Cue.KNOB_STEP: (_steady(0.0, 0.05, 3520.0, _SOFT, 1.5),),
    # Short high bells, one to three: the moment is now. More and higher bells are a longer shift; the pitch
    # distinguishes them from the first bell on.
    **{
        cue: tuple(_steady(0.15 * k, 0.14, 2640.0 * 1.26 ** (count - 2), _BELL, 4.0) for k in range(count))
        for count, cue in enumerate((Cue.SHIFT_A_LITTLE, Cue.SHIFT, Cue.SHIFT_FAR), start=1)
    },
}


@dataclass(frozen=True, slots=True)
class CueSound:
    """A cue at level 1.

    Attributes:
        samples: the cue; full scale is 1.
        envelope: upper limit of the magnitude of the samples.
        room: share of its amplitude that the tone keeps during the cue; a warning silences the tone.
    """

    samples: NDArray[np.float32]
    envelope: NDArray[np.float32]
    room: NDArray[np.float32]


@cache
def cue_sounds(sample_rate_hz: int) -> dict[Cue, CueSound]:
    """All cues at this sample rate. Their levels are comparable with each other and with the tone."""
    room = {rule.cue: 0.0 if rule.is_warning else _BESIDE for rule in RULES}
    return {cue: _render(notes, sample_rate_hz, room[cue]) for cue, notes in NOTES.items()}


def _render(notes: tuple[CueNote, ...], sample_rate_hz: int, least_room: float) -> CueSound:
    lasts_s = max(note.start_s + note.lasts_s for note in notes)
    length = round(lasts_s * sample_rate_hz)
    samples, envelope = np.zeros(length), np.zeros(length)
    for note in notes:
        start = round(note.start_s * sample_rate_hz)
        time = np.arange(min(round(note.lasts_s * sample_rate_hz), length - start)) / sample_rate_hz
        share = time / note.lasts_s
        pitch_hz = all_on_grid(note.from_hz * (note.to_hz / note.from_hz) ** share)
        turns = np.cumsum(pitch_hz) / sample_rate_hz
        wave, peak = wave_of(note.partials)
        shape = np.exp(-note.decay * share) * _edges(time, note.lasts_s)
        shape *= amplitude_for(pitch_hz, note.partials) * peak
        samples[start : start + time.size] += wave[(turns * wave.size).astype(int) % wave.size] * shape
        envelope[start : start + time.size] += shape
    # Equal in loudness to the tone at the same level. Limit cues that would exceed full scale.
    scale = 1.0 / max(full_scale(), float(np.max(envelope)))
    room = 1.0 - _edges(np.arange(length) / sample_rate_hz, lasts_s) * (1.0 - least_room)
    return CueSound(
        *(all_on_grid(part).astype(np.float32) for part in (samples * scale, envelope * scale, room))
    )


def _edges(time: NDArray[np.float64], lasts_s: float) -> NDArray[np.float64]:
    ramp = np.clip(np.minimum(time, lasts_s - time) / _EDGE_S, 0.0, 1.0)
    return soft_edge(ramp)
