"""From tone commands to PCM: phase-continuous, free of clicks, and the same for any block size.

The tone is a wave from a table, multiplied by an envelope. The envelope is the product of the gate of the
rhythm, which opens and closes with soft edges, and the level, which is corrected for the sensitivity of the
ear at each pitch. Pitch, level and beep rate glide to a new command instead of jumping. Cues are added.

The limiter needs no look-ahead and does not distort: the envelopes of tone and cue are known in advance, so
the tone is lowered to what the cue leaves of full scale, and the sum never exceeds it.

Every sample depends only on the commands and on sample counts, not on the sizes of the blocks: the oscillator
and the beep clock are integers, and everything else is a formula of integer counters. Pitches, levels and
rates are rounded to a grid first (see `grid`). Therefore the same flight gives the same bytes on every
processor.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand, Voice
from vario.sound.cue_player import CuePlayer
from vario.sound.grid import on_grid
from vario.sound.ramp import Ramp
from vario.sound.rhythm import Rhythm
from vario.sound.timbre import TIMBRES, waves
from vario.sound.word_bank import WordBank

GLIDE_S = 0.020
"""Time in which pitch, level and beep rate reach a new command. It equals the interval of the commands in
flight, and does not exceed the delay that a player of an instrument begins to notice, 20 to 30 ms
(Maki-Patola and Hamalainen, ICMC 2004).
"""

HEADROOM = 0.97
"""Share of full scale for tone and cues together."""

LOWEST_RATE_HZ = 22_050
"""Lowest sample rate, at which the partials of the highest pitch fit. Sound files have it."""

FASTEST_HZ = 15.0
"""Beep rate in 1/s above which the edges of a beep would overlap. The ranges of the settings are lower."""

_PHASE_BITS = 32  # of the oscillator: one period is 2^32, so unsigned arithmetic wraps at its end
_BLOCK = 1 << 14  # samples rendered at once: limits the working memory so that it fits the cache

Step = tuple[ToneCommand, int]
"""A command and the number of samples for which it is in force."""


@dataclass(slots=True)
class _ToneStretch:
    """Samples that can be rendered together.

    Attributes:
        begins_closed: whether the gate is closed before the first sample.
        steps: commands with their numbers of samples; None: the previous command continues.
        n: total number of samples.
    """

    begins_closed: bool
    steps: list[tuple[ToneCommand | None, int]] = field(default_factory=list)
    n: int = 0


class Synth:
    """Renders a sequence of tone commands.

    Args:
        sample_rate_hz: samples per second; at least `LOWEST_RATE_HZ`.
        words: recorded words at this rate, for speech; None: nothing is said.
    """

    def __init__(self, sample_rate_hz: int = LOWEST_RATE_HZ, words: WordBank | None = None) -> None:
        if sample_rate_hz < LOWEST_RATE_HZ:
            raise ValueError(f"a sample rate of {sample_rate_hz} Hz: expected {LOWEST_RATE_HZ} Hz or more")
        self.sample_rate_hz = sample_rate_hz
        glide = round(GLIDE_S * sample_rate_hz)
        self._highest_hz = {voice: TIMBRES[voice].highest_pitch_hz(sample_rate_hz) for voice in Voice}
        self._waves = waves()
        self._pitch = Ramp(glide)
        self._level = Ramp(glide)
        self._rhythm = Rhythm(sample_rate_hz, glide)
        self._cues = CuePlayer(sample_rate_hz)
        self._cue_number: int | None = None
        self._word_bank = words
        self._speech_number: int | None = None
        self._command = ToneCommand(440.0, None, 0.0)
        self._voice = Voice.LIFT
        self._phase = np.uint32(0)
        self._table_shift = _PHASE_BITS - int(self._waves[Voice.LIFT].table.size).bit_length() + 1

    def check(self, command: ToneCommand) -> None:
        """Check that a command can be played.

        Raises:
            ValueError: for a pitch whose partials exceed half the sample rate, a level outside 0
                to 1, or a beep rate too high for separate beeps.
        """
        highest_hz = self._highest_hz[command.voice]
        if not 0.0 < command.pitch_hz <= highest_hz:
            limit = f"expected above 0 and at most {highest_hz:g} Hz"
            raise ValueError(f"a pitch of {command.pitch_hz:g} Hz: {limit}")
        for level in (command.level, command.cue_level, command.warning_level, command.speech_level):
            if not 0.0 <= level <= 1.0:
                raise ValueError(f"a level of {level:g}: expected 0 to 1")
        if command.beep_hz is not None and not 0.0 < command.beep_hz <= FASTEST_HZ:
            limit = f"expected above 0 and at most {FASTEST_HZ:g}, or None"
            raise ValueError(f"{command.beep_hz:g} beeps a second: {limit}")

    def start_cue(self, cue: Cue, level: float) -> None:
        """Start a cue at the next sample, in addition to those in the commands."""
        self._cues.start(cue, level)

    def render(self, command: ToneCommand, n: int) -> NDArray[np.int16]:
        """The next n samples, with `command` in force.

        Returns:
            int16, shape (n,).

        Raises:
            ValueError: if the command cannot be played (see `check`), or for fewer than 0
                samples.
        """
        if n < 0:
            raise ValueError(f"{n} samples: expected 0 or more")
        if command != self._command and n > 0:
            self.check(command)
        return self.render_all([(command, n)])

    def render_all(self, steps: Iterable[Step]) -> NDArray[np.int16]:
        """The next samples for a sequence of commands.

        The result equals that of `render` called for each command, bit for bit, but costs much
        less time.

        Args:
            steps: commands that pass `check`; one with 0 samples has no effect.

        Returns:
            int16, one value per sample of all steps.
        """
        waiting = deque([step for step in steps if step[1] > 0])
        pcm = np.zeros(sum([n for _, n in waiting]), np.int16)
        at = 0
        while waiting:
            stretch = self._next_stretch(waiting)
            self._render_stretch(stretch, pcm[at : at + stretch.n])
            at += stretch.n
        return pcm

    def _next_stretch(self, waiting: deque[Step]) -> _ToneStretch:
        """Take from `waiting` what can be rendered together, and update the rhythm.

        A stretch ends before a command whose effect depends on the future state of gate and beep
        clock.
        """
        command, n = waiting.popleft()
        stretch = _ToneStretch(self._rhythm.is_closed)
        if command != self._command:
            self._call_cue(command)
            self._command = command
            takes_effect = True
        else:
            takes_effect = self._waits and stretch.begins_closed
        if takes_effect:
            self._take_up(command)
        room = _BLOCK
        if self._waits:  # wait until the gate has closed
            takes_effect, room = False, min(_BLOCK, self._rhythm.samples_to_close)
        if n > room:
            waiting.appendleft((command, n - room))
            n = room
        self._go_on(stretch, command if takes_effect else None, n)
        while waiting and stretch.n + waiting[0][1] <= room and not self._waits:
            command, n = waiting[0]
            if command == self._command:
                self._go_on(stretch, None, n)
            elif self._only_steers(command):
                self._command = command
                self._take_up(command)
                self._go_on(stretch, command, n)
            else:
                break
            waiting.popleft()
        return stretch

    def _go_on(self, stretch: _ToneStretch, command: ToneCommand | None, n: int) -> None:
        stretch.steps.append((command, n))
        stretch.n += n
        self._rhythm.go_on(n)

    @property
    def _waits(self) -> bool:
        """Whether another voice must start as soon as the present one is silent."""
        return self._command.level > 0.0 and self._command.voice is not self._voice

    def _only_steers(self, command: ToneCommand) -> bool:
        """Whether a command changes only pitch, level and beep rate of the present sound."""
        before = self._command
        if command.cue is not None and command.cue.number != self._cue_number:
            return False
        if command.speech is not None and command.speech.number != self._speech_number:
            return False
        if command.level == 0.0 or before.level == 0.0:
            return command.level == before.level
        if command.voice is not self._voice:
            return False
        if command.beep_hz is None or before.beep_hz is None:
            return command.beep_hz is before.beep_hz
        return self._rhythm.only_steers(command.beep_hz)

    def _call_cue(self, command: ToneCommand) -> None:
        if command.cue is not None and command.cue.number != self._cue_number:
            self._cue_number = command.cue.number
            level = command.warning_level if command.cue.is_warning else command.cue_level
            self._cues.start(command.cue.cue, level)
        if command.speech is not None and command.speech.number != self._speech_number:
            self._speech_number = command.speech.number
            sound = None if self._word_bank is None else self._word_bank.sentence(command.speech.words)
            if sound is not None:
                self._cues.speak(sound, command.speech_level)

    def _take_up(self, command: ToneCommand) -> None:
        """Apply the command to voice and rhythm, as far as this is possible without a click."""
        if command.level == 0.0 or (self._waits and not self._rhythm.is_closed):
            self._rhythm.close()
            return
        self._voice = command.voice
        if command.beep_hz is None:
            self._rhythm.hold()
        else:
            self._rhythm.beep(command.beep_hz, TIMBRES[self._voice].notes)

    def _render_stretch(self, stretch: _ToneStretch, out: NDArray[np.int16]) -> None:
        n = stretch.n
        gate, ratio = self._rhythm.take(n)
        self._steer(stretch, gate)
        cue = self._cues.take(n)
        phase = self._take_phase(n, ratio)
        level = None if gate is None else self._level.values(n)
        self._level.drop()
        if gate is None and cue is None:
            return
        if gate is not None:
            envelope = gate
            envelope *= np.asarray(level, np.float32)
            if cue is not None:
                envelope *= cue.room
                np.minimum(envelope, HEADROOM - cue.envelope * np.float32(HEADROOM), out=envelope)
            phase >>= self._table_shift
            mixed = self._waves[self._voice].table.take(phase)
            mixed *= envelope
        else:
            mixed = np.zeros(n, np.float32)
        if cue is not None:
            mixed += cue.samples * np.float32(HEADROOM)
        mixed *= 32767.0
        # Rounded, because truncation towards zero causes a distortion that is audible in quiet tones.
        np.rint(mixed, out=out, casting="unsafe")

    def _steer(self, stretch: _ToneStretch, gate: NDArray[np.float32] | None) -> None:
        """Set the targets of pitch and level from the commands; they jump while nothing is audible."""
        pitches_hz = [on_grid(command.pitch_hz) for command, _ in stretch.steps if command is not None]
        amplitudes = self._waves[self._voice].amplitudes_at(pitches_hz) if pitches_hz else ()
        tones = zip(pitches_hz, amplitudes, strict=True)
        at = 0
        for command, n in stretch.steps:
            if command is not None:
                is_closed = stretch.begins_closed if at == 0 else gate is None or gate[at - 1] == 0.0
                pitch_hz, amplitude = next(tones)
                if command.level > 0.0:
                    move = Ramp.jump if is_closed else Ramp.aim
                    move(self._pitch, pitch_hz)
                    move(self._level, on_grid(command.level) * HEADROOM * amplitude)
                elif is_closed:  # while the gate is closing, pitch and level do not change
                    self._pitch.jump(pitch_hz)
            self._pitch.go_on(n)
            self._level.go_on(n)
            at += n

    def _take_phase(self, n: int, ratio: NDArray[np.float64] | float) -> NDArray[np.uint32]:
        """The phase of the oscillator at the next samples; it also advances during silence."""
        pitch_hz = self._pitch.values(n)
        self._pitch.drop()
        if isinstance(ratio, np.ndarray) or ratio != 1.0:
            pitch_hz = pitch_hz * ratio
        step = pitch_hz * (2.0**_PHASE_BITS / self.sample_rate_hz)
        phase = step.astype(np.uint32) if isinstance(step, np.ndarray) else np.full(n, int(step), np.uint32)
        np.add.accumulate(phase, out=phase)  # unlike `cumsum`, in 32 bits
        phase += self._phase
        self._phase = phase[-1]
        return phase
