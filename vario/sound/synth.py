"""From tone commands to PCM: phase-continuous, free of clicks, and the same for any block size.

The sound is one wave (three harmonics, read from a table) times two envelopes: the gate, which opens
and closes with raised-cosine edges for every beep, and the level. Pitch and level glide to a new
command in a few milliseconds instead of jumping.

Every sample depends on the commands and on sample counts alone, never on how the calls were cut into
blocks: the oscillator and the beep clock are integers, and everything else is a formula of integer
counters. So the same flight always gives the same bytes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone import ToneCommand

EDGE_S = 0.007
"""Length of a beep's raised-cosine edges: short enough to be crisp, long enough not to click."""

GLIDE_S = 0.020
"""How long pitch and level take to reach a new command. As long as the delay a player of an instrument
begins to notice, 20 to 30 ms (Maki-Patola and Hamalainen, ICMC 2004)."""

HARMONICS = (1.0, 0.40, 0.18)
"""Amplitudes of the timbre. A sine is hard to locate and to hear over wind noise; these add warmth and
give a small loudspeaker, which cannot reproduce 250 Hz, something to say in sink. Three, so that the
highest pitch the settings allow, 3 kHz, stays below the Nyquist frequency at 22.05 kHz."""

HEADROOM = 0.95
"""Share of full scale that level 1 uses."""

_TABLE_BITS = 16
_PHASE_BITS = 32  # of the oscillator: one turn is 2^32, and unsigned arithmetic wraps where a turn ends
_BEEP_TURN = 1 << 48  # one beep and the pause after it, on the beep clock
_BEEP_ON = _BEEP_TURN // 2
_BLOCK = 1 << 14  # samples rendered at once: keeps working memory small and in the cache
_COUNT = np.arange(_BLOCK + 1, dtype=np.uint32)


def _wave_table() -> NDArray[np.float32]:
    """One turn of the timbre, its peak scaled to the headroom in 16 bits."""
    turn = np.arange(1 << _TABLE_BITS) * (2 * np.pi / (1 << _TABLE_BITS))
    # A third of a turn between the phases of the harmonics spreads their peaks: fuller at the same peak.
    wave = sum(a * np.sin((k + 1) * turn + k * 2.1) for k, a in enumerate(HARMONICS))
    scaled: NDArray[np.float64] = wave / np.max(np.abs(wave)) * (HEADROOM * 32767)
    return scaled.astype(np.float32)


class _Glide:
    """A value that moves in a straight line to each new target."""

    def __init__(self, samples: int) -> None:
        self._start = self._end = 0.0
        self._samples = samples
        self._left = 0

    def jump(self, target: float) -> None:
        """Be at `target` at once."""
        self._end = float(target)
        self._left = 0

    def aim(self, target: float) -> None:
        """Set out for `target` from wherever the value is."""
        if target != self._end:
            self._start = self._end + (self._start - self._end) * (self._left / self._samples)
            self._end = float(target)
            self._left = self._samples

    def take(self, n: int) -> NDArray[np.float64] | float:
        """The next n values; one number if they are all the same."""
        if self._left == 0:
            return self._end
        left = np.maximum(self._left - np.arange(n), 0)
        self._left = max(self._left - n, 0)
        # Written from the end, so that the last value is the target to the bit and cuts do not show.
        return self._end + (self._start - self._end) * (left / self._samples)


