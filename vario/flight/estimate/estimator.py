"""Make one estimate from one frame of samples: select the filter, the assumptions and the outputs.

Two filters run side by side. `RateFilter` on energy height needs only the two pressures and always works;
the inertial filter needs the inertial unit and gives attitude and the gust-free vario; `InertialRunner`
decides when it can be used. This module selects the outputs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from drivers import isa
from drivers.isa import G0_MPS2
from vario.flight.estimate.airdata import AirData
from vario.flight.estimate.imu_watch import ImuWatch
from vario.flight.estimate.inertial_model import SLOWEST_MPS, Regime, Wing
from vario.flight.estimate.inertial_runner import InertialRunner
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.result import Diagnostics, Estimate, EstimatorSettings
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude, heading_rate_radps
from vario.flight.motion.energy import NOTHING, Energy


class Estimator:
    """Takes checked frames in order of time; each call returns the `Estimate` at the end of the frame.

    `on_correction` is called after each frame in which all inertial steps have been corrected, with the time,
    the state after its last correction, and the regime. It may read these, and must not change them.
    """

    def __init__(self, settings: EstimatorSettings) -> None:
        self.settings = settings
        self.imu_watch = ImuWatch()
        self.on_correction: Callable[[float, InertialState, Regime], None] | None = None
        self._begin()

    def configure(self, wing: Wing, gust_rejection_time_s: float) -> None:
        """Take changed settings: ballast and bugs change the glider; the gust rejection time may change."""
        self.settings = replace(self.settings, wing=wing, gust_rejection_time_s=gust_rejection_time_s)
        if wing.lift_m != self.inertial.wing.lift_m:
            self.runner.mass_watch.reset()
        self.inertial.wing = wing

    def _begin(self) -> None:
        self.air = AirData(self.settings)
        self.runner = InertialRunner(self.settings, self.air, self.imu_watch)

    @property
    def inertial(self) -> InertialState:
        """The state of the inertial filter."""
        return self.runner.state

    def update(self, inputs: Inputs, *, on_tow: bool = False) -> Estimate:
        """Process one frame. `on_tow`: the mode is launch."""
        frame = inputs.frame
        if frame.dt_s == 0.0:
            self._begin()  # the first frame, or the first after a gap: earlier data are not used
        runner = self.runner
        runner.regime_watch.on_tow = on_tow
        dt_s = max(frame.dt_s, 1e-4)
        fresh = self.air.update(frame, dt_s, runner.state.tas_mps if runner.flying else None)
        if self.air.rejects_airspeed:
            inputs = replace(inputs, has_pitot=False)
        if self.air.needs_alignment:
            runner.realign()
        if inputs.wrong_airspeed_scale is not None:
            runner.rescale_airspeed(inputs.wrong_airspeed_scale)
        elif inputs.iced_at_tas_mps is not None:
            tas_mps = max(inputs.iced_at_tas_mps, SLOWEST_MPS)
            runner.state.rescale_airspeed(tas_mps / max(runner.state.tas_mps, SLOWEST_MPS))
        ready = runner.update(frame, dt_s, fresh_speed=fresh)
        if self.on_correction is not None and ready and runner.state.due_s == 0.0:
            self.on_correction(frame.t_s, runner.state, runner.regime_watch.regime)
        return self._output(inputs, dt_s, ready=ready, tas_new=fresh)

    def _output(self, inputs: Inputs, dt_s: float, *, ready: bool, tas_new: bool) -> Estimate:
        air = self.air
        by_speed = air.energy.known_rate if inputs.has_pitot and inputs.has_baro else None
        if ready:
            return self._inertial_output(inputs, dt_s, by_speed, tas_new=tas_new)
        self.runner.shown.mps = by_speed
        climb_mps = air.altitude.known_rate if inputs.has_baro else None
        return Estimate(
            self._attitude(flying=True) if self.runner.knows_attitude else None,
            self._energy(inputs, climb_mps, air.tas_mps if inputs.has_pitot else None, by_speed),
            Diagnostics(
                airspeed_based_mps=by_speed,
                vario_sigma_mps=air.energy.rate_sigma if by_speed is not None else None,
                measured_height_m=air.height_m if inputs.has_baro else None,
                measured_tas_mps=air.tas_mps if inputs.has_pitot else None,
                innovations=air.innovations(),
            ),
            has_airspeed=inputs.has_pitot,
            imu_trusted=self.imu_watch.trusted,
            imu_against_baro=self.imu_watch.against_baro and not self.imu_watch.trusted,
            baro_suspect=self.imu_watch.baro_suspect,
            mass_too_small=self.runner.mass_watch.too_small,
        )

    def _inertial_output(
        self, inputs: Inputs, dt_s: float, by_speed: float | None, *, tas_new: bool
    ) -> Estimate:
        runner, air = self.runner, self.air
        state, shown = runner.state, runner.shown
        gust_free = state.vario_mps
        shown.set_rejection_time(self.settings.gust_rejection_time_s, wind_known=state.ground.in_use)
        shown.follow(gust_free, state.climb_mps, air.tas_mps if tas_new else None, dt_s)
        flying = not runner.regime_watch.on_ground
        has_speed = runner.has_speed
        vario_valid = flying and has_speed and inputs.has_baro
        tas_mps = state.tas_mps if flying else air.tas_mps
        vario_sigma_mps, attitude_sigma_rad = runner.sigmas or (None, None)
        if vario_sigma_mps is not None:
            vario_sigma_mps = shown.sigma_mps(vario_sigma_mps)
        if not vario_valid:
            vario_sigma_mps = air.energy.rate_sigma if by_speed is not None else None
        return Estimate(
            self._attitude(flying=flying),
            self._energy(
                inputs,
                state.climb_mps if inputs.has_baro else None,
                tas_mps if has_speed else None,
                shown.mps if vario_valid else by_speed,
            ),
            Diagnostics(
                gust_free_mps=gust_free if vario_valid else None,
                airspeed_based_mps=by_speed,
                vario_sigma_mps=vario_sigma_mps,
                attitude_sigma_rad=attitude_sigma_rad,
                measured_height_m=air.height_m if inputs.has_baro else None,
                measured_tas_mps=air.tas_mps if inputs.has_pitot else None,
                air_up_mps=state.air_up_mps if vario_valid else None,
                gyro_bias_radps=state.gyro_bias,
                accel_bias_mps2=state.accel_bias,
                nis=runner.nis,
                innovations=state.innovations if state.due_s == 0.0 else {},
            ),
            has_airspeed=inputs.has_pitot,
            wind=state.wind() if flying else None,
            baro_suspect=self.imu_watch.baro_suspect,
            mass_too_small=self.runner.mass_watch.too_small,
        )

    def _attitude(self, *, flying: bool) -> Attitude:
        runner, state = self.runner, self.runner.state
        pitch_rad, bank_rad = state.pitch_rad, state.bank_rad
        _, q_radps, r_radps = state.rate
        right_rad, above_rad = state.path_rad() if flying else (0.0, 0.0)
        return Attitude(
            pitch_rad,
            math.remainder(bank_rad - runner.regime_watch.mounting_roll_rad, math.tau),
            heading_rate_radps(pitch_rad, bank_rad, q_radps, r_radps),
            -state.force[2] / G0_MPS2,
            right_rad,
            above_rad,
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
        if self.runner.aligned:
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
