"""The process of the live page: `vario run` starts it, with the socket of the messages as standard input."""

from __future__ import annotations

import argparse
import asyncio
import logging
import os
import signal
import socket
import sys
from contextlib import suppress
from pathlib import Path

from aiohttp import web

from vario.app.cockpit.process import MESSAGE_BYTES
from vario.app.cockpit.server import Latest, Server

NICE = 10
OOM_ADJUSTMENT = "500"
"""If memory runs out, the system ends this process before the vario (proc(5), oom_score_adj)."""


def main(words: list[str] | None = None) -> int:
    """Serve until the instrument closes the socket."""
    parser = argparse.ArgumentParser(prog="vario.app.cockpit")
    parser.add_argument("--listen", type=int, required=True, help="number of the open file of the port")
    parser.add_argument("--config", type=Path, help="settings file that the page changes")
    parser.add_argument("--marks", type=Path, help="folder for marks")
    parser.add_argument("--passphrase", type=Path, help="file with the passphrase")
    arguments = parser.parse_args(words)
    _step_back()
    # The instrument ends this process by closing the socket, also if it was killed.
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    logging.basicConfig(level=logging.WARNING, format="page: %(message)s")
    server = Server(arguments.config, arguments.marks, arguments.passphrase)
    asyncio.run(serve(server, socket.socket(fileno=arguments.listen), socket.socket(fileno=0)))
    return 0


async def serve(server: Server, listener: socket.socket, feed: socket.socket) -> None:
    """Serve browsers on `listener` and pass on the messages from `feed`, until its other end is closed."""
    feed.setblocking(False)
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(feed, _take, feed, server.latest, ended)
    runner = web.AppRunner(
        server.application(),
        access_log=None,
        # A handler ends with its connection, so that nothing is kept for a browser that has disconnected.
        handler_cancellation=True,
        keepalive_timeout=15.0,
        shutdown_timeout=0.2,
    )
    await runner.setup()
    await web.SockSite(runner, listener, backlog=16).start()
    await ended.wait()
    loop.remove_reader(feed)
    with suppress(TimeoutError):
        await asyncio.wait_for(runner.cleanup(), 0.5)
    feed.close()


def _take(feed: socket.socket, latest: Latest, ended: asyncio.Event) -> None:
    try:
        message = feed.recv(MESSAGE_BYTES)
    except BlockingIOError:
        return
    except OSError:
        message = b""
    if message:
        latest.put(message)
    else:
        ended.set()


def _step_back() -> None:
    """Give up the priority that the process has inherited from the instrument."""
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    with suppress(OSError):
        os.nice(NICE)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(OOM_ADJUSTMENT, encoding="ascii")


if __name__ == "__main__":
    sys.exit(main())
