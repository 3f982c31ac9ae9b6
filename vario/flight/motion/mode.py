"""The flight mode: ground, launch, cruise, circling or approach, by one table of transitions.

The pilot may select cruise, circling or approach; on the ground and during the launch the selection has no
effect until free flight. `mode_stage` runs the table.
"""

from __future__ import annotations

import math
from enum import StrEnum

from drivers.quick import dataclass
from vario.flight.core.state_table import Transition
from vario.flight.motion.turning import Turning
from vario.settings.schema import Circling

FLYING_MPS = 15.0
"""Above this airspeed or ground speed the glider flies (common practice, no source)."""

SURELY_FLYING_MPS = 22.0
"""No airspeed sensor at rest reads this much, even with a large offset. In a glider that hovers over a
point in a strong wind it does."""

MOVING_MPS = 7.0
"""Below this ground speed, an airspeed above 15 m/s is more likely an offset of the sensor or a gust."""

STILL_MPS = 7.0
STILL_GROUND_MPS = 2.0
STILL_CLIMB_MPS = 0.5

PARKED_MPS = 0.5
PARKED_S = 60.0
"""No pilot holds a hover as precisely as this (mean of 20 s) for a minute without climb or sink. The airspeed
is then the offset of its sensor, or wind (common practice, no source).
"""

LAUNCH_GAIN_M = 80.0
"""A launch must gain this much energy height before it can be over."""

LAUNCH_LOSS_M = 30.0
"""If this much energy height is lost, it was not a launch but a start down a slope."""

LAUNCH_FADES_MPS = 0.3
"""During a winch launch or aerotow the energy keeps rising; a lower vario for a while means free flight."""

TOW_TURN_RADPS = math.radians(10.0)
"""An aerotow does not turn as tightly as this for a full circle; such a turn is thermalling after release."""

LAUNCH_LONGEST_S = 1800.0

RESUME_WITHIN_S = 10.0
RESUME_RAD = math.pi / 2
"""If the glider turns on by this angle in the same direction within this time after circling, it is in the
same thermal again: the wings were level only to shift the circle. A change of course in that direction is
smaller, or comes later (common practice, no source)."""

LOW_M = 300.0
BRAKING_MPS = -2.0
BRAKING_S = 5.0
"""Below this height above the field of departure, air that seems to sink by 2 m/s for this long is the effect
of the airbrakes. Airbrakes add about 3 m/s of sink and more (CS 22.75, from memory: a glide no flatter than
1 in 7 at 1.3 times the stall speed, which is 3.5 m/s at 90 km/h)."""

FINAL_M = 150.0
"""A glider that does not climb lands from below this height. Below the height of a circuit a speed to fly is
of no use (common practice, no source).
"""

FIELD_BELOW_M = -50.0
"""If a glider is further below the field of departure than this, it flies along a slope below the field."""

SAVED_MPS = 0.3
SAVED_S = 4.0
"""A climb of this rate for this long ends an approach: a low climb, or a go-around with an engine."""

HIGH_AGAIN_M = 350.0


class Mode(StrEnum):
    """What the glider is doing."""

    GROUND = "ground"
    LAUNCH = "launch"
    CRUISE = "cruise"
    CIRCLING = "circling"
    APPROACH = "approach"


