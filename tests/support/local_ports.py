"""TCP ports of this machine."""

from __future__ import annotations

import socket

HOST = "127.0.0.1"


def free_port() -> int:
    """A port that nothing uses."""
    with socket.create_server((HOST, 0)) as server:
        return int(server.getsockname()[1])


def can_connect(port: int) -> bool:
    """Whether something listens on a port."""
    try:
        socket.create_connection((HOST, port), 0.2).close()
    except OSError:
        return False
    return True
