"""Compute height and airspeed from the pressures, and run the two filters that need only these."""

from __future__ import annotations

import math

from drivers import isa
from drivers.isa import G0_MPS2
from vario.flight.core.innovation import Innovation
from vario.flight.core.low_pass import LowPass
from vario.flight.estimate.noise_watch import NoiseWatch
from vario.flight.estimate.rate import RateFilter
from vario.flight.estimate.result import EstimatorSettings
from vario.flight.inputs.frames import Frame

SPEED_JUMP_MPS = 10.0
SPEED_REJECTED_S = 15.0
SPEED_MISSED_S = 1.0
"""If airspeeds are rejected for this long, the quality reports that there is no airspeed."""

BARO_MISSED_S, BARO_STEADY_S = 0.3, 5.0
"""After a silence of more than 0.3 s, a barometer is used only when it has delivered for 5 s."""

BARO_LATE_S, BARO_NIS, BARO_NIS_S = 0.1, 4.0, 1.0
"""A sample that is later than this does not count as delivered. A barometer with a NIS above this value,
averaged over this time, is not used.
"""

OAT_KEPT_S = 600.0
"""A measured temperature is not used for longer than this, because the glider has reached other air."""


class AirData:
    """Air temperature, density, height and airspeed, each from its latest sample.

    Attributes:
        density_ratio: air density over the standard's at sea level.
        height_sigma_m: white noise of one height.
        height_m: pressure height corrected for the temperature of the air, from an arbitrary zero.
        pressure_m: height in the standard atmosphere.
        tas_mps, tas_age_s: the last accepted true airspeed, and its age.
        needs_alignment: airspeeds have been rejected for so long that the filter must be aligned again.
    """

    def __init__(self, settings: EstimatorSettings) -> None:
        self.settings = settings
        self.energy = RateFilter(settings.energy_psd, learns=settings.learns)
        self.altitude = RateFilter(settings.energy_psd, learns=settings.learns)
        self.static_pa: float | None = None
        self.air_k = isa.SEA_LEVEL_K
        self._isa_deviation_k: float | None = None
        self._oat_age_s = 0.0
        self.density_ratio = 1.0
        self.height_m = 0.0
        self.height_sigma_m = settings.baro_pa * isa.metres_per_pascal(isa.SEA_LEVEL_PA)
        self.pressure_m: float | None = None
        self.tas_mps: float | None = None
        self.tas_age_s = 0.0
        self.needs_alignment = False
        self._rejected_s = 0.0
        self._noise = NoiseWatch(settings.baro_pa)
        self._baro_age_s = 0.0
        self._baro_steady_s = 0.0
        self._baro_nis = LowPass(BARO_NIS_S, 0.0)

    @property
    def rejects_airspeed(self) -> bool:
        """Whether all airspeeds of the last second were rejected as physically impossible."""
        return self._rejected_s > SPEED_MISSED_S

    @property
    def baro_sound(self) -> bool:
        """Whether the barometer has delivered for some seconds with no more noise than allowed."""
        return self._baro_steady_s > BARO_STEADY_S and (self._baro_nis.value or 0.0) < BARO_NIS

    @property
    def tas_sigma_mps(self) -> float:
        """White noise of one airspeed: dV = dq/(ρV), but at least 1 cm/s for errors that are not noise."""
        density = self.density_ratio * isa.SEA_LEVEL_KGPM3
        return math.hypot(self.settings.pitot_pa / (density * max(self.tas_mps or 0.0, 8.0)), 0.01)

    def innovations(self) -> dict[str, Innovation]:
        """The innovations of this frame."""
        both = {"height": self.altitude.innovation, "energy": self.energy.innovation}
        return {name: innovation for name, innovation in both.items() if innovation is not None}

    def update(self, frame: Frame, dt_s: float, expected_tas_mps: float | None) -> bool:
        """Process the pressures of a frame; True if there is a new accepted airspeed.

        `expected_tas_mps` is the airspeed according to the inertial filter, in flight.
        """
        self.tas_age_s += dt_s
        in_time = bool(frame.baro) and frame.t_s - frame.baro[-1].t_s < BARO_LATE_S
        self._baro_age_s = 0.0 if in_time else self._baro_age_s + dt_s
        self._baro_steady_s = self._baro_steady_s + dt_s if self._baro_age_s < BARO_MISSED_S else 0.0
        self.needs_alignment = False
        for filter_ in (self.energy, self.altitude):
            if filter_.started:
                filter_.predict(dt_s)
        for sample in frame.baro:
            self._noise.take(sample)
        if frame.baro:
            self.static_pa = _mean([sample.static_pa for sample in frame.baro])
            self.height_sigma_m = self._noise.sigma_pa * isa.metres_per_pascal(self.static_pa)
        if self.static_pa is None:
            return False
        pressure_m = isa.altitude_m(self.static_pa)
        self._take_temperature(frame, pressure_m, dt_s)
        self.density_ratio = isa.density_kgpm3(self.static_pa, self.air_k) / isa.SEA_LEVEL_KGPM3
        fresh = bool(frame.pitot)
        if fresh:
            impact_pa = _mean([sample.impact_pa for sample in frame.pitot])
            tas_mps = isa.tas_mps(impact_pa, self.static_pa, self.air_k)
            fresh = self._plausible_airspeed(tas_mps, expected_tas_mps)
            if fresh:
                self.tas_mps, self.tas_age_s = tas_mps, 0.0
        if frame.baro:
            self._height(pressure_m, len(frame.baro), dt_s)
        return fresh

    def _take_temperature(self, frame: Frame, pressure_m: float, dt_s: float) -> None:
        """The last measured air temperature, extrapolated with the standard lapse rate for a while."""
        standard_k = isa.temperature_k(pressure_m)
        self._oat_age_s += dt_s
        if frame.oat:
            self._isa_deviation_k, self._oat_age_s = frame.oat[-1].air_k - standard_k, 0.0
        elif self._oat_age_s > OAT_KEPT_S:
            self._isa_deviation_k = None
        self.air_k = standard_k + (self._isa_deviation_k or 0.0)

    def _height(self, pressure_m: float, count: int, dt_s: float) -> None:
        if self.pressure_m is None:
            self.pressure_m = self.height_m = pressure_m
        # In warm air a pressure difference is a larger height difference, by T over the standard T.
        self.height_m += (pressure_m - self.pressure_m) * self.air_k / isa.temperature_k(pressure_m)
        self.pressure_m = pressure_m
        sigma_m = self.height_sigma_m / math.sqrt(count)
        nis = self.altitude.correct(self.height_m, sigma_m)
        self._baro_nis.follow(min(nis, 100.0), dt_s)
        tas = self.tas_mps
        if tas is not None and self.tas_age_s < 1.0:
            kinetic_m = tas * tas / (2.0 * G0_MPS2)
            self.energy.correct(
                self.height_m + kinetic_m, math.hypot(sigma_m, tas * self.tas_sigma_mps / G0_MPS2)
            )

    def _plausible_airspeed(self, tas_mps: float, expected_mps: float | None) -> bool:
        """Reject an impossible change of airspeed (blocked or wet pitot), unless it lasts."""
        if expected_mps is None or abs(tas_mps - expected_mps) < SPEED_JUMP_MPS:
            self._rejected_s = 0.0
            return True
        self._rejected_s = max(self._rejected_s, self.tas_age_s)  # independent of the rate of the sensor
        if self._rejected_s < SPEED_REJECTED_S:
            return False
        self._rejected_s = 0.0
        self.needs_alignment = True
        return True


def _mean(values: list[float]) -> float:
    return values[0] if len(values) == 1 else math.fsum(values) / len(values)
