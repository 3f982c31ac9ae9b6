"""Run the inertial filter: align it, pass it the samples, tell it the flight regime, and judge the unit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from drivers.samples import Baro, Pitot
from vario.flight.core.vectors import Vector
from vario.flight.estimate.airdata import AirData
from vario.flight.estimate.alignment import Alignment
from vario.flight.estimate.attitude_watch import AttitudeWatch
from vario.flight.estimate.imu_steps import ImuSteps
from vario.flight.estimate.imu_watch import APART_GROUND_NIS, CONFIRMED_NIS, ImuWatch, within_limits
from vario.flight.estimate.inertial_model import Regime
from vario.flight.estimate.inertial_sigmas import attitude_sigma_rad, vario_sigma_mps
from vario.flight.estimate.inertial_start import start
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.inertial_update import InertialUpdate
from vario.flight.estimate.mass_watch import MassWatch
from vario.flight.estimate.regime import NOT_FLYING_MPS, RegimeWatch
from vario.flight.estimate.result import EstimatorSettings
from vario.flight.estimate.shown import ShownVario
from vario.flight.inputs.frames import FRAME_S, Frame
from vario.flight.motion.attitude import heading_rate_radps

_CORRECT_EVERY_S = 0.035  # two frames of 20 ms; four give a quarter more error on a rough tow (docs/speed.md)
_SIGMA_EVERY_S = 0.2
_IMU_HOLD_S = 0.3  # the last estimate is shown for this long when the inertial unit is silent
_IMU_GAP_S = 2.0  # after a longer silence the filter is aligned again
# Without an airspeed, the total energy is computed from inertia and the lift curve for this long. In
# simulations its error stayed below 1 m/s for 50 s in cruise, circling and tow; real sensors may be worse.
_AIRSPEED_LOST_S = 30.0
_AIRSPEED_LOST_GNSS_S = 300.0  # velocities over ground limit the error; the wind must not have changed much
# The air does not change the total energy as fast as this; aliased vibration does.
_MOST_JITTER_MPS = 1.5


class InertialRunner:
    """Runs the filter from alignment to alignment.

    Attributes:
        state: the state of the inertial filter.
        regime_watch: the flight regime.
        attitude_watch: whether velocities over ground confirm the attitude.
        mass_watch: whether the lift curve agrees with the mass.
        shown: the vario shown, from the filter.
        aligned: whether the filter runs.
        nis: mean NIS by measurement, of the last correction.
        sigmas: standard deviation of vario and attitude; None: not known.
    """

    def __init__(self, settings: EstimatorSettings, air: AirData, imu_watch: ImuWatch) -> None:
        self._settings, self._air, self._imu_watch = settings, air, imu_watch
        self.state = InertialState(settings.wing, settings.noise)
        self._update = InertialUpdate()
        self.regime_watch = RegimeWatch()
        self.attitude_watch = AttitudeWatch()
        self.mass_watch = MassWatch()
        self.shown = ShownVario()
        self.aligned = False
        self.nis: Mapping[str, float] = {}
        self.sigmas: tuple[float, float] | None = None
        self._sigma_age_s = _SIGMA_EVERY_S
        self._steps = ImuSteps(settings.lever_m)
        self._alignment = Alignment()
        self._imu_missing_s = 0.0
        self._learned = False

    @property
    def has_speed(self) -> bool:
        """Whether the airspeed of the filter can be used: measured recently, or known from other sensors."""
        known = self.state.ground.in_use and self.aligned
        return self._air.tas_age_s < (_AIRSPEED_LOST_GNSS_S if known else _AIRSPEED_LOST_S)

    @property
    def flying(self) -> bool:
        """Whether the filter runs and the wing carries the glider."""
        return self.aligned and not self.regime_watch.on_ground

    @property
    def knows_attitude(self) -> bool:
        """Whether the attitude can be used although the rest of the estimate cannot."""
        return self.flying and self._imu_missing_s < _IMU_HOLD_S and self.attitude_watch.usable

    def update(self, frame: Frame, dt_s: float, *, fresh_speed: bool) -> bool:
        """Run the inertial filter; True if its estimate can be used."""
        steps = self._steps.read(frame, dt_s)
        if not steps:
            self._imu_missing_s += dt_s
            if self._imu_missing_s > _IMU_GAP_S:
                self.realign()
            return self.aligned and self._imu_missing_s < _IMU_HOLD_S and self._imu_watch.trusted
        gap_s, self._imu_missing_s = self._imu_missing_s, 0.0
        possible = self._imu_watch.check_force(steps[-1][0], self._steps.shake_mps2, dt_s)
        if not possible:
            self.attitude_watch.known_good &= self.attitude_watch.confirmed
            self._reject_imu(frame.t_s, own_fault=True)
        if (possible or self.aligned) and self._air.static_pa is not None and self._air.tas_mps is not None:
            self._propagate(steps, dt_s, gap_s)
            if self.aligned:
                self._measure(frame, fresh_speed=fresh_speed)
        return self.aligned and self._imu_watch.trusted and self.regime_watch.incidence_known

    def _propagate(self, steps: Sequence[tuple[Vector, Vector, float]], dt_s: float, gap_s: float) -> None:
        """Advance the filter, or the alignment, by a frame and the silence before it."""
        if self.aligned and gap_s > _IMU_HOLD_S:
            self.state.bridge(gap_s)
        if not self.aligned and self._air.tas_age_s > _AIRSPEED_LOST_S:
            return  # with an old airspeed the bank would be wrong
        for force, rate, share in steps:
            step_s = (dt_s + gap_s) * share
            if self.aligned:
                self.state.propagate(force, rate, step_s)
            else:
                self._gather(force, rate, step_s)

    def _measure(self, frame: Frame, *, fresh_speed: bool) -> None:
        """Pass the measurements of a frame to the filter, and correct it when a correction is due."""
        settings, state, air = self._settings, self.state, self._air
        if frame.baro:
            late_s = settings.baro_latency_s + _late_s(frame, frame.baro[-1])
            state.height(air.height_m, air.height_sigma_m, late_s)
        if fresh_speed and air.tas_mps is not None:
            late_s = _late_s(frame, frame.pitot[-1])
            state.airspeed(air.tas_mps, air.tas_sigma_mps, settings.pitot_lag_s, late_s)
        if frame.gnss_vel:
            for velocity in frame.gnss_vel:
                state.ground.store(velocity.north_mps, velocity.east_mps, frame.t_s - velocity.t_s)
            self.attitude_watch.take(frame.gnss_vel, frame.t_s, state, trusted=self._imu_watch.trusted)
            if not self._turns_agree(frame):
                self._reject_imu(frame.t_s, own_fault=True)
                return
        if state.due_s > _CORRECT_EVERY_S:
            self._correct(frame.t_s, state.due_s)

    def _correct(self, t_s: float, due_s: float) -> None:
        state = self.state
        regime = self.regime_watch.choose(state, self._air, due_s)
        self._update.correct(state, regime, self._air.density_ratio)
        self.nis = dict(state.nis)
        self._sigma_age_s += due_s
        if self._sigma_age_s > _SIGMA_EVERY_S:
            self.sigmas = (vario_sigma_mps(state), attitude_sigma_rad(state))
            self._sigma_age_s = 0.0
        self.regime_watch.learn_mounting_roll(state, due_s)
        sound = self._imu_watch.trusted and self._air.tas_age_s < 1.0
        if sound and regime is Regime.GLIDING and state.wing.polar is not None:
            self.mass_watch.take(state, self._air.density_ratio, due_s)
        else:
            self.mass_watch.pause()
        air = self._air
        in_air, baro_sound = not self.regime_watch.on_ground, air.baro_sound
        if not in_air:
            self.shown.jitter_mps = 0.0  # pushing the glider by hand is not vibration
        climb = air.altitude.known_rate if baro_sound else None
        by_speed = air.energy.known_rate if baro_sound and in_air and air.tas_age_s < 1.0 else None
        plausible = self._imu_watch.plausible(state, climb, by_speed, due_s)
        shaken = self.shown.jitter_mps > _MOST_JITTER_MPS
        if shaken or not plausible:
            # If the height agrees, the barometer is sound and the unit is the cause.
            self._reject_imu(t_s, own_fault=shaken and state.nis["height"] < CONFIRMED_NIS)

    def _turns_agree(self, frame: Frame) -> bool:
        state = self.state
        _, q_radps, r_radps = state.rate
        rate = heading_rate_radps(state.pitch_rad, state.bank_rad, q_radps, r_radps)
        return self._imu_watch.check_turn(frame.gnss_vel, rate)

    def _reject_imu(self, t_s: float, *, own_fault: bool) -> None:
        """Restart the filter, because the unit contradicts itself or the other sensors at `t_s`.

        If velocities over ground confirm the attitude, the unit is right: the cause is a wrong pressure, or a
        force that the filter has no model of. Then the filter continues, and only its attitude is used. If
        its biases have become impossible, it restarts, because they do not recover.
        """
        self._imu_watch.reject(own_fault=own_fault)
        watch = self.attitude_watch
        if own_fault:
            watch.disturb()
        sane = within_limits(self.state)
        if watch.agreed_lately(t_s) and sane:
            return
        self.realign()
        self._learned = watch.known_good and sane

    def _gather(self, force: Vector, rate: Vector, step_s: float) -> None:
        """Determine the vertical, and start the filter once it is known."""
        air = self._air
        tas_mps = air.tas_mps or 0.0
        tas_mps = tas_mps if tas_mps > NOT_FLYING_MPS else 0.0
        lift = self._alignment.gather(force, rate, step_s, tas_mps)
        if lift is None:
            return
        start(self.state, lift, air.tas_mps or 0.0, air.height_m, air.altitude.rate, learned=self._learned)
        self.regime_watch.start(Regime.GLIDING if tas_mps else Regime.ROLLING)
        self.aligned = self._learned = True
        self.attitude_watch.begin()
        self.shown.begin()
        self._imu_watch.begin()

    def rescale_airspeed(self, factor: float) -> None:
        """The airspeeds so far had a wrong scale: correct what was learned from them."""
        self.state.rescale_airspeed(factor)
        self.state.rescale_incidence(factor, self._air.density_ratio)
        self.regime_watch.forget_airspeed()
        self.mass_watch.reset()

    def realign(self) -> None:
        """Align again with the next samples; what was learned is kept unless it contradicts GNSS."""
        self.aligned = False
        if max(self.state.nis["north"], self.state.nis["east"]) > APART_GROUND_NIS:
            self._learned = False
        self.shown.pause()
        self._alignment.clear()
        self.sigmas = None


def _late_s(frame: Frame, sample: Baro | Pitot) -> float:
    """The delay of a sample that arrives after its own frame, s; 0 for a sample in order."""
    late_s = frame.t_s - sample.t_s - FRAME_S
    return late_s if late_s > 0.5 * FRAME_S else 0.0
