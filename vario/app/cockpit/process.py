"""The server of the live page as a process of its own, started again after a loss."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path

from vario.app.errors import AppError
from vario.app.outlet import FIRST_RETRY_S, Outlet
from vario.settings.output import Network, parse_page_address

MESSAGE_BYTES = 16_384
"""Largest message. A message has about 800 bytes."""

WAITING_BYTES = 65_536
"""Messages may wait for the server in this much memory of the system, about ten seconds. More are dropped."""

STABLE_S = 30.0
"""A server that ends earlier than this after its start is not started again before this time is over."""

END_S = 1.0
"""The server is told to end, and killed after this time."""

LIBRARY = "aiohttp"
INSTALL = "sudo ./install.sh --extras page; without install.sh: pip install 'glider-vario[page]'"
NEEDED = "the page needs the extra page (aiohttp is missing)"


class ServerProcess:
    """One running server and the socket on which it receives messages.

    Args:
        address: where it listens.
        words: its arguments, see `vario/app/cockpit/__main__.py`.

    Raises:
        AppError: if the library is missing or the port cannot be opened.
    """

    def __init__(self, address: Network, words: list[str]) -> None:
        if find_spec(LIBRARY) is None:
            raise AppError(f"{NEEDED}: {INSTALL}")
        listener = opened_port(address)  # here, so that no process is started if the port is in use
        self._ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._ours.setblocking(False)
        self._ours.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, WAITING_BYTES)
        with listener, theirs:
            command = [sys.executable, "-P", "-m", "vario.app.cockpit", *words]
            self._process = subprocess.Popen(  # noqa: S603  (our own program)
                [*command, "--listen", str(listener.fileno())],
                stdin=theirs.fileno(),
                stdout=subprocess.DEVNULL,
                pass_fds=(listener.fileno(),),
            )

    @property
    def problem(self) -> str | None:
        """Why the server does not run; None if it runs."""
        code = self._process.poll()
        return None if code is None else f"its process has ended with code {code}"

    def send(self, message: bytes) -> None:
        """Send, or drop the message if the server is behind or has ended."""
        with suppress(OSError):
            self._ours.send(message, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)

    def close(self) -> None:
        """End the server. It ends when its socket is closed; a server that hangs is killed."""
        self._ours.close()
        with suppress(subprocess.TimeoutExpired):
            self._process.wait(END_S)
            return
        self._process.kill()
        self._process.wait()


def opened_port(address: Network) -> socket.socket:
    """The port of a live page.

    Raises:
        AppError: if it cannot be opened.
    """
    family = socket.AF_INET6 if ":" in address.host else socket.AF_INET
    try:
        return socket.create_server((address.host, address.port), family=family, backlog=16)
    except OSError as error:
        named = f"{address.host}:{address.port}"
        raise AppError(f"{named}: cannot be opened: {error.strerror or error}") from error


class KeptPage:
    """The live page of an address. Its server is started as soon as possible, and again after a loss.

    Args:
        address: as in the settings.
        config: the settings file that the page changes; None: nothing can be changed.
        marks: folder for marks.
        passphrase: the file with the passphrase; None: nothing can be changed.
        retry_s: see `Outlet`.
    """

    def __init__(
        self,
        address: str,
        config: Path | None = None,
        marks: Path | None = None,
        passphrase: Path | None = None,
        retry_s: float = FIRST_RETRY_S,
    ) -> None:
        parsed = parse_page_address(address)
        assert parsed is not None  # noqa: S101  (the settings have checked it)
        self._address = parsed
        self._words: list[str] = []
        for name, path in (("--config", config), ("--marks", marks), ("--passphrase", passphrase)):
            if path is not None:
                self._words += [name, os.fspath(path.absolute())]
        self._started_s: float | None = None
        self._outlet: Outlet[ServerProcess] = Outlet(
            "page",
            self._start,
            lambda process: process.problem,
            lambda _: True,
            without="without the live page",
            retry_s=retry_s,
        )

    @property
    def problem(self) -> str | None:
        """Why there is no page; None if there is one."""
        return self._outlet.problem

    def send(self, message: bytes) -> None:
        """Send a message to the server, or drop it."""
        self._outlet.give(lambda process: process.send(message))

    def close(self) -> None:
        """End the server."""
        self._outlet.close()

    def _start(self) -> ServerProcess:
        now_s = time.monotonic()
        if self._started_s is not None and now_s - self._started_s < STABLE_S:
            raise AppError("its process has ended soon after its start")
        process = ServerProcess(self._address, self._words)
        self._started_s = now_s
        return process
