"""NMEA 0183 sentences on their way: TCP, UDP and serial lines, whose readers may be missing, slow or gone."""

import os
import pty
import resource
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from tests.support.local_ports import HOST, free_port
from tests.support.waiting import once
from vario.app.errors import AppError
from vario.app.nmea.kept import KeptSink
from vario.app.nmea.out import sentence
from vario.app.nmea.sinks import (
    BACKLOG_BYTES,
    MOST_READERS,
    SerialSink,
    TcpSink,
    UdpSink,
    open_sink,
)
from vario.settings.output import Network, Serial, parse_address


@pytest.fixture
def server() -> Iterator[TcpSink]:
    sink = TcpSink(Network("tcp", HOST, free_port()))
    yield sink
    sink.close()


def connected(sink: TcpSink) -> socket.socket:
    client = socket.create_connection(("127.0.0.1", sink.port), timeout=5.0)
    before = sink.readers
    once(lambda: sink.write(b"") or sink.readers > before)
    return client


def test_whoever_connects_gets_the_sentences(server: TcpSink) -> None:
    with connected(server) as one, connected(server) as other:
        server.write(b"$A*00\r\n")
        assert one.recv(100) == other.recv(100) == b"$A*00\r\n"


def test_the_server_listens_at_the_configured_address_only(server: TcpSink) -> None:
    # 127.0.0.2 is the same machine by another address (RFC 1122, 3.2.1.3: all of 127/8 is this host).
    with pytest.raises(OSError):  # noqa: PT011  (refused; which error it is differs between systems)
        socket.create_connection(("127.0.0.2", server.port), timeout=1.0)


def waits_of_this_thread() -> int:
    """Number of voluntary context switches, that is, of waits (getrusage(2))."""
    return resource.getrusage(resource.RUSAGE_THREAD).ru_nvcsw


def test_a_reader_that_does_not_read_delays_nobody(server: TcpSink) -> None:
    data = b"$" + b"x" * 400 + b"\r\n"
    with connected(server) as stuck, connected(server) as keen:
        stuck.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        keen.settimeout(60.0)
        got, sent, waits = 0, 0, 0
        while server.readers == 2:
            assert sent < 100e6, "the reader that does not read is never disconnected"
            before = waits_of_this_thread()
            server.write(data)
            waits += waits_of_this_thread() - before
            sent += len(data)
            while got < sent:
                got += len(keen.recv(65_536))
        # Waiting for the reader in each of the forty writes of its backlog would give as many waits.
        assert waits < 10
        assert got == sent
        server.write(b"$B*00\r\n")
        assert keen.recv(100) == b"$B*00\r\n"
    assert BACKLOG_BYTES < 100_000


def test_no_more_readers_than_allowed(server: TcpSink) -> None:
    clients = [connected(server) for _ in range(MOST_READERS)]
    with socket.create_connection(("127.0.0.1", server.port), timeout=5.0) as late:
        late.settimeout(0.1)
        ended = None
        for _ in range(50):
            server.write(b"")
            try:
                ended = late.recv(1)
                break
            except TimeoutError:
                continue
        assert ended == b""
    for client in clients:
        client.close()


def test_readers_that_leave_are_forgotten(server: TcpSink) -> None:
    connected(server).close()
    once(lambda: server.write(b"$A*00\r\n") or server.readers == 0)


def test_datagrams_go_to_the_address() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5.0)
        sink = UdpSink(Network("udp", "127.0.0.1", receiver.getsockname()[1]))
        sink.write(b"$A*00\r\n")
        assert receiver.recv(100) == b"$A*00\r\n"
    sink.write(b"nobody there any more")
    sink.write(b"and again")
    sink.close()


def test_a_serial_line_gets_whole_sentences_and_never_blocks() -> None:
    master, slave = pty.openpty()
    try:
        sink = SerialSink(Serial(os.ttyname(slave), 4800))
        one = sentence("IIHDT", "123.4", "T").encode()
        began = time.perf_counter()
        for _ in range(2000):  # far more than a pty keeps for a reader that does not read
            sink.write(one)
        assert time.perf_counter() - began < 5.0
        os.set_blocking(master, False)
        got, sets = b"", 0
        while sets < 20 or not got.endswith(b"\n"):
            assert sets < 1000, "the line is read, and yet no sentence is finished"
            sink.write(one)
            sets += 1
            with suppress(BlockingIOError):
                got += os.read(master, 1 << 16)
        assert set(got.split(b"\n")) == {one.rstrip(b"\n"), b""}
        sink.close()
    finally:
        os.close(master)
        os.close(slave)


def test_a_serial_line_that_goes_is_opened_again_when_it_is_back(tmp_path: Path) -> None:
    line, one = tmp_path / "tty", sentence("IIHDT", "123.4", "T").encode()
    master, slave = pty.openpty()
    line.symlink_to(os.ttyname(slave))
    sink = KeptSink(f"serial:{line}@4800", retry_s=0.001)
    sink.write(one)
    assert os.read(master, 100) == one
    os.close(slave)
    os.close(master)  # the other end goes: writing gives EIO (tty_ioctl(4), hangup)
    line.unlink()
    once(lambda: sink.write(one) or sink.problem is not None)
    assert str(line) in str(sink.problem)
    master, slave = pty.openpty()
    line.symlink_to(os.ttyname(slave))
    os.set_blocking(master, False)
    got = bytearray()

    def arrives() -> bool:
        sink.write(one)
        with suppress(BlockingIOError):
            got.extend(os.read(master, 100))
        return bool(got)

    once(arrives)
    assert got.startswith(one)
    sink.close()
    os.close(slave)
    os.close(master)


def test_a_network_that_is_not_there_is_a_problem_that_passes() -> None:
    sink = UdpSink(Network("udp", "127.0.0.1", 9))
    sink.write(b"x" * 100_000)  # refused by the system, as for an address without a route
    assert "cannot be sent to" in str(sink.problem)
    assert not sink.is_lost
    sink.write(b"$A*00\r\n")
    assert sink.problem is None
    sink.close()


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("tcp:127.0.0.1:10110", Network("tcp", "127.0.0.1", 10110)),
        ("udp:[fe80::1]:2000", Network("udp", "fe80::1", 2000)),
        ("serial:/dev/ttyUSB0@4800", Serial("/dev/ttyUSB0", 4800)),
        ("tcp:localhost:10110", None),
        ("tcp:127.0.0.1", None),
        ("tcp:127.0.0.1:0", None),
        ("udp:300.1.1.1:10110", None),
        ("serial:ttyUSB0", None),
        ("", None),
    ],
)
def test_addresses(text: str, address: object) -> None:
    assert parse_address(text) == address


def test_an_address_in_use_is_said_so(server: TcpSink) -> None:
    with pytest.raises(AppError, match="cannot be opened"):
        open_sink(f"tcp:127.0.0.1:{server.port}")