@dataclass(frozen=True, slots=True)
class ModeInputs:
    """The inputs of the guards. Unknown speeds are None; a guard is false for an unknown value.

    Attributes:
        vario_mps: smoothed.
        gain_m: energy height gained since the present mode began.
        in_mode_s: time since the present mode began.
        was_still: the glider has stood still since the present mode began.
        height_changes: on the ground: the height has changed as only in flight.
        flying_mps: the glider flies above this speed.
        drift_mps: mean velocity over ground of some 20 s.
        mode_override: the pilot's setting: "automatic", "cruise", "circling" or "approach".
        turned_lately_rad: in circling: turning in its direction in the time `exit_time`.
        turned_rad: the present turn, right positive, without circling that has ended.
        turned_on_rad: the present turn, positive in the direction of the last circle.
        left_s: time since the last circling ended.
        netto_mps: smoothed netto.
        above_field_m: height above the field of departure; None: not known or far from it.
        braking: the airbrakes are open; False: closed, or not known.
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
    turned_lately_rad: float | None = None
    turned_rad: float = 0.0
    turned_on_rad: float = 0.0
    left_s: float = math.inf
    netto_mps: float | None = None
    above_field_m: float | None = None
    braking: bool = False


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


def is_slow(tas_mps: float | None, ground_speed_mps: float | None, flying_mps: float) -> bool:
    """Whether the glider may be standing, in any wind."""
    if ground_speed_mps is None:
        return tas_mps is not None and tas_mps < STILL_MPS
    # In wind a glider can fly at almost no ground speed; its airspeed shows that it flies.
    return ground_speed_mps < STILL_GROUND_MPS and (tas_mps is None or tas_mps < flying_mps)


def still(i: ModeInputs) -> bool:
    """Almost no ground speed and airspeed, and a vario within 0.5 m/s of zero."""
    slow = is_slow(i.tas_mps, i.ground_speed_mps, i.flying_mps)
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
    return abs(i.turned_rad) > math.tau and abs(i.turning.rate_radps) > TOW_TURN_RADPS


def circle_begun(i: ModeInputs) -> bool:
    """In automatic mode, the present turn has reached the angle `entry_angle`."""
    return i.mode_override == "automatic" and abs(i.turned_rad) >= i.settings.entry_angle_rad


def turning_on(i: ModeInputs) -> bool:
    """In automatic mode, within 10 s after circling, the turn continues by 90 degrees in its direction."""
    on = i.left_s < RESUME_WITHIN_S and i.turned_on_rad >= RESUME_RAD
    return i.mode_override == "automatic" and on


def circle_left(i: ModeInputs) -> bool:
    """In automatic mode, the mean turn rate in the direction of the circle is below `min_turn_rate`.

    The mean is over the time `exit_time`.
    """
    lately_rad, c = i.turned_lately_rad, i.settings
    left = lately_rad is not None and lately_rad < c.min_turn_rate_radps * c.exit_time_s
    return i.mode_override == "automatic" and left


def _over_field(i: ModeInputs, below_m: float) -> bool:
    return i.above_field_m is not None and FIELD_BELOW_M < i.above_field_m < below_m


def _braking(i: ModeInputs) -> bool:
    return i.braking or (i.netto_mps is not None and i.netto_mps < BRAKING_MPS)


def braking_low(i: ModeInputs) -> bool:
    """In automatic mode, within 300 m above the field, the air seems to sink by more than 2 m/s."""
    return i.mode_override == "automatic" and _over_field(i, LOW_M) and _braking(i)


def airbrakes_low(i: ModeInputs) -> bool:
    """In automatic mode, within 300 m above the field, the inertial unit shows open airbrakes."""
    return i.mode_override == "automatic" and _over_field(i, LOW_M) and i.braking


def on_final(i: ModeInputs) -> bool:
    """In automatic mode, within 150 m above the field of departure, and sinking."""
    low = _over_field(i, FINAL_M)
    return i.mode_override == "automatic" and low and i.vario_mps is not None and i.vario_mps < 0.0


def climbing_away(i: ModeInputs) -> bool:
    """In automatic mode, a vario above 0.3 m/s."""
    return i.mode_override == "automatic" and i.vario_mps is not None and i.vario_mps > SAVED_MPS


def no_approach(i: ModeInputs) -> bool:
    """In automatic mode, over 350 m above the field or far from it, and the air does not seem to sink."""
    high = i.above_field_m is None or i.above_field_m > HIGH_AGAIN_M
    return i.mode_override == "automatic" and high and not _braking(i)


def approach_selected(i: ModeInputs) -> bool:
    """The pilot has selected approach."""
    return i.mode_override == "approach"


def circling_selected(i: ModeInputs) -> bool:
    """The pilot has selected circling."""
    return i.mode_override == "circling"


def cruise_selected(i: ModeInputs) -> bool:
    """The pilot has selected cruise."""
    return i.mode_override == "cruise"


def circle_begun_hold_s(i: ModeInputs) -> float:
    """The setting `entry_time`."""
    return i.settings.entry_time_s


TRANSITIONS = (
    Transition(Mode.GROUND, Mode.LAUNCH, taking_off, 2.0),
    Transition(Mode.GROUND, Mode.CRUISE, switched_on_in_flight, 3.0),
    Transition(Mode.LAUNCH, Mode.CIRCLING, tight_circle),
    Transition(Mode.LAUNCH, Mode.CRUISE, launch_over, 8.0),
    Transition(Mode.LAUNCH, Mode.GROUND, still, 10.0),
    Transition(Mode.CRUISE, Mode.CIRCLING, circle_begun, circle_begun_hold_s),
    Transition(Mode.CRUISE, Mode.CIRCLING, turning_on),
    Transition(Mode.CRUISE, Mode.CIRCLING, circling_selected),
    Transition(Mode.CRUISE, Mode.APPROACH, braking_low, BRAKING_S),
    Transition(Mode.CRUISE, Mode.APPROACH, airbrakes_low),
    Transition(Mode.CRUISE, Mode.APPROACH, on_final, BRAKING_S),
    Transition(Mode.CRUISE, Mode.APPROACH, approach_selected),
    Transition(Mode.CRUISE, Mode.GROUND, still, 15.0),
    Transition(Mode.CRUISE, Mode.GROUND, parked, PARKED_S),
    Transition(Mode.CIRCLING, Mode.CRUISE, circle_left),
    Transition(Mode.CIRCLING, Mode.CRUISE, cruise_selected),
    Transition(Mode.CIRCLING, Mode.APPROACH, braking_low, BRAKING_S),
    Transition(Mode.CIRCLING, Mode.APPROACH, airbrakes_low),
    Transition(Mode.CIRCLING, Mode.APPROACH, approach_selected),
    Transition(Mode.CIRCLING, Mode.GROUND, still, 15.0),
    Transition(Mode.APPROACH, Mode.CRUISE, climbing_away, SAVED_S),
    Transition(Mode.APPROACH, Mode.CRUISE, no_approach, SAVED_S),
    Transition(Mode.APPROACH, Mode.CRUISE, cruise_selected),
    Transition(Mode.APPROACH, Mode.CIRCLING, circling_selected),
    Transition(Mode.APPROACH, Mode.GROUND, still, 15.0),
)
