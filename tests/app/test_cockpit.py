"""The server of the live page: who gets what, who may change what, and what it does to the instrument."""

import asyncio
import json
import re
import socket
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from tests.support.cockpit_server import (
    PASSPHRASE,
    STATE,
    client_of,
    origin,
    post,
    run,
    server_in,
)
from tests.support.page_flights import demo
from vario.app.cockpit.__main__ import serve
from vario.app.cockpit.access import LOG_INS
from vario.app.cockpit.feed import RATE_HZ, Feed
from vario.app.cockpit.process import MESSAGE_BYTES
from vario.app.cockpit.server import HEADERS, MOST_STREAMS, STATIC, Latest
from vario.app.cockpit.state import state_of
from vario.app.live.status import Status
from vario.flight.cruise.glide import FinalGlide
from vario.flight.motion.mode import Mode
from vario.settings.carried import flying_text
from vario.settings.load import parse_settings
from vario.settings.schema import Settings


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
        {"key": "\ud800", "value": "1 m/s"},
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


def test_unknown_values_are_not_shown() -> None:
    reading = demo().readings[4000]
    bare = replace(reading, wind=None, glide=None, place=None, ground_velocity=None, needle_mps=None)
    state = state_of(bare, Settings())
    for name in ("wind", "goal", "place", "track", "lift"):
        assert state[name] is None


def test_the_page_reads_every_value_of_a_message() -> None:
    scripts = "".join(
        path.read_text(encoding="utf-8")
        for path in (files("vario.app.cockpit") / "assets").iterdir()
        if path.name.endswith(".js")
    )
    glide = FinalGlide(1.0, 21_300.0, 20.0, 30.0, -264.0, 46.0)
    states = [state_of(replace(reading, glide=glide), Settings()) for reading in demo().readings[::200]]
    names = {name for state in states for name in state}
    for part in ("wind", "goal", "circle", "battery"):
        names |= {name for state in states for name in state[part] or ()}
    assert [name for name in sorted(names) if not re.search(rf"\.{name}\b", scripts)] == []


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
