"""A day of the live page, accelerated: memory of the server and of a browser tab with five clients."""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import orjson
import pytest

from tests.app.test_cockpit import drained, folder, free_port, kept, memory_of, server_of, stream_of
from tests.support import missing
from tests.support.page_flights import demo
from vario.app.cockpit.process import KeptPage, ServerProcess
from vario.app.cockpit.state import state_of
from vario.settings.schema import Settings

missing.library("aiohttp")
pytest.importorskip("selenium.webdriver", reason=missing.TEST_LIBRARY)

from tests.support.browser import HAS_CHROMIUM, chromium  # noqa: E402  (after the check that it is there)

pytestmark = pytest.mark.skipif(not HAS_CHROMIUM, reason=missing.CHROMIUM)

LOG = logging.getLogger(__name__)

HOUR = 3600
"""Messages of a simulated hour: one each second, because the track of the page has one point each second."""

AT_ONCE = 20
PAUSE_S = 0.015
"""The messages come some hundred times as fast as in flight, and the tab still gets nearly all of them."""

COUNT = """
window.counted = window.paintings = 0;
receiver.source.addEventListener('message', () => { window.counted += 1; });
const showOne = window.show;
window.show = (state) => { window.paintings += 1; showOne(state); };
"""


@dataclass
class Growth:
    """After each simulated hour.

    Attributes:
        server_kb: resident set of the server.
        tab_kb: JavaScript memory of the tab in use after a collection.
        nodes, listeners: of its document.
        received, painted: messages in the tab, and those shown.
    """

    server_kb: list[int] = field(default_factory=list)
    tab_kb: list[float] = field(default_factory=list)
    nodes: list[int] = field(default_factory=list)
    listeners: list[int] = field(default_factory=list)
    received: int = 0
    painted: int = 0


def look(browser: Any, page: KeptPage, found: Growth) -> None:
    browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    metrics = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    by_name = {metric["name"]: metric["value"] for metric in metrics}
    found.tab_kb.append(by_name["JSHeapUsedSize"] / 1024.0)
    found.nodes.append(round(by_name["Nodes"]))
    found.listeners.append(round(by_name["JSEventListeners"]))
    found.server_kb.append(memory_of(server_of(page)))
    found.received, found.painted = browser.execute_script("return [window.counted, window.paintings]")


def grown(tmp_path: Path, hours: int) -> Growth:
    """Feed the bundled flight again and again to four plain clients and a tab of Chromium."""
    port = free_port()
    page = kept(folder(tmp_path), port)
    states = [state_of(reading, Settings()) for reading in demo().readings[::10]]
    known = {"emulated": False, "recording": "on", "sound": True}
    ends, found = threading.Event(), Growth()
    clients = [client for client in (stream_of(port) for _ in range(4)) if client is not None]
    readers = [threading.Thread(target=drained, args=(client, ends)) for client in clients]
    device: list[ServerProcess] = []
    page._outlet.give(device.append)
    device[0]._ours.setblocking(True)  # here nothing may be dropped on the way to the server
    try:
        for reader in readers:
            reader.start()
        with chromium(tmp_path / "profile", logs=False) as browser:
            browser.execute_cdp_cmd("Performance.enable", {})
            browser.get(f"http://127.0.0.1:{port}/")
            browser.execute_script(COUNT)
            for t_s in range(hours * HOUR):
                state = {**states[t_s % len(states)], "t": float(t_s)}
                device[0]._ours.send(orjson.dumps({"sent": time.monotonic(), **known, **state}))
                if t_s % AT_ONCE == 0:
                    time.sleep(PAUSE_S)
                if (t_s + 1) % HOUR == 0:
                    look(browser, page, found)
    finally:
        ends.set()
        for reader in readers:
            reader.join()
        for client in clients:
            client.close()
        page.close()
    LOG.info("after each hour: %s", found)
    return found


def check(found: Growth, messages: int) -> None:
    assert found.received > 0.8 * messages
    assert found.painted > 0.03 * messages
    assert found.nodes[-1] <= found.nodes[0] + 5
    assert found.listeners[-1] <= found.listeners[0]
    assert found.tab_kb[-1] < 1.1 * found.tab_kb[0]
    assert found.server_kb[-1] < 1.05 * found.server_kb[0]


@pytest.mark.long
def test_a_day_costs_no_memory_of_the_tab(tmp_path: Path) -> None:
    check(grown(tmp_path, 24), 24 * HOUR)
