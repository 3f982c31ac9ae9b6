"""A two-state filter: a measured quantity and its rate of change.

The workhorse where there is no inertial unit, and the yardstick where there is: on the energy height
h + V²/2g it is the classic electronic total-energy variometer.

The model is white noise driving the rate (a continuous white-noise acceleration of spectral density
`acceleration_psd`): F = [[1, T], [0, 1]], Q = psd·[[T³/3, T²/2], [T²/2, T]], the measurement is the
first state. Source: Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking
and Navigation, section 6.2.2; the update is the scalar Kalman filter. The steady state in continuous
time is a second-order low pass with natural frequency (psd/R)^(1/4) and damping 1/√2 (Kalman and Bucy).

Where the samples are far apart, the flight between two of them matters more than the noise of the sensor, and
both figures are learnt: in an optimal filter the innovations are white and as large as their variance says
(R. Mehra, On the identification of variances and adaptive Kalman filtering, IEEE Transactions on Automatic
Control AC-15, 1970). If neighbours have the same sign, the filter is too slow and the acceleration noise
grows; if they alternate, it shrinks. If they are too large, the measurement noise grows: it then includes
gusts and all else that passes from one sample to the next.
"""

from __future__ import annotations

import math

from vario.flight.core.innovation import Innovation

SPARSE_S = 0.3
"""Figures are learnt from samples at least this far apart; closer ones show little but sensor noise."""

LEARN_S = 60.0
"""Time constant of the learning, chosen from 30, 60 and 120 s on recorded flights of 1 s and 4 s steps."""

MOST_CLIPPED = 3.0
"""An innovation beyond this many standard deviations counts as one of this many: a spike teaches little."""

MOST_LIVELY = 200.0
"""Bounds of what is learnt, as factors of the stated acceleration noise (density) ..."""

MOST_NOISY = 100.0
"""... and of the stated measurement noise (variance). The lower bounds are the stated figures."""

SETTLED_MPS = 1.5
SETTLED_SAMPLES = 3
"""The rate is known once its standard deviation is below the first, or after this many sparse samples. One
sample every few seconds never allows the first in lively air."""

QUICKEST_MPS = 20.0
"""Two samples refused in a row that agree are a manoeuvre if they mean at most this change of the rate."""


class RateFilter:
    """Value and rate from samples at any spacing.

    Args:
        acceleration_psd: spectral density of the rate's white noise, unit²/s³.
        gate_sigma: an innovation beyond this many standard deviations is not believed; three in a row
            are, and the filter starts again there. Of sparse samples, a second one that agrees with the
            first is believed, and the rate is free to change.
        learns: whether the noise figures are learnt from sparse samples.
    """

    def __init__(self, acceleration_psd: float, gate_sigma: float = 6.0, *, learns: bool = True) -> None:
        self._stated_psd = self._psd = acceleration_psd
        self._gate2 = gate_sigma * gate_sigma
        self._learns = learns
        self._noisy = 1.0
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
        """The rate, once it is worth showing."""
        settled = self._used >= SETTLED_SAMPLES or self.rate_sigma < SETTLED_MPS
        return self.rate if self.started and settled else None

    def _clear(self) -> None:
        self._refused = self._used = 0
        self._refused_by = 0.0
        self._before: float | None = None
        self._since_s = self._spacing_s = 0.0

    def start(self, value: float, sigma: float) -> None:
        """Begin, or begin again, at a measured value with unknown rate."""
        self._clear()
        self.started = True
        self.value, self.rate = value, 0.0
        self._p00, self._p01, self._p11 = sigma * sigma, 0.0, 25.0

    def predict(self, dt_s: float) -> None:
        """Move on by `dt_s`."""
        self.innovation = None
        psd, t = self._psd, dt_s
        self.value += self.rate * t
        self._p00 += t * (2.0 * self._p01 + t * self._p11) + psd * t * t * t / 3.0
        self._p01 += t * self._p11 + 0.5 * psd * t * t
        self._p11 += psd * t
        self._since_s += t
        self._spacing_s += t

    def correct(self, measured: float, sigma: float) -> float:
        """Take in a measurement; returns its innovation squared over its variance (NIS)."""
        if not self.started:
            self.start(measured, sigma)
            return 0.0
        spacing_s, self._spacing_s = self._spacing_s, 0.0
        sparse = self._learns and spacing_s > SPARSE_S
        noise = sigma * sigma * (self._noisy if sparse else 1.0)
        variance = self._p00 + noise
        innovation = measured - self.value
        nis = innovation * innovation / variance
        self.innovation = Innovation(innovation, variance, used=nis <= self._gate2)
        if sparse:
            self._learn(innovation / math.sqrt(variance), spacing_s)
        if nis > self._gate2:
            self._refused += 1
            if not (sparse and self._manoeuvre(innovation)):
                self._refused_by = innovation
                if self._refused >= 3:
                    self.start(measured, sigma)
                return nis
            variance = self._p00 + noise
        self._refused = 0
        self._used += sparse
        self._since_s = 0.0
        gain0, gain1 = self._p00 / variance, self._p01 / variance
        self.value += gain0 * innovation
        self.rate += gain1 * innovation
        self._p11 -= gain1 * self._p01
        self._p01 -= gain0 * self._p01
        self._p00 -= gain0 * self._p00
        return nis

    def _learn(self, scaled: float, spacing_s: float) -> None:
        """Follow the noise figures by one innovation over its standard deviation."""
        scaled = min(max(scaled, -MOST_CLIPPED), MOST_CLIPPED)
        share = min(spacing_s / LEARN_S, 0.2)
        if self._before is not None:
            lively = self._psd / self._stated_psd * math.exp(2.0 * share * scaled * self._before)
            self._psd = self._stated_psd * min(max(lively, 1.0), MOST_LIVELY)
        noisy = self._noisy * math.exp(share * (scaled * scaled - 1.0))
        self._noisy = min(max(noisy, 1.0), MOST_NOISY)
        self._before = scaled

    def _manoeuvre(self, innovation: float) -> bool:
        """Open the rate if a second refused sample agrees with the first: the flight has changed.

        The rate may have changed at any time since the last sample used; its variance becomes so large that
        the innovation is one of three standard deviations.
        """
        since_s = max(self._since_s, SPARSE_S)
        if innovation * self._refused_by <= 0.0 or abs(innovation) > QUICKEST_MPS * since_s:
            return False
        more = 4.0 / self._gate2 * innovation * innovation - self._p00
        if more > 0.0:
            self._p00 += more
            self._p01 += more / since_s
            self._p11 += more / since_s**2
        return True
