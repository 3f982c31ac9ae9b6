"""The server of the live page: static files, a stream of messages to each browser, and changes.

A browser that is slower than the messages misses messages; it never gets old ones later. The stream uses
server-sent events (WHATWG HTML, 9.2).
"""

from __future__ import annotations

import asyncio
import json
import socket
from collections import deque
from collections.abc import Awaitable, Callable
from contextlib import suppress
from importlib.resources import files
from pathlib import Path
from typing import Any

import orjson
from aiohttp import web

from hw_replay.text import encodable
from vario.app.cockpit.access import (
    CHANGES,
    CHANGES_S,
    COOKIE,
    LOG_INS,
    LOG_INS_OF_ALL,
    SESSION_S,
    RateLimit,
    Sessions,
    is_own_host,
    is_same_origin,
)
from vario.app.cockpit.changes import ChangeRefusedError, Changes

MOST_STREAMS = 12
STUCK_S = 3.0
"""A browser that takes no data for this time is disconnected; it connects again when it can."""

PATIENCE_MS = 5000
"""Time after which the system gives up a connection whose other end is silent (RFC 5482)."""

STREAM_BUFFER_BYTES = 16_384
LARGEST_BODY_BYTES = 2048

TRAIL_EVERY_S = 1.0
TRAIL_POINTS = 150
"""A browser that connects gets the track of the last 150 s."""

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), camera=(), microphone=()",
    "Cache-Control": "no-store",
}

STATIC = {
    "/": ("page.html", "text/html"),
    "/page.css": ("page.css", "text/css"),
    "/numbers.js": ("numbers.js", "text/javascript"),
    "/drawing.js": ("drawing.js", "text/javascript"),
    "/controls.js": ("controls.js", "text/javascript"),
    "/page.js": ("page.js", "text/javascript"),
}

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


class Latest:
    """The latest message, and the recent track for a browser that connects."""

    def __init__(self) -> None:
        self.message = b""
        self.trail: deque[list[float | None]] = deque(maxlen=TRAIL_POINTS)
        self._listeners: set[asyncio.Event] = set()

    def put(self, message: bytes) -> None:
        """A message of the instrument."""
        self.message = message
        for event in self._listeners:
            event.set()
        with suppress(orjson.JSONDecodeError, KeyError, TypeError):
            self._extend(orjson.loads(message))

    def _extend(self, state: dict[str, Any]) -> None:
        t_s, place = state["t"], state["place"]
        if place is None or state.get("mode") == "ground":  # standing still has no direction
            return
        last = self.trail[-1] if self.trail else None
        if last is not None and (last[3] != place[2] or t_s < (last[0] or 0.0)):
            self.trail.clear()
        elif last is not None and t_s - (last[0] or 0.0) < TRAIL_EVERY_S:
            return
        self.trail.append([t_s, *place[:3], state["lift"]])

    def listen(self) -> asyncio.Event:
        """An event that each message sets."""
        event = asyncio.Event()
        self._listeners.add(event)
        return event

    def forget(self, event: asyncio.Event) -> None:
        """Remove a listener."""
        self._listeners.discard(event)


