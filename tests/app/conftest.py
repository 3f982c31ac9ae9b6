"""One Chromium for all tests of this folder that use a page: its start takes 1.5 s of processor time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.support.browser import Browser, chromium


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        yield started
