"""Attacks on the running instrument, one of each kind; `tests/campaigns/siege/live.py` has all of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.campaigns.siege import live
from tests.campaigns.siege.live import ATTACKS, SHORT
from tests.support import missing

SLOW = {live.two_imports, live.serial_line_missing, live.settings_become_a_pipe}
SHORT_ATTACKS = [attack for attack in ATTACKS if attack[2] in SHORT]


@pytest.mark.parametrize(
    ("attack", "expectation", "does"),
    [
        pytest.param(*one, id=one[0], marks=pytest.mark.long if one[2] in SLOW else [])
        for one in SHORT_ATTACKS
    ],
)
def test_the_running_instrument_withstands_the_attack(
    attack: str, expectation: str, does: Callable[[Path], str], tmp_path: Path
) -> None:
    seen = does(tmp_path)
    if seen.startswith("not tried"):
        pytest.skip(missing.ROOT)
    assert seen, f"{attack}: {expectation}"
