"""Messages to the service manager: ready, alive, status.

Each message is one datagram to the socket named in the environment (systemd, sd_notify(3)). Without such
a socket, as in a manual start, nothing is sent.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress


class Notifier:
    """Sends messages to the service manager. A message that cannot be sent is dropped.

    Args:
        environment: contains NOTIFY_SOCKET and WATCHDOG_USEC.
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        address = environment.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the zero byte of an abstract socket.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if self._address:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)
        self.alive_every_s = _alive_every_s(environment)
        """Interval at which `alive` must be called; None: never."""

    def ready(self) -> None:
        """Start-up is complete."""
        self._send("READY=1")

    def alive(self, status: str) -> None:
        """Report that the program is running, with its status in one line."""
        self._send(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """Report that the program is ending."""
        self._send("STOPPING=1")

    def close(self) -> None:
        """Close the socket."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def _send(self, message: str) -> None:
        if self._socket is None:
            return
        with suppress(OSError):  # the manager detects the missing message, and the flight continues
            self._socket.sendto(message.encode(), self._address)


def _alive_every_s(environment: Mapping[str, str]) -> float | None:
    """Half the watchdog time, as sd_watchdog_enabled(3) recommends."""
    text = environment.get("WATCHDOG_USEC", "")
    meant_for = environment.get("WATCHDOG_PID", str(os.getpid()))
    return int(text) / 2e6 if text.isdigit() and meant_for == str(os.getpid()) else None
