"""Compute the vario that is shown from the total energy of the filter.

The total energy of the filter excludes every change of head wind. A lasting change is real energy, and is
added within the gust rejection time. Without velocities over ground, only the airspeed limits the drift of
the inertial unit in the long run; with them the wind is known, and this time is ten times as long.
"""

from __future__ import annotations

import math

from drivers.isa import G0_MPS2
from vario.flight.core.low_pass import low_pass_weight

_LEAST_REJECTION_S = 0.5
_GNSS_FACTOR = 10.0
SMOOTHING_S = 0.06
"""Time constant of the low pass on the vario."""

_JITTER_S = 3.0
_FLOOR_MPS = 0.04
"""Errors that are not in the state: the shape of the polar, the lag of the tubing, the flow at the ports.
Determined on the tuning flights.
"""


class ShownVario:
    """Computes the vario that is shown.

    Attributes:
        mps: the vario shown; None: not known.
        jitter_mps: RMS of the part that the low pass has removed in the last seconds.
    """

    def __init__(self) -> None:
        self.mps: float | None = None
        self.jitter_mps = 0.0
        self._kinetic_m: float | None = None
        self._gust_m = 0.0
        self._rejection_s = _LEAST_REJECTION_S

    def begin(self) -> None:
        """The filter starts: no gust has been excluded yet."""
        self._gust_m = self.jitter_mps = 0.0

    def pause(self) -> None:
        """The filter stops: changes of speed are not observed until it runs again."""
        self._kinetic_m = None

    def set_rejection_time(self, rejection_s: float, *, wind_known: bool) -> None:
        """Set for how long a change of head wind is excluded."""
        rejection_s = max(rejection_s, _LEAST_REJECTION_S)
        self._rejection_s = _GNSS_FACTOR * rejection_s if wind_known else rejection_s

    def follow(self, gust_free_mps: float, climb_mps: float, tas_mps: float | None, dt_s: float) -> None:
        """One frame: total energy and climb of the filter, and the true airspeed if there is a new one."""
        self._follow_gust(gust_free_mps - climb_mps, tas_mps, dt_s)
        wanted = gust_free_mps + self._gust_m / self._rejection_s
        old = self.mps if self.mps is not None else wanted
        variance = self.jitter_mps**2
        share = low_pass_weight(dt_s, _JITTER_S)
        self.jitter_mps = math.sqrt(variance + share * ((wanted - old) ** 2 - variance))
        self.mps = old + low_pass_weight(dt_s, SMOOTHING_S) * (wanted - old)

    def _follow_gust(self, kinetic_rate_mps: float, tas_mps: float | None, dt_s: float) -> None:
        """Update the kinetic height that only the pitot has measured; it decays over the rejection time."""
        self._gust_m -= kinetic_rate_mps * dt_s + self._gust_m * low_pass_weight(dt_s, self._rejection_s)
        if tas_mps is None:
            # Without a new airspeed no difference is known: keep the two equal.
            self._gust_m += kinetic_rate_mps * dt_s
            if self._kinetic_m is not None:
                self._kinetic_m += kinetic_rate_mps * dt_s
            return
        kinetic_m = tas_mps * tas_mps / (2.0 * G0_MPS2)
        if self._kinetic_m is not None:
            self._gust_m += kinetic_m - self._kinetic_m
        self._kinetic_m = kinetic_m

    def sigma_mps(self, filter_mps: float) -> float:
        """One standard deviation of the vario shown: filter, low pass, and added gusts."""
        gust_mps = self._gust_m / self._rejection_s
        return math.sqrt(filter_mps**2 + 2.0 * self.jitter_mps**2 + gust_mps**2 + _FLOOR_MPS**2)
