"""Send sentences to a network or a serial line, without ever waiting for a reader.

A serial line that is too slow loses whole sentences. A TCP client that is too slow is disconnected. This
module listens and sends only at the given address.

A sink is opened once. `KeptSink` (vario/app/nmea/kept.py) reopens it after a loss.
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
from vario.app.nmea.out import SentenceSink
from vario.settings.output import FORMS, Network, Serial, parse_address

MOST_READERS = 8

MOST_ARRIVALS = 32
"""Connections accepted or refused with each set of sentences. Many clients must not delay the loop."""

BACKLOG_BYTES = 16_384
"""Data that may wait for a reader, about ten seconds. A reader that is further behind is disconnected."""

PATIENCE_S = 10.0
"""Time after which the system disconnects a reader that takes no data or has disappeared, such as a
tablet out of range. Otherwise its place stays occupied for a quarter of an hour, and a stalled reader
shows wind and climb that are minutes old when it returns.
"""


class OpenSink(SentenceSink, Protocol):
    """A sink that reports its state."""

    @property
    def problem(self) -> str | None:
        """Why the last sentences were not sent; None if they were."""

    @property
    def is_lost(self) -> bool:
        """Whether it must be closed and reopened."""


def open_sink(address: str) -> OpenSink:
    """Open the sink of an address.

    Raises:
        AppError: if the address is invalid or cannot be opened.
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
    """Sends each set of sentences as one datagram."""

    is_lost = False
    """Always False: the socket remains usable when the network fails."""

    def __init__(self, network: Network) -> None:
        self.problem: str | None = None
        self._to = (network.host, network.port)
        self._socket = socket.socket(_family(network), socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)

    def write(self, data: bytes) -> None:
        """Send. A missing receiver or network is not an error."""
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
    """Serves all clients that connect, up to `MOST_READERS`. Data from them is discarded."""

    problem = None
    is_lost = False
    """Always False: a port stays open while its address is absent (tried on Linux, no source)."""

    def __init__(self, network: Network) -> None:
        self._server = socket.create_server((network.host, network.port), family=_family(network))
        self._server.setblocking(False)
        self._readers: list[_Reader] = []

    @property
    def port(self) -> int:
        """The port it listens on."""
        port: int = self._server.getsockname()[1]
        return port

    @property
    def readers(self) -> int:
        """Number of connected clients."""
        return len(self._readers)

    def write(self, data: bytes) -> None:
        """Send the sentences to all clients or queue them, and accept waiting connections."""
        self._readers = [reader for reader in self._readers if reader.give(data)]
        self._readers += [reader for reader in self._arrivals() if reader.give(data)]

    def _arrivals(self) -> list[_Reader]:
        arrived: list[_Reader] = []
        # The error: no more connections are waiting, or the system cannot accept another one now.
        with suppress(OSError):
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
    """One connection and the data that waits for it."""

    def __init__(self, connection: socket.socket) -> None:
        connection.setblocking(False)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # Linux (RFC 5482)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, round(PATIENCE_S * 1000.0))
        self._connection = connection
        self._waiting = b""

    def give(self, data: bytes) -> bool:
        """Send what can be sent at once; False if the reader has disappeared or is too slow.

        A reader that has closed only its own direction still reads (RFC 9293, 3.6). One that has
        disappeared answers the next sentences with a reset.
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
    """Writes to a serial line, and drops whole sentences if the line is too slow.

    `problem` reports a lost device.
    """

    def __init__(self, line: Serial) -> None:
        self.problem: str | None = None
        self._device = line.device
        self._port: Any = serial.Serial(line.device, line.baud, timeout=0, write_timeout=0)
        self._rest = b""

    def write(self, data: bytes) -> None:
        """Write what the line accepts now. A sentence that was begun is finished first."""
        try:
            self._rest = self._rest[self._send(self._rest) :]
            if self._rest:
                return
            for one in data.splitlines(keepends=True):
                sent = self._send(one)
                if sent < len(one):
                    # A sentence that was not begun is dropped with the following ones. The rest of a
                    # sentence that was begun is sent first next time.
                    self._rest = one[sent:] if sent else b""
                    return
        except (OSError, serial.SerialException) as error:
            self._rest = b""
            self.problem = f"{self._device}: is lost: {error}"

    @property
    def is_lost(self) -> bool:
        """Whether it must be reopened."""
        return self.problem is not None

    def _send(self, data: bytes) -> int:
        # Bypasses the `write` of the library, which retries without end on a line that accepts nothing.
        try:
            return os.write(self._port.fileno(), data) if data else 0
        except BlockingIOError:
            return 0

    def close(self) -> None:
        """Close the line."""
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
            OutputError: if the disk refuses the remaining data.
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
