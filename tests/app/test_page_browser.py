"""The page of a flight in Chromium: loading, cursor, zoom, marks, units, contrast, printing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.browser import Browser, actions, luminance_of, press, script, wait
from tests.support.luminance import contrast
from tests.support.page_flights import Flown, content_of, demo, long_flight
from tests.support.page_in_browser import opened, saved
from vario.app.page.build import page_html
from vario.settings.display import Display, DisplayUnits

YARDSTICK = """
const values = Float64Array.from({ length: 3000000 }, (_, k) => Math.sin(k));
values.sort();
"""
"""Reference work: computing and sorting three million sines."""

MOST_YARDSTICKS = 8.0
"""The page of five hours took 4.7 to 5.3 of them, two to four seconds."""

LARGEST_BYTES = 15e6


def requests(browser: Browser) -> list[str]:
    """The addresses requested so far, without those inside the page (data:) and the browser's own pictures.

    A page cannot request chrome: addresses; the browser does, for parts of its input fields.
    """
    messages = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    sent = (m["params"]["request"]["url"] for m in messages if m["method"] == "Network.requestWillBeSent")
    return [url for url in sent if not url.startswith(("data:", "chrome:"))]


def worked_s(browser: Browser) -> float:
    """Working time of the thread of the page since it was loaded."""
    metrics = browser.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]
    return float(next(metric["value"] for metric in metrics if metric["name"] == "TaskDuration"))


@pytest.mark.long
def test_five_hours_load_quickly_and_from_fifteen_megabytes(browser: Browser, tmp_path: Path) -> None:
    path = saved(tmp_path, long_flight())
    assert path.stat().st_size < LARGEST_BYTES
    # A ratio on the clock of the same thread does not depend on the machine or its load.
    browser.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
    ratios = []
    for _ in range(3):
        opened(browser, path)
        loaded_s = worked_s(browser)
        browser.execute_script(YARDSTICK)
        ratios.append(loaded_s / (worked_s(browser) - loaded_s))
    browser.execute_cdp_cmd("Performance.disable", {})
    assert min(ratios) < MOST_YARDSTICKS
    assert script(browser, "flightPage.state.whole[1] - flightPage.state.whole[0]") >= 5 * 3600
    assert browser.get_log("browser") == []


def test_the_page_sends_no_request_and_logs_no_error(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    for key in ("n", "+", "+", "-", "0", "f", "p", "END", "HOME"):
        press(browser, key)
    assert requests(browser) == [demo_page.as_uri()]
    assert browser.get_log("browser") == []


def test_every_picture_shows_something(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    browser.execute_script("document.getElementById('climbs').scrollIntoView()")
    colours = """Array.from(document.querySelectorAll('canvas:not(.overlay)')).map((canvas) => {
      const {data} = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
      return new Set(new Uint32Array(data.buffer)).size; })"""
    wait(browser, lambda b: min(script(b, colours)) > 3, 10.0)
    assert len(script(browser, colours)) >= 9


def test_keys_move_the_cursor_zoom_and_go_to_climbs(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    first, *others = demo().climbs
    next_s = others[0].start_s if others else demo().readings[-1].t_s
    press(browser, "n")
    assert script(browser, "flightPage.state.t") == pytest.approx(first.start_s, abs=0.01)
    low, high = script(browser, "flightPage.state.view")
    assert low < first.start_s
    assert first.end_s < high < next_s
    press(browser, "ARROW_RIGHT")
    press(browser, "ARROW_RIGHT", shift=True)
    assert script(browser, "flightPage.state.t") == pytest.approx(first.start_s + 11.0, abs=0.01)
    press(browser, "+")
    closer = script(browser, "flightPage.state.view")
    assert closer[1] - closer[0] == pytest.approx((high - low) / 2, rel=1e-6)
    press(browser, "0")
    whole = script(browser, "flightPage.state.whole")
    assert script(browser, "flightPage.state.view") == pytest.approx(whole, abs=1e-9)


def test_dragging_over_one_plot_zooms_all_plots(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    over = browser.find_elements("css selector", ".u-over")[1]
    width = over.size["width"]
    drag = actions(browser).move_to_element_with_offset(over, -width // 4, 0)
    drag.click_and_hold().move_by_offset(width // 2, 0).release().perform()
    # The plots are drawn first: a logarithmic axis without end would fail here, after many seconds.
    browser.execute_async_script("requestAnimationFrame(() => requestAnimationFrame(arguments[0]))")
    assert browser.get_log("browser") == []
    low, high = script(browser, "flightPage.state.view")
    whole = script(browser, "flightPage.state.whole[1] - flightPage.state.whole[0]")
    assert high - low == pytest.approx(whole / 2, rel=0.05)


INK_SHARES = """Array.from(document.querySelectorAll('#plots .uplot')).map((plot) => {
  const canvas = plot.querySelector('canvas'), over = plot.querySelector('.u-over');
  const [from, to] = flightPage.state.view, scale = canvas.width / canvas.clientWidth;
  const x = Math.round((over.offsetLeft + (%s - from) / (to - from) * over.clientWidth) * scale) - 1;
  const [top, height] = [over.offsetTop * scale, over.clientHeight * scale];
  const {data, width} = canvas.getContext('2d').getImageData(x, top, 3, height);
  let dark = 0;
  for (let row = 0; row < height; row++)
    dark += [0, 1, 2].some((k) => data[4 * (row * width + k)] < 60 && data[4 * (row * width + k) + 3] > 100);
  return dark / height; })"""
"""The dark share of the height of each panel at a time."""


def test_marks_are_in_every_plot_and_in_a_list_whose_entries_move_the_cursor(
    browser: Browser, tmp_path: Path
) -> None:
    marks = [{"t_s": 100.0, "text": '<i>rope</i> & "slack"'}, {"t_s": 400.0, "text": "airbrakes"}]
    opened(browser, saved(tmp_path, demo()._replace(summary=demo().summary | {"marks": marks})))
    for mark in marks:
        beside = script(browser, INK_SHARES % (mark["t_s"] + 8.0))
        for at, near in zip(script(browser, INK_SHARES % mark["t_s"]), beside, strict=True):
            assert at > 0.3 > near  # dots of two with gaps of three, and nothing of the kind 8 s later
    buttons = browser.find_elements("css selector", "#marks button")
    assert [button.text for button in buttons] == ['12:31:40 <i>rope</i> & "slack"', "12:36:40 airbrakes"]
    press(browser, "HOME")
    press(browser, "m")
    assert script(browser, "flightPage.state.t") == 100.0
    buttons[1].click()
    assert script(browser, "flightPage.state.t") == 400.0
    press(browser, "M")
    assert script(browser, "flightPage.state.t") == 100.0


def test_every_text_is_in_the_units_of_the_settings(browser: Browser, tmp_path: Path) -> None:
    """ICAO Annex 5: 1 kt = 0.514444 m/s, 1 ft = 0.3048 m."""
    flown = demo()
    path = tmp_path / "page.html"
    units = DisplayUnits(Display(units="knots_and_feet"))
    path.write_text(page_html(content_of(flown, units=units)), encoding="utf-8")
    opened(browser, path)
    climb = flown.climbs[0]
    big, quiet = (
        script(browser, f"document.querySelector('.climb {c}').textContent") for c in (".big", ".quiet")
    )
    assert big == f"{climb.average_mps / 0.514444:+.1f} kt"
    assert quiet.startswith(f"{climb.gain_m / 0.3048:+.0f} ft in ")
    low, high = flown.summary["flight"]["lowest_m"], flown.summary["flight"]["highest_m"]
    facts = script(browser, "document.getElementById('facts').textContent")
    assert f"{low / 0.3048:.0f} to {high / 0.3048:.0f} ft" in facts
    assert script(browser, "document.getElementById('scale').textContent").startswith("−8+8 kt")
    assert "kt" in script(browser, "document.querySelector('.climb p').textContent")
    said = facts + script(browser, "document.getElementById('climbs-section').innerText")
    assert " m/s" not in said
    assert "km" not in said


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_light_and_dark_are_both_easy_to_read(browser: Browser, demo_page: Path, scheme: str) -> None:
    """Text has a contrast of 4.5 or more against what is behind it (WCAG 2.1, 1.4.3)."""
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
    opened(browser, demo_page)
    paper = luminance_of(browser, "body", "backgroundColor")
    assert (paper > 0.5) == (scheme == "light")
    for selector in ("h1", ".facts", ".caution", ".lead", ".climb .quiet", ".panel h3 small"):
        ink = luminance_of(browser, selector)
        assert contrast(ink, paper) >= 4.5, selector
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_the_page_can_be_printed(browser: Browser, demo_page: Path) -> None:
    opened(browser, demo_page)
    printed = browser.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})
    assert len(printed["data"]) > 100_000
    assert browser.get_log("browser") == []


def test_the_track_is_on_the_printed_map(browser: Browser, demo_page: Path) -> None:
    """For printing, the upper canvas contains the map; on the screen it contains only the cursor."""
    opened(browser, demo_page)
    painted = """(() => {
      const canvas = document.querySelector('#map .overlay');
      const {data} = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
      return new Uint32Array(data.buffer).filter((pixel) => pixel !== 0).length; })()"""
    on_screen = script(browser, painted)
    script(browser, "dispatchEvent(new Event('beforeprint'))")
    assert script(browser, painted) > 3 * on_screen
    script(browser, "dispatchEvent(new Event('afterprint'))")
    wait(browser, lambda b: script(b, painted) == on_screen, 5.0)


def test_an_empty_flight_gives_a_page_without_errors(browser: Browser, tmp_path: Path) -> None:
    flight = {**demo().summary["flight"], "lowest_m": None, "highest_m": None, "circling_share": None}
    summary = {**demo().summary, "flight": {**flight, "takeoff_s": None}, "warnings": ["empty"]}
    opened(browser, saved(tmp_path, Flown([], [], summary)))
    assert browser.get_log("browser") == []
    assert "empty" in browser.find_element("id", "warnings").text
