"""Convert commands to blocks of samples, for a device that requests samples when it needs them.

Time is the number of samples that the device has taken. If no command arrives for half a second, the tone
stops, because it may no longer be true. Then the sensor-lost cue sounds.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand
from vario.sound.synth import Synth
from vario.sound.word_bank import WordBank

STALE_AFTER_S = 0.5
"""An older command is not played any more."""

LOST_AFTER_S = 0.7
"""The cue sounds this long after the last command."""

LOST_AGAIN_S = 20.0
"""Interval at which the cue is repeated until a command arrives."""


FIRST_WITHIN_S = 10.0
"""The cue also sounds if no command arrives this long after the start: silence alone means still air."""


class BlockPlayer:
    """Holds the latest command. One thread may call `put` while another calls `fill`.

    No lock is needed: a command is handed over by one assignment, which is atomic in Python.
    """

    def __init__(self, sample_rate_hz: int, words: WordBank | None = None) -> None:
        self.sample_rate_hz = sample_rate_hz
        self._synth = Synth(sample_rate_hz, words)
        self._latest: tuple[ToneCommand, int] | None = None
        self._count = 0
        self._taken: tuple[ToneCommand, int] | None = None
        self._age = 0
        self._next_cue = 0

    def put(self, command: ToneCommand) -> None:
        """Play `command` from the next block on.

        Raises:
            ValueError: if it cannot be played.
        """
        self._synth.check(command)
        self._count += 1
        self._latest = (command, self._count)

    def fill(self, n: int) -> NDArray[np.int16]:
        """The next n samples."""
        latest = self._latest
        if latest is None:
            self._age += n
            if self._age >= FIRST_WITHIN_S * self.sample_rate_hz:
                self.put(ToneCommand(440.0, None, 0.0))  # silence, which expires like any other command
            return np.zeros(n, np.int16)
        if latest is not self._taken:
            self._taken = latest
            self._age, self._next_cue = 0, round(LOST_AFTER_S * self.sample_rate_hz)
        command = latest[0]
        if self._age >= STALE_AFTER_S * self.sample_rate_hz:
            command = replace(command, level=0.0)
            if self._age >= self._next_cue:
                self._next_cue += round(LOST_AGAIN_S * self.sample_rate_hz)
                self._synth.start_cue(Cue.SENSOR_LOST, command.warning_level)
        self._age += n
        return self._synth.render_all([(command, n)])  # `put` has checked the command
