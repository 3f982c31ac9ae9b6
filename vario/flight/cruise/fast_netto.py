"""Correct the fast part of netto by the rise of the air that the inertial unit gives.

The polar is the drag of steady flight. In a change of speed or a slip the drag differs from it for some
seconds, and a parabola does not fit every speed. The rise of the air from the inertial unit does not contain
the polar. Its errors (incidence, tilt) are slow, except where a flap is moved, which changes the incidence.

So the fast part of their difference, d, corrects the fast part of netto, p, by a share k. The motion of the
air is in both values and not in d. If it is independent of their errors, the error of p + k·d is least where
its variance is: k = −mean(p·d)/mean(d²), 0 if only the inertial unit errs and 1 if only the polar does. This
is learned in flight (noise cancelling: B. Widrow and others, Adaptive noise cancelling: principles and
applications, Proceedings of the IEEE 63, 1975).
"""

from __future__ import annotations

from vario.flight.core.low_pass import LowPass, low_pass_weight
from vario.flight.cruise.airbrakes import OPEN_MPS

FAST_S = 15.0
"""A difference that lasts longer is an error of the inertial unit. Chosen from 10 to 30 s on drawn flights
(docs/accuracy.md), where this makes little difference."""

LEARN_S = 60.0
"""Averaging time of the share: some speed changes. Chosen from 30, 60 and 120 s on the same flights, with
nearly the same result."""

START_MPS = 0.1
"""Size of the difference before anything is learned; the share begins with 0."""

MOST_MPS = 0.5
"""Limit of the difference: that of a usual polar."""


class FastNetto:
    """Learns the share, and gives the correction."""

    def __init__(self) -> None:
        self._slow, self._slow_difference = LowPass(FAST_S), LowPass(FAST_S)
        self.reset()

    def reset(self) -> None:
        """Forget what was learned."""
        self._square, self._product = START_MPS**2, 0.0
        self.pause()

    def pause(self) -> None:
        """Keep what was learned; the values after the pause are unrelated to those before."""
        self._slow.reset()
        self._slow_difference.reset()

    def correction_mps(self, netto_mps: float, air_up_mps: float | None, dt_s: float) -> float:
        """One frame: what is to be added to the netto of the polar.

        A difference larger than that of any polar has another cause (airbrakes, a flap) and is not used.
        """
        if air_up_mps is None or abs(air_up_mps - netto_mps) > OPEN_MPS:
            self.pause()
            return 0.0
        difference = air_up_mps - netto_mps
        fast = netto_mps - self._slow.follow(netto_mps, dt_s)
        difference -= self._slow_difference.follow(difference, dt_s)
        share = max(0.0, min(-self._product / self._square, 1.0))
        weight = low_pass_weight(dt_s, LEARN_S)
        self._square = max(self._square + weight * (difference * difference - self._square), 1e-6)
        self._product += weight * (fast * difference - self._product)
        return share * max(-MOST_MPS, min(difference, MOST_MPS))
