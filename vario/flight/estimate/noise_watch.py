"""Measure the noise of a pressure sensor that is far noisier than stated (a wet port, a loose wire).

Second differences of equally spaced readings contain mainly noise: white noise σ gives them the standard
deviation √6 σ, a steady climb has no effect, and the effect of an acceleration is small. Their median, which
a few spikes do not change, is tracked by steps up and down (H. Robbins and S. Monro, A stochastic
approximation method, Annals of Mathematical Statistics 22, 1951).
"""

from __future__ import annotations

import math

from drivers.samples import Baro

_OF_SIGMA = 0.6745 * math.sqrt(6.0)
"""Median size of a second difference over the noise; 0.6745: upper quartile of the normal distribution."""

_STEP = 0.03  # of the logarithm, per reading: a tenfold noise is found within some 100 readings
_NOTICED = 5.0  # times the stated noise: the filters tolerate less, and `vario noise` measures it
_MOST = 100.0  # times the stated noise: beyond this it is not usable as a barometer
_PULL_PA_S2 = 60.0  # an acceleration of 5 m/s² at 12 Pa a metre
_SPACING_S = 0.3  # readings further apart differ by the motion of the glider, not by noise


class NoiseWatch:
    """Follows the noise of the static pressure.

    Args:
        stated_pa: the stated noise; `sigma_pa` equals it until the measured noise is clearly larger.
    """

    def __init__(self, stated_pa: float) -> None:
        self._stated_pa = stated_pa
        self._median_pa = stated_pa * _OF_SIGMA
        self._before: tuple[Baro, Baro] | None = None
        self._last: Baro | None = None

    @property
    def sigma_pa(self) -> float:
        """Standard deviation of one reading."""
        found_pa = self._median_pa / _OF_SIGMA
        return found_pa if found_pa > _NOTICED * self._stated_pa else self._stated_pa

    def take(self, now: Baro) -> None:
        """Process the next reading."""
        last, before = self._last, self._before
        self._before = None if last is None else (last, now)
        self._last = now
        if before is None:
            return
        first, second = before
        earlier_s, later_s = second.t_s - first.t_s, now.t_s - second.t_s
        if not 0.0 < later_s < _SPACING_S or not 0.7 < earlier_s / later_s < 1.4:
            return
        bend_pa = abs(now.static_pa - 2.0 * second.static_pa + first.static_pa) - _PULL_PA_S2 * later_s**2
        step = _STEP if bend_pa > self._median_pa else -_STEP
        low_pa = self._stated_pa * _OF_SIGMA
        self._median_pa = min(max(self._median_pa * math.exp(step), low_pa), _MOST * low_pa)
