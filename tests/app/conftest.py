"""Fixtures of several tests: a browser (its start takes 1.5 s of processor time), a folder of recordings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.batch_folder import recordings_in
from tests.support.browser import Browser, chromium
from tests.support.page_flights import demo
from tests.support.page_in_browser import saved


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two recordings, and files that are none."""
    return recordings_in(tmp_path)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """A tab of Chromium."""
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        yield started


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the bundled flight."""
    return saved(tmp_path_factory.mktemp("page"), demo())
