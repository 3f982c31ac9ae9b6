"""The flying speed, and a height that changes as only in flight: they distinguish flight from driving."""

from __future__ import annotations

from collections import deque
from enum import StrEnum

from drivers.quick import dataclass
from vario.flight.motion.mode import FLYING_MPS
from vario.flight.setup import Setup

OF_STALL = 0.8
"""A glider with a low stall speed flies above this fraction of it."""

HEIGHT_S = 60.0
HEIGHT_M = 50.0
HEIGHT_SLOPE = 0.08
HEIGHT_MOVING_MPS = 4.0
"""A glider that moves over ground and has climbed or sunk by this height in this time, and by this share of
the distance, flies, however slowly: 0.8 m/s is the least sink of a slow glider, and few roads are as steep
(common practice, no source).
"""

HEIGHT_EVERY_S = 2.0


class SpeedOrigin(StrEnum):
    """Where a flying speed is from."""

    SETTINGS = "settings"
    GLIDER = "glider file"
    FILE = "heights and speeds of the recording"
    USUAL = "usual value"


@dataclass(frozen=True, slots=True)
class FlyingSpeed:
    """The glider flies above this airspeed."""

    speed_mps: float
    origin: SpeedOrigin


def flying_speed(setup: Setup) -> FlyingSpeed:
    """From the settings, else from the glider file, else from the recording, else the usual value."""
    if setup.settings.flight.flying_speed_mps is not None:
        return FlyingSpeed(setup.settings.flight.flying_speed_mps, SpeedOrigin.SETTINGS)
    if setup.stall_mps is not None:
        return FlyingSpeed(min(FLYING_MPS, OF_STALL * setup.stall_mps), SpeedOrigin.GLIDER)
    if setup.learned_flying_mps is not None:
        return FlyingSpeed(setup.learned_flying_mps, SpeedOrigin.FILE)
    return FlyingSpeed(FLYING_MPS, SpeedOrigin.USUAL)


class HeightChange:
    """Tells whether the height has changed in the last minute, moving over ground, as only in flight."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Nothing is known."""
        self._heights: deque[tuple[float, float, float]] = deque()
        self._flown_m = 0.0

    def changes(self, altitude_m: float | None, ground_mps: float | None, t_s: float, dt_s: float) -> bool:
        """One frame."""
        self._flown_m += (ground_mps or 0.0) * dt_s
        if altitude_m is None or ground_mps is None:
            return False
        heights = self._heights
        if not heights or t_s - heights[-1][0] >= HEIGHT_EVERY_S:
            heights.append((t_s, altitude_m, self._flown_m))
        while t_s - heights[0][0] > HEIGHT_S:
            heights.popleft()
        _, then_m, then_flown_m = heights[0]
        least_m = max(HEIGHT_M, HEIGHT_SLOPE * (self._flown_m - then_flown_m))
        return ground_mps > HEIGHT_MOVING_MPS and abs(altitude_m - then_m) > least_m
