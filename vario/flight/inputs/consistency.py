"""Sensors that contradict each other: which of them is wrong is told, and its readings are not used.

`HeightWatch` compares the barometer with the altitude of the positions, `SpeedWatch` the airspeed with the
velocity over ground. What a single sensor can show by itself is found by `health`, and a wrong inertial unit
by `ImuWatch`.

A doubted barometer is treated as missing, together with the pitot, because both use the static line. A
doubted airspeed is treated as missing. An altitude that is doubted is not used for the glide to the goal.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drivers.quick import quick
from vario.flight.estimate.result import Estimate
from vario.flight.inputs.health import Inputs
from vario.flight.inputs.height_watch import HeightWatch
from vario.flight.inputs.speed_watch import SpeedWatch
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind


@quick
@dataclass(frozen=True, slots=True)
class Doubts:
    """Readings that other sensors contradict."""

    baro: bool = False
    airspeed: bool = False
    gnss_altitude: bool = False


class ConsistencyStage:
    """Judges the sensors by each other.

    Its `update` has two halves, because estimator and wind run between them: `usable` at the beginning of a
    frame, `update` after the wind.

    Attributes:
        doubts: what is doubted from the next frame on.
    """

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Forget all comparisons; heights and speeds from before a gap cannot be compared."""
        self._height, self._speed = HeightWatch(), SpeedWatch()
        self.doubts = Doubts()

    def usable(self, inputs: Inputs) -> Inputs:
        """The frame without the readings that are doubted."""
        doubts = self.doubts
        if self._height.baro_wrong:
            frame = replace(inputs.frame, baro=(), pitot=())
            return replace(inputs, frame=frame, has_baro=False, has_pitot=False)
        if doubts.airspeed:
            inputs = replace(inputs, frame=replace(inputs.frame, pitot=()), has_pitot=False)
        # While it is not known yet whether the barometer or the inertial unit is wrong, nothing is shown.
        return replace(inputs, has_baro=False) if doubts.baro else inputs

    def update(self, inputs: Inputs, estimate: Estimate, wind: Wind | None) -> None:
        """Compare the readings of a frame, as they were before `usable`."""
        height, speed = self._height, self._speed
        height.update(inputs, estimate)
        if not height.baro_wrong:
            speed.update(inputs.frame, wind)
        doubts = Doubts(height.baro_wrong or height.baro_undecided, speed.wrong, height.altitude_wrong)
        if doubts != self.doubts:
            self.doubts = doubts
