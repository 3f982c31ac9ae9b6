"""The sound of the flight. Its device may be missing at the start or be lost in flight."""

from __future__ import annotations

import logging
from collections.abc import Callable

from vario.app.outlet import FIRST_RETRY_S, Outlet
from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundError
from vario.sound.sink import Device

LOG = logging.getLogger("vario.live")

GONE = "the sound device is lost"


class Speaker:
    """Plays on a device as soon as it can be opened. Earlier commands are dropped.

    Args:
        make: opens the device; raises SoundError if that is not possible.
        retry_s: see `Outlet`.
    """

    def __init__(self, make: Callable[[], Device], retry_s: float = FIRST_RETRY_S) -> None:
        self._make = make
        self._latest: Device | None = None
        self._earlier_underruns = 0
        self._refused = False
        self._outlet: Outlet[Device] = Outlet(
            "sound",
            self._open,
            _problem_of,
            lambda device: device.is_lost,
            without="in silence",
            retry_s=retry_s,
        )

    @property
    def problem(self) -> str | None:
        """Why there is no sound; None if there is sound or none is intended."""
        return self._outlet.problem

    @property
    def underruns(self) -> int:
        """Blocks that were too late for the device; each may be audible as a click."""
        return self._earlier_underruns + (0 if self._latest is None else self._latest.underruns)

    def play(self, command: ToneCommand, duration_s: float = 0.0) -> None:
        """Play a command, if there is a device."""
        try:
            self._outlet.give(lambda device: device.play(command, duration_s))
        except (ValueError, SoundError) as error:
            if not self._refused:
                LOG.error("sound: %s", error)
            self._refused = True

    def close(self) -> None:
        """Silence."""
        self._outlet.close()

    def _open(self) -> Device:
        device = self._make()
        if self._latest is not None:
            self._earlier_underruns += self._latest.underruns
        self._latest = device
        return device


def _problem_of(device: Device) -> str | None:
    return None if device.is_playing else GONE
