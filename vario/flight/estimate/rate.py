"""A two-state filter: a measured quantity and its rate of change.

On the energy height h + V²/2g this filter is the classic electronic total-energy variometer. It gives the
vario where there is no inertial unit, and otherwise a reference to compare with.

The model is white noise driving the rate (a continuous white-noise acceleration of spectral density
`acceleration_psd`): F = [[1, T], [0, 1]], Q = psd·[[T³/3, T²/2], [T²/2, T]], the measurement is the
first state. Source: Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking
and Navigation, section 6.2.2; the update is the scalar Kalman filter. The steady state in continuous
time is a second-order low pass with natural frequency (psd/R)^(1/4) and damping 1/√2 (Kalman and Bucy).

If the samples are 0.1 s or more apart, the motion between two of them matters more than the noise of the
sensor. Both noise parameters are then learned: in an optimal filter the innovations are white and as large as
their variance says (R. Mehra, On the identification of variances and adaptive Kalman filtering, IEEE
Transactions on Automatic Control AC-15, 1970). If neighbours have the same sign, the filter is too slow and
the acceleration noise grows; if they alternate, it shrinks. If they are too large, the measurement noise
grows; it then includes gusts and other effects that are shorter than the interval of the samples.
"""

from __future__ import annotations

import math

from vario.flight.core.innovation import Innovation

LEARNS_FROM_S = 0.08
"""The parameters are learned from samples further apart than this; closer ones show mainly sensor noise."""

SPARSE_S = 0.3
TOLERATED = 0.5
"""Samples less than `SPARSE_S` apart increase the acceleration noise only if the correlation of neighbouring
innovations is above `TOLERATED`, because the stated noise is a compromise that smooths gusts.
"""

LEARN_S = 60.0
"""Time constant of learning the acceleration noise, chosen from 30, 60 and 120 s on recorded flights of 1 s
and 4 s steps.
"""

LEARN_NOISE_S = 30.0
"""Time constant of learning the measurement noise, chosen from 10 to 60 s on flights with 0.1 to 4 s steps.
With 60 s the innovations are too large for minutes after the air becomes rough. With 20 s and steps of 0.1 s
the noise grows within a gust, and the gust then reads as lift.
"""

MOST_AT_ONCE = 0.2
"""Largest ratio of the step to these times; a longer step has no larger effect."""

MOST_CLIPPED = 3.0
"""In learning, an innovation is limited to this many standard deviations, so that a spike has little
effect.
"""

MOST_Q_SCALE = 200.0
"""Upper bound of the learned acceleration noise (density), as a factor of the stated one. The stated values
are the lower bounds.
"""

MOST_R_SCALE = 100.0
"""Upper bound of the learned measurement noise (variance), likewise."""

SETTLED_MPS = 1.5
"""The rate is known once its standard deviation is below this value, or once a sparse sample has been used
after the first: with one sample every few seconds the standard deviation stays larger in turbulent air.
"""

QUICKEST_MPS = 20.0
"""Two consecutive rejected samples that agree are a manoeuvre if the change of the rate is at most this."""


GATE_NIS = 36.0
"""An innovation of more than six standard deviations is rejected; after three in a row the filter starts
again there. With sparse samples, a second one that agrees with the first is accepted, and the variance of the
rate is increased. With closer ones, the value starts again after three that agree, and the rate is kept: a
sudden head wind is a step of energy height, and not a climb.
"""


