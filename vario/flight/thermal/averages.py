"""Averages of the climb rate: over the last seconds, over the last full turn, and over the present climb.

All are differences of energy height over time and not means of vario readings. So gaps and uneven frames do
not bias them, and a pull-up before the turn does not count as lift.
"""

from __future__ import annotations

import math
from collections import deque

from drivers.quick import dataclass
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.motion.place import Place
from vario.flight.motion.turning import RATE_LAG_S, Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.thermal.climbs import Climb, Climbs, Point

STEP_S = 0.1
"""Spacing of the stored points."""

LONGEST_TURN_S = 90.0
"""A slower turn is a change of course."""

LAST_TURNS = 2.0
"""Number of turns for the advice to leave: a single turn may be weaker because of a shift of the circle."""


@dataclass(frozen=True, slots=True)
class Averages:
    """Mean climb rates and gains of energy height, up positive. None: not known yet.

    `average_mps` is over the averaging time that the pilot has set, `turn_mps` over the last full turn, which
    took `turn_s`, `turns_mps` over the last two, `climb_mps` since the beginning of the present climb, up to
    its last turn. `turn_average_pending`: the turn average is missing only because the first turn is not
    complete yet.
    """

    average_mps: float | None
    turn_mps: float | None
    climb_mps: float | None
    average_gain_m: float | None = None
    turn_gain_m: float | None = None
    climb_gain_m: float | None = None
    turn_s: float | None = None
    turn_average_pending: bool = False
    turns_mps: float | None = None


class _Window:
    """The points that one average needs."""

    def __init__(self) -> None:
        self._points: deque[Point] = deque()

    def clear(self) -> None:
        self._points.clear()

    def forget_before(self, t_s: float) -> None:
        """Drop points that no average needs any more."""
        while len(self._points) > 1 and self._points[1].t_s < t_s:
            self._points.popleft()

    def add(self, point: Point) -> None:
        if not self._points or point.t_s - self._points[-1].t_s >= STEP_S * 0.99:
            self._points.append(point)

    def gain_over_time_m(self, now: Point, window_s: float) -> float | None:
        """Gain over the last `window_s`; None before so much time is stored."""
        wanted = now.t_s - window_s
        while len(self._points) > 1 and self._points[1].t_s <= wanted:
            self._points.popleft()
        if not self._points or self._points[0].t_s > wanted + 1e-9:
            return None
        share = 0.0
        first, second = self._points[0], self._points[1] if len(self._points) > 1 else now
        if second.t_s > first.t_s:
            share = (wanted - first.t_s) / (second.t_s - first.t_s)
        return now.energy_m - (first.energy_m + share * (second.energy_m - first.energy_m))

    def gain_over_turn_m(self, now: Point, turns: float = 1.0) -> tuple[float, float] | None:
        """Gain over the last full turns and their time, s; None before they are complete."""
        whole_rad = turns * math.tau

        def turned(point: Point) -> float:
            return abs(now.turn_angle_rad - point.turn_angle_rad)

        while len(self._points) > 1 and turned(self._points[1]) >= whole_rad:
            self._points.popleft()
        if not self._points or turned(self._points[0]) < whole_rad:
            return None
        first = self._points[0]
        second = self._points[1] if len(self._points) > 1 else now
        step = turned(first) - turned(second)
        share = (turned(first) - whole_rad) / step if step > 0.0 else 0.0
        then_s = first.t_s + share * (second.t_s - first.t_s)
        then_m = first.energy_m + share * (second.energy_m - first.energy_m)
        elapsed_s = now.t_s - then_s
        return None if elapsed_s > turns * LONGEST_TURN_S else (now.energy_m - then_m, elapsed_s)


