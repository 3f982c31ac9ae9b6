"""Faults of the pressure lines: each changes the readings of barometer and pitot together.

Barometer and pitot share the static line. The impact pressure is the total pressure minus the static pressure
(FAA-H-8083-25, chapter 8, which also describes blocked pitot and static systems):

"total blocked": pitot head and drain are closed by ice. The total pressure stays as it is.
"static blocked": the static ports are closed by ice. The static pressure stays as it is.
"static lag": a narrow place delays the static pressure, first order, by `by_s`.
"static suction": the barometer is connected to a total-energy probe with pressure coefficient -`size`; the
    pitot has its own static port.

The readings keep the noise of their sensors, because ice in a tube does not change the sensor.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

import numpy as np

from drivers.samples import Baro, Pitot, Sample

LineKind = Literal["total blocked", "static blocked", "static lag", "static suction"]


class _Line:
    """The pressures in the lines; a subclass says what the sensors read.

    Args:
        size, by_s: those of the fault.
        noise: standard deviation of one sample by channel, Pa.
        rng: draws the noise.
    """

    def __init__(
        self, size: float, by_s: float, noise: Mapping[str, float], rng: np.random.Generator
    ) -> None:
        self._size, self._by_s, self._noise, self._rng = size, by_s, noise, rng
        self._static_pa: float | None = None
        self._impact_pa: float | None = None
        self._line_pa: float | None = None

    def reading(self, sample: Sample) -> Sample:
        """What the sensor reads instead of the sample; unchanged while a pressure is not known yet."""
        if isinstance(sample, Baro):
            self._static_pa = sample.static_pa
            return Baro(sample.t_s, self._baro_pa(sample))
        if isinstance(sample, Pitot):
            self._impact_pa = sample.impact_pa
            return Pitot(sample.t_s, self._pitot_pa(sample))
        return sample

    def _baro_pa(self, sample: Baro) -> float:
        return sample.static_pa

    def _pitot_pa(self, sample: Pitot) -> float:
        return sample.impact_pa

    def _noisy(self, value: float, channel: str) -> float:
        return value + self._noise.get(channel, 0.0) * float(self._rng.standard_normal())


class _TotalBlocked(_Line):
    def _pitot_pa(self, sample: Pitot) -> float:
        if self._static_pa is None:
            return sample.impact_pa
        if self._line_pa is None:
            self._line_pa = self._static_pa + sample.impact_pa
        return self._noisy(self._line_pa - self._static_pa, "pitot")


class _StaticLag(_Line):
    """The static pressure in the line, which the barometer reads and the pitot subtracts."""

    _last_s = 0.0

    def _baro_pa(self, sample: Baro) -> float:
        if self._line_pa is None:
            self._line_pa = sample.static_pa
        share = 1.0 - math.exp(-max(sample.t_s - self._last_s, 0.0) / self._by_s)
        self._line_pa += share * (sample.static_pa - self._line_pa)
        self._last_s = sample.t_s
        return self._noisy(self._line_pa, "baro")

    def _pitot_pa(self, sample: Pitot) -> float:
        if self._static_pa is None or self._line_pa is None:
            return sample.impact_pa
        return sample.impact_pa + self._static_pa - self._line_pa


class _StaticBlocked(_StaticLag):
    def __init__(
        self, size: float, _by_s: float, noise: Mapping[str, float], rng: np.random.Generator
    ) -> None:
        super().__init__(size, math.inf, noise, rng)


class _StaticSuction(_Line):
    def _baro_pa(self, sample: Baro) -> float:
        return sample.static_pa - self._size * (self._impact_pa or 0.0)


LINE_FAULTS: Mapping[str, type[_Line]] = MappingProxyType(
    {
        "total blocked": _TotalBlocked,
        "static blocked": _StaticBlocked,
        "static lag": _StaticLag,
        "static suction": _StaticSuction,
    }
)
