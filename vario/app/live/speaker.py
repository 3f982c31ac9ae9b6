"""A sound device that may be missing at the start: the flight does not wait for it."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable

from vario.flight.tone import ToneCommand
from vario.sound.errors import SoundError
from vario.sound.sink import Sink

LOG = logging.getLogger("vario.live")

RETRY_S = 5.0


class Speaker:
    """Plays on a sink as soon as it can be made; until then, silently passes over what it is given.

    A sink that loses its device finds it again by itself.

    Args:
        make: opens the sink; raises SoundError while that is not possible.
        retry_s: how often it is tried.
    """

    def __init__(self, make: Callable[[], Sink], retry_s: float = RETRY_S) -> None:
        self._make = make
        self._retry_s = retry_s
        self._keeper: threading.Thread | None = None
        self._sink: Sink | None = None
        self._ends = threading.Event()
        self.problem: str | None = None
        """Why nothing is heard; None if something is."""
        self._refused = False
        if not self._open():
            self._keeper = threading.Thread(target=self._keep, name="speaker", daemon=True)
            self._keeper.start()

    def play(self, command: ToneCommand, duration_s: float = 0.0) -> None:
        """Let a command sound, if there is a device."""
        if self._sink is None:
            return
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

    def _open(self) -> bool:
        try:
            self._sink = self._make()
        except SoundError as error:
            if self.problem is None:
                LOG.error("sound: %s. Flying on in silence", error)
            self.problem = str(error)
            return False
        if self.problem is not None:
            LOG.warning("sound: the device is there now")
        self.problem = None
        return True

    def _keep(self) -> None:
        while not self._ends.wait(self._retry_s) and not self._open():
            pass