class AveragesStage:
    """Computes the averages and the list of climbs."""

    def __init__(self, setup: Setup) -> None:
        self._climbs = Climbs(setup.settings.circling)
        self._window = _Window()
        self._turn = _Window()
        self._turns = _Window()
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings; after a longer window is set, the average is missing until it is full."""
        self._window_s = setup.settings.average.window_s
        self._climbs.settings = setup.settings.circling

    def finished(self) -> list[Climb]:
        """The climbs completed since the last call, in order."""
        return self._climbs.finished()

    def close(self) -> None:
        """End of the recording: a climb still open ends here."""
        self._climbs.close()

    def reset(self, reason: ResetReason) -> None:
        """End an open climb at its last circling; no average reaches across a break."""
        self._climbs.close()
        self._window.clear()
        self._turn.clear()
        self._turns.clear()
        self._recent: deque[Point] = deque()
        self._turn_begin: Point | None = None
        self._turn_since_s: float | None = None
        self._energy_m: float | None = None
        self._compensated: bool | None = None
        self._step_m = 0.0

    def update(
        self, t_s: float, energy: Energy, turning: Turning, mode: Mode, place: Place | None = None
    ) -> Averages:
        """One frame."""
        if energy.energy_altitude_m is None or energy.vario_mps is None:
            self._window.clear()
            self._turn.clear()
            self._turns.clear()
            self._recent.clear()
            return Averages(None, None, None)
        now = Point(t_s, self._continuous_energy_m(energy), turning.turn_angle_rad, place)
        self._window.add(now)
        self._recent.append(now)
        if not turning.active or turning.since_s != self._turn_since_s:
            self._turn.clear()
            self._turns.clear()
            self._turn_since_s = turning.since_s
            self._turn_begin = self._then(now)
        else:
            self._turn.forget_before(t_s - LONGEST_TURN_S)
            self._turns.forget_before(t_s - LAST_TURNS * LONGEST_TURN_S)
        self._turn.add(now)
        self._turns.add(now)
        circling = mode is Mode.CIRCLING
        self._climbs.update(
            self._then(now),
            self._turn_begin or now,
            turning,
            circling=circling,
            on_ground=mode is Mode.GROUND,
        )
        return self._averages(now, circling=circling)

    def _then(self, now: Point) -> Point:
        """The point to which the smoothed turn rate belongs: it lags by `RATE_LAG_S`."""
        recent = self._recent
        while len(recent) > 1 and recent[1].t_s <= now.t_s - RATE_LAG_S:
            recent.popleft()
        return recent[0]

    def _averages(self, now: Point, *, circling: bool) -> Averages:
        gain_m = self._window.gain_over_time_m(now, self._window_s)
        turn = self._turn.gain_over_turn_m(now) if circling else None
        turns = self._turns.gain_over_turn_m(now, LAST_TURNS) if circling else None
        turn_gain_m, turn_s = turn or (None, None)
        climb_gain_m = climb_mps = None
        latest = self._climbs.latest(now)
        if self._climbs.open is not None and latest is not None and latest.t_s > self._climbs.open.begin.t_s:
            climb_gain_m = latest.energy_m - self._climbs.open.begin.energy_m
            climb_mps = climb_gain_m / (latest.t_s - self._climbs.open.begin.t_s)
        return Averages(
            None if gain_m is None else gain_m / self._window_s,
            None if turn is None else turn[0] / turn[1],
            climb_mps,
            gain_m,
            turn_gain_m,
            climb_gain_m,
            turn_s,
            turn_average_pending=circling and turn is None,
            turns_mps=None if turns is None else turns[0] / turns[1],
        )

    def _continuous_energy_m(self, energy: Energy) -> float:
        """Energy height without the step of V²/2g when the airspeed appears or is lost."""
        assert energy.energy_altitude_m is not None  # noqa: S101  (checked by the caller)
        if self._compensated is not None and energy.compensated != self._compensated:
            assert self._energy_m is not None  # noqa: S101  (set together with _compensated)
            self._step_m += self._energy_m - energy.energy_altitude_m
        self._compensated = energy.compensated
        self._energy_m = energy.energy_altitude_m
        return energy.energy_altitude_m + self._step_m
