"""The centring cue: once per turn, shortly before the strongest lift, if its direction is known well.

"Strongest" is the place on the circle where the air rises fastest. "Roll-out" is the heading at which
levelling the wings shifts the circle to that side: three quarters of a turn after the best climb (the 270°
correction of the FAA Glider Flying Handbook, FAA-H-8083-13, ch. 10).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, auto

from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.turning import Turning
from vario.flight.thermal.circle import Circle
from vario.settings.schema import Centring

AGAIN_RAD = 0.75 * math.tau
"""Least angle of turn between two cues."""

MISSED_RAD = math.radians(30.0)
"""A new estimate may move the direction past the lead; a cue is given if it is not further behind than
this."""


class CentringState(Enum):
    """State of the cue."""

    IDLE = auto()
    """No direction is known well enough."""
    WAITING = auto()
    """A direction is known and still lies ahead."""
    GIVEN = auto()
    """The cue has been given for this turn."""


@dataclass(frozen=True, slots=True)
class CentringInputs:
    """What the guards look at.

    Attributes:
        sure: a direction is known well enough.
        ahead_rad: how far ahead it lies in the direction of the turn, 0 to 2π.
        since_rad: angle turned since the last cue.
        lead_rad: how far ahead the cue is given.
    """

    sure: bool
    ahead_rad: float
    since_rad: float
    lead_rad: float


def unsure(i: CentringInputs) -> bool:
    """No direction is known well enough."""
    return not i.sure


def lies_ahead(i: CentringInputs) -> bool:
    """The direction lies further ahead than `lead`."""
    return i.sure and i.lead_rad < i.ahead_rad <= math.tau - MISSED_RAD


def reached(i: CentringInputs) -> bool:
    """The direction is within `lead` ahead, or less than 30 degrees behind."""
    return i.ahead_rad <= i.lead_rad or i.ahead_rad > math.tau - MISSED_RAD


def next_turn(i: CentringInputs) -> bool:
    """Three quarters of a turn since the last cue, and the direction lies ahead again."""
    return i.since_rad >= AGAIN_RAD and lies_ahead(i)


TRANSITIONS = (
    Transition(CentringState.IDLE, CentringState.WAITING, lies_ahead),
    Transition(CentringState.WAITING, CentringState.IDLE, unsure),
    Transition(CentringState.WAITING, CentringState.GIVEN, reached),
    Transition(CentringState.GIVEN, CentringState.WAITING, next_turn),
)
"""The cue is given on entering GIVEN."""


class CentringCue:
    """Runs the table."""

    def __init__(self) -> None:
        self._table = StateTable(TRANSITIONS)
        self._given_at_rad = 0.0

    def update(self, circle: Circle | None, turning: Turning, settings: Centring) -> bool:
        """One frame; returns whether the cue is due now. `circle` is None while not circling."""
        if circle is None:
            if self._table.state is not CentringState.IDLE:
                self._table.enter(CentringState.IDLE)
            return False
        target_rad = circle.strongest_rad if settings.cue_at == "strongest" else circle.roll_out_rad
        sign = 1.0 if circle.right else -1.0
        ahead_rad = 0.0 if target_rad is None else (sign * (target_rad - turning.heading_rad)) % math.tau
        since_rad = abs(turning.turn_angle_rad - self._given_at_rad)
        inputs = CentringInputs(target_rad is not None, ahead_rad, since_rad, settings.lead_rad)
        taken = self._table.update(inputs)
        if taken is None or taken.end is not CentringState.GIVEN:
            return False
        self._given_at_rad = turning.turn_angle_rad
        return True
