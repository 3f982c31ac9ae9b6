"""The part of the vertical motion of the air that lasts until the pilot has changed the speed.

A pilot flies a new speed some seconds after the air has changed: the time to hear, to react and to pull up.
Lift that is over by then is not worth a change of speed. How much of it lasts is learned in flight: the
regression of the netto now on the smoothed netto some seconds ago, over the last minutes. In long streets it
is near 1, in short lift near 0 or negative, in turbulence between them.
"""

from __future__ import annotations

from collections import deque

from vario.flight.core.low_pass import LowPass, low_pass_weight

LEARN_S = 100.0
"""Averaging time of the regression: some 3 km of flight."""

START = 0.5
START_MPS = 0.3
"""The share assumed before anything is learned, and the size of the netto that it counts for."""

STEP_S = 0.2
"""Spacing of the stored values."""


class LastingNetto:
    """Predicts the netto from what has lasted so far.

    Args:
        damping_s: time constant of the smoothing of the netto.
        ahead_s: how far ahead to predict: the lag of the pilot.

    Attributes:
        share: the share of a change of the netto that lasts, 0 to 1.
    """

    def __init__(self, damping_s: float, ahead_s: float) -> None:
        self._smooth = LowPass(damping_s)
        self._ahead_s = ahead_s
        self.reset()

    def configure(self, damping_s: float) -> None:
        """Take a changed time constant; what was learned stays."""
        self._smooth.configure(damping_s)

    def reset(self) -> None:
        """Forget what was learned."""
        self._mean_then_mps = self._mean_now_mps = 0.0
        self._square, self._product = START_MPS**2, START * START_MPS**2
        self.share = START
        self.pause()

    def pause(self) -> None:
        """Keep what was learned; the air before the pause has nothing to do with that after it."""
        self._smooth.reset()
        self._then: deque[tuple[float, float]] = deque()
        self._clock_s = 0.0

    def update(self, netto_mps: float | None, dt_s: float) -> float | None:
        """One frame; returns the netto that is to be expected, None where netto is not known."""
        if netto_mps is None:
            self.pause()
            return None
        smooth_mps = self._smooth.follow(netto_mps, dt_s)
        self._clock_s += dt_s
        then = self._then
        if not then or self._clock_s - then[-1][0] >= STEP_S * 0.99:
            then.append((self._clock_s, smooth_mps))
        while len(then) > 1 and then[1][0] <= self._clock_s - self._ahead_s:
            then.popleft()
        if then[0][0] <= self._clock_s - self._ahead_s:
            self._learn(then[0][1], netto_mps, dt_s)
        return self._mean_now_mps + self.share * (smooth_mps - self._mean_now_mps)

    def _learn(self, then_mps: float, now_mps: float, dt_s: float) -> None:
        weight = low_pass_weight(dt_s, LEARN_S)
        self._mean_then_mps += weight * (then_mps - self._mean_then_mps)
        self._mean_now_mps += weight * (now_mps - self._mean_now_mps)
        then_mps -= self._mean_then_mps
        self._product += weight * (then_mps * (now_mps - self._mean_now_mps) - self._product)
        self._square += weight * (then_mps * then_mps - self._square)
        self.share = max(0.0, min(self._product / max(self._square, 1e-6), 1.0))
