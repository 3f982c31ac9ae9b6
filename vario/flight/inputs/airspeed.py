"""Correct the scale of an airspeed sensor that reads wrong against GNSS.

The wind filter estimates the scale: true airspeed over measured airspeed. Once the scale is known well and
differs from 1, the impact pressure is multiplied by its square, so that airspeed and kinetic energy are
right.

The correction changes slowly: a change of the scale looks like a change of speed, and a speed change of V·ṡ
reads as lift of V²·ṡ/g.

GNSS shows the true airspeed, so air that is warmer or colder than in the standard atmosphere shows as a scale
too, about 1.7 % for each 10 K. Without a measured air temperature, only a scale that the temperature cannot
explain is corrected, and an airspeed is raised only by the rest: an airspeed shown too high is dangerous.
"""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.samples import Pitot
from vario.flight.estimate.airdata import OAT_KEPT_S
from vario.flight.inputs.health import Inputs
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.wind.stage import Wind

KNOWN_SIGMA = 0.01
"""A scale with a larger standard deviation is not used."""

SIGMAS = 5.0
LEAST_OFF = 0.015
"""With measured air temperature, a scale is corrected if it differs from 1 by more than this, and by more
than this number of standard deviations.
"""

LEAST_OFF_NO_OAT = 0.045
"""The same without measured air temperature: air that is 25 K off the standard has this scale."""

STEADY_S = 60.0
"""The scale must differ for this long before the correction begins."""

BOUNDS = (0.8, 1.25)
"""Limits of the correction: a sensor that is further off is broken."""

RATE_PER_S = 0.0005
"""False lift while the correction moves: V²·ṡ/g is 0.05 m/s at 30 m/s and 0.13 m/s at 50 m/s."""


class AirspeedStage:
    """Applies the present correction and updates it from the wind filter.

    Its `update` has two halves, because the wind filter runs between them: `correct` at the beginning of a
    frame, `learn` after the wind.

    Attributes:
        scale: the correction in use, true airspeed over measured airspeed; 1 without correction.
    """

    def __init__(self, setup: Setup) -> None:
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """Forget the correction at the start only: a gap does not change the sensor."""
        if reason is ResetReason.START:
            self.scale = 1.0
            self._target = 1.0
            self._clear_s = 0.0
            self._correcting = False
            self._oat_age_s = math.inf

    def correct(self, inputs: Inputs) -> Inputs:
        """The frame with its impact pressures corrected."""
        frame = inputs.frame
        self._oat_age_s = 0.0 if frame.oat else self._oat_age_s + frame.dt_s
        if self.scale == 1.0 or not frame.pitot:
            return inputs
        factor = self.scale * self.scale
        pitot = tuple(Pitot(sample.t_s, sample.impact_pa * factor) for sample in frame.pitot)
        return replace(inputs, frame=replace(frame, pitot=pitot))

    def measured_mps(self, tas_mps: float | None) -> float | None:
        """The airspeed the sensor would have given without the correction."""
        return None if tas_mps is None else tas_mps / self.scale

    def learn(self, wind: Wind | None, dt_s: float) -> None:
        """Move the correction towards the scale that the wind filter has found."""
        if wind is not None and wind.airspeed_scale is not None and wind.airspeed_scale_sigma is not None:
            self._judge(wind.airspeed_scale, wind.airspeed_scale_sigma, dt_s)
        step = RATE_PER_S * dt_s
        self.scale += max(-step, min(step, self._target - self.scale))

    def _judge(self, scale: float, sigma: float, dt_s: float) -> None:
        if sigma > KNOWN_SIGMA:
            return
        off = abs(scale - 1.0)
        has_oat = self._oat_age_s <= OAT_KEPT_S
        least = LEAST_OFF if has_oat else LEAST_OFF_NO_OAT
        self._clear_s = self._clear_s + dt_s if off > max(least, SIGMAS * sigma) else 0.0
        self._correcting = self._correcting or self._clear_s > STEADY_S
        wanted = scale
        if scale > 1.0 and not has_oat:
            # Warm air may explain this much of it, and an airspeed shown too high is dangerous.
            wanted = 1.0 + max(off - LEAST_OFF_NO_OAT, 0.0)
        if self._correcting and abs(wanted - self._target) > sigma:  # ignores small changes of the estimate
            self._target = max(BOUNDS[0], min(BOUNDS[1], wanted))
