"""Confirm the attitude by velocities over ground, independently of the corrections of the inertial filter.

The change of velocity over ground between two fixes is the integral of the specific force, turned by the
attitude. A wrong attitude or a wrong unit changes the direction or the size of this acceleration. A wrong
pressure, thrust, or a wing that the filter does not know does not change it. In straight flight at a constant
speed there is nothing to compare; the last result holds while the two do not differ.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.samples import GnssVel
from vario.flight.core.low_pass import LowPass
from vario.flight.estimate.inertial_state import InertialState

APART_S, LONGEST_S = 0.45, 1.3
"""Time between the two velocities: shorter, the noise is too large; longer, the attitude has changed."""

MEAN_S = 6.0
MANOEUVRE_M2PS4 = 2.0**2
"""Mean square of the acceleration over ground from which on the comparison can confirm the attitude."""

WRONG_SHARE = 0.1
"""Share of the mean square that may differ. The sine of an error of 18° makes this share."""

AGREED_S = 10.0
"""A trusted unit that has agreed in manoeuvres for this long measures the motion along the right axes. The
comparison alone does not show this: the vertical and the acceleration of a unit that is yawed are right in
its own axes for some seconds. Such a unit is rejected in the first turn and never agrees for this long.
"""

HELD_S = 2.0
"""A confirmed attitude holds for this long while the heading is searched again, because pitch and bank do not
depend on the heading. It does not hold if the unit has a fault of its own.
"""

LATELY_S = 10.0
"""A filter that has agreed within this time is not restarted: its own corrections are faster."""


class AttitudeWatch:
    """Compares accelerations over ground.

    Attributes:
        confirmed: whether the attitude agrees with velocities over ground.
        known_good: whether the unit has agreed in manoeuvres while nothing contradicted it.
    """

    def __init__(self) -> None:
        self._size, self._off = LowPass(MEAN_S), LowPass(MEAN_S)
        self.known_good = False
        self.begin()

    @property
    def usable(self) -> bool:
        """Whether the attitude can be used although another part of the estimate is contradicted."""
        return self.known_good and self.confirmed

    def agreed_lately(self, t_s: float) -> bool:
        """Whether a known unit has agreed in a manoeuvre within the last seconds before `t_s`."""
        return self.known_good and t_s - self._seen_s < LATELY_S

    @property
    def _manoeuvres(self) -> bool:
        return (self._size.value or 0.0) > MANOEUVRE_M2PS4

    def begin(self) -> None:
        """The filter starts: nothing is known of its attitude."""
        self.confirmed = False
        self._agreed_s = 0.0
        self._seen_s = self._compared_s = -math.inf
        self._since: GnssVel | None = None
        self._size.reset(0.0)
        self._off.reset(0.0)

    def disturb(self) -> None:
        """The unit has a fault of its own, for example a vibration: only a comparison confirms it."""
        self._compared_s = -math.inf

    def take(self, fixes: Sequence[GnssVel], t_s: float, state: InertialState, *, trusted: bool) -> None:
        """Process the velocities of a frame at `t_s`. `trusted`: nothing contradicts the unit."""
        ground, latency_s = state.ground, state.gnss_latency_s
        for now in fixes:
            if not ground.known:
                self.confirmed &= t_s - self._compared_s < HELD_S
                self._since = None
                continue
            if self._since is None:
                self._since = now
                continue
            before = self._since
            dt_s = now.t_s - before.t_s
            if dt_s < APART_S:
                continue
            self._since = now
            predicted = ground.velocity_change(before.t_s - t_s - latency_s, now.t_s - t_s - latency_s)
            if dt_s < LONGEST_S and predicted is not None:
                measured = (now.north_mps - before.north_mps, now.east_mps - before.east_mps)
                self._compare(measured, predicted, dt_s)
                self._compared_s = t_s
                if self.confirmed and self._manoeuvres:
                    self._seen_s = t_s
                    self._agreed_s += dt_s if trusted else 0.0
                    self.known_good |= self._agreed_s > AGREED_S

    def _compare(self, measured: tuple[float, float], predicted: tuple[float, float], dt_s: float) -> None:
        per = 1.0 / (dt_s * dt_s)
        size = self._size.follow((measured[0] ** 2 + measured[1] ** 2) * per, dt_s)
        north_mps, east_mps = measured[0] - predicted[0], measured[1] - predicted[1]
        off = self._off.follow((north_mps**2 + east_mps**2) * per, dt_s)
        enough = self.confirmed or size > MANOEUVRE_M2PS4
        self.confirmed = enough and off < WRONG_SHARE * max(size, MANOEUVRE_M2PS4)
