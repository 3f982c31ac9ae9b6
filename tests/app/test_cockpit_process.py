"""The process of the live page: start, loss, full socket, missing library, and its memory over a day."""

import json
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest

from tests.support.cockpit_process import drained, kept, server_of, stream_of
from tests.support.cockpit_server import folder
from tests.support.local_ports import free_port
from tests.support.processes import resident_kb
from tests.support.waiting import once
from vario.app.cockpit.process import MESSAGE_BYTES, ServerProcess


def test_the_process_serves_drops_what_is_too_much_and_ends(tmp_path: Path) -> None:
    port = free_port()
    page = kept(folder(tmp_path), port)
    assert page.problem is None
    connection = stream_of(port)
    assert connection is not None
    begun_s = time.perf_counter()
    for k in range(20_000):  # far more than it can take
        page.send(b'{"t":%d}' % k)
    assert time.perf_counter() - begun_s < 5.0  # it does not wait: 2 µs each
    page.send(b"x" * (MESSAGE_BYTES * 100))  # too long for the socket: dropped
    assert b"data: {" in connection.recv(65536)
    begun_s = time.perf_counter()
    page.close()
    assert time.perf_counter() - begun_s < 3.0
    connection.settimeout(5.0)
    with suppress(ConnectionError):
        while connection.recv(65536):
            pass
    connection.close()


def test_a_port_in_use_costs_only_the_page_which_comes_later(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        page = kept(folder(tmp_path), port)
        assert page.problem is not None
        assert f"127.0.0.1:{port}: cannot be opened" in page.problem
        page.send(b"{}")
    once(lambda: page.problem is None, 20.0)
    page.close()


def test_a_missing_library_costs_only_the_page() -> None:
    """In an interpreter in which the library cannot be found."""
    code = (
        "import sys; sys.modules['aiohttp'] = None; import importlib.util as u\n"
        "found = u.find_spec; u.find_spec = lambda n: None if n == 'aiohttp' else found(n)\n"
        "from vario.app.cockpit.process import KeptPage\n"
        f"page = KeptPage('127.0.0.1:{free_port()}')\n"
        "page.send(b'{}'); print(page.problem); page.close()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)  # noqa: S603
    assert "pip install 'glider-vario[page]'" in done.stdout


def server_grows(tmp_path: Path, hours: int) -> float:
    """Feed hours of flight as fast as the server takes them; growth of its memory after the first hour."""
    port = free_port()
    page = kept(folder(tmp_path), port)
    connection = stream_of(port)
    assert connection is not None
    ends = threading.Event()
    reader = threading.Thread(target=drained, args=(connection, ends))
    reader.start()
    device: list[ServerProcess] = []
    page._outlet.give(device.append)
    device[0]._ours.setblocking(True)  # here nothing may be dropped
    pid, sizes = server_of(page), []
    filler = {"circle": {"lift": [1.234] * 24}, "settings": {"maccready": 1.0}, "quality": ["no_gnss"] * 8}
    for hour in range(hours):
        for k in range(36_000):
            t_s = 3600.0 * hour + k / 10.0
            state = {"sent": t_s, "t": t_s, "place": [t_s, -t_s, hour, 1.0, 2.0], "lift": 1.0, **filler}
            device[0]._ours.send(json.dumps(state).encode())
            if k % 3600 == 0:  # browsers come and go
                other = stream_of(port)
                if other is not None:
                    other.close()
        sizes.append(resident_kb(pid))
    ends.set()
    reader.join()
    connection.close()
    page.close()
    return (sizes[-1] - sizes[0]) / sizes[0]


@pytest.mark.long
def test_a_day_of_messages_costs_no_memory(tmp_path: Path) -> None:
    """24 h at 10 Hz; a browser stays, others come and go. 5 % is the noise of an allocator (measured)."""
    assert server_grows(tmp_path, 24) < 0.05
