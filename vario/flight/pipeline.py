"""The instrument as one pipeline: a frame of samples in, a reading out.

Live flight and replay run this same code. It has no clock and no files: give it the same frames and it
gives the same readings, bit for bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from drivers.quick import quick
from drivers.samples import GnssPos
from vario.flight.airmass import Airmass, AirmassStage
from vario.flight.airspeed import AirspeedStage
from vario.flight.attitude import Attitude
from vario.flight.averages import Averages, AveragesStage
from vario.flight.battery import BatteryStage
from vario.flight.calibration import CalibrationStage
from vario.flight.climbs import Climb
from vario.flight.cues import Happenings
from vario.flight.damping import Damping
from vario.flight.energy import Energy, Noise
from vario.flight.estimate.estimator import Estimator
from vario.flight.estimate.result import Monitor
from vario.flight.expected_climb import Expected, ExpectedClimbStage
from vario.flight.frames import Frame
from vario.flight.glide import Glide, GlideStage
from vario.flight.health import HealthStage, Inputs
from vario.flight.loading import estimator_settings, fitted_flags, present_polar, wing_of
from vario.flight.mode import Mode, ModeStage
from vario.flight.place import Place, PlaceStage
from vario.flight.quality import Quality, quality_of
from vario.flight.speed_to_fly import SpeedCommand, SpeedToFlyStage
from vario.flight.thermal import Thermal, ThermalStage
from vario.flight.tone import Heard, ToneCommand, ToneStage
from vario.flight.turning import Turning, TurningStage
from vario.flight.wind import Wind, WindStage
from vario.settings.glider import Glider
from vario.settings.schema import Settings


@quick
@dataclass(frozen=True, slots=True)
class Reading:
    """Everything the instrument knows at the end of one frame. None: not known.

    `position` is the last GNSS one, `place` the same in metres (or reckoned), `needle_mps` vario that needle
    and tone follow. `setting_rejected` holds from a change of settings that could not be taken until one
    that could. `airspeed_correction` is what the sensor's airspeed was multiplied by.
    """

    t_s: float
    mode: Mode
    position: GnssPos | None
    attitude: Attitude | None
    energy: Energy
    monitor: Monitor
    wind: Wind | None
    air: Airmass
    averages: Averages
    needle_mps: float | None
    speed: SpeedCommand
    tone: ToneCommand
    quality: Quality
    turning: Turning
    place: Place | None
    thermal: Thermal
    expected: Expected
    glide: Glide | None
    setting_rejected: bool
    airspeed_correction: float = 1.0

    @property
    def speed_to_fly_mps(self) -> float | None:
        """The indicated airspeed to fly."""
        return self.speed.command_mps


class Pipeline:
    """The instrument for one glider and one set of settings."""

    def __init__(self, settings: Settings, glider: Glider | None, noise: Noise) -> None:
        polar, mass_ratio = present_polar(settings, glider)
        self.health = HealthStage()
        self._calibration = CalibrationStage(settings.sensors)
        self._estimator = Estimator(estimator_settings(settings, glider, noise))
        self._airspeed = AirspeedStage()
        self._battery = BatteryStage(settings.sensors.supply.low_v)
        self._wind = WindStage()
        self._turning = TurningStage(settings.circling)
        self._airmass = AirmassStage(polar, settings.circling.bank_rad, settings.circling.speed_mps)
        self._mode = ModeStage(settings.circling, settings.flight.mode)
        self._place = PlaceStage()
        self._averages = AveragesStage(settings.average, settings.circling)
        self._thermal = ThermalStage(settings.centring)
        maccready_mps = settings.flight.maccready_mps
        limits = glider.limits if glider else None
        self._expected = ExpectedClimbStage(settings.expected_climb, settings.circling, maccready_mps, polar)
        self._needle = Damping(settings.vario.damping_s)
        self._relative = Damping(settings.vario.damping_s)
        self._speed = SpeedToFlyStage(settings.speed_to_fly, maccready_mps, polar, limits, mass_ratio)
        self._glide = GlideStage(settings.goal, maccready_mps, polar, limits)
        self._tone = ToneStage(settings.tone)
        self._has_glider = glider is not None
        self._fitted = fitted_flags(settings.sensors)
        self._position: GnssPos | None = None
        self._settings = settings
        self._rejected = self._rejected_now = False
        self._last_s: float | None = None

    def change(self, settings: Settings, glider: Glider | None) -> None:
        """Take changed settings from the next frame on; all that was found out in flight stays.

        How the sensors are fitted ([sensors]) does not change in flight: that waits for the next start.
        """
        polar, mass_ratio = present_polar(settings, glider)
        maccready_mps = settings.flight.maccready_mps
        limits = glider.limits if glider else None
        self._estimator.configure(wing_of(settings, glider), settings.vario.gust_memory_s)
        self._battery.configure(settings.sensors.supply.low_v)
        self._turning.configure(settings.circling)
        self._airmass.configure(polar, settings.circling.bank_rad, settings.circling.speed_mps)
        self._mode.configure(settings.circling, settings.flight.mode)
        self._averages.configure(settings.average, settings.circling)
        self._thermal.configure(settings.centring)
        self._expected.configure(settings.expected_climb, settings.circling, maccready_mps, polar)
        self._needle.configure(settings.vario.damping_s)
        self._relative.configure(settings.vario.damping_s)
        self._speed.configure(settings.speed_to_fly, maccready_mps, polar, limits, mass_ratio)
        self._glide.configure(settings.goal, maccready_mps, polar, limits)
        if settings.tone != self._settings.tone:
            self._tone.configure(settings.tone)
        self._has_glider = glider is not None
        self._settings = settings
        self._rejected = False

    def reject_change(self) -> None:
        """Settings came that cannot be used: the old ones stay, and the pilot is told."""
        self._rejected = self._rejected_now = True

    def step(self, frame: Frame) -> Reading:
        """One frame through every stage, in the order of the block diagram."""
        if frame.dt_s == 0.0 and self._last_s is not None:
            self._after_jump(backward=frame.t_s <= self._last_s)
        self._last_s = frame.t_s
        inputs = self._airspeed.correct(self._calibration.update(self.health.update(frame)))
        estimate = self._estimator.update(inputs, on_tow=self._mode.mode is Mode.LAUNCH)
        if inputs.has_pitot and not estimate.has_airspeed:
            inputs = replace(inputs, has_pitot=False)
        attitude, energy = estimate.attitude, estimate.energy
        # The wind sees the sensor as it is: were it to see its own correction, it would find nothing left.
        measured_mps = self._airspeed.measured_mps(energy.tas_mps)
        wind = self._wind.update(inputs, attitude, measured_mps, energy.altitude_m, estimate.wind)
        self._airspeed.learn(wind, frame.dt_s)
        turning = self._turning.update(inputs, attitude, wind)
        air = self._airmass.update(inputs, attitude, energy, self._mode.mode)
        mode = self._mode.update(inputs, energy, turning)
        place = self._place.update(inputs, energy, turning, wind)
        averages = self._averages.update(frame.t_s, energy, turning, mode, place)
        thermal = self._thermal.update(inputs, estimate, air, turning, mode=mode, place=place)
        expected = self._expected.update(frame.t_s, frame.dt_s, energy, air, mode)
        speed = self._speed.update(frame.dt_s, energy, air, mode, attitude)
        needle = self._needle.update(energy.vario_mps, frame.dt_s)
        quality = self._quality(inputs, energy, imu_believed=estimate.imu_believed)
        happenings = self._happenings(
            inputs, mode, quality, needle_mps=needle, thermal=thermal, expected=expected
        )
        relative = self._relative.update(air.relative_netto_mps, frame.dt_s)
        tone = self._tone.update(Heard(happenings, needle, energy.ias_mps, speed.command_mps, relative))
        self._position = _latest_position(inputs, self._position)
        glide = self._glide.update(self._position, wind, energy.density_kgpm3)
        return Reading(
            frame.t_s,
            mode,
            self._position,
            attitude,
            energy,
            estimate.monitor,
            wind,
            air,
            averages,
            needle,
            speed,
            tone,
            quality,
            turning,
            place,
            thermal,
            expected,
            glide,
            self._rejected,
            self._airspeed.scale,
        )

    def _after_jump(self, *, backward: bool) -> None:
        """The clock has jumped, or the recording has a gap: what was flown in between is not known.

        Estimator and health begin again by themselves. Turn, climb, averages and map end here; the wind ages
        across a gap, but not across a clock set back, where nobody knows by how much.
        """
        self._turning = TurningStage(self._settings.circling)
        self._place = PlaceStage()
        self._position = None
        self._averages.begin_again()
        self._thermal.begin_again()
        self._expected.begin_again()
        self._battery.begin_again()
        self._mode.begin_again()
        self._tone.begin_again()
        if backward:
            self._wind = WindStage()

    def _happenings(
        self,
        inputs: Inputs,
        mode: Mode,
        quality: Quality,
        *,
        needle_mps: float | None,
        thermal: Thermal,
        expected: Expected,
    ) -> Happenings:
        """What may call for a cue."""
        rejected, self._rejected_now = self._rejected_now, False
        return Happenings(
            inputs.frame.t_s,
            mode,
            quality,
            vario_known=needle_mps is not None,
            centring_now=thermal.centring_now,
            worth_turning=expected.worth_turning,
            setting_rejected=rejected,
            battery_low=self._battery.update(inputs.frame.t_s, inputs.frame.supply),
            fitted=self._fitted,
        )

    def finished_climbs(self) -> list[Climb]:
        """The climbs completed since the last call."""
        return self._averages.finished()

    def close(self) -> None:
        """The recording or flight is over: what is still open ends now."""
        self._averages.close()

    def _quality(self, inputs: Inputs, energy: Energy, *, imu_believed: bool) -> Quality:
        return quality_of(
            (
                not inputs.has_baro,  # NO_BARO
                not inputs.has_pitot,  # NO_AIRSPEED
                not inputs.has_imu,  # NO_IMU
                not inputs.has_gnss,  # NO_GNSS
                not self._has_glider,  # NO_GLIDER
                energy.vario_mps is not None and not energy.compensated,  # UNCOMPENSATED
                inputs.has_baro and energy.vario_mps is None,  # SETTLING
                self._airspeed.scale != 1.0,  # AIRSPEED_OFF
                inputs.has_imu and not imu_believed,  # IMU_OFF
            )
        )


def _latest_position(inputs: Inputs, last: GnssPos | None) -> GnssPos | None:
    if inputs.frame.gnss_pos:
        return inputs.frame.gnss_pos[-1]
    return last if inputs.has_position else None
