"""Compare the lift curve with the mass in the settings.

The incidence is the pitch minus the slope of the path. In calm air it changes with load factor n and airspeed
as K n g/(σ V²) with K = 2(m/S)/(ρ0·CLα). The constant angle of mounting has no effect on changes. If the
mass is half of the true one, incidences change twice as much as they should. CLα of a wing is known from its
aspect ratio (A/(A + 2) of 2π, L. Prandtl, NACA Report 116, 1921) within a tenth, so the slope of the measured
over the expected change shows the mass.

A gust changes the load without the pitch and makes this slope smaller, so only a mass in the settings that is
too small is reported. In circles the air rises and sinks in the same time in which the load changes; only
changes near level flight are compared. Flaps that are lowered in slow flight also make the slope smaller.
"""

from __future__ import annotations

import math

from vario.flight.core.low_pass import LowPass
from vario.flight.core.slope import Slope
from vario.flight.estimate.inertial_model import PULL_MPS2, SLOWEST_MPS
from vario.flight.estimate.inertial_state import InertialState

MEAN_S = 3.0
"""Changes are those from the mean over this time: shorter than a thermal, longer than a pull-up."""

MEMORY_S, LEAST_S, LEAST_RAD = 120.0, 5.0, 3e-3
"""For the slope: its forgetting, the least time, and the error of an incidence. Pull-ups of two minutes in
calm air give a slope to 4 %, circles and rough air give none.
"""

SETTLE_S, MOST_BANK_RAD = 30.0, 0.5
"""The attitude of a filter that has just started is not accurate enough."""

TOO_STEEP, SURE_SIGMAS = 1.5, 3.0
"""A steeper slope is reported if it is certain. The slope is 1.05 to 1.1 with the right mass, 1.37 at most if
the settings miss a fifth of it, and 2.1 to 2.2 if they contain half of it.
"""


class MassWatch:
    """Follows the slope.

    Attributes:
        too_small: whether the mass in the settings is certainly too small.
    """

    def __init__(self) -> None:
        self._expected, self._measured = LowPass(MEAN_S), LowPass(MEAN_S)
        self._slope = Slope(MEMORY_S, LEAST_S, MEAN_S, LEAST_RAD)
        self.reset()

    def reset(self) -> None:
        """Start again: another mass."""
        self.too_small = False
        self._slope.reset()
        self.pause()

    def pause(self) -> None:
        """The lift curve does not hold, or the filter is not sound."""
        self._steady_s = 0.0
        self._expected.reset()
        self._measured.reset()

    def take(self, state: InertialState, density_ratio: float, dt_s: float) -> None:
        """Process a correction of a glider in free flight."""
        up_mps2, tas_mps = -state.force[2], state.tas_mps
        settled = state.age_s > SETTLE_S and tas_mps > SLOWEST_MPS
        if not settled or up_mps2 > PULL_MPS2 or abs(state.bank_rad) > MOST_BANK_RAD:
            self.pause()
            return
        expected_rad = state.lift_m * up_mps2 / (density_ratio * tas_mps * tas_mps)
        path_rad = math.asin(max(-1.0, min(1.0, state.climb_mps / tas_mps)))
        measured_rad = state.pitch_rad - path_rad
        changed_rad = expected_rad - self._expected.follow(expected_rad, dt_s)
        moved_rad = measured_rad - self._measured.follow(measured_rad, dt_s)
        self._steady_s += dt_s
        if self._steady_s < MEAN_S:
            return
        self._slope.take(changed_rad, moved_rad, dt_s)
        slope, sigma = self._slope.found()
        if slope - SURE_SIGMAS * sigma > TOO_STEEP:
            self.too_small = True
        elif slope + SURE_SIGMAS * sigma < TOO_STEEP:
            self.too_small = False
