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
    def is_silent(self) -> bool:
        """Whether nothing sounds, nor will without a new call; and no pitch is changed."""
        return self._place == 0 and not self._open and not self._beeping and self._ratio == 1.0

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
        step = beep_hz / self._rate_hz * _TURN
        if not self._beeping:
            self._open = self._beeping = True
            self._phase, self._pause = 0, 0
            self._bounds = _bounds(notes)
            self._step.jump(step)
        elif self._pause and step > RISE * self._pause_step:
            self._step.jump(step)
            left = max(self._shortest_pause - self._pause, 0)
            self._phase = max(self._phase, _TURN - left * int(step))
        else:
            self._step.aim(step)

    def take(self, n: int, ratios: NDArray[np.float64]) -> NDArray[np.float32] | None:
        """How far the gate is open at the next n samples, 0 to 1; None if it stays closed.

        Args:
            n: number of samples.
            ratios: shape (n,); multiplied by the ratio of the note that sounds at each sample.
        """
        if not self._beeping:
            if self._ratio != 1.0:
                ratios *= self._ratio
            return self._move(n, self._open)
        gate = np.empty(n, np.float32)
        clock = self._clock(n)
        heard = False
        at = 0
        while at < n:
            at_phase = int(clock[at])
            turn = at_phase - at_phase % _TURN
            bound, ratio, sounds = next(b for b in self._bounds if at_phase - turn < b[0])
            end = int(np.searchsorted(clock, turn + bound))
            part = self._move(min(end, n) - at, sounds)
            gate[at : min(end, n)] = 0.0 if part is None else part
            heard = heard or part is not None
            self._ratio = ratio
            if ratio != 1.0:
                ratios[at : min(end, n)] *= ratio
            self._count_pause(at_phase - turn, min(end, n) - at)
            at = min(end, n)
        self._phase = int(clock[n]) % _TURN
        return gate if heard else None

    def _clock(self, n: int) -> NDArray[np.int64]:
        """The beep clock at each of the next n samples and the one after, not wrapped."""
        step = self._step.take(n)
        clock = np.empty(n + 1, np.int64)
        clock[0] = self._phase
        clock[1:] = step
        return np.cumsum(clock, out=clock)

    def _count_pause(self, place: int, span: int) -> None:
        """Keep count of how long the pause after the last note has lasted."""
        if place < self._bounds[-2][0]:
            self._pause = 0
            return
        if self._pause == 0:
            self._pause_step = self._step.target
        self._pause += span

    def _move(self, n: int, opening: bool) -> NDArray[np.float32] | None:
        """The gate while it opens or closes for n samples."""
        step, left = (3, self._full - self._place) if opening else (-2, self._place)
        if left == 0:
            return np.full(n, 1.0, np.float32) if opening else None
        moving = min(n, -(-left // abs(step)))
        gate = np.full(n, 1.0 if opening else 0.0, np.float32)
        places = self._place + step * np.arange(1, moving + 1)
        np.clip(places, 0, self._full, out=places)
        gate[:moving] = self._edge[places]
        self._place = int(places[-1])
        return gate


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
