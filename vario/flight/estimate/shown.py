"""From the filter's total energy to the vario that is shown.

A change of head wind is kept out of the filter's total energy altogether. A lasting one is energy all the
same, and is let in over the gust memory. Without velocities over ground the airspeed is all that holds the
inertial unit in the long run; with them the wind is known, and the memory is ten times as long.
"""

from __future__ import annotations

import math

from drivers.isa import G0_MPS2

_LEAST_MEMORY_S = 0.5
_GNSS_MEMORY = 10.0
_JITTER_S = 3.0
_FLOOR_MPS = 0.04
"""What no state stands for: the polar's shape, the lag of the tubing, the flow at the ports. Found on the
tuning flights."""


class ShownVario:
    """Follows the vario.

    Attributes:
        mps: the vario shown; None: not known.
        jitter_mps: RMS of what the low pass has taken out lately.
    """

    def __init__(self) -> None:
        self.mps: float | None = None
        self.jitter_mps = 0.0
        self._kinetic_m: float | None = None
        self._gust_m = 0.0
        self._memory_s = _LEAST_MEMORY_S

    def begin(self) -> None:
        """The filter begins: no gust has been kept out."""
        self._gust_m = self.jitter_mps = 0.0

    def lose(self) -> None:
        """The filter does not run: the speed may change unseen."""
        self._kinetic_m = None

    def remember(self, memory_s: float, *, wind_known: bool) -> None:
        """How long a change of head wind is kept out."""
        memory_s = max(memory_s, _LEAST_MEMORY_S)
        self._memory_s = _GNSS_MEMORY * memory_s if wind_known else memory_s

    def follow(
        self, gust_free_mps: float, climb_mps: float, tas_mps: float | None, dt_s: float, smoothing_s: float
    ) -> None:
        """One frame: total energy and climb of the filter, and the true airspeed if there is a new one."""
        self._follow_gust(gust_free_mps - climb_mps, tas_mps, dt_s)
        wanted = gust_free_mps + self._gust_m / self._memory_s
        old = self.mps if self.mps is not None else wanted
        variance = self.jitter_mps**2
        self.jitter_mps = math.sqrt(variance + min(1.0, dt_s / _JITTER_S) * ((wanted - old) ** 2 - variance))
        self.mps = old + (wanted - old) * min(1.0, dt_s / (smoothing_s + 0.5 * dt_s))

    def _follow_gust(self, kinetic_rate_mps: float, tas_mps: float | None, dt_s: float) -> None:
        """Kinetic height that the pitot has seen and the inertial unit has not, forgotten over the memory."""
        self._gust_m -= kinetic_rate_mps * dt_s + self._gust_m * min(1.0, dt_s / self._memory_s)
        if tas_mps is None:
            # Without a new airspeed nothing is known to differ: keep the two in step.
            self._gust_m += kinetic_rate_mps * dt_s
            if self._kinetic_m is not None:
                self._kinetic_m += kinetic_rate_mps * dt_s
            return
        kinetic_m = tas_mps * tas_mps / (2.0 * G0_MPS2)
        if self._kinetic_m is not None:
            self._gust_m += kinetic_m - self._kinetic_m
        self._kinetic_m = kinetic_m

    def sigma_mps(self, filter_mps: float) -> float:
        """One standard deviation of what is shown: filter, low pass, and what is let in of gusts."""
        let_in_mps = self._gust_m / self._memory_s
        return math.sqrt(filter_mps**2 + 2.0 * self.jitter_mps**2 + let_in_mps**2 + _FLOOR_MPS**2)