class RateFilter:
    """Value and rate from samples at any spacing.

    Args:
        acceleration_psd: spectral density of the rate's white noise, unit²/s³.
        learns: whether the noise parameters are learned from samples more than `LEARNS_FROM_S` apart, and
            rejected samples that agree are treated as `GATE_NIS` says.
    """

    def __init__(self, acceleration_psd: float, *, learns: bool = True) -> None:
        self._stated_psd = self._psd = acceleration_psd
        self._learns = learns
        self._r_scale = 1.0
        self.started = False
        self.value = 0.0
        self.rate = 0.0
        self._p00 = self._p01 = self._p11 = 0.0
        self._clear()
        self.innovation: Innovation | None = None

    @property
    def rate_sigma(self) -> float:
        """One standard deviation of the rate."""
        return math.sqrt(max(self._p11, 0.0))

    @property
    def known_rate(self) -> float | None:
        """The rate, once it is known well enough."""
        return self.rate if self._settled else None

    def _clear(self) -> None:
        self._rejected = 0
        self._settled = False
        self._rejected_innovation = 0.0
        self._before: float | None = None
        self._since_s = self._spacing_s = 0.0

    def start(self, value: float, sigma: float) -> None:
        """Start, or start again, at a measured value with unknown rate."""
        self._clear()
        self.started = True
        self.value, self.rate = value, 0.0
        self._p00, self._p01, self._p11 = sigma * sigma, 0.0, 25.0

    def _step(self, value: float, sigma: float) -> None:
        """Continue at another value. The rate is that from before, and less certain."""
        rate, settled, variance = self.rate, self._settled, self._p11
        self.start(value, sigma)
        if settled:
            self.rate, self._settled, self._p11 = rate, True, max(variance, SETTLED_MPS**2)

    def predict(self, dt_s: float) -> None:
        """Predict by `dt_s`."""
        self.innovation = None
        psd, t = self._psd, dt_s
        self.value += self.rate * t
        self._p00 += t * (2.0 * self._p01 + t * self._p11) + psd * t * t * t / 3.0
        self._p01 += t * self._p11 + 0.5 * psd * t * t
        self._p11 += psd * t
        self._since_s += t
        self._spacing_s += t

    def correct(self, measured: float, sigma: float) -> float:
        """Update with a measurement; returns its innovation squared over its variance (NIS)."""
        if not self.started:
            self.start(measured, sigma)
            return 0.0
        spacing_s, self._spacing_s = self._spacing_s, 0.0
        learns = self._learns and spacing_s > LEARNS_FROM_S
        sparse = learns and spacing_s > SPARSE_S
        noise = sigma * sigma * (self._r_scale if learns else 1.0)
        variance = self._p00 + noise
        innovation = measured - self.value
        nis = innovation * innovation / variance
        self.innovation = Innovation(innovation, variance, used=nis <= GATE_NIS)
        if learns:
            self._learn(innovation / math.sqrt(variance), spacing_s)
        if nis > GATE_NIS:
            self._rejected += 1
            if not (sparse and self._manoeuvre(innovation)):
                agrees = self._learns and innovation * self._rejected_innovation > 0.0
                self._rejected_innovation = innovation
                if self._rejected >= 3:
                    (self._step if agrees and not sparse else self.start)(measured, sigma)
                return nis
            variance = self._p00 + noise
        self._rejected = 0
        self._since_s = 0.0
        gain0, gain1 = self._p00 / variance, self._p01 / variance
        self.value += gain0 * innovation
        self.rate += gain1 * innovation
        self._p11 -= gain1 * self._p01
        self._p01 -= gain0 * self._p01
        self._p00 -= gain0 * self._p00
        self._settled |= sparse or self._p11 < SETTLED_MPS**2
        return nis

    def _learn(self, scaled: float, spacing_s: float) -> None:
        """Update the noise parameters with one innovation, divided by its standard deviation."""
        scaled = min(max(scaled, -MOST_CLIPPED), MOST_CLIPPED)
        if self._before is not None:
            tolerated = 0.0 if spacing_s > SPARSE_S else TOLERATED
            q_scale = self._psd / self._stated_psd
            share = min(spacing_s / LEARN_S, MOST_AT_ONCE)
            q_scale *= math.exp(2.0 * share * (scaled * self._before - tolerated))
            self._psd = self._stated_psd * min(max(q_scale, 1.0), MOST_Q_SCALE)
        share = min(spacing_s / LEARN_NOISE_S, MOST_AT_ONCE)
        r_scale = self._r_scale * math.exp(share * (scaled * scaled - 1.0))
        self._r_scale = min(max(r_scale, 1.0), MOST_R_SCALE)
        self._before = scaled

    def _manoeuvre(self, innovation: float) -> bool:
        """Increase the variance of the rate if a second rejected sample agrees with the first.

        The rate may have changed at any time since the last sample used. Its variance becomes so large that
        the innovation equals three standard deviations.
        """
        since_s = max(self._since_s, SPARSE_S)
        if innovation * self._rejected_innovation <= 0.0 or abs(innovation) > QUICKEST_MPS * since_s:
            return False
        more = 4.0 / GATE_NIS * innovation * innovation - self._p00
        if more > 0.0:
            self._p00 += more
            self._p01 += more / since_s
            self._p11 += more / since_s**2
        return True
