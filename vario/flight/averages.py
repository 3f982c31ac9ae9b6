"""Averages of the climb: the last seconds, the last full turn, and the climb so far.

All are differences of energy height over time, never means of vario readings, so gaps and uneven frames
cannot bias them and a pull-up before the turn does not count as lift.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

from vario.flight.energy import Energy
from vario.flight.mode import Mode
from vario.flight.turning import Turning
from vario.settings.schema import Average, Circling

STEP_S = 0.1
"""Spacing of the stored points."""

LONGEST_TURN_S = 90.0
"""A "turn" slower than this is a course change."""

FEWEST_TURNS = 1.0
"""Less than this is an attempt, not a climb worth listing."""


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
class Averages:
    """Mean climb rates, up positive. None: not enough flown yet.

    `average_mps` is over the pilot's window, `turn_mps` over the last full turn, `climb_mps` since the
    beginning of the present climb.
    """

    average_mps: float | None
    turn_mps: float | None
    climb_mps: float | None


@dataclass(frozen=True, slots=True)
class _Point:
    t_s: float
    energy_m: float
    heading_rad: float


class _Window:
    """Points reaching back just far enough for one average."""

    def __init__(self) -> None:
        self._points: deque[_Point] = deque()

    def clear(self) -> None:
        self._points.clear()

    def add(self, point: _Point) -> None:
        if not self._points or point.t_s - self._points[-1].t_s >= STEP_S * 0.99:
            self._points.append(point)

    def mean_over_time_mps(self, now: _Point, window_s: float) -> float | None:
        """Mean climb over the last `window_s`; None until that much is there."""
        wanted = now.t_s - window_s
        while len(self._points) > 1 and self._points[1].t_s <= wanted:
            self._points.popleft()
        if not self._points or self._points[0].t_s > wanted + 1e-9:
            return None
        share = 0.0
        first, second = self._points[0], self._points[1] if len(self._points) > 1 else now
        if second.t_s > first.t_s:
            share = (wanted - first.t_s) / (second.t_s - first.t_s)
        then_m = first.energy_m + share * (second.energy_m - first.energy_m)
        return (now.energy_m - then_m) / window_s

    def mean_over_turn_mps(self, now: _Point) -> float | None:
        """Mean climb over the last full circle of heading; None until one is complete."""

        def turned(point: _Point) -> float:
            return abs(now.heading_rad - point.heading_rad)

        while len(self._points) > 1 and turned(self._points[1]) >= math.tau:
            self._points.popleft()
        if not self._points or turned(self._points[0]) < math.tau:
            return None
        first = self._points[0]
        second = self._points[1] if len(self._points) > 1 else now
        step = turned(first) - turned(second)
        share = (turned(first) - math.tau) / step if step > 0.0 else 0.0
        then_s = first.t_s + share * (second.t_s - first.t_s)
        then_m = first.energy_m + share * (second.energy_m - first.energy_m)
        elapsed_s = now.t_s - then_s
        return None if elapsed_s > LONGEST_TURN_S else (now.energy_m - then_m) / elapsed_s


class _OpenClimb:
    """A climb in progress; it stays open for a while after the circling stops."""

    def __init__(self, begin: _Point) -> None:
        self.begin = begin
        self.end = begin
        self._heading_rad = begin.heading_rad
        self._left_rad = 0.0
        self._right_rad = 0.0

    def resume(self, begin: _Point) -> None:
        """Circling again, since `begin`."""
        self._heading_rad = begin.heading_rad

    def turn(self, now: _Point) -> None:
        """Circling still."""
        step = now.heading_rad - self._heading_rad
        self._heading_rad = now.heading_rad
        self.end = now
        if step < 0.0:
            self._left_rad -= step
        else:
            self._right_rad += step

    def mean_mps(self, now: _Point) -> float | None:
        elapsed_s = now.t_s - self.begin.t_s
        return (now.energy_m - self.begin.energy_m) / elapsed_s if elapsed_s > 0.0 else None

    def result(self) -> Climb:
        turned = self._left_rad + self._right_rad
        sides = (self._left_rad, self._right_rad)
        both = min(sides) > 0.25 * turned
        direction = "both" if both else ("left" if sides[0] > sides[1] else "right")
        gain_m = self.end.energy_m - self.begin.energy_m
        elapsed_s = self.end.t_s - self.begin.t_s
        mean = gain_m / elapsed_s if elapsed_s > 0.0 else 0.0
        return Climb(self.begin.t_s, self.end.t_s, gain_m, mean, turned / math.tau, direction)


class AveragesStage:
    """Keeps the averages and the list of climbs."""

    def __init__(self, average: Average, circling: Circling) -> None:
        self._window_s = average.window_s
        self._same_climb_s = circling.same_climb_within_s
        self._window = _Window()
        self._turn = _Window()
        self._climb: _OpenClimb | None = None
        self._circling = False
        self._turn_begin: _Point | None = None
        self._turn_since_s: float | None = None
        self._energy_m: float | None = None
        self._compensated: bool | None = None
        self._step_m = 0.0
        self._finished: list[Climb] = []

    def finished(self) -> list[Climb]:
        """The climbs completed since the last call, in order."""
        done, self._finished = self._finished, []
        return done

    def close(self) -> None:
        """End of the recording: a climb still open ends here."""
        self._close_climb()

    def update(self, t_s: float, energy: Energy, turning: Turning, mode: Mode) -> Averages:
        """One frame."""
        if energy.energy_altitude_m is None or energy.vario_mps is None:
            self._window.clear()
            self._turn.clear()
            return Averages(None, None, None)
        now = _Point(t_s, self._continuous_energy_m(energy), turning.heading_rad)
        self._window.add(now)
        if not turning.active or turning.since_s != self._turn_since_s:
            self._turn.clear()
            self._turn_since_s = turning.since_s
            self._turn_begin = now
        self._turn.add(now)
        self._follow_climb(now, mode, turning)
        return Averages(
            self._window.mean_over_time_mps(now, self._window_s),
            self._turn.mean_over_turn_mps(now) if mode is Mode.CIRCLING else None,
            self._climb.mean_mps(now) if self._climb is not None else None,
        )

    def _continuous_energy_m(self, energy: Energy) -> float:
        """Energy height without the jump of V²/2g when the airspeed comes or goes."""
        assert energy.energy_altitude_m is not None  # noqa: S101  (checked by the caller)
        if self._compensated is not None and energy.compensated != self._compensated:
            assert self._energy_m is not None  # noqa: S101  (set together with _compensated)
            self._step_m += self._energy_m - energy.energy_altitude_m
        self._compensated = energy.compensated
        self._energy_m = energy.energy_altitude_m
        return energy.energy_altitude_m + self._step_m

    def _follow_climb(self, now: _Point, mode: Mode, turning: Turning) -> None:
        circling = mode is Mode.CIRCLING
        begun = circling and not self._circling
        self._circling = circling
        if begun:
            since = self._turn_begin or now  # the turn is older than its recognition
            if self._climb is None:
                self._climb = _OpenClimb(since)
            else:
                self._climb.resume(since)
        if self._climb is None:
            return
        if circling and turning.now:
            self._climb.turn(now)
        left_alone = now.t_s - self._climb.end.t_s > self._same_climb_s
        if mode is Mode.GROUND or (not circling and left_alone):
            self._close_climb()

    def _close_climb(self) -> None:
        if self._climb is None:
            return
        climb = self._climb.result()
        self._climb = None
        if climb.turns >= FEWEST_TURNS:
            self._finished.append(climb)
