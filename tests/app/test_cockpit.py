"""The server of the live page: who gets what, who may change what, and what it does to the instrument."""

import asyncio
import json
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support import missing
from tests.support.page_flights import demo
from vario.app.cockpit.access import LOG_INS, RateLimit, Sessions, is_own_host, is_same_origin
from vario.app.cockpit.feed import RATE_HZ, Feed
from vario.app.cockpit.process import MESSAGE_BYTES, KeptPage, ServerProcess
from vario.app.cockpit.state import state_of
from vario.app.live.status import Status
from vario.flight.cruise.glide import FinalGlide
from vario.flight.motion.mode import Mode
from vario.settings.carried import flying_text
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

aiohttp = missing.library("aiohttp")
web = pytest.importorskip("aiohttp.web", reason=missing.TEST_LIBRARY)
test_utils = pytest.importorskip("aiohttp.test_utils", reason=missing.TEST_LIBRARY)

from vario.app.cockpit.__main__ import serve  # noqa: E402  (after the check that the library is there)
from vario.app.cockpit.server import HEADERS, MOST_STREAMS, STATIC, Latest, Server  # noqa: E402

PASSPHRASE = "correct horse battery"  # noqa: S105  (of the tests alone)
STATE = {"t": 1.0, "place": [0.0, 0.0, 1, 0.0, 0.0], "lift": 1.0}


def folder(tmp_path: Path) -> Path:
    """A settings file and a passphrase."""
    (tmp_path / "vario.toml").write_text('[flight]\nmaccready = "1 m/s"\n', encoding="utf-8")
    (tmp_path / "passphrase").write_text(f"{PASSPHRASE}\n", encoding="utf-8")
    return tmp_path


Client = Any


@asynccontextmanager
async def client_of(server: Server) -> AsyncIterator[Client]:
    async with test_utils.TestClient(test_utils.TestServer(server.application())) as client:
        yield client


def server_in(tmp_path: Path) -> Server:
    home = folder(tmp_path)
    return Server(home / "vario.toml", home / "marks", home / "passphrase")


def origin(client: Client) -> dict[str, str]:
    return {"Origin": str(client.make_url("/")).rstrip("/")}


async def post(client: Client, path: str, body: object, **headers: str) -> Any:
    return await client.post(path, json=body, headers={**origin(client), **headers})


