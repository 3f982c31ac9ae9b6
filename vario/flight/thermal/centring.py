"""The centring cue: once a turn, a little before the strongest lift, and only when it is sure.

"Strongest" means the place on the circle where the glider climbs best. "Roll-out" is the heading at which
level wings take the circle there: three quarters of a turn after the best climb (the 270° correction of
the FAA Glider Flying Handbook, FAA-H-8083-13, ch. 10).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from vario.flight.motion.turning import Turning
from vario.flight.thermal.circle import Circle
from vario.settings.schema import Centring

AGAIN_RAD = 0.75 * math.tau
"""No second cue before this much has been turned, however the picture changes."""

MISSED_RAD = math.radians(30.0)
"""The picture may turn past the lead; then the cue still comes unless the place is behind by this."""


class Cue(Enum):
    """State of the cue."""

    IDLE = auto()
    """Nothing sure to point at."""
    WAITING = auto()
    """Sure, and the place still lies ahead."""
    GIVEN = auto()


@dataclass(frozen=True, slots=True)
class Sight:
    """What the guards look at: whether the picture is sure, how far ahead the place, the turn since."""

    sure: bool
    ahead_rad: float
    since_rad: float


def _unsure(s: Sight, _: Centring) -> bool:
    return not s.sure


def _lies_ahead(s: Sight, c: Centring) -> bool:
    return s.sure and c.lead_rad < s.ahead_rad <= math.tau - MISSED_RAD


def _reached(s: Sight, c: Centring) -> bool:
    return s.ahead_rad <= c.lead_rad or s.ahead_rad > math.tau - MISSED_RAD


def _turned_on(s: Sight, c: Centring) -> bool:
    return s.since_rad >= AGAIN_RAD and _lies_ahead(s, c)


TRANSITIONS: tuple[tuple[Cue, Cue, Callable[[Sight, Centring], bool]], ...] = (
    (Cue.IDLE, Cue.WAITING, _lies_ahead),
    (Cue.WAITING, Cue.IDLE, _unsure),
    (Cue.WAITING, Cue.GIVEN, _reached),
    (Cue.GIVEN, Cue.WAITING, _turned_on),
)
"""From, to, when. Entering GIVEN is the cue."""


class CentringCue:
    """Runs the table."""

    def __init__(self) -> None:
        self._state = Cue.IDLE
        self._given_at_rad = 0.0

    def update(self, circle: Circle | None, turning: Turning, settings: Centring) -> bool:
        """One frame; whether the cue is due now. `circle` is None while not circling."""
        place = None
        if circle is not None:
            place = circle.strongest_rad if settings.cue_at == "strongest" else circle.roll_out_rad
        if circle is None:
            self._state = Cue.IDLE
            return False
        way = 1.0 if circle.right else -1.0
        ahead = 0.0 if place is None else (way * (place - turning.nose_rad)) % math.tau
        sight = Sight(place is not None, ahead, abs(turning.heading_rad - self._given_at_rad))
        for start, end, guard in TRANSITIONS:
            if start is self._state and guard(sight, settings):
                self._state = end
                if end is Cue.GIVEN:
                    self._given_at_rad = turning.heading_rad
                    return True
                return False
        return False
