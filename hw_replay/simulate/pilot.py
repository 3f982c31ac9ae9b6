"""The pilot of a simulated flight: flies the phases of the plan with human reactions.

The pilot reacts with a delay, the controls are limited in size and rate, and they have small random errors.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.isa import G0_MPS2, SEA_LEVEL_KGPM3
from hw_replay.simulate.glider import GliderModel, Motion, PilotInput
from hw_replay.simulate.noise import GaussMarkov, normals
from hw_replay.simulate.plan import Phase, View

_SEES_S = 0.4  # total delay of eye, instrument and hand
_TOW_THRUST_MPS2 = 2.2  # largest force of a tug
TAIL_DOWN_RAD = math.radians(3.0)
"""Pitch on the ground, on the wheel."""


class Pilot:
    """Flies a plan. `controls` must be called once every `dt_s`.

    Args:
        plan: phases in order; the flight ends with the last one.
        glider: the glider and its air mass.
        runway_rad: heading held on the ground.
        heading_rad: initial heading.
        dt_s: time between two calls.
        seed: seed of the random errors.
        wobble: size of the random errors; 0 is without errors.
    """

    def __init__(
        self,
        plan: Sequence[Phase],
        glider: GliderModel,
        *,
        runway_rad: float = 0.0,
        heading_rad: float = 0.0,
        dt_s: float = 0.01,
        seed: int = 0,
        wobble: float = 1.0,
    ) -> None:
        self._plan = tuple(plan)
        self._glider = glider
        self._runway_rad = runway_rad
        self._dt_s = dt_s
        self._bank_wobble = GaussMarkov(math.radians(1.5) * wobble, 4.0, dt_s, normals(seed, "bank"))
        self._speed_wobble = GaussMarkov(0.6 * wobble, 6.0, dt_s, normals(seed, "speed"))
        self._index = 0
        self._done = False
        self._began_s = 0.0
        self._turned_rad = 0.0
        self._last_heading_rad = heading_rad
        self._airspeed_mps = 0.0
        self._climb_angle_rad = 0.0
        self._wanted_angle_rad = 0.0
        self._wanted_bank_rad = 0.0
        self._thrust_mps2 = 0.0
        self._airbrakes = 0.0

    @property
    def phase(self) -> Phase:
        """The current phase."""
        return self._plan[self._index]

    @property
    def finished(self) -> bool:
        """Whether the last phase has ended."""
        return self._index == len(self._plan) - 1 and self._done

    def controls(self, now: Motion) -> PilotInput:
        """The controls at this time."""
        view = self._view(now)
        phase = self.phase
        if phase.until(view):
            if self._index == len(self._plan) - 1:
                self._done = True
            else:
                self._index += 1
                self._began_s = now.state.t_s
                self._turned_rad = 0.0
                phase = self.phase
        self._airbrakes = _nearer(self._airbrakes, phase.airbrakes, 0.5 * self._dt_s)
        bank_rad = phase.ground_bank_rad
        if now.rolling:
            return PilotInput(
                thrust_mps2=self._pull(phase, now),
                airbrakes=self._airbrakes,
                wheel_brake=phase.wheel_brake,
                pitch_rad=TAIL_DOWN_RAD,
                bank_rad=bank_rad,
                heading_rad=self._runway_rad,
            )
        roll_radps = self._roll(phase, view)
        return PilotInput(
            load=self._load(phase, view, now),
            roll_radps=roll_radps,
            thrust_mps2=self._pull(phase, now),
            airbrakes=self._airbrakes,
            wheel_brake=phase.wheel_brake,
            pitch_rad=TAIL_DOWN_RAD,
            heading_rad=self._runway_rad,
        )

    def _view(self, now: Motion) -> View:
        state = now.state
        heading_rad, pitch_rad, bank_rad = now.euler_rad()
        self._turned_rad += math.remainder(heading_rad - self._last_heading_rad, math.tau)
        self._last_heading_rad = heading_rad
        density = self._glider.air.atmosphere.density_kgpm3(state.height_m)
        indicated = now.tas_mps * math.sqrt(density / SEA_LEVEL_KGPM3)
        seen = self._dt_s / _SEES_S
        self._airspeed_mps += (indicated - self._airspeed_mps) * seen
        # The pilot sees the nose relative to the horizon; in steady flight this gives the flight path.
        climb_angle = pitch_rad - now.alpha_rad * math.cos(bank_rad)
        self._climb_angle_rad += (climb_angle - self._climb_angle_rad) * seen
        tilt = max(0.05, abs(math.tan(bank_rad)))
        return View(
            in_phase_s=state.t_s - self._began_s,
            above_field_m=state.height_m - self._glider.air.field_m,
            airspeed_mps=self._airspeed_mps,
            heading_rad=heading_rad,
            bank_rad=bank_rad,
            turned_rad=self._turned_rad,
            north_m=state.north_m,
            east_m=state.east_m,
            radius_m=now.tas_mps**2 / (G0_MPS2 * tilt),
            t_s=state.t_s,
            air=self._glider.air,
        )

    def _roll(self, phase: Phase, view: View) -> float:
        wanted = phase.steer(view) + self._bank_wobble.step()
        self._wanted_bank_rad = _nearer(self._wanted_bank_rad, wanted, math.radians(20) * self._dt_s)
        rate = 1.8 * (self._wanted_bank_rad - view.bank_rad)
        return max(-math.radians(16), min(math.radians(16), rate))

    def _load(self, phase: Phase, view: View, now: Motion) -> float:
        tas = max(now.tas_mps, 15.0)
        if phase.climb_mps is not None:
            angle = math.asin(max(-0.3, min(0.3, phase.climb_mps / tas)))
        else:
            error = self._airspeed_mps - phase.speed_mps - self._speed_wobble.step()
            angle = error / (2.5 * G0_MPS2) - now.drag_sink_mps / tas
        if phase.flare:
            # In the round-out the sink decreases in proportion to the height, at any airspeed.
            angle = -(0.3 + max(view.above_field_m, 0.0) / 3.0) / tas
        angle = max(math.radians(-14), min(math.radians(16), angle))
        self._wanted_angle_rad = _nearer(self._wanted_angle_rad, angle, math.radians(7) * self._dt_s)
        bend = tas * (self._wanted_angle_rad - self._climb_angle_rad) / (1.1 * G0_MPS2)
        level = math.cos(self._climb_angle_rad) / max(0.4, math.cos(view.bank_rad))
        return max(0.4, min(2.2, level + bend))

    def _pull(self, phase: Phase, now: Motion) -> float:
        """Force of the tow rope: the tug holds its speed within the limits of its engine."""
        wanted = 0.0
        if phase.climb_mps is not None and phase.speed_mps > 0.0:
            tas = max(now.tas_mps, 10.0)
            hold = G0_MPS2 * (now.drag_sink_mps + phase.climb_mps) / tas
            wanted = hold + 0.5 * (phase.speed_mps - self._airspeed_mps)
        wanted = max(0.0, min(_TOW_THRUST_MPS2, wanted))
        self._thrust_mps2 = _nearer(self._thrust_mps2, wanted, 1.0 * self._dt_s)
        return self._thrust_mps2


def _nearer(value: float, target: float, most: float) -> float:
    return value + max(-most, min(most, target - value))
