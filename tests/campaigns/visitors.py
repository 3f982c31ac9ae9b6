"""Clients of the NMEA output: faulty ones, and a correct one."""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator
from contextlib import suppress
from random import Random

Address = tuple[str, int]

_RESET = struct.pack("ii", 1, 0)
"""With a linger time of 0, closing resets the connection (socket(7), SO_LINGER)."""

MOST_AT_ONCE = 40
"""Size of a crowd: five times as many clients as are served."""

MOST_HERE = 60
"""Number of clients that may stay connected at a time."""


def _connected(address: Address, receive_bytes: int | None = None) -> socket.socket:
    """A connection, established or not: nothing here waits."""
    client = socket.socket()
    client.setblocking(False)
    if receive_bytes is not None:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    client.connect_ex(address)
    return client


def _send(client: socket.socket, data: bytes) -> None:
    with suppress(OSError):  # not connected yet, or not accepted
        client.send(data)


def leave(client: socket.socket) -> None:
    """Close, as programs do."""
    client.close()


def reset(client: socket.socket) -> None:
    """Close with a reset, as programs that crash do, and those with unread sentences."""
    client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET)
    client.close()


def comes_and_goes(address: Address, _: Random) -> Iterator[socket.socket]:
    leave(_connected(address))
    yield from ()


def resets_at_once(address: Address, _: Random) -> Iterator[socket.socket]:
    reset(_connected(address))
    yield from ()


def babbles_and_goes(address: Address, chance: Random) -> Iterator[socket.socket]:
    client = _connected(address)
    _send(client, chance.randbytes(200_000))
    leave(client)
    yield from ()


def babbles_and_stays(address: Address, chance: Random) -> Iterator[socket.socket]:
    client = _connected(address)
    _send(client, chance.randbytes(200_000))
    yield client


def takes_it_for_a_web_server(address: Address, _: Random) -> Iterator[socket.socket]:
    client = _connected(address)
    _send(client, b"GET / HTTP/1.1\r\nHost: instrument\r\n\r\n")
    yield client


def says_nothing_more(address: Address, _: Random) -> Iterator[socket.socket]:
    """Half-closed."""
    client = _connected(address)
    with suppress(OSError):
        client.shutdown(socket.SHUT_WR)
    yield client


def never_reads(address: Address, _: Random) -> Iterator[socket.socket]:
    yield _connected(address, receive_bytes=1024)


def comes_as_a_crowd(address: Address, _: Random) -> Iterator[socket.socket]:
    for _number in range(MOST_AT_ONCE):
        yield _connected(address)


KINDS: tuple[Callable[[Address, Random], Iterator[socket.socket]], ...] = (
    comes_and_goes,
    resets_at_once,
    babbles_and_goes,
    babbles_and_stays,
    takes_it_for_a_web_server,
    says_nothing_more,
    never_reads,
    comes_as_a_crowd,
)
"""Each opens connections and returns those that it keeps open."""


class Visitors:
    """They connect one after the other. When there are too many, those that stay disconnect, alternately with
    and without closing properly.

    Args:
        address: address of the sentences.
        seed: seed of their behaviour.
    """

    def __init__(self, address: Address, seed: int) -> None:
        self._address = address
        self._chance = Random(seed)  # noqa: S311  (behaviour, not secrets)
        self._here: list[socket.socket] = []
        self.visits = 0

    def __len__(self) -> int:
        return len(self._here)

    def come(self) -> None:
        """Connect the next client; the kinds alternate."""
        self._here += KINDS[self.visits % len(KINDS)](self._address, self._chance)
        self.visits += 1
        while len(self._here) > MOST_HERE:
            client = self._here.pop(self._chance.randrange(len(self._here)))
            self._chance.choice((leave, reset))(client)

    def go(self) -> None:
        """Disconnect all of them."""
        while self._here:
            self._chance.choice((leave, reset))(self._here.pop())


class Listener:
    """A correct client: it reads all data and keeps complete lines until they are taken."""

    def __init__(self, address: Address) -> None:
        self._socket = socket.create_connection(address, timeout=10.0)
        self._socket.setblocking(False)
        self._rest = b""

    def lines(self) -> list[bytes]:
        """The lines received, without line ends.

        Raises:
            ConnectionError: if it was disconnected.
        """
        with suppress(BlockingIOError):
            while True:
                more = self._socket.recv(65_536)
                if not more:
                    raise ConnectionResetError("a correct client was disconnected")
                self._rest += more
        *whole, self._rest = self._rest.split(b"\r\n")
        return whole

    def close(self) -> None:
        """Disconnect."""
        self._socket.close()
