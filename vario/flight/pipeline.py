"""The instrument as one pipeline: a frame of samples in, a reading out.

Live flight and replay run this code. It has no clock and no files: the same frames give the same readings,
bit for bit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from drivers.events import PilotAction
from vario.flight.cruise.airmass import AirmassStage
from vario.flight.cruise.expected_climb import Expected, ExpectedClimbStage
from vario.flight.cruise.glide import FinalGlide, GlideStage, goal_maccready_mps
from vario.flight.cruise.speed_to_fly import SpeedToFlyStage
from vario.flight.estimate.inertial_model import Regime
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.result import Estimate
from vario.flight.estimate.stage import EstimatorStage
from vario.flight.inputs.airspeed import AirspeedStage
from vario.flight.inputs.battery import BatteryStage
from vario.flight.inputs.calibration import CalibrationStage
from vario.flight.inputs.consistency import ConsistencyStage, Doubts
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.gnss import GnssStage
from vario.flight.inputs.health import HealthStage, Inputs
from vario.flight.inputs.quality import Quality, quality_of
from vario.flight.motion.energy import Energy, Noise
from vario.flight.motion.flying import FlyingSpeed
from vario.flight.motion.mode import Mode
from vario.flight.motion.mode_stage import ModeStage
from vario.flight.motion.place import PlaceStage
from vario.flight.motion.turning import TurningStage
from vario.flight.reading import Reading
from vario.flight.setup import Setup
from vario.flight.stage import Stage, reset_reason
from vario.flight.thermal.averages import AveragesStage
from vario.flight.thermal.climbs import Climb
from vario.flight.thermal.leave import LeaveStage
from vario.flight.thermal.stage import Thermal, ThermalStage
from vario.flight.tone.actions import PilotActions
from vario.flight.tone.circle_bells import CircleBellsStage
from vario.flight.tone.cues import CueInputs
from vario.flight.tone.needle import NeedleStage
from vario.flight.tone.slow_turn import SlowTurnStage
from vario.flight.tone.speech import SpeechInputs, SpeechStage
from vario.flight.tone.stage import ToneInputs, ToneStage
from vario.flight.wind.stage import WindStage
from vario.settings.glider import Glider
from vario.settings.schema import Settings


class Pipeline:
    """The instrument for one glider and one set of settings.

    `longest_step_s` and `learned_flying_mps`: as in `Setup`; both are 0 or None in live flight.
    """

    def __init__(
        self,
        settings: Settings,
        glider: Glider | None,
        noise: Noise,
        longest_step_s: float = 0.0,
        learned_flying_mps: float | None = None,
    ) -> None:
        setup = self._setup = Setup.of(settings, glider, noise, longest_step_s, learned_flying_mps)
        self.longest_step_s = longest_step_s
        self.health = HealthStage(setup)
        self._calibration = CalibrationStage(setup)
        self._airspeed = AirspeedStage(setup)
        self._consistency = ConsistencyStage(setup)
        self._estimator = EstimatorStage(setup)
        self._wind = WindStage(setup)
        self._turning = TurningStage(setup)
        self._airmass = AirmassStage(setup)
        self._mode = ModeStage(setup)
        self._gnss = GnssStage(setup)
        self._place = PlaceStage(setup)
        self._averages = AveragesStage(setup)
        self._thermal = ThermalStage(setup)
        self._expected = ExpectedClimbStage(setup)
        self._leave = LeaveStage(setup)
        self._speed = SpeedToFlyStage(setup)
        self._needle = NeedleStage(setup)
        self._battery = BatteryStage(setup)
        self._slow_turn = SlowTurnStage(setup)
        self._circle_bells = CircleBellsStage(setup)
        self._tone = ToneStage(setup)
        self._speech = SpeechStage(setup)
        self._glide = GlideStage(setup)
        self._stages: tuple[Stage, ...] = (
            *(self.health, self._calibration, self._airspeed, self._consistency, self._estimator),
            *(self._wind, self._turning),
            *(self._airmass, self._mode, self._gnss, self._place, self._averages, self._thermal),
            *(self._expected, self._leave, self._speed, self._needle, self._battery, self._slow_turn),
            *(self._circle_bells, self._tone, self._speech, self._glide),
        )
        self._expected_sensors = setup.expected_sensors
        self._rejected = False
        self._actions = PilotActions()
        self._last_s: float | None = None

    def watch_corrections(self, watcher: Callable[[float, InertialState, Regime], None]) -> None:
        """Call `watcher` after each correction of the inertial filter; see `Estimator.on_correction`."""
        self._estimator.estimator.on_correction = watcher

    def change(self, settings: Settings, glider: Glider | None) -> None:
        """Take changed settings from the next frame on; what was learned in flight stays.

        How the sensors are connected ([sensors]) does not change in flight: such a change waits for the next
        start.
        """
        before = self._setup
        self._setup = Setup.of(
            settings, glider, before.noise, before.longest_step_s, before.learned_flying_mps
        )
        for stage in self._stages:
            stage.configure(self._setup)
        self._rejected = False
        self._actions.taken = True

    def reject_change(self) -> None:
        """Settings have arrived that cannot be used: keep the present ones and tell the pilot."""
        self._rejected = self._actions.refused = True

    def act(self, action: PilotAction) -> None:
        """The pilot used a knob or button, or asked for a spoken value: heard from the next frame on."""
        self._actions.take(action)

    def step(self, frame: Frame) -> Reading:
        """One frame through every stage, in the order of the block diagram."""
        self._reset_after_break(frame)
        sensed = self._airspeed.correct(self._calibration.update(self.health.update(frame)))
        inputs = self._consistency.usable(sensed, self._airspeed.scale)
        doubts = self._consistency.doubts
        estimate = self._estimator.update(inputs, self._mode.mode)
        if inputs.has_pitot and not estimate.has_airspeed:
            inputs = replace(inputs, has_pitot=False)
        attitude, energy = estimate.attitude, estimate.energy
        # The wind filter estimates the scale of the uncorrected airspeed; from a corrected one it would find
        # 1.
        measured_mps = self._airspeed.measured_mps(energy.tas_mps)
        wind = self._wind.update(inputs, attitude, measured_mps, energy.altitude_m, estimate.wind)
        self._airspeed.learn(wind, frame.dt_s)
        self._consistency.update(sensed, estimate, wind)
        turning = self._turning.update(inputs, attitude, wind)
        air = self._airmass.update(inputs, estimate, self._mode.mode)
        mode = self._mode.update(inputs, energy, turning, air.netto_mps, braking=air.braking)
        gnss = self._gnss.update(inputs)
        place = self._place.update(inputs, energy, turning, wind)
        averages = self._averages.update(frame.t_s, energy, turning, mode, place)
        thermal = self._thermal.update(inputs, estimate, air, turning, mode=mode, place=place)
        expected = self._expected.update(
            frame.t_s, frame.dt_s, energy, air, mode, turning=turning.now, attitude=attitude
        )
        glide = self._glide.update(
            gnss.position, wind, energy, mode, frame.dt_s, altitude_known=not doubts.gnss_altitude
        )
        towards = goal_maccready_mps(glide, turning)
        speed = self._speed.update(frame.dt_s, energy, air, mode, attitude, goal_maccready_mps=towards)
        needle = self._needle.update(energy.vario_mps, air.relative_netto_mps, frame.dt_s)
        slow = self._slow_turn.update(frame.dt_s, energy.ias_mps, attitude, mode)
        quality = self._quality(inputs, energy, doubts, estimate)
        weak = self._leave.update(averages, energy, mode)
        battery = self._battery.update(inputs.frame.t_s, inputs.frame.supply)
        cues = self._cue_inputs(
            inputs,
            mode,
            quality,
            needle.vario_mps,
            thermal=thermal,
            expected=expected,
            glide=glide,
            slow=slow,
            weak=weak,
            battery_low=battery.low,
            announced_mode=self._circle_bells.update(frame.dt_s, mode, turning),
        )
        tone = self._tone.update(
            ToneInputs(cues, needle.vario_mps, energy.ias_mps, speed.command_mps, needle.relative_netto_mps)
        )
        spoken = SpeechInputs(
            *(frame.t_s, mode, quality, turning, thermal.shift, averages, wind, glide, self._actions.wanted)
        )
        tone = self._speech.update(spoken, tone)
        self._actions.clear()
        return Reading(
            t_s=frame.t_s,
            mode=mode,
            position=gnss.position,
            attitude=attitude,
            energy=energy,
            diagnostics=estimate.diagnostics,
            wind=wind,
            air=air,
            averages=averages,
            needle_mps=needle.vario_mps,
            speed=speed,
            tone=tone,
            quality=quality,
            turning=turning,
            place=place,
            thermal=thermal,
            expected=expected,
            glide=glide,
            setting_rejected=self._rejected,
            airspeed_correction=self._airspeed.scale,
            ground_velocity=gnss.velocity,
            battery=battery,
            qnh_altitude_m=self._setup.qnh_altitude_m(energy.altitude_m),
        )

    @property
    def flying_speed(self) -> FlyingSpeed:
        """The speed above which the glider flies."""
        return self._mode.flying

    def finished_climbs(self) -> list[Climb]:
        """The climbs completed since the last call."""
        return self._averages.finished()

    def close(self) -> None:
        """End of the recording or flight: a climb still open ends here."""
        self._averages.close()

    def _reset_after_break(self, frame: Frame) -> None:
        """Reset all stages if the samples have a gap before this frame or the clock has been set back."""
        reason = reset_reason(frame, self._last_s)
        self._last_s = frame.t_s
        if reason is not None:
            for stage in self._stages:
                stage.reset(reason)

    def _cue_inputs(
        self,
        inputs: Inputs,
        mode: Mode,
        quality: Quality,
        needle_mps: float | None,
        *,
        thermal: Thermal,
        expected: Expected,
        glide: FinalGlide | None,
        slow: bool,
        weak: bool,
        battery_low: bool,
        announced_mode: Mode,
    ) -> CueInputs:
        """The inputs of the cues."""
        actions = self._actions
        return CueInputs(
            inputs.frame.t_s,
            mode,
            quality,
            vario_known=needle_mps is not None,
            centring_now=thermal.centring_now,
            worth_turning=expected.worth_turning,
            slow_for_bank=slow,
            glide_made=None if glide is None else glide.made,
            climb_weak=weak,
            announced_mode=announced_mode,
            setting_rejected=actions.refused,
            setting_taken=actions.taken,
            knob_steps=actions.steps,
            battery_low=battery_low,
            expected_sensors=self._expected_sensors,
        )

    def _quality(self, inputs: Inputs, energy: Energy, doubts: Doubts, estimate: Estimate) -> Quality:
        return quality_of(
            (
                not inputs.has_baro,  # NO_BARO
                not inputs.has_pitot,  # NO_AIRSPEED
                not inputs.has_imu,  # NO_IMU
                not inputs.has_gnss,  # NO_GNSS
                self._setup.polar is None,  # NO_GLIDER
                energy.vario_mps is not None and not energy.compensated,  # UNCOMPENSATED
                inputs.has_baro and energy.vario_mps is None,  # SETTLING
                self._airspeed.scale != 1.0,  # AIRSPEED_CORRECTED
                inputs.has_imu and not estimate.imu_trusted,  # IMU_OFF
                doubts.baro,  # BARO_DOUBTFUL
                doubts.airspeed,  # AIRSPEED_DOUBTFUL
                doubts.gnss_altitude,  # GNSS_ALTITUDE_DOUBTFUL
                estimate.mass_too_small,  # MASS_DOUBTFUL
            )
        )
