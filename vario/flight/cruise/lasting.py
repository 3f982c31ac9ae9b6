"""The part of the vertical motion of the air that lasts until the pilot has changed the speed.

A pilot flies a new speed some seconds after the air has changed: the time to hear, to react and to pull up.
Lift that is over by then is not worth a change of speed. The netto of that time is predicted from the netto
now and its change over the last seconds. How much of both lasts is learned in flight, by linear regression
over the last minutes: in long waves of lift and sink nearly all of it lasts, in short lift nearly nothing, in
turbulence little. A prediction that explains hardly any of the variance is not followed.
"""

from __future__ import annotations

from collections import deque

from vario.flight.core.low_pass import LowPass, low_pass_weight

LEARN_S = 150.0
"""Averaging time of the regression: some 5 km of flight."""

CHANGE_S = 5.0
"""The change of the netto is taken over this time."""

START = 0.3
START_MPS = 0.3
"""The share assumed before anything is learned, and the size of the netto that it counts for."""

EXPLAINED = (0.1, 0.2)
"""Share of the variance of the netto that a prediction must explain to be followed a little, and in full. In
turbulence alone it explains 0.01 to 0.07, in waves of 0.5 to 0.9 km of lift and of sink 0.4 to 0.6."""

STEP_S = 0.2
"""Spacing of the stored values."""

CHANGE_STEPS = round(CHANGE_S / STEP_S)


class LastingNetto:
    """Predicts the netto from what has lasted so far.

    Args:
        damping_s: time constant of the smoothing of the netto.
        ahead_s: how far ahead to predict: the lag of the pilot.

    Attributes:
        share: the share of the netto, less its mean, that lasts, 0 to 1.
        change_share: the part of its change in `CHANGE_S` that is to be added, 0 to `ahead_s` / `CHANGE_S`.
        explained: the share of the variance of the netto that both explain, 0 to 1.
    """

    def __init__(self, damping_s: float, ahead_s: float) -> None:
        self._smooth = LowPass(damping_s)
        self._ahead_steps = round(ahead_s / STEP_S)
        self._most_change = ahead_s / CHANGE_S
        self.reset()

    def configure(self, damping_s: float) -> None:
        """Take a changed time constant; what was learned stays."""
        self._smooth.configure(damping_s)

    def reset(self) -> None:
        """Forget what was learned."""
        self._mean_then_mps = self._mean_now_mps = 0.0
        # Means of the squares and products of netto then (l), its change then (c) and netto now (n).
        self._ll = self._cc = self._nn = START_MPS**2
        self._lc = self._cn = 0.0
        self._ln = START * START_MPS**2
        self._solve()
        self.pause()

    def pause(self) -> None:
        """Keep what was learned; the air before the pause is unrelated to that after it."""
        self._smooth.reset()
        self._stored: deque[float] = deque(maxlen=self._ahead_steps + CHANGE_STEPS + 1)
        self._waited_s = 0.0

    def update(self, netto_mps: float | None, dt_s: float) -> float | None:
        """One frame; returns the netto that is to be expected, None where netto is not known."""
        if netto_mps is None:
            self.pause()
            return None
        smooth_mps = self._smooth.follow(netto_mps, dt_s)
        self._waited_s += dt_s
        stored = self._stored
        if not stored or self._waited_s >= STEP_S * 0.99:
            stored.append(smooth_mps)
            if len(stored) == stored.maxlen:
                self._learn(stored[CHANGE_STEPS], stored[0], netto_mps, self._waited_s)
            self._waited_s = 0.0
        change_mps = smooth_mps - stored[-1 - CHANGE_STEPS] if len(stored) > CHANGE_STEPS else 0.0
        low, high = EXPLAINED
        followed = max(0.0, min((self.explained - low) / (high - low), 1.0))
        rest_mps = self.share * (smooth_mps - self._mean_now_mps) + self.change_share * change_mps
        return self._mean_now_mps + followed * rest_mps

    def _learn(self, then_mps: float, before_mps: float, now_mps: float, dt_s: float) -> None:
        weight = low_pass_weight(dt_s, LEARN_S)
        self._mean_then_mps += weight * (then_mps - self._mean_then_mps)
        self._mean_now_mps += weight * (now_mps - self._mean_now_mps)
        level, change, now = (
            then_mps - self._mean_then_mps,
            then_mps - before_mps,
            now_mps - self._mean_now_mps,
        )
        self._ll += weight * (level * level - self._ll)
        self._cc += weight * (change * change - self._cc)
        self._nn += weight * (now * now - self._nn)
        self._lc += weight * (level * change - self._lc)
        self._ln += weight * (level * now - self._ln)
        self._cn += weight * (change * now - self._cn)
        self._solve()

    def _solve(self) -> None:
        """The normal equations of the regression, each share inside its limits."""
        ll, cc, nn = (max(square, 1e-6) for square in (self._ll, self._cc, self._nn))
        lc, ln, cn = self._lc, self._ln, self._cn
        free = max(ll * cc - lc * lc, 1e-6 * ll * cc)
        share = max(0.0, min((ln * cc - cn * lc) / free, 1.0))
        change = max(0.0, min((cn - lc * share) / cc, self._most_change))
        share = max(0.0, min((ln - lc * change) / ll, 1.0))
        self.share, self.change_share = share, change
        self.explained = (share * share * ll + 2.0 * share * change * lc + change * change * cc) / nn
