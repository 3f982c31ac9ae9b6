"""The process of the live page, for tests."""

import socket
import threading
from contextlib import suppress
from pathlib import Path

from vario.app.cockpit.process import KeptPage


def kept(home: Path, port: int) -> KeptPage:
    return KeptPage(f"127.0.0.1:{port}", home / "vario.toml", None, home / "passphrase", retry_s=0.02)


def stream_of(port: int) -> socket.socket | None:
    with suppress(OSError):
        connection = socket.create_connection(("127.0.0.1", port), 0.5)
        connection.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        connection.settimeout(20.0)
        if connection.recv(100):
            return connection
    return None


def server_of(page: KeptPage) -> int:
    found: list[int] = []
    page._outlet.give(lambda process: found.append(process._process.pid))
    return found[0]


def drained(connection: socket.socket, ends: threading.Event) -> None:
    connection.settimeout(0.2)
    while not ends.is_set():
        with suppress(TimeoutError):
            connection.recv(65536)
