"""Detect sensors that contradict each other, and exclude the readings of the one that is wrong.

`HeightWatch` compares the barometer with the altitude of the positions, `SpeedWatch` the airspeed with the
velocity over ground. `health` finds what a single sensor shows by itself, and `ImuWatch` finds a wrong
inertial unit.

A doubted barometer is treated as missing, together with the pitot, because both use the static line. A
doubted airspeed is treated as missing. An altitude that is doubted is not used for the glide to the goal.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.quick import dataclass
from vario.flight.estimate.result import Estimate
from vario.flight.inputs.health import Inputs
from vario.flight.inputs.height_watch import HeightWatch
from vario.flight.inputs.speed_watch import SpeedWatch
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind


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
        doubts: what is doubted.
    """

    def __init__(self, setup: Setup) -> None:
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Forget all comparisons; heights and speeds from before a gap cannot be compared."""
        self._height, self._speed = HeightWatch(), SpeedWatch()
        self._wind: Wind | None = None
        self.doubts = Doubts()

    def usable(self, inputs: Inputs, corrected: float) -> Inputs:
        """The frame without the readings that are doubted. `corrected`: factor on its airspeeds."""
        height, speed = self._height, self._speed
        if not height.baro_wrong:
            speed.update(inputs.frame, self._wind, corrected)
        baro = height.baro_wrong or height.baro_undecided
        doubts = self.doubts
        if (baro, speed.wrong, height.altitude_wrong) != (doubts.baro, doubts.airspeed, doubts.gnss_altitude):
            self.doubts = Doubts(baro, speed.wrong, height.altitude_wrong)
        if height.baro_wrong:
            frame = replace(inputs.frame, baro=(), pitot=())
            return replace(inputs, frame=frame, has_baro=False, has_pitot=False)
        if (speed.wrong or speed.undecided) and (inputs.frame.pitot or inputs.has_pitot):
            inputs = replace(
                inputs,
                frame=replace(inputs.frame, pitot=()),
                has_pitot=inputs.has_pitot and not speed.wrong,
                wrong_airspeed_scale=speed.wrong_scale,
                iced_at_tas_mps=speed.iced_at_tas_mps,
            )
        # While it is not known yet whether the barometer or the inertial unit is wrong, nothing is shown.
        return replace(inputs, has_baro=False) if baro else inputs

    def update(self, inputs: Inputs, estimate: Estimate, wind: Wind | None) -> None:
        """Compare the readings of a frame, as they were before `usable`, with the estimate and the wind."""
        self._height.update(inputs, estimate)
        self._wind = wind
