"""The live page in Chromium: size, touch, contrast, blankness, and changes."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import cycle
from pathlib import Path

import pytest

from tests.support.browser import Browser, luminance_of, script, wait
from tests.support.cockpit_server import PASSPHRASE
from tests.support.local_ports import can_connect, free_port
from tests.support.luminance import contrast
from tests.support.page_flights import demo
from tests.support.page_in_browser import is_live
from tests.support.waiting import once
from vario.app.cockpit.process import KeptPage
from vario.app.cockpit.state import state_of
from vario.flight.cruise.glide import FinalGlide
from vario.settings.load import parse_settings

WIDEST = '[display]\nunits = "knots_and_feet"\n[flight]\nmaccready = "1 m/s"\n'
GLIDE = FinalGlide(1.0, 211_300.0, 20.0, 30.0, -1264.0, 246.0)
"""A goal whose figures need much room: feet above all."""

SIZES = ((320, 568), (480, 800), (568, 320), (800, 480), (1280, 720))
"""From the narrowest phone in use to a tablet, in pixels of CSS."""

TOUCH_PX = 12.0 / 25.4 * 160
"""12 mm where an inch has 160 pixels of CSS, as on phones (Android, density-independent pixel, from
memory)."""


class Flight:
    """A page that shows the bundled flight from some time on, as often as a run does."""

    def __init__(self, home: Path, from_s: float) -> None:
        (home / "vario.toml").write_text('[flight]\nmaccready = "1 m/s"\n', encoding="utf-8")
        (home / "passphrase").write_text(PASSPHRASE, encoding="utf-8")
        self.config = home / "vario.toml"
        self.port = free_port()
        self.page = KeptPage(f"127.0.0.1:{self.port}", self.config, None, home / "passphrase")
        self.flows = threading.Event()
        self.flows.set()
        self._ends = threading.Event()
        self._readings = demo().readings[int(from_s * 10) :]
        self._thread = threading.Thread(target=self._fly, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._ends.set()
        self._thread.join()
        self.page.close()

    def _fly(self) -> None:
        for reading in cycle(self._readings):
            if self._ends.wait(0.1):
                return
            if self.flows.is_set():
                settings = parse_settings(self.config.read_text(encoding="utf-8"), "settings").settings
                state = state_of(replace(reading, glide=GLIDE), settings)
                known = {"emulated": True, "recording": "on", "sound": True}  # with a line of warnings
                self.page.send(json.dumps({"sent": time.monotonic(), **known, **state}).encode())


@pytest.fixture(scope="module")
def flight(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flight]:
    made = Flight(tmp_path_factory.mktemp("flight"), 360.0)
    yield made
    made.close()


@pytest.fixture(scope="module")
def browser(browser: Browser, flight: Flight) -> Iterator[Browser]:
    """The tab of Chromium, with the page of the flight in it."""
    once(lambda: can_connect(flight.port))
    browser.get(f"http://127.0.0.1:{flight.port}/")
    yield browser
    browser.get("about:blank")


@contextmanager
def sized(browser: Browser, width: int, height: int) -> Iterator[None]:
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    yield
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


FIT = """[...document.querySelectorAll('main > :not([hidden])')].filter((e) => e.textContent || e.width)
  .map((e) => [e, e.getBoundingClientRect()])
  .map(([e, r]) => [r.left, r.top, r.right, r.bottom, e.scrollWidth - e.clientWidth])"""

WATCH_TEXT = """(window.drawn = [], CanvasRenderingContext2D.prototype.fillText = (
  (write) => function (...text) { window.drawn.push(text[0]); return write.apply(this, text); }
)(CanvasRenderingContext2D.prototype.fillText), 0)"""

EDGES = ".map((r, k) => (k ? r.top : r.bottom))"
BUTTONS = """[...document.querySelectorAll('button, input')].filter((e) => e.checkVisibility())
  .map((e) => e.getBoundingClientRect()).map((r) => [r.width, r.height, r.left, r.top, r.right, r.bottom])"""


@pytest.mark.parametrize(
    "size",
    [SIZES[0], SIZES[3], *(pytest.param(size, marks=pytest.mark.long) for size in SIZES[1:3] + SIZES[4:])],
)
def test_everything_fits_and_can_be_touched(browser: Browser, flight: Flight, size: tuple[int, int]) -> None:
    width, height = size
    with sized(browser, width, height):
        flight.config.write_text(WIDEST, encoding="utf-8")
        wait(browser, lambda b: script(b, "document.getElementById('altitude').textContent").endswith("ft"))
        time.sleep(0.3)  # two messages at the new size
        page = "document.documentElement"
        assert script(browser, f"[{page}.scrollWidth, {page}.scrollHeight]") == [width, height]
        for left, top, right, bottom, hidden in script(browser, FIT):
            assert 0 <= left < right <= width
            assert 0 <= top < bottom <= height
            assert hidden <= 1
        for output in ("average", "turn", "climb", "maccready", "arrival", "wind", "altitude", "goal-place"):
            needed, given = script(browser, f"(e => [e.scrollWidth, e.clientWidth])({output_of(output)})")
            assert needed <= given, output
            pair = f"[{output_of(output)}, document.querySelector('nav')]"
            low, top = script(browser, f"{pair}.map((e) => e.getBoundingClientRect()){EDGES}")
            assert low <= top, output
            assert script(browser, f"{output_of(output)}.textContent") != "", output
        buttons = script(browser, BUTTONS)
        script(
            browser,
            "(document.getElementById('open').click(), showAccess({mayChange: true, loggedIn: true}))",
        )
        buttons += script(browser, BUTTONS)
        script(browser, "document.getElementById('close').click()")
        assert len(buttons) >= 3 + 8 + 4 + 1
        for wide, tall, left, top, right, bottom in buttons:
            assert min(wide, tall) >= TOUCH_PX
            assert left >= 0
            assert top >= 0
            assert right <= width + 1
            assert bottom <= height + 1


def output_of(name: str) -> str:
    return f"document.getElementById('{name}')"


def test_the_scale_of_the_track_is_in_the_units_of_the_settings(browser: Browser, flight: Flight) -> None:
    flight.config.write_text(WIDEST, encoding="utf-8")
    script(browser, WATCH_TEXT)
    wait(browser, lambda b: {"300 ft", "1 NM"} & set(script(b, "window.drawn")))
    assert not {"100 m", "1 km"} & set(script(browser, "window.drawn.slice(-40)"))


@pytest.mark.parametrize(("unit", "of_1_mps"), [("m/s", 1.0), ("kt", 3600 / 1852), ("ft/min", 60 / 0.3048)])
@pytest.mark.usefixtures("flight")
def test_a_climb_of_1_mps_is_within_the_ruler_in_every_unit(
    browser: Browser, unit: str, of_1_mps: float
) -> None:
    """Values of the units: ICAO Annex 5. The ruler has 2 steps of about 1 m/s below zero and 6 above."""
    at, width = script(
        browser,
        f"""(() => {{
          let at;
          const board = document.getElementById("climb-ruler").getContext("2d"), before = units.climb;
          board.strokeRect = (left, top, size) => (at = left + size / 2);
          units.climb = ["{unit}", {of_1_mps}, 1, 1];
          drawClimbRuler({{ climbAverage: 1, settings: {{ maccready: 1 }} }});
          units.climb = before;
          delete board.strokeRect;
          return [at, board.canvas.clientWidth];
        }})()""",
    )
    assert at / width == pytest.approx(3 / 8, abs=0.02)


@pytest.mark.parametrize(("light", "least"), [("day", 7.0), ("night", 4.5)])
def test_the_page_has_high_contrast_by_day_and_is_dark_at_night(
    browser: Browser, light: str, least: float
) -> None:
    """Contrast by WCAG 2.1: 7 (1.4.6) by day, 4.5 (1.4.3) by night, on black."""
    script(browser, f"setLight('{light}')")
    paper = luminance_of(browser, "body", "backgroundColor")
    assert paper == (1.0 if light == "day" else 0.0)
    for selector in ("output", "small", "header b", "nav button", "#wind"):
        ink = luminance_of(browser, selector)
        assert contrast(ink, paper) >= least, selector
        assert light == "day" or ink < 0.4
    script(browser, "setLight('day')")


def test_the_page_goes_blank_without_data_and_comes_back_by_itself(browser: Browser, flight: Flight) -> None:
    wait(browser, is_live)
    flight.flows.clear()
    stopped_s = time.monotonic()
    wait(browser, lambda b: not is_live(b))
    assert 0.8 < time.monotonic() - stopped_s < 2.0
    visible = "getComputedStyle(document.querySelector('main')).visibility"
    assert script(browser, visible) == "hidden"
    assert script(browser, "getComputedStyle(document.getElementById('blank')).display") == "block"
    flight.flows.set()
    wait(browser, is_live)
    assert script(browser, visible) == "visible"


def test_old_messages_that_arrive_late_are_not_shown(browser: Browser, flight: Flight) -> None:
    wait(browser, is_live)
    flight.flows.clear()
    wait(browser, lambda b: not is_live(b))
    old = json.dumps({"sent": time.monotonic() - 30.0, "t": 1.0})
    script(browser, f"receive({{data: '{old}'}})")
    time.sleep(0.2)
    assert not is_live(browser)
    flight.flows.set()
    wait(browser, is_live)


def test_a_change_is_made_as_by_vario_set_and_a_wrong_passphrase_changes_nothing(
    browser: Browser, flight: Flight
) -> None:
    flight.config.write_text('[flight]\nmaccready = "1 m/s"\n', encoding="utf-8")
    wait(browser, lambda b: script(b, "document.getElementById('maccready').textContent") == "1.0 m/s")
    browser.get_log("performance")
    script(browser, "showAccess({mayChange: true, loggedIn: false})")
    script(browser, "document.getElementById('open').click()")
    field = browser.find_element("id", "passphrase")
    for word, said in (("something else", "wrong passphrase"), (PASSPHRASE, "logged in")):
        field.send_keys(word)
        browser.find_element("css selector", "#log-in button").click()
        wait(browser, lambda b, said=said: b.find_element("id", "message").text == said)
    for _ in range(3):
        browser.find_element("id", "more-maccready").click()
    wait(browser, lambda _: "1.3 m/s" in flight.config.read_text(encoding="utf-8"))
    wait(browser, lambda b: script(b, "document.getElementById('maccready').textContent") == "1.3 m/s")
    assert script(browser, "document.cookie") == ""  # no script can read the session
    browser.find_element("id", "close").click()
    browser.find_element("id", "mark").click()
    wait(browser, lambda _: list((flight.config.parent / "marks").glob("*.mark")))
    addresses = {
        json.loads(entry["message"])["message"]["params"].get("request", {}).get("url", "")
        for entry in browser.get_log("performance")
    }
    home = f"http://127.0.0.1:{flight.port}/"
    assert all(url.startswith(home) for url in addresses if "://" in url)
    errors = [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"]
    assert all("403" in entry["message"] for entry in errors)  # the wrong passphrase alone
