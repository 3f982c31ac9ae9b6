"""How noisy a pressure sensor really is, when it is far noisier than stated: a wet port, a loose wire.

Second differences of equally spaced readings hold the noise and little else: white noise σ gives them the
standard deviation √6 σ, a steady climb nothing, an acceleration what it does in the time between two. Their
median, which a few spikes do not move, is followed by steps up and down (H. Robbins and S. Monro, A
stochastic approximation method, Annals of Mathematical Statistics 22, 1951).
"""

from __future__ import annotations

import math

from drivers.samples import Baro

_OF_SIGMA = 0.6745 * math.sqrt(6.0)
"""Median size of a second difference over the noise; 0.6745: upper quartile of the normal distribution."""

_STEP = 0.03  # of the logarithm, a reading: ten times the noise is found within some 100 readings
_NOTICED = 5.0  # times the stated noise: less is for `vario noise`, and the filters bear it
_MOST = 100.0  # times; beyond, it is no barometer any more
_PULL_PA_S2 = 60.0  # an acceleration of 5 m/s² at 12 Pa a metre
_SPACING_S = 0.3  # readings further apart differ by flight, not by noise


class NoiseWatch:
    """Follows the noise of the static pressure.

    Args:
        stated_pa: the noise it should have; `sigma_pa` is this until it is plainly larger.
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
        """The next reading."""
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
