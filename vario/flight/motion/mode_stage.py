"""Run the table of flight modes, and make the inputs of its guards from samples and earlier stages."""

from __future__ import annotations

from drivers.samples import GnssPos
from vario.flight.core.low_pass import LowPass
from vario.flight.core.state_table import StateTable
from vario.flight.inputs.health import Inputs
from vario.flight.motion.circle_watch import CircleWatch
from vario.flight.motion.energy import Energy
from vario.flight.motion.field import FieldWatch
from vario.flight.motion.flying import HeightChange, flying_speed
from vario.flight.motion.ground_speed import GroundSpeed
from vario.flight.motion.mode import TRANSITIONS, Mode, ModeInputs, circle_left, is_slow, launch_over
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

VARIO_LAG_S = 4.0
"""Smoothing of vario and netto that the guards look at."""


class ModeStage:
    """Runs the table.

    Attributes:
        mode: the mode at the end of the latest frame.
        flying: the glider flies above this speed.
    """

    def __init__(self, setup: Setup) -> None:
        self._table = StateTable(TRANSITIONS)
        self._vario, self._netto = LowPass(VARIO_LAG_S), LowPass(VARIO_LAG_S)
        self._circle, self._field, self._ground = CircleWatch(), FieldWatch(), GroundSpeed()
        self._height = HeightChange()
        self.mode = Mode.GROUND
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings and the pilot's choice of mode."""
        self._settings = setup.settings.circling
        self._mode_override = setup.settings.flight.mode
        self.flying = flying_speed(setup)

    def reset(self, reason: ResetReason) -> None:
        """Keep the mode; all hold times start again."""
        if reason is ResetReason.START:
            self._table.enter(Mode.GROUND)
            self.mode = Mode.GROUND
            self._was_still = False
            self._start_energy_m: float | None = None
            self._field.reset()
        self._table.restart_holds()
        self._since_s: float | None = None
        self._vario.reset()
        self._netto.reset()
        self._circle.reset()
        self._ground.reset()
        self._height.reset()
        self._position: GnssPos | None = None

    def update(
        self,
        inputs: Inputs,
        energy: Energy,
        turning: Turning,
        netto_mps: float | None = None,
        *,
        braking: bool = False,
    ) -> Mode:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if self._since_s is None:
            self._since_s = t_s
        self._ground.update(inputs)
        height_changes = self.mode is Mode.GROUND and self._height.changes(
            energy.altitude_m, self._ground.speed_mps, t_s, dt_s
        )
        for position in inputs.frame.gnss_pos:
            self._position = position
            self._field.move(position)
        netto_mps = self._netto.update(netto_mps, dt_s)
        found = self._inputs(
            *(energy, turning, t_s, dt_s), height_changes=height_changes, netto_mps=netto_mps, braking=braking
        )
        taken = self._table.update(found, dt_s)
        if taken is not None:
            self.mode = taken.end
            if taken.end is Mode.CIRCLING:
                self._circle.reset()
                self._circle.begin(turning)
            elif taken.guard is circle_left:
                self._circle.leave(t_s, turning)
            elif taken.guard is launch_over and found.gain_m < 0.0:
                self._field.reset()  # after a start down a slope, no glider lands there
            self._since_s = t_s
            self._start_energy_m = energy.energy_altitude_m
            self._was_still = False
            self._height.reset()
        return self.mode

    def _inputs(
        self,
        energy: Energy,
        turning: Turning,
        t_s: float,
        dt_s: float,
        *,
        height_changes: bool,
        netto_mps: float | None,
        braking: bool,
    ) -> ModeInputs:
        vario_mps = self._vario.update(energy.vario_mps, dt_s)
        flying_mps = self.flying.speed_mps
        if self.mode is Mode.GROUND and is_slow(energy.tas_mps, self._ground.speed_mps, flying_mps):
            self._was_still = True
            self._field.stand(energy.altitude_m, self._position)
        if self._start_energy_m is None:
            self._start_energy_m = energy.energy_altitude_m
        gain_m = 0.0
        if energy.energy_altitude_m is not None and self._start_energy_m is not None:
            gain_m = energy.energy_altitude_m - self._start_energy_m
        lately_rad = None
        if self.mode is Mode.CIRCLING:
            window_s, whole_rad = self._settings.exit_time_s, self._settings.entry_angle_rad
            lately_rad = self._circle.turned_lately_rad(t_s, turning, window_s, whole_rad)
        return ModeInputs(
            energy.tas_mps,
            self._ground.speed_mps,
            vario_mps,
            gain_m,
            t_s - (self._since_s or 0.0),
            self._was_still,
            turning,
            self._mode_override,
            self._settings,
            height_changes,
            flying_mps,
            self._ground.drift_mps,
            lately_rad,
            self._circle.turned_rad(turning),
            self._circle.turned_on_rad(turning),
            self._circle.since_left_s(t_s),
            netto_mps,
            self._field.above_m(energy.altitude_m),
            braking,
        )