class Server:
    """The application.

    Args:
        config: the settings file to change; None: nothing can be changed.
        marks: folder for marks.
        passphrase: the file with the passphrase.
    """

    def __init__(self, config: Path | None, marks: Path | None, passphrase: Path | None) -> None:
        self.latest = Latest()
        self._streams = 0
        self._may_change = config is not None and passphrase is not None
        self._changes = Changes(config, marks)
        self._sessions = Sessions(passphrase if self._may_change else None)
        self._log_ins = RateLimit(LOG_INS, 60.0)
        self._all_log_ins = RateLimit(LOG_INS_OF_ALL, 60.0)
        self._change_rate = RateLimit(CHANGES, CHANGES_S)
        assets = files(__package__) / "assets"
        self._static = {
            path: (assets.joinpath(name).read_bytes(), kind) for path, (name, kind) in STATIC.items()
        }

    def application(self) -> web.Application:
        """The routes."""
        app = web.Application(middlewares=[_checked], client_max_size=LARGEST_BODY_BYTES)
        app.on_response_prepare.append(_with_headers)
        for path in STATIC:
            app.router.add_get(path, self._file)
        app.router.add_get("/stream", self._stream)
        app.router.add_post("/login", self._log_in)
        app.router.add_post("/change", self._change)
        return app

    async def _file(self, request: web.Request) -> web.Response:
        body, kind = self._static[request.path]
        return web.Response(body=body, content_type=kind, charset="utf-8")

    async def _stream(self, request: web.Request) -> web.StreamResponse:
        if self._streams >= MOST_STREAMS:
            raise web.HTTPServiceUnavailable(text=f"at most {MOST_STREAMS} browsers can be connected")
        self._streams += 1
        event = self.latest.listen()
        try:
            return await self._send_all(request, event)
        finally:
            self.latest.forget(event)
            self._streams -= 1

    async def _send_all(self, request: web.Request, event: asyncio.Event) -> web.StreamResponse:
        response = web.StreamResponse(headers={"Content-Type": "text/event-stream"})
        await response.prepare(request)
        transport = request.transport
        if transport is None:
            return response
        _prepare(transport.get_extra_info("socket"))
        hello = {
            "trail": list(self.latest.trail),
            "mayChange": self._may_change,
            "loggedIn": self._sessions.knows(request.cookies.get(COOKIE)),
        }
        with suppress(ConnectionError, asyncio.CancelledError):
            await response.write(b"retry: 1000\nevent: hello\ndata: " + orjson.dumps(hello) + b"\n\n")
            clock = asyncio.get_running_loop().time
            taken_s = clock()
            while not transport.is_closing():
                await event.wait()
                event.clear()
                if transport.get_write_buffer_size() == 0:
                    await response.write(b"data: " + self.latest.message + b"\n\n")
                    taken_s = clock()
                elif clock() - taken_s > STUCK_S:
                    transport.abort()
        return response

    async def _log_in(self, request: web.Request) -> web.Response:
        body = await _body(request)
        if not self._log_ins.allows(request.remote or "") or not self._all_log_ins.allows():
            raise web.HTTPTooManyRequests(text="too many attempts; wait a minute")
        token = self._sessions.log_in(str(body.get("passphrase", "")))
        if token is None:
            raise web.HTTPForbidden(text="wrong passphrase")
        response = web.Response(text="logged in")
        response.set_cookie(COOKIE, token, max_age=round(SESSION_S), httponly=True, samesite="Strict")
        return response

    async def _change(self, request: web.Request) -> web.Response:
        if not self._sessions.knows(request.cookies.get(COOKIE)):
            raise web.HTTPForbidden(text="log in first")
        body = await _body(request)
        if not self._change_rate.allows():
            raise web.HTTPTooManyRequests(text="too many changes; wait a moment")
        try:
            said = await self._changes.make(body)
        except ChangeRefusedError as error:
            # The request may contain code points that UTF-8 cannot encode.
            raise web.HTTPUnprocessableEntity(text=encodable(str(error))) from error
        return web.Response(text=said)


@web.middleware
async def _checked(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Refuse requests of other pages."""
    if not is_own_host(request.headers.get("Host", "")):
        raise web.HTTPMisdirectedRequest(text="expected the name of this computer or its address in numbers")
    if request.method == "POST" and not is_same_origin(request.headers):
        raise web.HTTPForbidden(text="the request does not come from this page")
    return await handler(request)


async def _with_headers(_: web.Request, response: web.StreamResponse) -> None:
    response.headers.update(HEADERS)
    response.headers.popall("Server", None)


async def _body(request: web.Request) -> dict[str, Any]:
    if request.content_type != "application/json":
        raise web.HTTPUnsupportedMediaType(text="expected application/json")
    try:
        body = await request.json(loads=json.loads)
    except ValueError as error:
        raise web.HTTPBadRequest(text="expected JSON") from error
    if not isinstance(body, dict):
        raise web.HTTPBadRequest(text="expected a JSON object")
    return body


def _prepare(connection: socket.socket | None) -> None:
    """Little data may wait for a browser, and one that has disappeared is detected soon."""
    if connection is None:
        return
    with suppress(OSError):
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, STREAM_BUFFER_BYTES)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        if hasattr(socket, "TCP_USER_TIMEOUT"):  # Linux
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, PATIENCE_MS)
