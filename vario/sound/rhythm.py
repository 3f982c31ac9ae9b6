"""Beeps: a clock that runs at the commanded cadence, and the gate it opens and closes softly."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from vario.sound.glide import Glide
from vario.sound.timbre import Note

ATTACK_S, RELEASE_S = 0.010, 0.015
"""Lengths of a beep's edges: short enough to be crisp, long enough that no click is heard beside the tone.
Louder or quieter by half is reached in half of it."""

RISE = 1.25
"""A cadence that has risen this much since a pause began ends the pause: strong lift is not kept waiting."""

SHORTEST_PAUSE_S = 0.018
"""What is left of a pause ended so, of which the beep before it takes 15 ms to close. The ear finds gaps of 2
to 3 ms in a sound (Plomp 1964, from memory), so beeps stay apart."""

_TURN = 1 << 48
"""One beep and the pause after it, on the beep clock. An integer, so that nothing depends on block sizes."""


class Rhythm:
    """The beep clock and the gate of one sound.

    Args:
        sample_rate_hz: samples a second.
        glide_samples: how long the cadence takes to reach a new one.
    """

    def __init__(self, sample_rate_hz: int, glide_samples: int) -> None:
        self._rate_hz = sample_rate_hz
        self._shortest_pause = round(SHORTEST_PAUSE_S * sample_rate_hz)
        unit = round((ATTACK_S + RELEASE_S) * sample_rate_hz / 5)
        # The gate moves by 3 while opening and by 2 while closing, on a scale that both divide.
        self._full = 6 * unit
        self._edge = _soft_edge(self._full)
        self._place = 0
        self._phase = 0
        self._step = Glide(glide_samples)
        self._least_step = 0.0  # of those in force since the last `take`, or as the pause began
        self._bounds: tuple[tuple[int, float, bool], ...] = ()
        self._beeping = False
        self._open = False
        self._ratio = 1.0  # of the last note, which its closing edge keeps
        self._pause = 0
        self._pause_step = 0.0

    @property
    def is_closed(self) -> bool:
        """Whether nothing sounds."""
        return self._place == 0

    @property
    def samples_to_close(self) -> int:
        """How many samples the gate needs to close from where it is."""
        return -(-self._place // 2)

    def close(self) -> None:
        """Fall silent."""
        self._open = self._beeping = False

    def hold(self) -> None:
        """Sound without a break."""
        self._open, self._beeping, self._ratio = True, False, 1.0

    def beep(self, beep_hz: float, notes: tuple[Note, ...]) -> None:
        """Beep at this cadence; the first beep begins now, a beep in progress goes on."""
        step = self._step_of(beep_hz)
        if not self._beeping:
            self._open = self._beeping = True
            self._phase, self._pause = 0, 0
            self._bounds = _bounds(notes)
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
        """Whether `beep` at this cadence surely ends no pause, wherever the clock will be by then."""
        return self._beeping and self._step_of(beep_hz) <= RISE * self._least_step

    def go_on(self, n: int) -> None:
        """Sound like this for n samples."""
        if self._beeping:
            self._step.go_on(n)

    def take(self, n: int) -> tuple[NDArray[np.float32] | None, NDArray[np.float64] | float]:
        """The n samples gone by since the last call.

        Returns:
            How far the gate is open, 0 to 1, shape (n,); None if it stays closed. And what the pitch is
            multiplied by, of the same shape, or one number if it is the same all along.
        """
        gate = np.zeros(n, np.float32)
        if not self._beeping:
            return (gate if self._move(gate, self._open) else None), self._ratio
        ratios = 1.0 if all(ratio == 1.0 for _, ratio, _ in self._bounds) else np.ones(n)
        clock = self._clock(n)
        heard = False
        at = 0
        while at < n:
            at_phase = int(clock[at])
            turn = at_phase - at_phase % _TURN
            bound, self._ratio, sounds = next(b for b in self._bounds if at_phase - turn < b[0])
            end = min(int(clock.searchsorted(turn + bound)), n)
            heard |= self._move(gate[at:end], sounds)
            if isinstance(ratios, np.ndarray):
                ratios[at:end] = self._ratio
            self._count_pause(at_phase - turn, at, end)
            at = end
        self._phase = int(clock[n]) % _TURN
        self._step.drop()
        self._least_step = min(self._step.target, self._pause_step) if self._pause else self._step.target
        return gate if heard else None, ratios

    def _step_of(self, beep_hz: float) -> float:
        """What the beep clock goes on by in one sample."""
        return beep_hz / self._rate_hz * _TURN

    def _clock(self, n: int) -> NDArray[np.int64]:
        """The beep clock at each of the n samples and the one after, not wrapped."""
        clock = np.empty(n + 1, np.int64)
        clock[0] = self._phase
        clock[1:] = self._step.values(n)
        return clock.cumsum(out=clock)

    def _count_pause(self, place: int, start: int, end: int) -> None:
        """Keep count of how long the pause after the last note has lasted."""
        if place < self._bounds[-2][0]:
            self._pause = 0
            return
        if self._pause == 0:
            self._pause_step = self._step.target_at(start)
        self._pause += end - start

    def _move(self, gate: NDArray[np.float32], opening: bool) -> bool:
        """Write down the gate, zeros so far, while it opens or closes; whether it was open at all."""
        step, left = (3, self._full - self._place) if opening else (-2, self._place)
        moving = min(gate.size, -(-left // abs(step)))
        if opening:
            gate[moving:] = 1.0
        if moving:
            places = self._place + step * np.arange(1, moving + 1)
            np.clip(places, 0, self._full, out=places)
            gate[:moving] = self._edge[places]
            self._place = int(places[-1])
        return opening or moving > 0


def _bounds(notes: tuple[Note, ...]) -> tuple[tuple[int, float, bool], ...]:
    """Where on the clock each note and each pause ends, the ratio of its pitch, and whether it sounds.

    A pause keeps the ratio of the note before it, whose closing edge falls into it.
    """
    ends: list[tuple[int, float, bool]] = []
    for note, after in pairwise((*notes, Note(1.0, 1.0))):
        ends.append((round(note.stop * _TURN), note.ratio, True))
        ends.append((round(after.start * _TURN), note.ratio, False))
    return tuple(ends)


def _soft_edge(samples: int) -> NDArray[np.float32]:
    """From 0 to 1 with no corner in the slope nor its change: the integral of a Hann window."""
    ramp = np.arange(samples + 1) / samples
    return np.asarray(ramp - np.sin(2 * np.pi * ramp) / (2 * np.pi), np.float32)
