"""The page of a flight and the live page in a browser."""

from __future__ import annotations

from pathlib import Path

from tests.support.browser import Browser, script, wait
from tests.support.page_flights import Flown, content_of
from vario.app.page.build import page_html
from vario.sound.word_bank import WordBank


def opened(browser: Browser, path: Path) -> None:
    """Load a page; the logs of the browser then begin with it."""
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(path.as_uri())
    wait(browser, lambda b: script(b, "document.documentElement.dataset.ready"))


def saved(folder: Path, flown: Flown, words: WordBank | None = None) -> Path:
    path = folder / "page.html"
    path.write_text(page_html(content_of(flown, words)), encoding="utf-8")
    return path


def is_live(browser: Browser) -> bool:
    """Whether the live page shows the present."""
    return bool(script(browser, "document.body.dataset.live === 'yes'"))
