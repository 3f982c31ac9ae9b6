"""The climbs of a flight: which turns belong to one thermal, and the gain of each climb.

Levelling the wings to shift the circle does not end a climb, and reversing the turn does not either. Circling
again soon and nearby in the drifting air continues the climb (settings say how soon and how near); otherwise
it is a new climb. Circling that lost height at the beginning or the end of a climb, and apart from it, was a
search and does not belong to it.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from drivers.quick import dataclass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning
from vario.settings.schema import Circling

FEWEST_TURNS = 1.0
LEAST_GAIN_M = 5.0
"""A climb with fewer turns is not listed, and neither is circling that gained less: this is the accuracy of
the gain."""


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


@dataclass(frozen=True, slots=True)
class ClimbInputs:
    """The inputs of the guards.

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
    """Circling further away than `climb_merge_distance`, or later than `climb_merge_time`: a new climb."""
    c = i.settings
    return i.circling and (i.left_m > c.climb_merge_distance_m or i.left_s > c.climb_merge_time_s)


def over(i: ClimbInputs) -> bool:
    """On the ground, or no circling for `climb_merge_time`: the climb is finished."""
    return i.on_ground or (not i.circling and i.left_s > i.settings.climb_merge_time_s)


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


class _Stretch:
    """Circling without a pause, and in one direction."""

    def __init__(self, begin: Point) -> None:
        self.begin = begin
        self.end = begin
        self.turned_rad = 0.0


class OpenClimb:
    """A climb in progress: one stretch of circling after the other."""

    def __init__(self, begin: Point) -> None:
        self._stretches = [_Stretch(begin)]

    @property
    def begin(self) -> Point:
        """Where the first turn began."""
        return self._stretches[0].begin

    @property
    def end(self) -> Point:
        """Where the latest turn ended."""
        return self._stretches[-1].end

    def resume(self, begin: Point) -> None:
        """Circling has started again at `begin`."""
        self._stretches.append(_Stretch(begin))

    def turn(self, now: Point, begin: Point, turning: Turning) -> None:
        """Circling continues. `begin` is where the present turn began."""
        stretch = self._stretches[-1]
        if stretch.turned_rad * turning.turned_rad < 0.0:
            # A part of a turn in the other direction leaves the climb; a whole turn is circling again.
            if abs(turning.turned_rad) < math.tau:
                return
            self.resume(begin)
            stretch = self._stretches[-1]
        stretch.turned_rad = now.turn_angle_rad - stretch.begin.turn_angle_rad
        stretch.end = now

    def result(self) -> Climb:
        """The climb from its first turn to its last, without the searches before and after it."""
        kept = self._stretches
        while len(kept) > 1 and kept[-1].end.energy_m <= kept[-2].end.energy_m:
            kept = kept[:-1]
        while len(kept) > 1 and kept[1].begin.energy_m <= kept[0].begin.energy_m:
            kept = kept[1:]
        right_rad = math.fsum(stretch.turned_rad for stretch in kept if stretch.turned_rad > 0.0)
        left_rad = -math.fsum(stretch.turned_rad for stretch in kept if stretch.turned_rad < 0.0)
        turned_rad = left_rad + right_rad
        both = min(left_rad, right_rad) > 0.25 * turned_rad
        direction = "both" if both else ("left" if left_rad > right_rad else "right")
        begin, end = kept[0].begin, kept[-1].end
        gain_m, elapsed_s = end.energy_m - begin.energy_m, end.t_s - begin.t_s
        mean_mps = gain_m / elapsed_s if elapsed_s > 0.0 else 0.0
        return Climb(begin.t_s, end.t_s, gain_m, mean_mps, turned_rad / math.tau, direction)


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

    def latest(self, now: Point) -> Point | None:
        """The last point that counts for the open climb: now, or its last turn; None without a climb."""
        if self.open is None:
            return None
        return self.open.end if self._table.state is ClimbState.PAUSE else now

    def close(self) -> None:
        """End the climb in progress, if any."""
        if self.open is None:
            return
        climb = self.open.result()
        self.open = None
        self._table.enter(ClimbState.NONE)
        if climb.turns >= FEWEST_TURNS and climb.gain_m >= LEAST_GAIN_M:
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
            self.open.turn(now, begin, turning)

    def _enter(self, taken: Transition[ClimbState, ClimbInputs], begin: Point) -> None:
        if taken.guard in _FINISHING:
            self.close()
            self._table.enter(taken.end)
        if taken.end is ClimbState.CIRCLING:
            if self.open is None:
                self.open = OpenClimb(begin)
            else:
                self.open.resume(begin)
