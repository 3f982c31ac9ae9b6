"""How rough the air is: the RMS of the normal acceleration without its slow part, and a verdict.

Pulling and banking change the load over seconds, gusts within one. The air counts as rough until it
has been shown to be smooth for a while, and where nothing can be said it is rough: the cautious side for
a speed limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from drivers.isa import G0_MPS2
from vario.flight.motion.attitude import Attitude

SLOW_S = 0.8
"""Changes of load slower than this are the pilot's."""

MEAN_S = 12.0
"""Roughness is averaged over some three hundred metres."""

SMOOTH_SHARE = 0.7
SMOOTH_FOR_S = 20.0
"""Rough air must fall to this share of the threshold, for this long, to count as smooth."""


class Air(Enum):
    """The verdict."""

    ROUGH = auto()
    SMOOTH = auto()


@dataclass(frozen=True, slots=True)
class Sight:
    """What the guards look at: roughness, the setting, and how long it has been well below that."""

    bumps_mps2: float | None
    rough_from_mps2: float
    calm_s: float


def _rough(s: Sight) -> bool:
    return s.bumps_mps2 is None or s.bumps_mps2 >= s.rough_from_mps2


def _smooth(s: Sight) -> bool:
    return s.calm_s >= SMOOTH_FOR_S


TRANSITIONS: tuple[tuple[Air, Air, Callable[[Sight], bool]], ...] = (
    (Air.SMOOTH, Air.ROUGH, _rough),
    (Air.ROUGH, Air.SMOOTH, _smooth),
)


class Bumps:
    """Measures roughness and runs the table."""

    def __init__(self) -> None:
        self.state = Air.ROUGH
        self._slow: float | None = None
        self._square = 0.0
        self._seen_s = 0.0
        self._calm_s = 0.0

    def update(self, dt_s: float, attitude: Attitude | None, rough_from_mps2: float) -> float | None:
        """One frame; the RMS in m/s², None before it is known."""
        self._follow(dt_s, attitude)
        bumps = math.sqrt(self._square) if self._seen_s >= MEAN_S else None
        calm = bumps is not None and bumps < SMOOTH_SHARE * rough_from_mps2
        self._calm_s = self._calm_s + dt_s if calm else 0.0
        sight = Sight(bumps, rough_from_mps2, self._calm_s)
        for start, end, guard in TRANSITIONS:
            if start is self.state and guard(sight):
                self.state = end
                break
        return bumps

    def _follow(self, dt_s: float, attitude: Attitude | None) -> None:
        if attitude is None:
            self._slow = None
            self._square = self._seen_s = 0.0
            return
        accel_mps2 = attitude.load_factor * G0_MPS2
        if self._slow is None:
            self._slow = accel_mps2
        self._slow += (1.0 - math.exp(-dt_s / SLOW_S)) * (accel_mps2 - self._slow)
        share = 1.0 - math.exp(-dt_s / MEAN_S)
        self._square += share * ((accel_mps2 - self._slow) ** 2 - self._square)
        self._seen_s += dt_s
