"""Detect errors of the pressure sensors in a recording: an offset at rest, a noise other than stated."""

from __future__ import annotations

import math
import statistics

from drivers.samples import Baro, GnssVel, Pitot, Sample
from vario.flight.motion.energy import Noise
from vario.flight.motion.ground_speed import GroundSpeed
from vario.settings.hardware import LEAST_NOISE_PA, MOST_NOISE_PA, PITOT_OFFSET_RANGE
from vario.settings.quantity import PRESSURE, parse

REST_MPS = 0.5
REST_BEFORE_S = 10.0
"""At rest: below this mean ground velocity for this long."""

CALM_S = 30.0
LARGEST_OFFSET_PA = parse(PITOT_OFFSET_RANGE[1], PRESSURE)
"""The largest offset that the settings permit."""

OFFSET_PA = 3.0
"""At 25 m/s this is 0.1 m/s of airspeed."""

STEADY = 3.0
"""An offset varies by at most this many times the noise of the sensor; wind varies more."""

SPACING_S = 0.3
"""Readings further apart than this differ by motion, not by noise."""

MOST_DIFFERENCES, FEWEST_DIFFERENCES = 20_000, 500
FAR = 2.5
"""A warning is given if the noise differs from the stated one by this factor, up or down. Noise stated three
times wrong is thus found, although the measured one is some per cent off.
"""

_OF_SIGMA = 0.6745 * math.sqrt(6.0)
"""Median size of a second difference over the noise; 0.6745: upper quartile of the normal distribution."""


class PressureCheck:
    """Tracks the samples of a recording.

    Args:
        noise: the stated noise: from the settings, otherwise from the recording, otherwise the default.
        pitot_offset_pa: the offset that the settings subtract from the pitot.
    """

    def __init__(self, noise: Noise, pitot_offset_pa: float) -> None:
        self._noise = noise
        self._offset_pa = pitot_offset_pa
        self._ground = GroundSpeed()
        self._rest_s: float | None = None
        self._calm: list[float] = []
        self._calm_s = 0.0
        self._calmest: tuple[float, float] | None = None
        self._baros: list[Baro] = []
        self._differences_pa: list[float] = []  # sizes of second differences

    def take(self, sample: Sample) -> None:
        """Process one sample of any kind."""
        if type(sample) is Baro:
            self._take_baro(sample)
        elif type(sample) is Pitot:
            self._take_pitot(sample)
        elif type(sample) is GnssVel:
            self._ground.take(sample)
            if (self._ground.drift_mps or 0.0) > REST_MPS:
                self._rest_s = None
            elif self._rest_s is None:
                self._rest_s = sample.t_s

    def _take_pitot(self, sample: Pitot) -> None:
        if self._rest_s is None or sample.t_s - self._rest_s < REST_BEFORE_S:
            self._calm = []
            return
        if not self._calm:
            self._calm_s = sample.t_s
        self._calm.append(sample.impact_pa)
        if sample.t_s - self._calm_s < CALM_S or len(self._calm) < 10:
            return
        spread_pa = statistics.pstdev(self._calm)
        if self._calmest is None or spread_pa < self._calmest[1]:
            self._calmest = statistics.fmean(self._calm), spread_pa
        self._calm = []

    def _take_baro(self, sample: Baro) -> None:
        baros = self._baros
        baros.append(sample)
        if len(baros) < 3:
            return
        first, second, third = baros
        del baros[0]
        earlier_s, later_s = second.t_s - first.t_s, third.t_s - second.t_s
        if (
            len(self._differences_pa) < MOST_DIFFERENCES
            and 0.0 < later_s < SPACING_S
            and 0.7 < earlier_s / later_s < 1.4
        ):
            self._differences_pa.append(abs(third.static_pa - 2.0 * second.static_pa + first.static_pa))

    def warnings(self) -> list[str]:
        """The findings, one sentence each."""
        return [*self._pitot_offset(), *self._baro_noise()]

    def _pitot_offset(self) -> list[str]:
        if self._calmest is None:
            return []
        mean_pa, spread_pa = self._calmest
        steady = spread_pa < STEADY * self._noise.pitot_pa
        off = abs(mean_pa - self._offset_pa) > OFFSET_PA and abs(mean_pa) < LARGEST_OFFSET_PA
        if not (steady and off):
            return []
        return [
            f"the pitot reads {mean_pa:+.1f} Pa at rest for {CALM_S:.0f} s; if the air was still, that is "
            f'its offset: set offset = "{mean_pa:.1f} Pa" in [sensors.pitot] (now {self._offset_pa:g} Pa)'
        ]

    def _baro_noise(self) -> list[str]:
        if len(self._differences_pa) < FEWEST_DIFFERENCES:
            return []
        found_pa, stated_pa = statistics.median(self._differences_pa) / _OF_SIGMA, self._noise.baro_pa
        if found_pa == 0.0 or 1.0 / FAR < found_pa / stated_pa < FAR:
            return []
        found = (
            f"the noise of the barometer is {found_pa:.2g} Pa from reading to reading; {stated_pa:.2g} Pa is "
            "assumed"
        )
        if not LEAST_NOISE_PA <= found_pa <= MOST_NOISE_PA:
            return [f"{found}: look for the cause; these values may be smoothed or in another unit"]
        return [f'{found}: set noise = "{found_pa:.2g} Pa" in [sensors.baro], or look for its cause']
