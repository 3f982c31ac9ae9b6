"""The samples of the bundled flight."""

from __future__ import annotations

from functools import cache

from drivers.samples import Sample
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED


@cache
def bundled() -> tuple[Sample, ...]:
    return tuple(Recording(BUNDLED))
