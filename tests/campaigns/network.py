"""Faulty TCP clients of the NMEA output: `python -m tests.campaigns.network 1000`.

One thread does everything, including the writing of the sink. So a write that waits for a client would wait
for ever, and an alarm ends it. The speed of the machine does not matter.

Expectations: nothing waits or raises, the correct client gets every sentence, and neither open files nor
memory grow with the number of clients.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from random import Random
from types import FrameType

from tests.campaigns.visitors import Listener, Visitors, never_reads
from tests.support.local_ports import HOST, free_port
from vario.app.nmea.out import sentence
from vario.app.nmea.sinks import BACKLOG_BYTES, MOST_READERS, PATIENCE_S, TcpSink, UdpSink
from vario.settings.output import Network

LONGEST_S = 60
"""Time limit of one turn; no usable machine takes this long."""

TURNS = 10_000
"""Longer than the system itself needs for a few of them."""

MEMORY_BYTES = MOST_READERS * (BACKLOG_BYTES + 1024) * 2 + 65_536
"""Data that may wait for every reader, a copy while they are put together, and the objects."""

NOWHERE = (
    # discard (RFC 863): on nearly every machine nothing listens there, and the system reports it
    Network("udp", HOST, 9),
    Network("udp", "2001:db8::1", 10110),  # for documentation (RFC 3849): no network leads there
    Network("udp", "255.255.255.255", 10110),
)


@dataclass(frozen=True, slots=True)
class Found:
    """The results of the visits.

    Attributes:
        visits: number of clients.
        sentences: sent, all of which arrived.
        longest_ms: longest write; it includes other work on the machine.
        files: open before and after.
    """

    visits: int
    sentences: int
    longest_ms: float
    files: tuple[int, int]

    def __str__(self) -> str:
        return (
            f"{self.visits} visits, {self.sentences} sentences, each arrived; longest write "
            f"{self.longest_ms:.2f} ms; {self.files[0]} files open before, {self.files[1]} after"
        )


def besiege(visits: int) -> Found:
    """Make a number of visits, with one sentence each.

    Raises:
        AssertionError: if something does not hold.
        TimeoutError: if a turn does not end.
    """
    files = open_files()
    sink = TcpSink(Network("tcp", HOST, free_port()))
    listener, visitors = Listener((HOST, sink.port)), Visitors((HOST, sink.port), seed=1)
    sink.write(b"")  # accepts the listener
    sent, got, longest_s = 0, 0, 0.0
    while sent < visits:
        with alarm():
            visitors.come()
            begun_s = time.perf_counter()
            sink.write(numbered(sent))
            longest_s = max(longest_s, time.perf_counter() - begun_s)
            sent += 1
            got = _took(listener, got)
        assert sink.readers <= MOST_READERS
        assert open_files() <= files + 2 + len(visitors) + MOST_READERS  # ours, and each at both ends
    visitors.go()
    while sink.readers > 1 or got < sent:
        assert sent < visits + TURNS, (
            f"{sink.readers - 1} closed connections are kept, {sent - got} sentences are lost"
        )
        sink.write(numbered(sent))
        sent += 1
        got = _took(listener, got)
    with closing(Listener((HOST, sink.port))) as late:  # a new client is still accepted
        sink.write(numbered(sent))
        assert late.lines() == [numbered(sent).rstrip()]
    listener.close()
    sink.close()
    return Found(visits, sent, longest_s * 1000.0, (files, open_files()))


def overfeed() -> int:
    """Send to the largest number of clients, none of which reads, until they are disconnected; returns the
    largest number of bytes allocated meanwhile.

    Raises:
        AssertionError: if they never are.
    """
    sink = TcpSink(Network("tcp", HOST, free_port()))
    chance = Random(1)  # noqa: S311  (behaviour, not secrets)
    visitors = [client for _ in range(MOST_READERS) for client in never_reads((HOST, sink.port), chance)]
    sink.write(b"")
    assert sink.readers == MOST_READERS
    held = turns = 0
    with tracing():
        while sink.readers:
            turns += 1
            assert turns < TURNS, "a client that does not read is never disconnected"
            sink.write(numbered(turns) * 50)
            held = max(held, tracemalloc.get_traced_memory()[0])
    for one in (*visitors, sink):
        one.close()
    return held


def send_nowhere(count: int) -> None:
    """Send datagrams to addresses without a receiver.

    Raises:
        TimeoutError: if that waits.
    """
    for network in NOWHERE:
        try:
            sink = UdpSink(network)
        except OSError:  # a machine without IPv6
            continue
        with alarm():
            for number in range(count):
                sink.write(numbered(number) * 20)
            sink.write(b"x" * 100_000)  # more than a datagram holds
        sink.close()


def patience_s() -> float:
    """The time after which a client that does not read is disconnected, while little is sent."""
    sink = TcpSink(Network("tcp", HOST, free_port()))
    with socket.socket() as stalled:
        stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 1024)
        stalled.connect((HOST, sink.port))
        begun_s = time.monotonic()
        sink.write(b"")
        while sink.readers and time.monotonic() - begun_s < 10.0 * PATIENCE_S:
            sink.write(numbered(0) * 20)
            time.sleep(0.25)
    sink.close()
    return time.monotonic() - begun_s


def numbered(number: int) -> bytes:
    """A sentence with its number."""
    return sentence("IIXDR", "G", str(number), "", "NUMBER").encode("ascii")


def open_files() -> int:
    """Open files of this process (proc(5))."""
    return len(os.listdir("/proc/self/fd"))


@contextmanager
def alarm(seconds: int = LONGEST_S) -> Iterator[None]:
    """Ends an operation that takes longer."""

    def too_long(_: int, __: FrameType | None) -> None:
        raise TimeoutError(f"it waits: {seconds} s were not enough")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@contextmanager
def tracing() -> Iterator[None]:
    """Traces memory, one line of Python deep."""
    tracemalloc.start()
    try:
        yield
    finally:
        tracemalloc.stop()


def _took(listener: Listener, got: int) -> int:
    """The number of sentences that have arrived, in order."""
    for line in listener.lines():
        assert line == numbered(got).rstrip(), f"{line!r} came in place of number {got}"
        got += 1
    return got


def main() -> int:
    """Run all of it."""
    visits = int(sys.argv[1])
    print(besiege(visits))  # noqa: T201
    held = overfeed()
    print(f"{MOST_READERS} clients that do not read: at most {held / 1024:.0f} kB wait for them")  # noqa: T201
    send_nowhere(visits)
    print(f"{visits} datagrams to each of {len(NOWHERE)} addresses without a receiver: nothing waited")  # noqa: T201
    kept_s = patience_s()
    print(f"a client that does not read is disconnected after {kept_s:.0f} s")  # noqa: T201
    return 0 if held <= MEMORY_BYTES and kept_s < 3.0 * PATIENCE_S else 1


if __name__ == "__main__":
    sys.exit(main())
