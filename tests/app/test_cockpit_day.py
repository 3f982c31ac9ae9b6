"""A day of the live page, accelerated: memory of the server and of a browser tab with five clients."""

from __future__ import annotations

import logging
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import orjson
import pytest

from tests.support.browser import Browser, chromium
from tests.support.cockpit_process import drained, kept, server_of, stream_of
from tests.support.cockpit_server import folder
from tests.support.local_ports import free_port
from tests.support.page_flights import demo
from tests.support.processes import resident_kb
from vario.app.cockpit.process import KeptPage, ServerProcess
from vario.app.cockpit.state import state_of
from vario.settings.schema import Settings

LOG = logging.getLogger(__name__)

HOUR = 3600
"""Messages of a simulated hour: one each second, because the track of the page has one point each second."""

AT_ONCE = 20
PAUSE_S = 0.015
"""The messages come some hundred times as fast as in flight, and the tab still gets nearly all of them."""

SETTLE_S = 0.5
"""Messages on the way are not yet garbage."""

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
        objects: arrays and plain objects that its scripts keep.
        received, painted: messages in the tab, and those shown.
    """

    server_kb: list[int] = field(default_factory=list)
    tab_kb: list[float] = field(default_factory=list)
    nodes: list[int] = field(default_factory=list)
    listeners: list[int] = field(default_factory=list)
    objects: list[int] = field(default_factory=list)
    received: int = 0
    painted: int = 0


def objects_of(browser: Browser) -> int:
    """Arrays and plain objects that are alive; counting them collects the garbage first."""
    count = 0
    for kind in ("Array", "Object"):
        prototype = browser.execute_cdp_cmd("Runtime.evaluate", {"expression": f"{kind}.prototype"})["result"]
        found = browser.execute_cdp_cmd(
            "Runtime.queryObjects", {"prototypeObjectId": prototype["objectId"], "objectGroup": "count"}
        )["objects"]
        length = browser.execute_cdp_cmd(
            "Runtime.callFunctionOn",
            {
                "objectId": found["objectId"],
                "functionDeclaration": "function() { return this.length; }",
                "returnByValue": True,
            },
        )
        count += int(length["result"]["value"])
        browser.execute_cdp_cmd("Runtime.releaseObjectGroup", {"objectGroup": "count"})
    return count


def look(browser: Browser, page: KeptPage, found: Growth) -> None:
    time.sleep(SETTLE_S)
    found.objects.append(objects_of(browser))
    for _ in range(2):
        browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    metrics = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    by_name = {metric["name"]: metric["value"] for metric in metrics}
    found.tab_kb.append(by_name["JSHeapUsedSize"] / 1024.0)
    found.nodes.append(round(by_name["Nodes"]))
    found.listeners.append(round(by_name["JSEventListeners"]))
    found.server_kb.append(resident_kb(server_of(page)))
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
    """The least of the last quarter against that of the second one.

    In the first quarter lists of a fixed size fill. A single value contains what is just in use: on a busy
    machine the memory of the tab varied by half from hour to hour, its least value by 5 %.
    """
    quarter = len(found.tab_kb) // 4

    def grown_by(values: list[int] | list[float]) -> float:
        before = min(values[quarter : 2 * quarter])
        return (min(values[-quarter:]) - before) / before

    assert found.received > 0.8 * messages
    assert found.painted > 0.03 * messages
    assert grown_by(found.tab_kb) < 0.1
    assert grown_by(found.objects) < 0.02
    assert grown_by(found.nodes) < 0.05
    assert grown_by(found.listeners) <= 0.0
    assert grown_by(found.server_kb) < 0.05


@pytest.mark.long
def test_a_day_costs_no_memory_of_the_tab(tmp_path: Path) -> None:
    check(grown(tmp_path, 24), 24 * HOUR)
