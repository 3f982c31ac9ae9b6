"""A two-state filter: a measured quantity and its rate of change.

The workhorse where there is no inertial unit, and the yardstick where there is: on the energy height
h + V²/2g it is the classic electronic total-energy variometer.

The model is white noise driving the rate (a continuous white-noise acceleration of spectral density
`acceleration_psd`): F = [[1, T], [0, 1]], Q = psd·[[T³/3, T²/2], [T²/2, T]], the measurement is the
first state. Source: Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking
and Navigation, section 6.2.2; the update is the scalar Kalman filter. The steady state in continuous
time is a second-order low pass with natural frequency (psd/R)^(1/4) and damping 1/√2 (Kalman and Bucy).
"""

from __future__ import annotations

import math

from vario.flight.core.innovation import Innovation

WORTH_SHOWING = 1.5
"""Standard deviation of a rate that is shown, unit/s; one reading a second allows not much better."""


class RateFilter:
    """Value and rate from samples at any spacing.

    Args:
        acceleration_psd: spectral density of the rate's white noise, unit²/s³.
        gate_sigma: an innovation beyond this many standard deviations is not believed; three in a row
            are, and the filter starts again there.
    """

    def __init__(self, acceleration_psd: float, gate_sigma: float = 6.0) -> None:
        self._psd = acceleration_psd
        self._gate2 = gate_sigma * gate_sigma
        self._refused = 0
        self.started = False
        self.value = 0.0
        self.rate = 0.0
        self._p00 = self._p01 = self._p11 = 0.0
        self.innovation: Innovation | None = None

    @property
    def rate_sigma(self) -> float:
        """One standard deviation of the rate."""
        return math.sqrt(max(self._p11, 0.0))

    @property
    def known_rate(self) -> float | None:
        """The rate, once it is worth showing."""
        return self.rate if self.started and self.rate_sigma < WORTH_SHOWING else None

    def start(self, value: float, sigma: float) -> None:
        """Begin, or begin again, at a measured value with unknown rate."""
        self.started, self._refused = True, 0
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

    def correct(self, measured: float, sigma: float) -> float:
        """Take in a measurement; returns its innovation squared over its variance (NIS)."""
        if not self.started:
            self.start(measured, sigma)
            return 0.0
        variance = self._p00 + sigma * sigma
        innovation = measured - self.value
        nis = innovation * innovation / variance
        self.innovation = Innovation(innovation, variance, used=nis <= self._gate2)
        if nis > self._gate2:
            self._refused += 1
            if self._refused >= 3:
                self.start(measured, sigma)
            return nis
        self._refused = 0
        gain0, gain1 = self._p00 / variance, self._p01 / variance
        self.value += gain0 * innovation
        self.rate += gain1 * innovation
        self._p11 -= gain1 * self._p01
        self._p01 -= gain0 * self._p01
        self._p00 -= gain0 * self._p00
        return nis
