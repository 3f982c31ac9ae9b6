"""From tone commands to PCM: phase-continuous, free of clicks, and the same for any block size.

The tone is a wave read from a table times an envelope: the gate of its rhythm, which opens and closes with
soft edges, and the level, corrected for how the ear weighs pitches. Pitch, level and cadence glide to a new
command instead of jumping. Cues are added on top.

The limiter needs no look ahead and does not distort: the envelopes of tone and cue are known before they
are heard, so the tone is given the room the cue leaves, and the sum never passes full scale.

Every sample depends on the commands and on sample counts alone, never on how the calls were cut into
blocks: the oscillator and the beep clock are integers, and everything else is a formula of integer
counters. So the same flight always gives the same bytes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vario.flight.cues import Cue
from vario.flight.tone import ToneCommand, Voice
from vario.sound.cue_player import CuePlayer
from vario.sound.glide import Glide
from vario.sound.rhythm import Rhythm
from vario.sound.timbre import TIMBRES, waves

GLIDE_S = 0.020
"""How long pitch, level and cadence take to reach a new command: the time to the next one in flight, and no
longer than the delay a player of an instrument begins to notice, 20 to 30 ms (Maki-Patola and Hamalainen,
ICMC 2004)."""

HEADROOM = 0.97
"""Share of full scale that tone and cues may use together."""

FASTEST_HZ = 15.0
"""Beeps a second above which edges would run into each other; the settings stay below."""

_PHASE_BITS = 32  # of the oscillator: one turn is 2^32, and unsigned arithmetic wraps where a turn ends
_BLOCK = 1 << 14  # samples rendered at once: keeps working memory small and in the cache


class Synth:
    """Renders tone commands one after the other.

    Args:
        sample_rate_hz: samples a second; at least 22050 Hz so that the partials of the highest pitch fit.
    """

    def __init__(self, sample_rate_hz: int = 22050) -> None:
        if sample_rate_hz < 22050:
            raise ValueError(f"a sample rate of {sample_rate_hz} Hz: expected 22050 Hz or more")
        self.sample_rate_hz = sample_rate_hz
        glide = round(GLIDE_S * sample_rate_hz)
        self._waves = waves()
        self._pitch = Glide(glide)
        self._level = Glide(glide)
        self._rhythm = Rhythm(sample_rate_hz, glide)
        self._cues = CuePlayer(sample_rate_hz)
        self._cue_number: int | None = None
        self._command = ToneCommand(440.0, None, 0.0)
        self._voice = Voice.LIFT
        self._phase = np.uint32(0)
        self._table_shift = _PHASE_BITS - int(self._waves[Voice.LIFT].table.size).bit_length() + 1

    def check(self, command: ToneCommand) -> None:
        """Refuse a command that cannot be played.

        Raises:
            ValueError: a pitch whose partials do not fit below half the sample rate, a level outside 0 to 1,
                or a cadence too fast for separate beeps.
        """
        highest_hz = TIMBRES[command.voice].highest_pitch_hz(self.sample_rate_hz)
        if not 0.0 < command.pitch_hz <= highest_hz:
            limit = f"expected above 0 and at most {highest_hz:g} Hz"
            raise ValueError(f"a pitch of {command.pitch_hz:g} Hz: {limit}")
        for level in (command.level, command.cue_level, command.warning_level):
            if not 0.0 <= level <= 1.0:
                raise ValueError(f"a level of {level:g}: expected 0 to 1")
        if command.beep_hz is not None and not 0.0 < command.beep_hz <= FASTEST_HZ:
            limit = f"expected above 0 and at most {FASTEST_HZ:g}, or None"
            raise ValueError(f"{command.beep_hz:g} beeps a second: {limit}")

    def start_cue(self, cue: Cue, level: float) -> None:
        """Begin a cue at the next sample, besides those the commands call for."""
        self._cues.start(cue, level)

    def render(self, command: ToneCommand, n: int) -> NDArray[np.int16]:
        """The next n samples, during which `command` holds.

        Returns:
            int16, shape (n,).

        Raises:
            ValueError: if the command cannot be played (see `check`), or for fewer than 0 samples.
        """
        if n < 0:
            raise ValueError(f"{n} samples: expected 0 or more")
        pcm = np.zeros(n, np.int16)
        if n == 0:  # a command that holds for no time has no effect
            return pcm
        if command != self._command:
            self.check(command)
            self._command = command
            self._call_cue(command)
            self._take_up()
        at = 0
        while at < n:
            span = min(n - at, _BLOCK)
            if self._waits:
                if self._rhythm.is_closed:
                    self._take_up()
                else:
                    span = min(span, self._rhythm.samples_to_close)
            self._render_block(pcm[at : at + span])
            at += span
        return pcm

    @property
    def _waits(self) -> bool:
        """Whether another voice is to speak as soon as this one has fallen silent."""
        return self._command.level > 0.0 and self._command.voice is not self._voice

    def _call_cue(self, command: ToneCommand) -> None:
        if command.cue is not None and command.cue.number != self._cue_number:
            self._cue_number = command.cue.number
            level = command.warning_level if command.cue.is_warning else command.cue_level
            self._cues.start(command.cue.cue, level)

    def _take_up(self) -> None:
        """Let the command take effect at the present sample, as far as it can without a click."""
        command, closed = self._command, self._rhythm.is_closed
        if command.level == 0.0:
            self._rhythm.close()
            if closed:
                self._pitch.jump(command.pitch_hz)
            return  # while the gate closes, pitch and level stay what they are
        if self._waits and not closed:
            self._rhythm.close()
            return
        self._voice = command.voice
        level = command.level * HEADROOM * self._waves[self._voice].amplitude(command.pitch_hz)
        move = Glide.jump if closed else Glide.aim  # what nobody hears need not glide
        move(self._pitch, command.pitch_hz)
        move(self._level, level)
        if command.beep_hz is None:
            self._rhythm.hold()
        else:
            self._rhythm.beep(command.beep_hz, TIMBRES[self._voice].notes)

    def _render_block(self, out: NDArray[np.int16]) -> None:
        n = out.size
        if self._rhythm.is_silent and self._pitch.is_steady and self._cues.is_silent:
            # As below, without writing down what nobody hears: `out` holds zeros already.
            self._level.take(n)
            step = int(self._pitch.target * (2.0**_PHASE_BITS / self.sample_rate_hz))
            self._phase = np.uint32((int(self._phase) + n * step) % 2**_PHASE_BITS)
            return
        pitch_hz = np.empty(n)
        pitch_hz[:] = self._pitch.take(n)
        level = self._level.take(n)
        gate = self._rhythm.take(n, pitch_hz)
        cue = self._cues.take(n)
        phase = self._take_phase(pitch_hz)
        if gate is None and cue is None:
            return
        mixed = np.zeros(n, np.float32)
        if gate is not None:
            envelope = gate * np.asarray(level, np.float32)
            if cue is not None:
                envelope *= cue.room
                np.minimum(envelope, HEADROOM - cue.envelope * np.float32(HEADROOM), out=envelope)
            np.multiply(self._waves[self._voice].table.take(phase >> self._table_shift), envelope, out=mixed)
        if cue is not None:
            mixed += cue.samples * np.float32(HEADROOM)
        mixed *= 32767.0
        # Rounded, not truncated: truncation towards zero is a distortion that quiet tones make audible.
        np.rint(mixed, out=out, casting="unsafe")

    def _take_phase(self, pitch_hz: NDArray[np.float64]) -> NDArray[np.uint32]:
        """The oscillator at the next samples; it runs on where nothing sounds."""
        pitch_hz *= 2.0**_PHASE_BITS / self.sample_rate_hz
        phase = pitch_hz.astype(np.uint32)
        np.cumsum(phase, out=phase)
        phase += self._phase
        self._phase = phase[-1]
        return phase