class Synth:
    """Renders tone commands one after the other.

    Args:
        sample_rate_hz: samples a second; at least 16 kHz so that the harmonics of lift fit.
    """

    def __init__(self, sample_rate_hz: int = 22050) -> None:
        if sample_rate_hz < 16000:
            raise ValueError(f"a sample rate of {sample_rate_hz} Hz: expected 16000 Hz or more")
        self.sample_rate_hz = sample_rate_hz
        self.highest_pitch_hz = sample_rate_hz / (2 * len(HARMONICS))
        self._wave = _wave_table()
        self._edge = round(EDGE_S * sample_rate_hz)
        ramp = np.arange(self._edge + 1) / self._edge
        self._shape = (0.5 - 0.5 * np.cos(np.pi * ramp)).astype(np.float32)
        glide = round(GLIDE_S * sample_rate_hz)
        self._pitch = _Glide(glide)
        self._level = _Glide(glide)
        self._command = ToneCommand(0.0, None, 0.0)
        self._phase = np.uint32(0)
        self._gate = 0  # place on the edge: 0 is closed, self._edge is open
        self._beep_phase = 0
        self._beep_step = 1

    def render(self, command: ToneCommand, n: int) -> NDArray[np.int16]:
        """The next n samples, during which `command` holds.

        Returns:
            int16, shape (n,).

        Raises:
            ValueError: if the command cannot be played: a pitch whose harmonics do not fit under the
                Nyquist frequency, a level outside 0 to 1, or fewer than 0 samples.
        """
        if n < 0:
            raise ValueError(f"{n} samples: expected 0 or more")
        if n == 0:  # a command that holds for no time has no effect
            return np.zeros(0, np.int16)
        if command != self._command:
            self._check(command)
            self._change(command)
        pcm = np.empty(n, np.int16)
        for start in range(0, n, _BLOCK):
            self._render_block(pcm[start : start + _BLOCK])
        return pcm

    def _check(self, command: ToneCommand) -> None:
        if not 0.0 < command.pitch_hz <= self.highest_pitch_hz:
            limit = f"expected above 0 and at most {self.highest_pitch_hz:g} Hz"
            raise ValueError(f"a pitch of {command.pitch_hz:g} Hz: {limit}")
        if not 0.0 <= command.level <= 1.0:
            raise ValueError(f"a level of {command.level:g}: expected 0 to 1")
        if command.beep_hz is not None and not 0.0 < command.beep_hz * 4 * EDGE_S <= 1.0:
            limit = f"expected above 0 and at most {1 / (4 * EDGE_S):.3g}, or None"
            raise ValueError(f"{command.beep_hz:g} beeps a second: {limit}")

    def _change(self, command: ToneCommand) -> None:
        """Take up a new command at the present sample."""
        previous, self._command = self._command, command
        move = _Glide.aim if self._gate else _Glide.jump  # what nobody hears need not glide
        move(self._pitch, command.pitch_hz)
        if command.level == 0.0:
            return  # the gate closes with its own edge, and the level stays for it
        move(self._level, command.level)
        if command.beep_hz is None:
            return
        if previous.level == 0.0 or previous.beep_hz is None:
            self._beep_phase = 0  # lift begins with a beep, at once
        self._beep_step = max(1, round(command.beep_hz / self.sample_rate_hz * _BEEP_TURN))

    def _render_block(self, out: NDArray[np.int16]) -> None:
        gate = self._take_gate(out.size)
        level = np.asarray(self._level.take(out.size), np.float32)
        phase = self._take_phase(out.size, silent=gate is None)
        if gate is None or phase is None:
            out[:] = 0
            return
        wave = self._wave.take(phase >> (_PHASE_BITS - _TABLE_BITS))
        # Rounded, not truncated: truncation towards zero is a distortion that quiet tones make audible.
        np.rint(wave * (gate * level), out=out, casting="unsafe")

    def _take_phase(self, n: int, silent: bool) -> NDArray[np.uint32] | None:
        """The oscillator at the next n samples; it runs on, uncounted, where nothing sounds."""
        pitch_hz = self._pitch.take(n)
        per_hz = 2.0**_PHASE_BITS / self.sample_rate_hz
        if isinstance(pitch_hz, float):
            step = int(pitch_hz * per_hz)
            phase = None if silent else self._phase + _COUNT[1 : n + 1] * np.uint32(step)
            self._phase = np.uint32((int(self._phase) + n * step) % (1 << _PHASE_BITS))
            return phase
        phase = (pitch_hz * per_hz).astype(np.uint32)
        np.cumsum(phase, out=phase)
        phase += self._phase
        self._phase = phase[-1]
        return phase

    def _take_gate(self, n: int) -> NDArray[np.float32] | None:
        """How far the gate is open at the next n samples, 0 to 1; None if it stays closed."""
        gate = np.empty(n, np.float32)
        heard = False
        at = 0
        while at < n:
            opening, span = self._gate_span(n - at)
            part = gate[at : at + span]
            if opening:
                moving = min(span, self._edge - self._gate)
                part[:moving] = self._shape[self._gate + 1 : self._gate + 1 + moving]
                part[moving:] = 1.0
                self._gate += moving
                heard = True
            else:
                moving = min(span, self._gate)
                part[:moving] = self._shape[::-1][self._edge - self._gate + 1 :][:moving]
                part[moving:] = 0.0
                self._gate -= moving
                heard = heard or moving > 0
            at += span
        return gate if heard else None

    def _gate_span(self, most: int) -> tuple[bool, int]:
        """Whether the gate is opening (or open) now, and for how many samples, `most` at the most."""
        if self._command.level == 0.0:
            return False, most
        if self._command.beep_hz is None:
            return True, most
        opening = self._beep_phase < _BEEP_ON
        left = (_BEEP_ON if opening else _BEEP_TURN) - self._beep_phase
        span = min(most, -(-left // self._beep_step))
        self._beep_phase = (self._beep_phase + span * self._beep_step) % _BEEP_TURN
        return opening, span
