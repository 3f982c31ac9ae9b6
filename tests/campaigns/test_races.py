"""Settings, marks and an editor against the live loop; `make races` does it ten thousand times."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.long
def test_every_change_and_mark_is_recorded_once_and_whole() -> None:
    """It runs in its own process, which starts others that have none of its threads."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.campaigns.races", "120"],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
        timeout=300.0,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("all whole; nothing lost") == 2
