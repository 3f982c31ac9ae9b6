"""Faulty clients, datagrams without a receiver, and listening sockets; `make network` is the long form."""

from __future__ import annotations

import os
import signal
import socket
import struct
from pathlib import Path

import pytest

from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from tests.campaigns.network import MEMORY_BYTES, besiege, open_files, overfeed, send_nowhere
from tests.campaigns.visitors import KINDS
from tests.support.local_ports import HOST, free_port
from vario.app.live.run import RunOptions, run
from vario.app.nmea.sinks import BACKLOG_BYTES, MOST_ARRIVALS, TcpSink
from vario.settings.load import parse_settings
from vario.settings.output import Network


def test_faulty_clients_disturb_nobody() -> None:
    visits = 5 * len(KINDS)
    found = besiege(visits)
    assert found.visits == visits
    before, after = found.files
    assert after == before


def test_the_data_that_wait_for_clients_that_do_not_read_are_bounded() -> None:
    assert BACKLOG_BYTES < overfeed() <= MEMORY_BYTES


def test_datagrams_without_a_receiver_disturb_nobody() -> None:
    files = open_files()
    send_nowhere(100)
    assert open_files() == files


def test_of_many_waiting_clients_a_few_are_accepted_at_a_time() -> None:
    # All wait before the first is served; the queue of the system contains them (listen(2): at least 128).
    sink = TcpSink(Network("tcp", HOST, free_port()))
    crowd = [socket.create_connection(("127.0.0.1", sink.port), timeout=10.0) for _ in range(100)]
    try:
        for client in crowd:
            client.setblocking(False)
        files = open_files()
        sink.write(b"$A*00\r\n")
        turned_away = [client for client in crowd if _ended(client)]
        assert len(turned_away) + sink.readers == MOST_ARRIVALS
        assert open_files() == files + sink.readers
        for _ in range(4):
            sink.write(b"$A*00\r\n")
        assert sum(map(_ended, crowd)) + sink.readers == len(crowd)
    finally:
        for one in (*crowd, sink):
            one.close()


def _ended(client: socket.socket) -> bool:
    """Whether the other end has closed; no data are consumed."""
    try:
        return client.recv(1, socket.MSG_PEEK) == b""
    except BlockingIOError:
        return False


def test_a_half_closed_client_still_gets_the_sentences() -> None:
    # A half-closed connection still receives (RFC 9293, 3.6).
    sink = TcpSink(Network("tcp", HOST, free_port()))
    with socket.create_connection(("127.0.0.1", sink.port), timeout=10.0) as client:
        client.shutdown(socket.SHUT_WR)
        got = b""
        for number in range(10):
            sink.write(b"%d\r\n" % number)
            got += client.recv(100)
        assert got.split() == [b"%d" % number for number in range(10)]
    sink.close()


OPEN_TCP = "0A"
"""State LISTEN in /proc/net/tcp (Linux, include/net/tcp_states.h)."""


def own_ports() -> dict[str, set[tuple[str, int]]]:
    """Internet sockets of this process at which others can arrive, by kind (proc(5))."""
    own = set()
    for name in os.listdir("/proc/self/fd"):
        try:
            own.add(os.readlink(f"/proc/self/fd/{name}"))
        except FileNotFoundError:  # the one of the listing itself
            continue
    found: dict[str, set[tuple[str, int]]] = {}
    for kind in ("tcp", "tcp6", "udp", "udp6", "udplite", "raw", "raw6", "sctp"):
        path = Path("/proc/self/net") / kind
        for line in path.read_text("ascii").splitlines()[1:] if path.exists() else ():
            fields = line.split()
            if f"socket:[{fields[9]}]" in own and (not kind.startswith("tcp") or fields[3] == OPEN_TCP):
                host, port = fields[1].split(":")
                found.setdefault(kind, set()).add((host, int(port, 16)))
    return found


@pytest.mark.parametrize(
    ("to", "listens"),
    [
        (None, set()),
        ("udp:127.0.0.1:{port}", {"udp"}),  # a source port, which is arbitrary; nothing reads data from it
        ("tcp:127.0.0.1:{port}", {"tcp"}),
    ],
)
def test_nothing_listens_unless_it_is_configured(to: str | None, listens: set[str]) -> None:
    port = free_port()
    settings = "" if to is None else f'[nmea]\nto = "{to.format(port=port)}"\n'
    before = own_ports()
    seen: list[dict[str, set[tuple[str, int]]]] = []

    def look(_: str) -> None:
        seen.append(own_ports())
        signal.raise_signal(signal.SIGTERM)  # enough, as soon as there was a look, on a slow machine too

    options = RunOptions(silent=True, emulate=open_source(BUNDLED), longest_s=60.0)
    run(parse_settings(settings, "settings"), options, look)
    new = [{kind: ports - before.get(kind, set()) for kind, ports in one.items()} for one in seen]
    assert seen
    assert all({kind for kind, ports in one.items() if ports} <= listens for one in new)
    if "tcp" in listens:
        (number,) = struct.unpack("=I", socket.inet_aton("127.0.0.1"))  # as the kernel prints it
        assert all(one["tcp"] == {(f"{number:08X}", port)} for one in new)
