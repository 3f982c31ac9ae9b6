"""A sound device that may be missing at the start or go in flight: the flight does not wait for it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundError
from vario.sound.sink import Device

LOG = logging.getLogger("vario.live")

RETRY_S = 5.0

GONE = "the sound device has gone"


class Speaker:
    """Plays on a sink as soon as it can be made; until then, silently passes over what it is given.

    A sink that loses its device finds it again by itself; here it is told.

    Args:
        make: opens the sink; raises SoundError while that is not possible.
        retry_s: how often it is tried.
    """

    def __init__(self, make: Callable[[], Device], retry_s: float = RETRY_S) -> None:
        self._make = make
        self._retry_s = retry_s
        self._keeper: threading.Thread | None = None
        self._sink: Device | None = None
        self._ends = threading.Event()
        self._problem: str | None = None
        self._refused = False
        self._gone = False
        if not self._open():
            self._keeper = threading.Thread(target=self._keep, name="speaker", daemon=True)
            self._keeper.start()

    @property
    def problem(self) -> str | None:
        """Why nothing is heard; None if something is, or nothing is meant to."""
        if self._sink is not None and not self._sink.is_playing:
            return GONE
        return self._problem

    @property
    def underruns(self) -> int:
        """Blocks that came too late for the device; each may have been heard as a click."""
        return 0 if self._sink is None else self._sink.underruns

    def play(self, command: ToneCommand, duration_s: float = 0.0) -> None:
        """Let a command sound, if there is a device."""
        if self._sink is None:
            return
        self._tell(gone=not self._sink.is_playing)
        try:
            self._sink.play(command, duration_s)
        except (ValueError, SoundError) as error:
            if not self._refused:
                LOG.error("sound: %s", error)
            self._refused = True

    def close(self) -> None:
        """Silence."""
        self._ends.set()
        if self._keeper is not None:
            self._keeper.join()
        if self._sink is not None:
            self._sink.close()

    def _tell(self, *, gone: bool) -> None:
        if gone == self._gone:
            return
        self._gone = gone
        if gone:
            LOG.error("sound: %s. Flying on in silence", GONE)
        else:
            LOG.warning("sound: the device is back")

    def _open(self) -> bool:
        try:
            self._sink = self._make()
        except SoundError as error:
            if self._problem is None:
                LOG.error("sound: %s. Flying on in silence", error)
            self._problem = str(error)
            return False
        if self._problem is not None:
            LOG.warning("sound: the device is there now")
        self._problem = None
        return True

    def _keep(self) -> None:
        while not self._ends.wait(self._retry_s) and not self._open():
            pass
