"""Simulated flights for the tests of calibration."""

from __future__ import annotations

from functools import cache

from drivers.samples import Sample
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED


@cache
def bundled() -> list[Sample]:
    return list(Recording(BUNDLED))
