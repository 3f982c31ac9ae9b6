"""The climbs of a flight: which turns belong to one thermal, and the gain of each climb.

Levelling the wings to shift the circle does not end a climb, and reversing the turn does not either. Circling
again soon and nearby in the drifting air continues the climb (settings say how soon and how near); otherwise
it is a new climb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, auto

from drivers.quick import quick
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning
from vario.settings.schema import Circling

FEWEST_TURNS = 1.0
"""A climb with fewer turns is not listed, and neither is circling that gained no height."""


@dataclass(frozen=True, slots=True)
class Climb:
    """One thermal, from the beginning of the first turn to the end of the last.

    `turns` counts full circles; `direction` is "left", "right" or "both".
    """

    start_s: float
    end_s: float
    gain_m: float
    average_mps: float
    turns: float
    direction: str


@quick
@dataclass(frozen=True, slots=True)
class Point:
    """An instant of the flight, with `Turning.turn_angle_rad`. `place` is None if not known."""

    t_s: float
    energy_m: float
    turn_angle_rad: float
    place: Place | None = None


class ClimbState(Enum):
    """State of the climb in progress."""

    NONE = auto()
    CIRCLING = auto()
    PAUSE = auto()
    """Not circling, but the climb may continue."""


@quick
@dataclass(frozen=True, slots=True)
class ClimbInputs:
    """What the guards look at.

    Attributes:
        left_s: time since the last circling.
        left_m: distance from it in the drifting air; 0 where not known.
    """

    circling: bool
    on_ground: bool
    left_s: float
    left_m: float
    settings: Circling


def circling(i: ClimbInputs) -> bool:
    """The mode is circling."""
    return i.circling


def not_circling(i: ClimbInputs) -> bool:
    """The mode is not circling."""
    return not i.circling


def circling_elsewhere(i: ClimbInputs) -> bool:
    """Circling further away than `same_climb_distance`, or later than `same_climb_within`: a new climb."""
    c = i.settings
    return i.circling and (i.left_m > c.same_climb_distance_m or i.left_s > c.same_climb_within_s)


def over(i: ClimbInputs) -> bool:
    """On the ground, or no circling for `same_climb_within`: the climb is finished."""
    return i.on_ground or (not i.circling and i.left_s > i.settings.same_climb_within_s)


TRANSITIONS = (
    Transition(ClimbState.NONE, ClimbState.CIRCLING, circling),
    Transition(ClimbState.CIRCLING, ClimbState.PAUSE, not_circling),
    Transition(ClimbState.PAUSE, ClimbState.NONE, over),
    Transition(ClimbState.PAUSE, ClimbState.CIRCLING, circling_elsewhere),
    Transition(ClimbState.PAUSE, ClimbState.CIRCLING, circling),
)

_FINISHING = (over, circling_elsewhere)
"""The guards after which the climb in progress is finished."""


def drifted_m(then: Point, now: Point) -> float:
    """Distance of two points in the drifting air, m; 0 if it is not known."""
    if then.place is None or now.place is None or then.place.frame != now.place.frame:
        return 0.0
    elapsed_s = now.t_s - then.t_s
    return math.hypot(
        now.place.north_m - then.place.north_m - now.place.drift_north_mps * elapsed_s,
        now.place.east_m - then.place.east_m - now.place.drift_east_mps * elapsed_s,
    )


class OpenClimb:
    """A climb in progress."""

    def __init__(self, begin: Point) -> None:
        self.begin = begin
        self.end = begin
        self._turn_angle_rad = begin.turn_angle_rad
        self._left_rad = 0.0
        self._right_rad = 0.0

    def resume(self, begin: Point) -> None:
        """Circling has started again at `begin`."""
        self._turn_angle_rad = begin.turn_angle_rad

    def turn(self, now: Point) -> None:
        """Circling continues."""
        step = now.turn_angle_rad - self._turn_angle_rad
        self._turn_angle_rad = now.turn_angle_rad
        self.end = now
        if step < 0.0:
            self._left_rad -= step
        else:
            self._right_rad += step

    def result(self) -> Climb:
        """The climb from its first turn to its last."""
        turned = self._left_rad + self._right_rad
        sides = (self._left_rad, self._right_rad)
        both = min(sides) > 0.25 * turned
        direction = "both" if both else ("left" if sides[0] > sides[1] else "right")
        gain_m = self.end.energy_m - self.begin.energy_m
        elapsed_s = self.end.t_s - self.begin.t_s
        mean = gain_m / elapsed_s if elapsed_s > 0.0 else 0.0
        return Climb(self.begin.t_s, self.end.t_s, gain_m, mean, turned / math.tau, direction)


class Climbs:
    """Tracks the climb in progress and keeps the finished ones."""

    def __init__(self, settings: Circling) -> None:
        self.settings = settings
        self._table = StateTable(TRANSITIONS)
        self.open: OpenClimb | None = None
        self._finished: list[Climb] = []

    def finished(self) -> list[Climb]:
        """The climbs completed since the last call, in order."""
        done, self._finished = self._finished, []
        return done

    def close(self) -> None:
        """End the climb in progress, if any."""
        if self.open is None:
            return
        climb = self.open.result()
        self.open = None
        self._table.enter(ClimbState.NONE)
        if climb.turns >= FEWEST_TURNS and climb.gain_m > 0.0:
            self._finished.append(climb)

    def update(self, now: Point, begin: Point, turning: Turning, *, circling: bool, on_ground: bool) -> None:
        """One frame. `begin` is where the present turn began, which is before it was detected."""
        left_s = left_m = 0.0
        if self.open is not None:
            left_s = begin.t_s - self.open.end.t_s if circling else now.t_s - self.open.end.t_s
            left_m = drifted_m(self.open.end, begin if circling else now)
        taken = self._table.update(ClimbInputs(circling, on_ground, left_s, left_m, self.settings))
        if taken is not None:
            self._enter(taken, begin)
        if self.open is not None and self._table.state is ClimbState.CIRCLING and turning.now:
            self.open.turn(now)

    def _enter(self, taken: Transition[ClimbState, ClimbInputs], begin: Point) -> None:
        if taken.guard in _FINISHING:
            self.close()
            self._table.enter(taken.end)
        if taken.end is ClimbState.CIRCLING:
            if self.open is None:
                self.open = OpenClimb(begin)
            else:
                self.open.resume(begin)
