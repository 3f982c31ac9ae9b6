"""A sound card made of a pipe, which takes samples in real time, for another program.

The null device of ALSA takes samples at any speed, so that a program that plays on it never waits.
"""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

from tests.support.sound_card import RATE_HZ, alsa_environment

_BYTES_PER_S = 2 * RATE_HZ
_MOST_AT_ONCE_S = 1.0
"""A reader that was delayed for longer than this skips the past time."""


class Panel:
    """The card.

    Attributes:
        environment: for the program that is to play on it.
        heard_s: duration of sound played.
        silent_s: duration of silence in it.
        late: how often no sample was available when one was due.

    Args:
        folder: folder for its files.
    """

    def __init__(self, folder: Path) -> None:
        pipe = folder / "card"
        os.mkfifo(pipe)
        self.environment = alsa_environment(pipe, folder)
        self.late = 0
        self._heard = self._silent = 0
        self._due_s: float | None = None
        self._end = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
        fcntl.fcntl(self._end, fcntl.F_SETPIPE_SZ, 8192)  # 46 to 93 ms: a page is free when all of it is read

    @property
    def heard_s(self) -> float:
        return self._heard / _BYTES_PER_S

    @property
    def silent_s(self) -> float:
        return self._silent / _BYTES_PER_S

    def play(self) -> None:
        """Read the samples that are due now."""
        now_s = time.monotonic()
        if self._due_s is None or now_s - self._due_s > _MOST_AT_ONCE_S:
            self._due_s = now_s
        wanted = int((now_s - self._due_s) * RATE_HZ) * 2
        while wanted > 0:
            try:
                got = os.read(self._end, wanted)
            except BlockingIOError:
                got = b""
            if not got:
                self.late += bool(self._heard)
                self._due_s = now_s
                return
            self._heard += len(got)
            self._silent += 0 if any(got) else len(got)
            self._due_s += len(got) / _BYTES_PER_S
            wanted -= len(got)

    def close(self) -> None:
        """Call this after the end of the program, because the device ends the whole process if its reader has
        gone.
        """
        os.close(self._end)
