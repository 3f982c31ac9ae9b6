"""The live page of a run: the time from a reading to the pixel, and the rate that five clients get."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.browser import Browser, script, wait
from tests.support.local_ports import can_connect, free_port
from tests.support.page_in_browser import is_live
from tests.support.waiting import once

missing.library("aiohttp")

LOG = logging.getLogger(__name__)


def client(port: int, ends: threading.Event, arrived_s: list[float]) -> None:
    with socket.create_connection(("127.0.0.1", port), 5.0) as connection:
        connection.sendall(b"GET /stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        connection.settimeout(0.5)
        while not ends.is_set():
            try:
                data = connection.recv(65536)
            except TimeoutError:
                continue
            arrived_s.extend([time.monotonic()] * data.count(b"data: {"))


@pytest.mark.long
def test_a_run_is_seen_within_150_ms_ten_times_a_second_by_five(browser: Browser, tmp_path: Path) -> None:
    """`vario run --emulate` as it is started; the last of the five clients is Chromium."""
    port = free_port()
    config = tmp_path / "vario.toml"
    config.write_text(f'[page]\naddress = "127.0.0.1:{port}"\n', encoding="utf-8")
    words = ["run", "--config", str(config), "--silent", "--emulate", str(BUNDLED), "--for", "60"]
    process = subprocess.Popen([sys.executable, "-m", "vario.app.cli", *words], stderr=subprocess.DEVNULL)  # noqa: S603
    ends = threading.Event()
    arrivals: list[list[float]] = [[] for _ in range(4)]
    try:
        once(lambda: can_connect(port))
        threads = [threading.Thread(target=client, args=(port, ends, each)) for each in arrivals]
        for thread in threads:
            thread.start()
        browser.get(f"http://127.0.0.1:{port}/")
        wait(browser, is_live)
        time.sleep(20.0)
        painted = np.array(script(browser, "receiver.painted"))
        browser.get("about:blank")
    finally:
        ends.set()
        process.kill()
        process.wait()
    for thread in threads:
        thread.join()
    wall_minus_monotonic_s = time.time() - time.monotonic()
    latency_ms = painted[:, 1] - (painted[:, 0] + wall_minus_monotonic_s) * 1000.0
    # Of the last 15 s: at its start the run works off what it has missed meanwhile.
    rates = [sum(each[-1] - t_s < 15.0 for t_s in each) / 15.0 for each in arrivals]
    median_ms, last_ms = np.percentile(latency_ms, [50, 95])
    seen = f"median {median_ms:.0f} ms, 95 % {last_ms:.0f} ms; {rates} Hz; load {os.getloadavg()}"
    LOG.info("from reading to pixel: %s", seen)
    assert median_ms <= 150.0, seen
    assert np.median(np.diff(painted[:, 0])) == pytest.approx(0.1, abs=0.02)
    assert all(rate == pytest.approx(10.0, abs=0.7) for rate in rates)
