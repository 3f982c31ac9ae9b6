"""Wait for another thread."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest


def once(happened: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait until it has happened, with a time limit."""
    tick = threading.Event()
    for _ in range(round(seconds / 0.002)):
        if happened():
            return
        tick.wait(0.002)
    pytest.fail("it never happened")
