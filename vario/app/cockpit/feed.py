"""Send readings to the server of the live page, without waiting."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import orjson

from vario.app.cockpit.state import state_of, status_of
from vario.app.live.status import Status
from vario.app.outputs.pacer import Pacer
from vario.flight.reading import Reading
from vario.settings.schema import Settings

RATE_HZ = 10.0
STATUS_EVERY = 10
"""Recorder and sound are looked at with every tenth message."""


class Feed:
    """Sends ten messages per second.

    Args:
        send: sends a message or drops it; never waits.
        settings: gives the settings in force.
        status: gives the status of the run at a time.
        emulated: the flight is an emulation; the page says so.
        now_s: a clock by which the browser detects messages that arrive late.
    """

    def __init__(
        self,
        send: Callable[[bytes], object],
        settings: Callable[[], Settings],
        status: Callable[[float], Status],
        *,
        emulated: bool = False,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self._send = send
        self._settings = settings
        self._status = status
        self._now_s = now_s
        self._pacer = Pacer(RATE_HZ)
        self._sent = 0
        self._emulated = emulated
        self._known: dict[str, Any] = {}

    def update(self, reading: Reading) -> None:
        """Send this reading if it is due."""
        if not self._pacer.due(reading.t_s):
            return
        if self._sent % STATUS_EVERY == 0:
            self._known = {"emulated": self._emulated, **status_of(self._status(reading.t_s))}
        self._sent += 1
        state = state_of(reading, self._settings())
        self._send(orjson.dumps({"sent": self._now_s(), **self._known, **state}))
