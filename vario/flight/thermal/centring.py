"""The centring cue: at most once per turn, when the pilot should reduce the bank to shift the circle.

The pilot hears the cue, reacts, and rolls; the nose must point towards the core in the middle of the
manoeuvre. So the cue comes earlier by the angle turned in the reaction time and in half of the manoeuvre
(`shifting`). The rule that the circle is shifted where the nose points towards the lift is the 270 degree
correction of the FAA Glider Flying Handbook (FAA-H-8083-13, ch. 10).
"""

from __future__ import annotations

import math
from enum import Enum, auto

from drivers.quick import dataclass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.turning import Turning
from vario.flight.thermal.shifting import Manoeuvre, Size

AGAIN_RAD = 0.75 * math.tau
"""Least angle of turn between two cues."""

MISSED_RAD = math.radians(45.0)
"""A cue is given if its moment has passed by not more than this: the core may become known too late, or a
new estimate may move the direction. A shift 45 degrees off leaves 2·sin(22.5°) = 0.77 of the distance to the
core; without the cue all of it is left for one more turn. Chosen on flights with a pilot in the loop."""


class CentringState(Enum):
    """State of the cue."""

    IDLE = auto()
    """No shift is worth the manoeuvre, or its direction is not known well enough."""
    WAITING = auto()
    """A shift is worthwhile and its moment still lies ahead."""
    GIVEN = auto()
    """The cue has been given for this turn."""


@dataclass(frozen=True, slots=True)
class CentringInputs:
    """The inputs of the guards.

    Attributes:
        worthwhile: a shift is worth the manoeuvre.
        ahead_rad: how far the moment of the cue lies ahead, 0 to 2π.
        since_rad: angle turned since the last cue.
    """

    worthwhile: bool
    ahead_rad: float
    since_rad: float


def not_worthwhile(i: CentringInputs) -> bool:
    """No shift is worth the manoeuvre."""
    return not i.worthwhile


def lies_ahead(i: CentringInputs) -> bool:
    """A shift is worthwhile and its moment lies ahead."""
    return i.worthwhile and i.ahead_rad <= math.tau - MISSED_RAD


def reached(i: CentringInputs) -> bool:
    """A shift is worthwhile and its moment has come, or passed less than 45 degrees ago."""
    return i.worthwhile and i.ahead_rad > math.tau - MISSED_RAD


def next_turn(i: CentringInputs) -> bool:
    """Three quarters of a turn since the last cue, and the next moment lies ahead."""
    return i.since_rad >= AGAIN_RAD and lies_ahead(i)


def reached_again(i: CentringInputs) -> bool:
    """Three quarters of a turn since the last cue, and the next moment has just passed."""
    return i.since_rad >= AGAIN_RAD and reached(i)


TRANSITIONS = (
    Transition(CentringState.IDLE, CentringState.GIVEN, reached_again),
    Transition(CentringState.IDLE, CentringState.WAITING, lies_ahead),
    Transition(CentringState.WAITING, CentringState.IDLE, not_worthwhile),
    Transition(CentringState.WAITING, CentringState.GIVEN, reached),
    Transition(CentringState.GIVEN, CentringState.GIVEN, reached_again),
    Transition(CentringState.GIVEN, CentringState.WAITING, next_turn),
)
"""The cue is given on entering GIVEN."""


class CentringCue:
    """Runs the table."""

    def __init__(self) -> None:
        self._table = StateTable(TRANSITIONS)
        self._given_at_rad = -math.inf

    def update(
        self, best: Manoeuvre | None, bearing_rad: float, turning: Turning, reaction_s: float
    ) -> Size | None:
        """One frame; returns the size of the cue that is due now.

        Args:
            best: the manoeuvre to be called; None: none, or not circling.
            bearing_rad: direction of the shift, from the same zero as the heading.
            turning: the present turn.
            reaction_s: time from the cue to the stick.
        """
        if not turning.active:
            if self._table.state is not CentringState.IDLE:
                self._table.enter(CentringState.IDLE)
            return None
        ahead_rad = 0.0
        if best is not None:
            lead_rad = abs(turning.rate_radps) * reaction_s + best.half_rad
            way = math.copysign(1.0, turning.rate_radps)
            ahead_rad = (way * (bearing_rad - turning.heading_rad) - lead_rad) % math.tau
        since_rad = abs(turning.turn_angle_rad - self._given_at_rad)
        taken = self._table.update(CentringInputs(best is not None, ahead_rad, since_rad))
        if taken is None or taken.end is not CentringState.GIVEN or best is None:
            return None
        self._given_at_rad = turning.turn_angle_rad
        return best.size
