"""The rhythm of the beeps: a clock at the commanded beep rate, and a gate that opens and closes smoothly."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vario.sound.grid import all_on_grid, on_grid, soft_edge
from vario.sound.ramp import Ramp
from vario.sound.timbre import Note

ATTACK_S, RELEASE_S = 0.010, 0.015
"""Length of the edges of a beep: short enough for a crisp sound, long enough to avoid an audible click. A
change of the level by half takes half of this.
"""

RISE = 1.25
"""A beep rate that has risen by this factor since a pause began ends the pause, so strong lift sounds at
once.
"""

SHORTEST_PAUSE_S = 0.018
"""Remaining length of a pause that is ended early; closing the beep before it takes 15 ms of this. The
ear detects gaps of 2 to 3 ms in a sound (Plomp 1964, from memory), so the beeps stay separate.
"""

_TURN = 1 << 48
"""One beep and the pause after it, in units of the beep clock. An integer, so that block sizes have no
effect.
"""


class Rhythm:
    """The beep clock and the gate of one sound.

    Args:
        sample_rate_hz: samples per second.
        glide_samples: duration of a change to a new beep rate.
    """

    def __init__(self, sample_rate_hz: int, glide_samples: int) -> None:
        self._rate_hz = sample_rate_hz
        self._shortest_pause = round(SHORTEST_PAUSE_S * sample_rate_hz)
        unit = round((ATTACK_S + RELEASE_S) * sample_rate_hz / 5)
        # The gate moves by 3 while opening and by 2 while closing; its range is a multiple of both.
        self._full = 6 * unit
        self._edge = all_on_grid(soft_edge(np.arange(self._full + 1) / self._full)).astype(np.float32)
        self._place = 0
        self._phase = 0
        self._step = Ramp(glide_samples)
        self._least_step = 0.0  # the notes in force since the last `take`, or when the pause began
        self._bounds: tuple[tuple[int, float, bool], ...] = ()
        self._changes_pitch = False
        self._beeping = False
        self._open = False
        self._ratio = 1.0  # of the last note; its closing edge keeps this ratio
        self._pause = 0
        self._pause_step = 0.0

    @property
    def is_closed(self) -> bool:
        """Whether the gate is closed."""
        return self._place == 0

    @property
    def samples_to_close(self) -> int:
        """Number of samples that the gate needs to close from its present position."""
        return -(-self._place // 2)

    def close(self) -> None:
        """Close the gate."""
        self._open = self._beeping = False

    def hold(self) -> None:
        """Sound continuously."""
        self._open, self._beeping, self._ratio = True, False, 1.0

    def beep(self, beep_hz: float, notes: tuple[Note, ...]) -> None:
        """Beep at this rate. From silence, a beep begins at once; a beep in progress continues."""
        step = self._step_of(beep_hz)
        if not self._beeping:
            self._open = self._beeping = True
            self._phase, self._pause = 0, 0
            self._bounds = _bounds(notes)
            self._changes_pitch = any(note.ratio != 1.0 for note in notes)
            self._step.jump(step)
            self._least_step = step
            return
        self._least_step = min(self._least_step, step)
        if self._pause and step > RISE * self._pause_step:
            self._step.jump(step)
            left = max(self._shortest_pause - self._pause, 0)
            self._phase = max(self._phase, _TURN - left * int(step))
        else:
            self._step.aim(step)

    def only_steers(self, beep_hz: float) -> bool:
        """Whether `beep` at this rate cannot end a pause early, in any future state of the clock."""
        return self._beeping and self._step_of(beep_hz) <= RISE * self._least_step

    def go_on(self, n: int) -> None:
        """Continue for n samples."""
        if self._beeping:
            self._step.go_on(n)

    def take(self, n: int) -> tuple[NDArray[np.float32] | None, NDArray[np.float64] | float]:
        """The n samples since the last call.

        Returns:
            The opening of the gate, 0 to 1, shape (n,); None if it stays closed. And the factor for the
            pitch, of the same shape, or one number if it is constant.
        """
        gate = np.zeros(n, np.float32)
        if not self._beeping:
            return (gate if self._move(gate, self._open) else None), self._ratio
        ratios = np.ones(n) if self._changes_pitch else 1.0
        clock = self._clock(n)
        last = int(clock[n])
        heard = False
        at = 0
        while at < n:
            at_phase = int(clock[at]) if at else self._phase
            turn = at_phase - at_phase % _TURN
            bound, self._ratio, sounds = next(b for b in self._bounds if at_phase - turn < b[0])
            end = n if last <= turn + bound else int(clock.searchsorted(turn + bound))
            heard |= self._move(gate[at:end], sounds)
            if isinstance(ratios, np.ndarray):
                ratios[at:end] = self._ratio
            self._count_pause(at_phase - turn, at, end)
            at = end
        self._phase = last % _TURN
        self._step.drop()
        self._least_step = min(self._step.target, self._pause_step) if self._pause else self._step.target
        return gate if heard else None, ratios

    def _step_of(self, beep_hz: float) -> float:
        """Increment of the beep clock per sample."""
        return on_grid(beep_hz) / self._rate_hz * _TURN

    def _clock(self, n: int) -> NDArray[np.int64]:
        """The beep clock at each of the n samples and at the next one, not wrapped."""
        clock = np.empty(n + 1, np.int64)
        clock[0] = self._phase
        clock[1:] = self._step.values(n)
        return np.add.accumulate(clock, out=clock)

    def _count_pause(self, place: int, start: int, end: int) -> None:
        """Update the time since the last note ended."""
        if place < self._bounds[-2][0]:
            self._pause = 0
            return
        if self._pause == 0:
            self._pause_step = self._step.target_at(start)
        self._pause += end - start

    def _move(self, gate: NDArray[np.float32], opening: bool) -> bool:
        """Write the gate while it opens or closes into zeros; returns whether it was open at all."""
        step, left = (3, self._full - self._place) if opening else (-2, self._place)
        moving = min(gate.size, -(-left // abs(step)))
        if opening:
            gate[moving:] = 1.0
        if moving:
            places = self._place + step * np.arange(1, moving + 1)
            np.maximum(places, 0, out=places)
            np.minimum(places, self._full, out=places)
            gate[:moving] = self._edge[places]
            self._place = int(places[-1])
        return opening or moving > 0


def _bounds(notes: tuple[Note, ...]) -> tuple[tuple[int, float, bool], ...]:
    """The end of each note and pause on the clock, the ratio of its pitch, and whether it sounds.

    A pause keeps the ratio of the note before it, because the closing edge of the note lies in the
    pause.
    """
    ends: list[tuple[int, float, bool]] = []
    for note, after in pairwise((*notes, Note(1.0, 1.0))):
        ends.append((round(note.stop * _TURN), note.ratio, True))
        ends.append((round(after.start * _TURN), note.ratio, False))
    return tuple(ends)
