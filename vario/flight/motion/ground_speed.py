"""Ground speed, and the mean ground velocity, which distinguishes a parked glider from a hovering one."""

from __future__ import annotations

import math

from drivers.samples import GnssVel
from vario.flight.core.low_pass import LowPass
from vario.flight.inputs.health import Inputs

DRIFT_LAG_S = 20.0


class GroundSpeed:
    """Tracks the GNSS velocity.

    Attributes:
        speed_mps: the latest ground speed; None: not known.
        drift_mps: size of the mean velocity of some 20 s, in which the jitter of positions cancels.
    """

    def __init__(self) -> None:
        self._north, self._east = LowPass(DRIFT_LAG_S), LowPass(DRIFT_LAG_S)
        self.reset()

    def reset(self) -> None:
        """Nothing is known."""
        self.speed_mps: float | None = None
        self.drift_mps: float | None = None
        self._north.reset()
        self._east.reset()
        self._last_s: float | None = None

    def update(self, inputs: Inputs) -> None:
        """One frame."""
        if not inputs.has_gnss:
            self.reset()
        for sample in inputs.frame.gnss_vel:
            self.take(sample)

    def take(self, sample: GnssVel) -> None:
        """One velocity."""
        step_s = 0.0 if self._last_s is None else max(sample.t_s - self._last_s, 0.0)
        self._last_s = sample.t_s
        north_mps = self._north.follow(sample.north_mps, step_s)
        east_mps = self._east.follow(sample.east_mps, step_s)
        self.speed_mps = sample.speed_mps
        self.drift_mps = math.hypot(north_mps, east_mps)
