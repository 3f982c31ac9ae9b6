"""The latest GNSS position and velocity, as long as the receiver delivers."""

from __future__ import annotations

from drivers.quick import dataclass
from drivers.samples import GnssPos, GnssVel
from vario.flight.inputs.health import Inputs
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason


@dataclass(frozen=True, slots=True)
class LatestGnss:
    """The latest samples; None: there is none, or the receiver has fallen silent."""

    position: GnssPos | None
    velocity: GnssVel | None


class GnssStage:
    """Holds the latest samples."""

    def __init__(self, setup: Setup) -> None:
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Forget the samples held."""
        self._latest = LatestGnss(None, None)

    def update(self, inputs: Inputs) -> LatestGnss:
        """One frame."""
        frame, latest = inputs.frame, self._latest
        position = latest.position if inputs.has_position else None
        velocity = latest.velocity if inputs.has_gnss else None
        if frame.gnss_pos:
            position = frame.gnss_pos[-1]
        if frame.gnss_vel:
            velocity = frame.gnss_vel[-1]
        if position is not latest.position or velocity is not latest.velocity:
            self._latest = LatestGnss(position, velocity)
        return self._latest
