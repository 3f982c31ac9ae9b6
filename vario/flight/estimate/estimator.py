"""Make one estimate from one frame of samples: select the filter, the assumptions and the outputs.

Two filters run side by side. `RateFilter` on energy height needs only the two pressures and always works;
`InertialFilter` needs the inertial unit and gives attitude and the gust-free vario. This module decides when
the second one is used, aligns it (on the ground or in the air), tells it whether the wing flies, and blends
the two varios for the pilot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from drivers import isa
from drivers.isa import G0_MPS2
from drivers.samples import Baro, Pitot
from vario.flight.estimate.airdata import AirData
from vario.flight.estimate.alignment import Alignment
from vario.flight.estimate.imu_steps import ImuSteps
from vario.flight.estimate.imu_watch import ImuWatch
from vario.flight.estimate.inertial import InertialFilter
from vario.flight.estimate.inertial_model import Regime, Wing
from vario.flight.estimate.regime import NOT_FLYING_MPS, RegimeWatch
from vario.flight.estimate.result import Estimate, EstimatorSettings, Monitor
from vario.flight.estimate.shown import ShownVario
from vario.flight.estimate.vectors import Vector
from vario.flight.inputs.frames import FRAME_S, Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude, heading_rate_radps
from vario.flight.motion.energy import NOTHING, Energy

_CORRECT_EVERY_S = 0.035  # two frames of 20 ms; four give a quarter more error on a rough tow (docs/speed.md)
_SIGMA_EVERY_S = 0.2
_IMU_HOLD_S = 0.3  # during a silence of the inertial unit up to this, its last estimate is shown
_IMU_GAP_S = 2.0  # after a silence up to this, attitude and biases are kept
# Without an airspeed, the total energy is computed from inertia and the lift curve for this long. Simulated,
# its error stayed below 1 m/s for 50 s in cruise, circling and tow; real sensors may be worse.
_AIRSPEED_LOST_S = 30.0
# The air does not change the total energy as fast as this; aliased vibration does.
_MOST_JITTER_MPS = 1.5


class Estimator:
    """Takes checked frames in order of time; each call returns the `Estimate` at the end of the frame.

    `on_correction` is called after each frame in which all inertial steps have been corrected, with the time,
    the filter after its last correction, and the regime. It may read these, and must not change them.
    """

    def __init__(self, settings: EstimatorSettings) -> None:
        self.settings = settings
        self.restarts = 0
        self.imu_watch = ImuWatch()
        self.on_correction: Callable[[float, InertialFilter, Regime], None] | None = None
        self._begin()

    def configure(self, wing: Wing, gust_rejection_time_s: float) -> None:
        """Take changed settings: ballast and bugs change the glider; the gust rejection time may change."""
        self.settings = replace(self.settings, wing=wing, gust_rejection_time_s=gust_rejection_time_s)
        self.inertial.wing = wing

    def _begin(self) -> None:
        settings = self.settings
        self.air = AirData(settings)
        self.inertial = InertialFilter(settings.wing, settings.noise)
        self.watch = RegimeWatch()
        self._steps = ImuSteps(settings.lever_m)
        self._aligned = False
        self._alignment = Alignment()
        self._imu_missing_s = 0.0
        self._learned = False
        self.shown = ShownVario()
        self._nis: Mapping[str, float] = {}
        self._sigmas: tuple[float, float] | None = None
        self._sigma_age_s = _SIGMA_EVERY_S

    def update(self, inputs: Inputs, *, on_tow: bool = False) -> Estimate:
        """Process one frame. `on_tow`: the mode is launch, whatever the forces indicate."""
        self.watch.on_tow = on_tow
        frame = inputs.frame
        if frame.dt_s == 0.0:
            self._begin()  # the first frame, or the first after a gap: earlier data are not used
        dt_s = max(frame.dt_s, 1e-4)
        flying = self._aligned and not self.watch.on_ground
        fresh = self.air.update(frame, dt_s, self.inertial.tas_mps if flying else None)
        if self.air.refusing:
            inputs = replace(inputs, has_pitot=False)
        if self.air.doubtful:
            self._realign()
        ready = self._inertial(frame, dt_s, fresh_speed=fresh)
        if self.on_correction is not None and ready and self.inertial.due_s == 0.0:
            self.on_correction(frame.t_s, self.inertial, self.watch.regime)
        return self._say(inputs, dt_s, ready=ready, tas_new=fresh)

    # --- inertial ---------------------------------------------------------------------------------

    def _inertial(self, frame: Frame, dt_s: float, *, fresh_speed: bool) -> bool:
        """Run the inertial filter; True if its estimate can be used."""
        steps = self._steps.read(frame, dt_s)
        if not steps:
            self._imu_missing_s += dt_s
            if self._imu_missing_s > _IMU_GAP_S:
                self._realign()
            return self._aligned and self._imu_missing_s < _IMU_HOLD_S and self.imu_watch.trusted
        gap_s, self._imu_missing_s = self._imu_missing_s, 0.0
        if not self.imu_watch.feels(steps[-1][0], self._steps.shake_mps2, dt_s):
            self._reject_imu()
        elif self.air.static_pa is not None and self.air.tas_mps is not None:
            self._propagate(steps, dt_s, gap_s)
            if self._aligned:
                self._measure(frame, fresh_speed=fresh_speed)
        return self._aligned and self.imu_watch.trusted

    def _propagate(self, steps: Sequence[tuple[Vector, Vector, float]], dt_s: float, gap_s: float) -> None:
        """Advance the filter, or the alignment, by a frame and the silence before it."""
        if self._aligned and gap_s > _IMU_HOLD_S:
            self.inertial.bridge(gap_s)
        if not self._aligned and self.air.tas_age_s > _AIRSPEED_LOST_S:
            return  # with an old airspeed the bank would be wrong
        for force, rate, share in steps:
            step_s = (dt_s + gap_s) * share
            if self._aligned:
                self.inertial.propagate(force, rate, step_s)
            else:
                self._gather(force, rate, step_s)

    def _measure(self, frame: Frame, *, fresh_speed: bool) -> None:
        """Pass the measurements of a frame to the filter, and correct it when a correction is due."""
        settings, filter_, air = self.settings, self.inertial, self.air
        if frame.baro:
            late_s = settings.baro_latency_s + _late_s(frame, frame.baro[-1])
            filter_.height(air.height_m, air.height_sigma_m, late_s)
        if fresh_speed and air.tas_mps is not None:
            late_s = _late_s(frame, frame.pitot[-1])
            filter_.airspeed(air.tas_mps, air.tas_sigma_mps, settings.pitot_lag_s, late_s)
        for velocity in frame.gnss_vel:
            filter_.ground.take(velocity.north_mps, velocity.east_mps, frame.t_s - velocity.t_s)
        if frame.gnss_vel and not self._turns_as_told(frame):
            self._reject_imu()
        elif filter_.due_s > _CORRECT_EVERY_S:
            self._correct(filter_.due_s)

    def _correct(self, due_s: float) -> None:
        filter_ = self.inertial
        regime = self.watch.choose(filter_, self.air, due_s)
        filter_.correct(regime, self.air.density_ratio)
        self._nis = dict(filter_.nis)
        self._sigma_age_s += due_s
        if self._sigma_age_s > _SIGMA_EVERY_S:
            self._sigmas = (filter_.vario_sigma_mps(), filter_.attitude_sigma_rad())
            self._sigma_age_s = 0.0
        self.watch.learn_lean(filter_, due_s)
        air = self.air
        in_air = not self.watch.on_ground
        sound = air.baro_sound
        climb = air.altitude.known_rate if sound else None
        by_speed = air.energy.known_rate if sound and in_air and air.tas_age_s < 1.0 else None
        plausible = self.imu_watch.plausible(filter_, climb, by_speed, due_s)
        if not plausible or self.shown.jitter_mps > _MOST_JITTER_MPS:
            self.restarts += 1
            self._reject_imu()

    def _turns_as_told(self, frame: Frame) -> bool:
        filter_ = self.inertial
        _, q_radps, r_radps = filter_.rate
        rate = heading_rate_radps(filter_.pitch_rad, filter_.bank_rad, q_radps, r_radps)
        return self.imu_watch.turns(frame.gnss_vel, rate)

    def _reject_imu(self) -> None:
        """The unit contradicts itself or the other sensors: restart, discard what was learned."""
        self.imu_watch.doubt()
        self._realign()
        self._learned = False

    def _gather(self, force: Vector, rate: Vector, step_s: float) -> None:
        """Determine the vertical, and start the filter once it is known."""
        air = self.air
        tas_mps = air.tas_mps or 0.0
        tas_mps = tas_mps if tas_mps > NOT_FLYING_MPS else 0.0
        lift = self._alignment.gather(force, rate, step_s, tas_mps)
        if lift is None:
            return
        self.inertial.start(lift, air.tas_mps or 0.0, air.height_m, air.altitude.rate, learned=self._learned)
        self.watch.start(Regime.GLIDING if tas_mps else Regime.ROLLING)
        self._aligned = self._learned = True
        self.shown.begin()
        self.imu_watch.begin()

    def _realign(self) -> None:
        self._aligned = False
        self.shown.lose()
        self._alignment.clear()
        self._sigmas = None

    # --- the estimate -----------------------------------------------------------------------------

    def _say(self, inputs: Inputs, dt_s: float, *, ready: bool, tas_new: bool) -> Estimate:
        air = self.air
        by_speed = air.energy.known_rate if inputs.has_pitot and inputs.has_baro else None
        if ready:
            return self._say_inertial(inputs, dt_s, by_speed, tas_new=tas_new)
        self.shown.mps = by_speed
        climb_mps = air.altitude.known_rate if inputs.has_baro else None
        return Estimate(
            None,
            self._energy(inputs, climb_mps, air.tas_mps if inputs.has_pitot else None, by_speed),
            Monitor(
                airspeed_based_mps=by_speed,
                vario_sigma_mps=air.energy.rate_sigma if by_speed is not None else None,
                measured_height_m=air.height_m if inputs.has_baro else None,
                measured_tas_mps=air.tas_mps if inputs.has_pitot else None,
                innovations=air.innovations(),
            ),
            has_airspeed=inputs.has_pitot,
            imu_believed=self.imu_watch.trusted,
        )

    def _say_inertial(
        self, inputs: Inputs, dt_s: float, by_speed: float | None, *, tas_new: bool
    ) -> Estimate:
        filter_, air = self.inertial, self.air
        gust_free = filter_.vario_mps
        shown = self.shown
        shown.remember(self.settings.gust_rejection_time_s, wind_known=filter_.ground.in_use)
        shown.follow(
            gust_free, filter_.climb_mps, air.tas_mps if tas_new else None, dt_s, self.settings.smoothing_s
        )
        flying = not self.watch.on_ground
        has_speed = air.tas_age_s < _AIRSPEED_LOST_S
        spoken = flying and has_speed and inputs.has_baro
        tas_mps = filter_.tas_mps if flying else air.tas_mps
        bank_rad = math.remainder(filter_.bank_rad - self.watch.lean_rad, math.tau)
        pitch_rad = filter_.pitch_rad
        _, q_radps, r_radps = filter_.rate
        right_rad, above_rad = filter_.path_rad() if flying else (0.0, 0.0)
        vario_sigma_mps, attitude_sigma_rad = self._sigmas or (None, None)
        if vario_sigma_mps is not None:
            vario_sigma_mps = shown.sigma_mps(vario_sigma_mps)
        if not spoken:
            vario_sigma_mps = air.energy.rate_sigma if by_speed is not None else None
        return Estimate(
            Attitude(
                pitch_rad,
                bank_rad,
                heading_rate_radps(pitch_rad, filter_.bank_rad, q_radps, r_radps),
                -filter_.force[2] / G0_MPS2,
                right_rad,
                above_rad,
            ),
            self._energy(
                inputs,
                filter_.climb_mps if inputs.has_baro else None,
                tas_mps if has_speed else None,
                shown.mps if spoken else by_speed,
            ),
            Monitor(
                gust_free_mps=gust_free if spoken else None,
                airspeed_based_mps=by_speed,
                vario_sigma_mps=vario_sigma_mps,
                attitude_sigma_rad=attitude_sigma_rad,
                measured_height_m=air.height_m if inputs.has_baro else None,
                measured_tas_mps=air.tas_mps if inputs.has_pitot else None,
                air_up_mps=filter_.air_up_mps if spoken else None,
                gyro_bias_radps=filter_.gyro_bias,
                accel_bias_mps2=filter_.accel_bias,
                nis=self._nis,
                innovations=filter_.innovations if filter_.due_s == 0.0 else {},
            ),
            has_airspeed=inputs.has_pitot,
            wind=filter_.wind() if flying else None,
        )

    def _energy(
        self, inputs: Inputs, climb_mps: float | None, tas_mps: float | None, vario_mps: float | None
    ) -> Energy:
        """The output for the other stages; without a compensated vario it contains the climb rate instead.

        The energy may be computed from inertia for a while, but an airspeed is shown only while its sensor
        delivers.
        """
        air = self.air
        if air.static_pa is None or climb_mps is None:
            return NOTHING
        compensated = vario_mps is not None and tas_mps is not None
        if self._aligned:
            kinetic_m = tas_mps * tas_mps / (2.0 * G0_MPS2) if compensated and tas_mps else 0.0
            energy_m = self.inertial.height_m + kinetic_m
        else:
            energy_m = air.energy.value if compensated else air.altitude.value
        ias_mps = None
        if tas_mps is not None and inputs.has_pitot:
            ias_mps = isa.cas_mps(isa.impact_of_tas_pa(tas_mps, air.static_pa, air.air_k))
        return Energy(
            air.pressure_m if inputs.has_baro else None,
            climb_mps,
            ias_mps,
            tas_mps if inputs.has_pitot else None,
            air.density_ratio * isa.SEA_LEVEL_KGPM3,
            vario_mps if compensated else climb_mps,
            energy_m,
            compensated,
        )


def _late_s(frame: Frame, sample: Baro | Pitot) -> float:
    """The delay of a sample that arrives after its own frame, s; 0 for a sample in order."""
    late_s = frame.t_s - sample.t_s - FRAME_S
    return late_s if late_s > 0.5 * FRAME_S else 0.0
