"""The flight mode: ground, launch, cruise or circling, by one table of transitions.

The pilot may select cruise or circling; on the ground and during the launch the selection has no effect until
free flight.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from enum import StrEnum

from drivers.quick import quick
from vario.flight.core.low_pass import LowPass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.ground_speed import GroundSpeed
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.settings.schema import Circling

FLYING_MPS = 15.0
"""Above this airspeed or ground speed the glider flies (common practice, no source); a glider with a low
stall speed above ..."""

OF_STALL = 0.8
"""... this fraction of its stall speed."""

HEIGHT_S = 60.0
HEIGHT_M = 50.0
HEIGHT_SLOPE = 0.08
HEIGHT_MOVING_MPS = 4.0
"""A glider that moves over ground and has climbed or sunk so far in this time, and this share of the way,
flies, however slowly: 0.8 m/s is the least sink of a slow glider, and few roads are as steep (common
practice, no source)."""

HEIGHT_EVERY_S = 2.0

SURELY_FLYING_MPS = 22.0
"""No airspeed sensor reads this at rest, even with a large zero offset; a glider that stands over ground in a
strong wind does."""

MOVING_MPS = 7.0
"""Below this ground speed, an airspeed above 15 m/s is more likely a zero offset or a gust."""

STILL_MPS = 7.0
STILL_GROUND_MPS = 2.0
STILL_CLIMB_MPS = 0.5

PARKED_MPS = 0.5
PARKED_S = 60.0
"""Nobody hovers so exactly, in the mean of 20 s and for a minute, without climb or sink: the airspeed is the
zero offset of its sensor, or wind (common practice, no source)."""

LAUNCH_GAIN_M = 80.0
"""A launch must gain this much energy height before it can be over."""

LAUNCH_LOSS_M = 30.0
"""A launch that has lost this much was none, but a start down a slope."""

LAUNCH_FADES_MPS = 0.3
"""During a winch launch or aerotow the energy keeps rising; a lower vario for a while means free flight."""

TOW_TURN_RADPS = math.radians(10.0)
"""An aerotow does not turn as tightly as this for a full circle; such a turn is thermalling after release."""

LAUNCH_LONGEST_S = 1800.0

VARIO_LAG_S = 4.0
"""Smoothing of the vario that the guards look at."""


class Mode(StrEnum):
    """What the glider is doing."""

    GROUND = "ground"
    LAUNCH = "launch"
    CRUISE = "cruise"
    CIRCLING = "circling"


@quick
@dataclass(frozen=True, slots=True)
class ModeInputs:
    """What the guards look at. Unknown speeds are None; a guard never fires on an unknown value.

    Attributes:
        vario_mps: smoothed.
        gain_m: energy height gained since the present mode began.
        in_mode_s: time since the present mode began.
        was_still: the glider has stood still since the present mode began.
        height_changes: on the ground: the height has changed as only in flight.
        flying_mps: the glider flies above this speed.
        drift_mps: mean velocity over ground of some 20 s.
        mode_override: the pilot's setting: "automatic", "cruise" or "circling".
    """

    tas_mps: float | None
    ground_speed_mps: float | None
    vario_mps: float | None
    gain_m: float
    in_mode_s: float
    was_still: bool
    turning: Turning
    mode_override: str
    settings: Circling
    height_changes: bool = False
    flying_mps: float = FLYING_MPS
    drift_mps: float | None = None


def flying(i: ModeInputs) -> bool:
    """Airspeed above 22 m/s, or above flying speed and 7 m/s over ground; or the height changes as in flight.

    If only one speed is known, it must be above flying speed.
    """
    if i.height_changes:
        return True
    if i.tas_mps is None or i.ground_speed_mps is None:
        speed_mps = i.ground_speed_mps if i.tas_mps is None else i.tas_mps
        return speed_mps is not None and speed_mps > i.flying_mps
    moving = i.ground_speed_mps > MOVING_MPS and i.tas_mps > i.flying_mps
    return moving or i.tas_mps > SURELY_FLYING_MPS


def taking_off(i: ModeInputs) -> bool:
    """Flying speed, after the glider has stood still."""
    return i.was_still and flying(i)


def switched_on_in_flight(i: ModeInputs) -> bool:
    """Flying speed, and the glider has never stood still."""
    return not i.was_still and flying(i)


def _slow(tas_mps: float | None, ground_speed_mps: float | None, flying_mps: float) -> bool:
    if ground_speed_mps is None:
        return tas_mps is not None and tas_mps < STILL_MPS
    # In wind a glider can fly at almost no ground speed; its airspeed shows that it flies.
    return ground_speed_mps < STILL_GROUND_MPS and (tas_mps is None or tas_mps < flying_mps)


def still(i: ModeInputs) -> bool:
    """Almost no ground speed and airspeed, and a vario within 0.5 m/s of zero."""
    slow = _slow(i.tas_mps, i.ground_speed_mps, i.flying_mps)
    return slow and i.vario_mps is not None and abs(i.vario_mps) < STILL_CLIMB_MPS


def parked(i: ModeInputs) -> bool:
    """Mean ground velocity below 0.5 m/s, vario within 0.5 m/s of zero, airspeed below 22 m/s."""
    if i.drift_mps is None or i.vario_mps is None:
        return False
    slow = i.tas_mps is None or i.tas_mps < SURELY_FLYING_MPS
    return slow and i.drift_mps < PARKED_MPS and abs(i.vario_mps) < STILL_CLIMB_MPS


def launch_over(i: ModeInputs) -> bool:
    """The launch has gained 80 m and the vario is below 0.3 m/s, or it has lost 30 m, or lasted 30 min."""
    faded = i.vario_mps is not None and i.vario_mps < LAUNCH_FADES_MPS
    lost = i.gain_m < -LAUNCH_LOSS_M
    return (i.gain_m > LAUNCH_GAIN_M and faded) or lost or i.in_mode_s > LAUNCH_LONGEST_S


def tight_circle(i: ModeInputs) -> bool:
    """A full turn at more than 10 degrees per second, tighter than any tow."""
    return abs(i.turning.turned_rad) > math.tau and abs(i.turning.rate_radps) > TOW_TURN_RADPS


def circle_begun(i: ModeInputs) -> bool:
    """In automatic mode, the present turn has reached the angle `start_after`."""
    return i.mode_override == "automatic" and abs(i.turning.turned_rad) >= i.settings.start_after_rad


def not_turning(i: ModeInputs) -> bool:
    """In automatic mode, the turn has ended."""
    return i.mode_override == "automatic" and i.turning.known and not i.turning.active


def circling_selected(i: ModeInputs) -> bool:
    """The pilot has selected circling."""
    return i.mode_override == "circling"


def cruise_selected(i: ModeInputs) -> bool:
    """The pilot has selected cruise."""
    return i.mode_override == "cruise"


def circle_begun_hold_s(i: ModeInputs) -> float:
    """The setting `start_hold`."""
    return i.settings.start_hold_s


def not_turning_hold_s(i: ModeInputs) -> float:
    """The setting `stop_after`."""
    return i.settings.stop_after_s


TRANSITIONS = (
    Transition(Mode.GROUND, Mode.LAUNCH, taking_off, 2.0),
    Transition(Mode.GROUND, Mode.CRUISE, switched_on_in_flight, 3.0),
    Transition(Mode.LAUNCH, Mode.CIRCLING, tight_circle),
    Transition(Mode.LAUNCH, Mode.CRUISE, launch_over, 8.0),
    Transition(Mode.LAUNCH, Mode.GROUND, still, 10.0),
    Transition(Mode.CRUISE, Mode.CIRCLING, circle_begun, circle_begun_hold_s),
    Transition(Mode.CRUISE, Mode.CIRCLING, circling_selected),
    Transition(Mode.CRUISE, Mode.GROUND, still, 15.0),
    Transition(Mode.CRUISE, Mode.GROUND, parked, PARKED_S),
    Transition(Mode.CIRCLING, Mode.CRUISE, not_turning, not_turning_hold_s),
    Transition(Mode.CIRCLING, Mode.CRUISE, cruise_selected),
    Transition(Mode.CIRCLING, Mode.GROUND, still, 15.0),
)


class ModeStage:
    """Runs the table.

    Attributes:
        mode: the mode at the end of the latest frame.
        flying_mps: the glider flies above this speed.
    """

    def __init__(self, setup: Setup) -> None:
        self._table = StateTable(TRANSITIONS)
        self._vario = LowPass(VARIO_LAG_S)
        self._ground = GroundSpeed()
        self.mode = Mode.GROUND
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings and the pilot's choice of mode."""
        self._settings = setup.settings.circling
        self._mode_override = setup.settings.flight.mode
        self.flying_mps = FLYING_MPS
        if setup.limits is not None:
            stall_mps = setup.limits.stall_mps * math.sqrt(setup.mass_ratio)
            self.flying_mps = min(FLYING_MPS, OF_STALL * stall_mps)

    def reset(self, reason: ResetReason) -> None:
        """Keep the mode; all hold times start again."""
        if reason is ResetReason.START:
            self._table.enter(Mode.GROUND)
            self.mode = Mode.GROUND
            self._was_still = False
            self._start_energy_m: float | None = None
        self._table.restart_holds()
        self._since_s: float | None = None
        self._vario.reset()
        self._ground.reset()
        self._heights: deque[tuple[float, float, float]] = deque()
        self._way_m = 0.0

    def update(self, inputs: Inputs, energy: Energy, turning: Turning) -> Mode:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if self._since_s is None:
            self._since_s = t_s
        self._ground.update(inputs)
        height_changes = self.mode is Mode.GROUND and self._height_changes(energy.altitude_m, t_s, dt_s)
        found = self._inputs(energy, turning, t_s - self._since_s, dt_s, height_changes=height_changes)
        taken = self._table.update(found, dt_s)
        if taken is not None:
            self.mode = taken.end
            self._since_s = t_s
            self._start_energy_m = energy.energy_altitude_m
            self._was_still = False
            self._heights.clear()
        return self.mode

    def _height_changes(self, altitude_m: float | None, t_s: float, dt_s: float) -> bool:
        """Whether the height has changed in the last minute, moving over ground, as only in flight."""
        speed_mps = self._ground.speed_mps
        self._way_m += (speed_mps or 0.0) * dt_s
        if altitude_m is None or speed_mps is None:
            return False
        heights = self._heights
        if not heights or t_s - heights[-1][0] >= HEIGHT_EVERY_S:
            heights.append((t_s, altitude_m, self._way_m))
        while t_s - heights[0][0] > HEIGHT_S:
            heights.popleft()
        _, then_m, way_m = heights[0]
        least_m = max(HEIGHT_M, HEIGHT_SLOPE * (self._way_m - way_m))
        return speed_mps > HEIGHT_MOVING_MPS and abs(altitude_m - then_m) > least_m

    def _inputs(
        self, energy: Energy, turning: Turning, in_mode_s: float, dt_s: float, *, height_changes: bool
    ) -> ModeInputs:
        vario_mps = self._vario.update(energy.vario_mps, dt_s)
        if self.mode is Mode.GROUND and _slow(energy.tas_mps, self._ground.speed_mps, self.flying_mps):
            self._was_still = True
        if self._start_energy_m is None:
            self._start_energy_m = energy.energy_altitude_m
        gain_m = 0.0
        if energy.energy_altitude_m is not None and self._start_energy_m is not None:
            gain_m = energy.energy_altitude_m - self._start_energy_m
        return ModeInputs(
            energy.tas_mps,
            self._ground.speed_mps,
            vario_mps,
            gain_m,
            in_mode_s,
            self._was_still,
            turning,
            self._mode_override,
            self._settings,
            height_changes,
            self.flying_mps,
            self._ground.drift_mps,
        )