def run(test: Callable[[], Awaitable[None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 20.0))  # type: ignore[arg-type]


def test_files_come_with_a_strict_policy_and_refer_to_nothing_outside(tmp_path: Path) -> None:
    """Content Security Policy 3; OWASP Secure Headers project for the others."""

    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            for path in STATIC:
                answer = await client.get(path)
                text = await answer.text()
                assert answer.status == 200
                assert {name: answer.headers[name] for name in HEADERS} == HEADERS
                assert "Server" not in answer.headers
                assert "://" not in text
                assert "style=" not in text  # the policy refuses it
                assert "innerHTML" not in text

    run(test)
    policy = dict(part.strip().split(" ", 1) for part in HEADERS["Content-Security-Policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert {policy[name] for name in ("script-src", "style-src", "connect-src")} == {"'self'"}
    assert "unsafe" not in HEADERS["Content-Security-Policy"]


def test_nothing_is_changed_without_log_in(tmp_path: Path) -> None:
    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            change = {"key": "maccready", "value": "3 m/s"}
            assert (await post(client, "/change", change)).status == 403
            forged = await post(client, "/change", change, Cookie="vario_session=" + "A" * 43)
            assert forged.status == 403

    run(test)
    assert "1 m/s" in (tmp_path / "vario.toml").read_text(encoding="utf-8")


def test_a_change_takes_the_path_of_vario_set(tmp_path: Path) -> None:
    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            answer = await post(client, "/login", {"passphrase": PASSPHRASE})
            cookie = answer.headers["Set-Cookie"]
            assert answer.status == 200
            assert "HttpOnly" in cookie
            assert "SameSite=Strict" in cookie
            assert PASSPHRASE not in cookie
            for key, value in (
                ("maccready", "2.5 m/s"),
                ("bugs", "0.1"),
                ("mode", "cruise"),
                ("volume", "0.3"),
            ):
                assert (await post(client, "/change", {"key": key, "value": value})).status == 200
            refused = await post(client, "/change", {"key": "maccready", "value": "11 m/s"})
            assert refused.status == 422
            assert await refused.text() == 'flight.maccready = "11 m/s": above the highest allowed, 10 m/s'
            assert (await post(client, "/change", {"key": "mark", "value": "rain"})).status == 200

    run(test)
    flight = parse_settings((tmp_path / "vario.toml").read_text(encoding="utf-8"), "settings").settings.flight
    assert (flight.maccready_mps, flight.bugs, flight.mode) == (2.5, 0.1, "cruise")
    assert [path.read_text(encoding="utf-8") for path in (tmp_path / "marks").iterdir()] == ["rain\n"]


@pytest.mark.parametrize(
    "body",
    [
        {"key": "goal", "value": "50 10 400 m"},
        {"key": "page.address", "value": "0.0.0.0:80"},
        {"key": "recorder.folder", "value": "/etc"},
        {"key": "maccready"},
        {"key": "maccready", "value": 3},
        {"key": "mark", "value": "x" * 81},
        {"key": "mark", "value": ""},
        {"key": ["maccready"], "value": "1 m/s"},
        [],
    ],
)
def test_other_settings_and_other_shapes_are_refused(tmp_path: Path, body: object) -> None:
    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            await post(client, "/login", {"passphrase": PASSPHRASE})
            assert (await post(client, "/change", body)).status in (400, 422)

    run(test)
    assert (tmp_path / "vario.toml").read_text(encoding="utf-8") == '[flight]\nmaccready = "1 m/s"\n'
    assert not (tmp_path / "marks").exists()


def test_another_page_cannot_act_in_the_name_of_the_pilot(tmp_path: Path) -> None:
    """OWASP, Cross-Site Request Forgery Prevention: verify the origin; DNS rebinding by the host."""

    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            await post(client, "/login", {"passphrase": PASSPHRASE})
            change = {"key": "maccready", "value": "3 m/s"}
            for headers in ({"Origin": "http://evil.example"}, {"Origin": "null"}):
                assert (await post(client, "/change", change, **headers)).status == 403
            assert (await client.post("/change", json=change)).status == 403  # without any origin
            form = await client.post("/change", data=json.dumps(change), headers=origin(client))
            assert form.status == 415  # what a form of another page could send without asking
            rebound = {"Host": "evil.example", "Origin": "http://evil.example"}
            assert (await client.post("/change", json=change, headers=rebound)).status == 421
            assert (await client.get("/", headers={"Host": "evil.example"})).status == 421
            assert (await post(client, "/change", {"key": "mark", "value": "y" * 5000})).status == 413

    run(test)
    assert "1 m/s" in (tmp_path / "vario.toml").read_text(encoding="utf-8")


def test_guessing_is_slow(tmp_path: Path) -> None:
    async def test() -> None:
        async with client_of(server_in(tmp_path)) as client:
            said = [(await post(client, "/login", {"passphrase": str(k)})).status for k in range(LOG_INS + 2)]
            assert said == [403] * LOG_INS + [429] * 2
            assert (await post(client, "/login", {"passphrase": PASSPHRASE})).status == 429

    run(test)


@pytest.mark.parametrize("kept", [None, "", "short", "seven 7", b"\xff" * 20])
def test_without_a_proper_passphrase_nobody_logs_in(tmp_path: Path, kept: str | bytes | None) -> None:
    path = tmp_path / "passphrase"
    if kept is not None:
        path.write_bytes(kept.encode() if isinstance(kept, str) else kept)
    sessions = Sessions(path)
    for word in ("", "None", "short", "seven 7", "correct horse"):
        assert sessions.log_in(word) is None


def test_a_session_ends_and_old_ones_make_room(tmp_path: Path) -> None:
    now = [0.0]
    (tmp_path / "passphrase").write_text(PASSPHRASE, encoding="utf-8")
    sessions = Sessions(tmp_path / "passphrase", lambda: now[0])
    tokens = [sessions.log_in(PASSPHRASE) for _ in range(40)]
    assert len(set(tokens)) == 40
    assert not sessions.knows(tokens[0])
    assert sessions.knows(tokens[-1])
    now[0] += 24 * 3600.0
    assert not sessions.knows(tokens[-1])
    assert not sessions.knows(None)


@given(st.lists(st.tuples(st.floats(0.0, 5.0), st.integers(0, 600)), max_size=300))
def test_a_rate_limit_holds_in_any_window_and_in_little_memory(events: list[tuple[float, int]]) -> None:
    now, granted = [0.0], []
    limit = RateLimit(3, 10.0, lambda: now[0])
    for wait_s, key in events:
        now[0] += wait_s
        if limit.allows(str(key % 3)):
            granted.append((now[0], key % 3))
        limit.allows(f"other {key}")
    for t_s, key in granted:
        assert sum(1 for then_s, other in granted if other == key and t_s - 10.0 < then_s <= t_s) <= 3
    assert len(limit._times) <= 256


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("192.168.4.1:8080", True),
        ("127.0.0.1", True),
        ("[fe80::1]:8080", True),
        ("localhost:8080", True),
        ("glider", True),
        ("Glider.local:8080", True),
        ("evil.example", False),
        ("192.168.4.1.evil.example", False),
        ("glider.local.evil.example", False),
        ("[::1", False),
        ("", False),
    ],
)
def test_only_own_names_and_numbers_are_served(host: str, own: bool) -> None:
    assert is_own_host(host, "glider") is own


def test_an_origin_must_be_the_page_itself() -> None:
    host = {"Host": "192.168.4.1:8080"}
    assert is_same_origin({**host, "Origin": "http://192.168.4.1:8080"})
    for other in (
        "http://192.168.4.1",
        "https://192.168.4.1:8080",
        "null",
        "",
        "http://192.168.4.1:8080.evil",
    ):
        assert not is_same_origin({**host, "Origin": other})
    assert not is_same_origin(host)
    assert not is_same_origin({"Origin": "http://"})


def test_a_browser_gets_the_track_and_then_each_message(tmp_path: Path) -> None:
    async def test() -> None:
        server = server_in(tmp_path)
        for second in range(300):
            server.latest.put(json.dumps({**STATE, "t": float(second)}).encode())
        async with client_of(server) as client:
            stream = await client.get("/stream")
            hello = (await stream.content.readuntil(b"\n\n")).decode().split("data: ")[1]
            assert len(json.loads(hello)["trail"]) == 150
            assert json.loads(hello)["mayChange"] is True
            assert json.loads(hello)["loggedIn"] is False
            server.latest.put(b'{"t":301}')
            assert await stream.content.readuntil(b"\n\n") == b'data: {"t":301}\n\n'
            stream.close()

    run(test)


def test_browsers_are_limited_and_those_that_left_leave_nothing(tmp_path: Path) -> None:
    async def test() -> None:
        server = server_in(tmp_path)
        async with client_of(server) as client:
            for _ in range(3):
                streams = [await client.get("/stream") for _ in range(MOST_STREAMS)]
                assert (await client.get("/stream")).status == 503
                for stream in streams:
                    stream.close()
                while server._streams:
                    await asyncio.sleep(0)
            assert not server.latest._listeners

    run(test)


def test_the_track_begins_again_in_another_frame_of_reference() -> None:
    latest = Latest()
    for t_s, frame in ((1.0, 1), (2.0, 1), (3.0, 2), (3.5, 2), (4.0, 2), (1.0, 2)):
        latest.put(json.dumps({"t": t_s, "place": [0.0, 0.0, frame, 0.0, 0.0], "lift": None}).encode())
    assert [point[0] for point in latest.trail] == [1.0]
    latest.put(b"no JSON")
    latest.put(b"{}")
    latest.put(json.dumps({"t": 2.0, "place": None, "lift": 1.0}).encode())
    standing = {"t": 3.0, "place": [0.0, 0.0, 2, 0.0, 0.0], "lift": 1.0, "mode": "ground"}
    latest.put(json.dumps(standing).encode())
    assert len(latest.trail) == 1


def test_the_server_ends_with_the_instrument(tmp_path: Path) -> None:
    async def test() -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        served = asyncio.create_task(serve(server_in(tmp_path), listener, theirs))
        reader, writer = await asyncio.open_connection(*listener.getsockname())
        writer.write(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        await reader.readuntil(b"event: hello")
        ours.send(b'{"t":1}')
        await reader.readuntil(b'data: {"t":1}\n\n')
        ours.close()
        await asyncio.wait_for(served, 5.0)
        await reader.read()  # to the end: the connection is closed
        writer.close()
        await writer.wait_closed()

    run(test)


# ---------------------------------------------------------------- the side of the instrument


def kept(home: Path, port: int) -> KeptPage:
    return KeptPage(f"127.0.0.1:{port}", home / "vario.toml", None, home / "passphrase", retry_s=0.02)


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def until(condition: Callable[[], object], longest_s: float = 20.0) -> None:
    end_s = time.monotonic() + longest_s
    while not condition():
        assert time.monotonic() < end_s
        time.sleep(0.01)


def stream_of(port: int) -> socket.socket | None:
    with suppress(OSError):
        connection = socket.create_connection(("127.0.0.1", port), 0.5)
        connection.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        connection.settimeout(20.0)
        if connection.recv(100):
            return connection
    return None


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
    until(lambda: page.problem is None)
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


def status(t_s: float = 0.0) -> Status:
    return Status(t_s, None, [], None, None)


def test_a_reading_becomes_ten_small_messages_a_second() -> None:
    sent: list[bytes] = []
    settings = Settings()
    feed = Feed(sent.append, lambda: settings, status, emulated=True)
    readings = demo().readings
    for reading in readings[3000:4000]:
        feed.update(reading)
    span_s = readings[3999].t_s - readings[3000].t_s
    assert len(sent) == pytest.approx(span_s * RATE_HZ, rel=0.1)
    assert max(map(len, sent)) < MESSAGE_BYTES / 4
    first = json.loads(sent[0])
    assert first["emulated"] is True
    assert first["recording"] == "off"


def test_what_is_not_known_is_not_shown() -> None:
    reading = demo().readings[4000]
    bare = replace(reading, wind=None, glide=None, place=None, ground_velocity=None, needle_mps=None)
    state = state_of(bare, Settings())
    for name in ("wind", "goal", "place", "track", "lift"):
        assert state[name] is None


def test_on_the_ground_there_is_no_arrival_height() -> None:
    """A glide begins in the air; its place and distance are known before."""
    glide = FinalGlide(1.0, 21_300.0, 20.0, 30.0, -264.0, 46.0)
    reading = replace(demo().readings[4000], glide=glide)
    assert state_of(reading, Settings())["goal"]["above"] == -264
    goal = state_of(replace(reading, mode=Mode.GROUND), Settings())["goal"]
    assert goal["above"] is None
    assert goal["sigma"] is None
    assert goal["distance"] == 21_300


def test_settings_in_a_recording_never_open_the_page() -> None:
    text = '[page]\naddress = "0.0.0.0:80"\npassphrase_file = "/etc/hostname"\n[flight]\nbugs = 0.1\n'
    assert parse_settings(text, "settings").settings.page.address == "0.0.0.0:80"
    taken = parse_settings(flying_text(text), "settings").settings
    assert taken.page.address is None
    assert taken.page.passphrase_file is None
    assert taken.flight.bugs == 0.1


def memory_of(pid: int) -> int:
    """Resident memory in KiB (proc(5), VmRSS)."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


def server_of(page: KeptPage) -> int:
    found: list[int] = []
    page._outlet.give(lambda process: found.append(process._process.pid))
    return found[0]


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
        sizes.append(memory_of(pid))
    ends.set()
    reader.join()
    connection.close()
    page.close()
    return (sizes[-1] - sizes[0]) / sizes[0]


def drained(connection: socket.socket, ends: threading.Event) -> None:
    connection.settimeout(0.2)
    while not ends.is_set():
        with suppress(TimeoutError):
            connection.recv(65536)


@pytest.mark.long
def test_a_day_of_messages_costs_no_memory(tmp_path: Path) -> None:
    """24 h at 10 Hz; a browser stays, others come and go. 5 % is the noise of an allocator (measured)."""
    assert server_grows(tmp_path, 24) < 0.05
