"""A sound card made of a named pipe, for the file device of ALSA."""

import os
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support import missing

RATE_HZ = 44100
ALSA = Path("/usr/share/alsa/alsa.conf")
PIPE_BYTES = 4096  # the smallest a pipe can be: 46 ms, about the buffer of a real device

ASOUNDRC = """
pcm.panel {{ type file file "{pipe}" format "raw" slave.pcm {{ type null }} }}
pcm.!default {{ type plug slave {{ pcm panel format S16_LE channels 1 rate 44100 }} }}
ctl.!default {{ type null }}
"""

NEEDS_ALSA = pytest.mark.skipif(not ALSA.exists(), reason=missing.PORTAUDIO)


def alsa_environment(pipe: Path, folder: Path) -> dict[str, str]:
    """Variables that make a pipe or file the sound card; the folder gets the settings of ALSA for it."""
    rc = folder / "asoundrc"
    rc.write_text(ASOUNDRC.format(pipe=pipe), encoding="utf-8")
    return {"ALSA_CONFIG_PATH": f"{ALSA}:{rc}"}


class Card:
    """The reading end of the pipe."""

    def __init__(self, pipe: Path) -> None:
        self._pipe = pipe
        self.plug_in()

    def plug_in(self) -> None:
        import fcntl  # noqa: PLC0415  (Linux only)

        self._end = os.open(self._pipe, os.O_RDONLY | os.O_NONBLOCK)
        fcntl.fcntl(self._end, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
        os.set_blocking(self._end, True)

    def pull_out(self) -> None:
        os.close(self._end)

    def play(self, seconds: float) -> NDArray[np.int16]:
        """The next samples; time passes for the stream meanwhile."""
        wanted = round(seconds * RATE_HZ) * 2
        parts = []
        while wanted > 0:
            part = os.read(self._end, wanted)  # empty for a moment while the device is not open
            parts.append(part)
            wanted -= len(part)
        return np.frombuffer(b"".join(parts), np.int16)

    def run_while(self, action: Callable[[], None]) -> None:
        """Let time pass while something is done that waits for the device."""
        worker = threading.Thread(target=action)
        worker.start()
        os.set_blocking(self._end, False)
        while worker.is_alive() or self._drain():
            self._drain()
            worker.join(0.001)
        os.set_blocking(self._end, True)

    def _drain(self) -> bool:
        """Read the samples that are available now."""
        try:
            return bool(os.read(self._end, PIPE_BYTES))
        except BlockingIOError:
            return False
