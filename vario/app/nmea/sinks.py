"""Where sentences go: a network or a serial line, never waiting for a reader.

A reader that is slower than the sentences come loses some: whole ones, and the oldest stay. Nothing here
listens or sends anywhere but at the address given.

A sink is opened once. `KeptSink` (vario/app/nmea/kept.py) opens it again when it has gone.
"""

from __future__ import annotations

import os
import socket
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Protocol, Self

import serial

from vario.app.errors import AppError, OutputError
from vario.app.nmea.out import Sink
from vario.settings.output import FORMS, Network, Serial, parse_address

MOST_READERS = 8

MOST_ARRIVALS = 32
"""So many are let in, or turned away, with each set: a crowd at the door must not hold up the loop."""

BACKLOG_BYTES = 16_384
"""What may wait for a reader: some ten seconds. A reader that has not taken it by then is let go."""

PATIENCE_S = 10.0
"""So long the system waits for a reader that takes nothing or has vanished without a word, as a tablet out of
range does. Its seat would be taken for a quarter of an hour otherwise, and a stalled one would be shown a
wind and a climb of minutes ago when it comes back."""


class OpenSink(Sink, Protocol):
    """A sink that says how it is."""

    @property
    def problem(self) -> str | None:
        """Why the last sentences did not get out; None if they did."""

    @property
    def is_lost(self) -> bool:
        """Whether it has to be closed and opened again."""


def open_sink(address: str) -> OpenSink:
    """The sink an address names.

    Raises:
        AppError: if it is none, or cannot be opened.
    """
    parsed = parse_address(address)
    if parsed is None:
        raise AppError(f"{address}: {FORMS}")
    try:
        if isinstance(parsed, Serial):
            return SerialSink(parsed)
        return TcpSink(parsed) if parsed.protocol == "tcp" else UdpSink(parsed)
    except OSError as error:
        raise AppError(f"{address}: cannot be opened: {error.strerror or error}") from error


def _family(network: Network) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in network.host else socket.AF_INET


class UdpSink:
    """Sends every set of sentences as one datagram."""

    is_lost = False
    """The socket stays good when the network goes."""

    def __init__(self, network: Network) -> None:
        self.problem: str | None = None
        self._to = (network.host, network.port)
        self._socket = socket.socket(_family(network), socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)

    def write(self, data: bytes) -> None:
        """Send; nobody there, or no network for now, is no reason to stop."""
        try:
            self._socket.sendto(data, self._to)
        except BlockingIOError:
            return
        except OSError as error:
            self.problem = f"udp:{self._to[0]}:{self._to[1]}: cannot be sent to: {error.strerror or error}"
        else:
            self.problem = None

    def close(self) -> None:
        """Close the socket."""
        self._socket.close()


class TcpSink:
    """Serves whoever connects, up to `MOST_READERS`; what they send is thrown away."""

    problem = None
    is_lost = False
    """A port stays open while its address is away, and serves when it is back (tried on Linux, no source)."""

    def __init__(self, network: Network) -> None:
        self._server = socket.create_server(
            (network.host, network.port), family=_family(network), reuse_port=False
        )
        self._server.setblocking(False)
        self._readers: list[_Reader] = []

    @property
    def port(self) -> int:
        """The port it listens on."""
        port: int = self._server.getsockname()[1]
        return port

    @property
    def readers(self) -> int:
        """How many are connected."""
        return len(self._readers)

    def write(self, data: bytes) -> None:
        """Give everybody the sentences, or their place in the line, and let in who waits to get them too."""
        self._readers = [reader for reader in self._readers if reader.give(data)]
        self._readers += [reader for reader in self._arrivals() if reader.give(data)]

    def _arrivals(self) -> list[_Reader]:
        arrived: list[_Reader] = []
        with suppress(OSError):  # nobody waits any more, or the system has no room for another one now
            for _ in range(MOST_ARRIVALS):
                connection, _ = self._server.accept()
                if len(self._readers) + len(arrived) >= MOST_READERS:
                    connection.close()
                else:
                    arrived.append(_Reader(connection))
        return arrived

    def close(self) -> None:
        """Close every connection."""
        for reader in self._readers:
            reader.close()
        self._readers = []
        self._server.close()


class _Reader:
    """One connection and what waits for it."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # Linux (RFC 5482)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(PATIENCE_S * 1000.0))
        self._connection = connection
        self._waiting = b""

    def give(self, data: bytes) -> bool:
        """Send what can be sent at once; False if the reader is gone, or too slow.

        One that has closed only its own direction still reads (RFC 9293, 3.6). One that is gone answers the
        next sentences with a reset.
        """
        self._waiting += data
        try:
            with suppress(BlockingIOError):
                self._connection.recv(4096)
            with suppress(BlockingIOError):
                sent = self._connection.send(self._waiting)
                self._waiting = self._waiting[sent:]
        except OSError:
            self.close()
            return False
        if len(self._waiting) > BACKLOG_BYTES:
            self.close()
            return False
        return True

    def close(self) -> None:
        self._connection.close()


class SerialSink:
    """Writes to a serial line, and drops whole sentences that the line is too slow for.

    A device that has gone says so by `problem`.
    """

    def __init__(self, line: Serial) -> None:
        self.problem: str | None = None
        self._device = line.device
        self._port: Any = serial.Serial(line.device, line.baud, timeout=0, write_timeout=0)
        self._rest = b""

    def write(self, data: bytes) -> None:
        """Write what the line takes now; a sentence begun is finished first."""
        try:
            self._rest = self._rest[self._send(self._rest) :]
            if self._rest:
                return
            for one in data.splitlines(keepends=True):
                sent = self._send(one)
                if sent < len(one):
                    # Not begun: dropped with what follows. Begun: the rest of it goes first next time.
                    self._rest = one[sent:] if sent else b""
                    return
        except (OSError, serial.SerialException) as error:
            self._rest = b""
            self.problem = f"{self._device}: has gone: {error}"

    @property
    def is_lost(self) -> bool:
        """Whether it has to be opened again."""
        return self.problem is not None

    def _send(self, data: bytes) -> int:
        # Past the library's own `write`, which tries again for ever on a line that takes nothing.
        try:
            return os.write(self._port.fileno(), data) if data else 0
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """Let go of the line."""
        with suppress(OSError, serial.SerialException):
            self._port.close()


class FileSink:
    """Writes the sentences to a file.

    Raises:
        OutputError: from the constructor and `write`, if the disk refuses.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._file: BinaryIO = path.open("wb")
        except OSError as error:
            raise OutputError(path, error) from error

    def write(self, data: bytes) -> None:
        """Append."""
        try:
            self._file.write(data)
        except OSError as error:
            raise OutputError(self._path, error) from error

    def close(self) -> None:
        """Close the file.

        Raises:
            OutputError: if the disk refuses what was still to be written.
        """
        try:
            self._file.close()
        except OSError as error:
            raise OutputError(self._path, error) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
