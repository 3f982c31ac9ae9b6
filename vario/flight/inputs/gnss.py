"""The latest GNSS position and velocity, as long as the receiver delivers."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.quick import quick
from drivers.samples import GnssPos, GnssVel
from vario.flight.inputs.health import Inputs
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason


@quick
@dataclass(frozen=True, slots=True)
class LatestGnss:
    """The latest samples; None: there is none, or the receiver has fallen silent."""

    position: GnssPos | None
    velocity: GnssVel | None


class GnssStage:
    """Holds the latest samples."""

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Forget the samples held."""
        self._position: GnssPos | None = None
        self._velocity: GnssVel | None = None

    def update(self, inputs: Inputs) -> LatestGnss:
        """One frame."""
        frame = inputs.frame
        if frame.gnss_pos:
            self._position = frame.gnss_pos[-1]
        elif not inputs.has_position:
            self._position = None
        if frame.gnss_vel:
            self._velocity = frame.gnss_vel[-1]
        elif not inputs.has_gnss:
            self._velocity = None
        return LatestGnss(self._position, self._velocity)
