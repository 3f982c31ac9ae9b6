"""Debian's Chromium without a screen, driven by the WebDriver standard (W3C)."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
HAS_CHROMIUM = bool(CHROMIUM and DRIVER)

SILENT = ("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run")


@contextmanager
def chromium(profile: Path, *, logs: bool = True) -> Iterator[Any]:
    """A browser with its profile in a folder. No host name leads anywhere.

    Args:
        profile: the folder.
        logs: whether requests and errors can be read afterwards; each message costs time and memory.
    """
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
    started = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        yield started
    finally:
        started.quit()


def luminance(rgb: str) -> float:
    """Relative luminance as WCAG 2.1 defines it, of a colour written "rgb(...)"."""
    channels = [int(part) / 255 for part in rgb.strip("rgba()").split(",")[:3]]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))
