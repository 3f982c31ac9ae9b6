"""Debian's Chromium without a screen, driven by the WebDriver standard (W3C)."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.support import missing
from tests.support.luminance import luminance_of_channels

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")

SILENT = ("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run")

Browser = Any
"""selenium's WebDriver; the library may be missing."""


@contextmanager
def chromium(profile: Path, *, logs: bool = True) -> Iterator[Browser]:
    """A browser with its profile in a folder. No host name leads anywhere.

    The test is skipped where Chromium is missing.

    Args:
        profile: the folder.
        logs: whether requests and errors can be read afterwards; each message costs time and memory.
    """
    webdriver = missing.library("selenium.webdriver")
    if not (CHROMIUM and DRIVER):
        pytest.skip(missing.CHROMIUM)
    os.environ["SE_OFFLINE"] = "true"  # the driver is here: nothing is to be looked for elsewhere
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for argument in (
        "--headless=new",
        "--no-sandbox",  # the tests may run as root, where Chromium's sandbox refuses to
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--window-size=1500,1300",
        f"--user-data-dir={profile}",
        "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
        *SILENT,
    ):
        options.add_argument(argument)
    if logs:
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    started = webdriver.Chrome(options=options, service=webdriver.ChromeService(DRIVER))
    try:
        yield started
    finally:
        started.quit()


def script(browser: Browser, text: str) -> Any:
    """The value of an expression in JavaScript."""
    return browser.execute_script(f"return {text}")


def wait(browser: Browser, condition: Callable[[Browser], object], seconds: float = 20.0) -> None:
    """Wait until a condition of the page holds."""
    missing.library("selenium.webdriver.support.ui").WebDriverWait(browser, seconds, 0.02).until(condition)


def actions(browser: Browser) -> Any:
    """A sequence of movements, clicks and keys, done by `perform()`."""
    return missing.library("selenium.webdriver").ActionChains(browser)


def press(browser: Browser, key: str, *, shift: bool = False) -> None:
    """Press a key: a character, or a name such as "ARROW_RIGHT"."""
    keys = missing.library("selenium.webdriver").Keys
    pressed = actions(browser).key_down(keys.SHIFT) if shift else actions(browser)
    pressed.send_keys(getattr(keys, key, key))
    (pressed.key_up(keys.SHIFT) if shift else pressed).perform()


def luminance_of(browser: Browser, selector: str, what: str = "color") -> float:
    """Relative luminance of the colour of an element."""
    rgb = script(browser, f"getComputedStyle(document.querySelector('{selector}')).{what}")
    red, green, blue = (int(part) / 255 for part in rgb.strip("rgba()").split(",")[:3])
    return luminance_of_channels(red, green, blue)
