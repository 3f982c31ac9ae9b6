"""Map of the lift in the drifting air, as points: for the picture of the thermal and for finding the core.

A point is the mean over ten degrees of a turn or over two seconds of straight flight. The vario shows the air
with a lag, so the point is placed where the glider was earlier by this lag.
"""

from __future__ import annotations

import math
from collections import deque

from drivers.quick import dataclass
from vario.flight.inputs.frames import Frame
from vario.flight.motion.place import Place
from vario.flight.motion.turning import Turning

STEP_RAD = math.radians(10.0)
STEP_S = 2.0
MOST_POINTS = 256
"""About seven turns."""


@dataclass(frozen=True, slots=True)
class LiftPoint:
    """The mean over ten degrees of a turn, or over two seconds of straight flight.

    Attributes:
        climb_mps: total-energy vario.
        air_mps: rise of the air, from `airmass_velocity`.
        heading_rad: direction of flight, corrected for the lag of the vario.
        turn_angle_rad: all turning since the start, unbounded.
        turning: whether the glider was turning.
        place: where the glider was at `t_s`; None: not known.
    """

    t_s: float
    climb_mps: float
    air_mps: float
    heading_rad: float
    turn_angle_rad: float
    turning: bool
    place: Place | None


class LiftMap:
    """Collects the latest points."""

    def __init__(self) -> None:
        self.points: deque[LiftPoint] = deque(maxlen=MOST_POINTS)
        self._clear()

    def _clear(self) -> None:
        self._start: tuple[float, float, Place | None] | None = None
        self._time_s = 0.0
        self._climb = 0.0
        self._air = 0.0

    def update(
        self,
        frame: Frame,
        turning: Turning,
        place: Place | None,
        *,
        climb_mps: float | None,
        air_mps: float | None,
        lag_s: float,
    ) -> LiftPoint | None:
        """One frame; returns the point that it completes, if any."""
        t_s, dt_s = frame.t_s, frame.dt_s
        if climb_mps is None or air_mps is None:
            self._clear()
            return None
        if self._start is None:
            self._start = (t_s, turning.turn_angle_rad, place)
            return None
        self._time_s += dt_s
        self._climb += climb_mps * dt_s
        self._air += air_mps * dt_s
        turned = turning.turn_angle_rad - self._start[1]
        if abs(turned) < STEP_RAD and self._time_s < STEP_S:
            return None
        point = self._point(t_s, turning, place, turned, lag_s)
        self.points.append(point)
        self._clear()
        self._start = (t_s, turning.turn_angle_rad, place)
        return point

    def _point(
        self, t_s: float, turning: Turning, place: Place | None, turned: float, lag_s: float
    ) -> LiftPoint:
        assert self._start is not None  # noqa: S101  (the caller has checked)
        start_s, start_rad, start = self._start
        # A first-order lag of τ rotates the map of a circle by atan(ωτ).
        back = math.copysign(math.atan(abs(turning.rate_radps) * lag_s), turning.rate_radps)
        heading_rad = turning.heading_rad - turned / 2 - back
        return LiftPoint(
            (start_s + t_s) / 2 - lag_s,
            self._climb / self._time_s,
            self._air / self._time_s,
            heading_rad % math.tau,
            start_rad + turned / 2,
            turning.now,
            _between(start, place, t_s - start_s, lag_s),
        )


def _between(start: Place | None, end: Place | None, took_s: float, lag_s: float) -> Place | None:
    """The place half-way between two places, earlier by the lag."""
    if start is None or end is None or start.frame != end.frame:
        return None
    share = 0.5 - lag_s / took_s
    north_m = start.north_m + share * (end.north_m - start.north_m)
    east_m = start.east_m + share * (end.east_m - start.east_m)
    return Place(north_m, east_m, end.frame, end.drift_north_mps, end.drift_east_mps)


def drifted_offset_m(point: LiftPoint, place: Place, t_s: float) -> tuple[float, float] | None:
    """How far north and east of `place` the air of a point has drifted by the time `t_s`, m."""
    then = point.place
    if then is None or then.frame != place.frame:
        return None
    elapsed_s = t_s - point.t_s
    return (
        then.north_m + place.drift_north_mps * elapsed_s - place.north_m,
        then.east_m + place.drift_east_mps * elapsed_s - place.east_m,
    )
