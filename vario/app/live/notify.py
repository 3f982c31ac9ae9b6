"""Talking to the service manager: ready, alive, what is going on.

One datagram a message to the socket that the environment names (systemd, sd_notify(3)). Without one, as when
started by hand, nothing happens.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class Notifier:
    """Sends messages to the service manager; what cannot be sent is dropped.

    Args:
        environment: where NOTIFY_SOCKET and WATCHDOG_USEC stand.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the zero byte of a socket that is in no file system.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self.alive_every_s = _alive_every_s(environment)
        """How often `alive` is wanted; None: never."""

    def ready(self) -> None:
        """Start-up is complete."""
        self._send("READY=1")

    def alive(self, status: str) -> None:
        """Still running, and how it is, in one line."""
        self._send(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """About to end."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """No more messages."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> None:
        if self._socket is None:
            return
        with suppress(OSError):  # the manager will notice soon enough, and the flight goes on
            self._socket.sendto(message.encode(), self._address)


def _alive_every_s(environment: Mapping[str, str]) -> float | None:
    """Twice in the manager's patience, as sd_watchdog_enabled(3) recommends."""
    text = environment.get("WATCHDOG_USEC", "")
    meant_for = environment.get("WATCHDOG_PID", str(os.getpid()))
    return int(text) / 2e6 if text.isdigit() and meant_for == str(os.getpid()) else None
