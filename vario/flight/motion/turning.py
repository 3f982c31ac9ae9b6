"""How the glider turns: from the gyro, from the GNSS track, or from both.

With both, the gyro leads and the track takes out its slow drift: around a whole turn, wind or not, the two
must have turned equally far. Where the wind is known the track is that through the air, so a circle in
wind turns evenly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from drivers.quick import quick
from drivers.samples import GnssVel
from vario.flight.core.low_pass import low_pass_weight
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

PAUSE_S = 2.0
"""A turn may slacken this long (a correction in the thermal) without its count starting again."""

RATE_LAG_S = 1.0
"""Smoothing of the turn rate: a wobble of the nose is not a turn."""

TRACK_SPEED_MPS = 5.0
"""Slower than this, a track says nothing."""

LONGEST_STEP_S = 4.0
"""Between two velocities further apart than this a fast circle could turn more than half round."""

AHEAD_S = 2.0
"""A track is carried on with its last rate for as long as this until the next velocity arrives."""

DRIFT_LAG_S = 90.0
"""The gyro's drift is found over several turns, so that the wind's part in the track averages out, ..."""

MOST_DRIFT_RADPS = math.radians(2.0)
"""... and is no larger than this: beyond, one of the two sensors is broken, and the gyro is believed."""

NORTH_LAG_S = 8.0
"""How slowly the gyro's heading is pulled to the direction of flight found by GNSS."""


class AirDrift(Protocol):
    """How the air moves over ground: the wind."""

    @property
    def north_mps(self) -> float:
        """Towards north."""

    @property
    def east_mps(self) -> float:
        """Towards east."""


@quick
@dataclass(frozen=True, slots=True)
class Turning:
    """State of turning.

    `rate_radps` is smoothed, right positive. `turned_rad` counts the heading change of the present turn in
    one direction, `since_s` is when it began; both start again when the turn ends or reverses.
    `active` outlasts a short pause in the turn, `now` does not. `turn_angle_rad` is all turning summed since
    the start, unbounded, its zero arbitrary. `heading_rad` is the direction of flight through the air, from
    true north if `from_north`, else from an arbitrary zero, 0 to 2π.
    """

    rate_radps: float
    turned_rad: float
    since_s: float
    turn_angle_rad: float
    active: bool
    now: bool
    heading_rad: float = 0.0
    from_north: bool = False
    known: bool = True
    """Whether anything tells of turning now: without, the rate fades to 0 and means nothing."""


class TurningStage:
    """Follows the turn rate and counts the present turn."""

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed threshold of the turn rate."""
        self._min_rate_radps = setup.settings.circling.turn_rate_radps

    def reset(self, reason: ResetReason) -> None:
        """Forget the turn, the heading and the drift of the gyro."""
        self._rate_radps = 0.0
        self._turn_angle_rad = 0.0
        self._turned_rad = 0.0
        self._since_s = 0.0
        self._slack_s = 0.0
        self._active = False
        self._track = _Track()
        self._drift_radps = 0.0
        self._north_rad: float | None = None

    def update(self, inputs: Inputs, attitude: Attitude | None, wind: AirDrift | None = None) -> Turning:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if not inputs.has_gnss:
            self._track = _Track()
            self._north_rad = None
        for sample in inputs.frame.gnss_vel:
            self._track.take(sample, wind)
            if attitude is not None:
                self._compare(sample, attitude.turn_rate_radps, t_s - dt_s)
        raw = self._track.rate_radps if attitude is None else attitude.turn_rate_radps - self._drift_radps
        # Asked in every frame: what the gyro has counted must not be counted again when it falls out.
        tracked_rad = self._track.step_rad(t_s)
        step = raw * dt_s if attitude is not None else tracked_rad
        self._rate_radps += low_pass_weight(dt_s, RATE_LAG_S) * (raw - self._rate_radps)
        self._turn_angle_rad += step
        self._count(step, t_s, dt_s)
        heading_rad = self._turn_angle_rad + (self._north_rad or 0.0)
        if attitude is None and self._track.direction_rad is not None:
            heading_rad = self._track.now_rad(t_s)
            # Kept in step, so that a gyro that comes in starts from here.
            self._north_rad = math.remainder(heading_rad - self._turn_angle_rad, math.tau)
        return Turning(
            self._rate_radps,
            self._turned_rad,
            self._since_s,
            self._turn_angle_rad,
            self._active,
            self._active and self._slack_s == 0.0,
            heading_rad % math.tau,
            self._north_rad is not None,
            known=attitude is not None or self._track.direction_rad is not None,
        )

    def _compare(self, sample: GnssVel, turn_rate_radps: float, before_s: float) -> None:
        """Hold the gyro against the track: its drift, and where north is.

        The heading is still that of the frame before, at `before_s`.
        """
        direction = self._track.direction_rad
        if direction is None:
            return
        if self._track.step_s > 0.0:
            share = low_pass_weight(self._track.step_s, DRIFT_LAG_S)
            apart = turn_rate_radps - self._track.rate_radps - self._drift_radps
            wanted = self._drift_radps + share * apart
            self._drift_radps = max(-MOST_DRIFT_RADPS, min(MOST_DRIFT_RADPS, wanted))
        then_rad = self._turn_angle_rad + self._rate_radps * (sample.t_s - before_s)
        off = direction - then_rad
        if self._north_rad is None:
            self._north_rad = math.remainder(off, math.tau)
            return
        share = low_pass_weight(self._track.step_s, NORTH_LAG_S)
        self._north_rad += share * math.remainder(off - self._north_rad, math.tau)

    def _count(self, step_rad: float, t_s: float, dt_s: float) -> None:
        turning = abs(self._rate_radps) >= self._min_rate_radps
        same_way = self._turned_rad == 0.0 or self._rate_radps * self._turned_rad > 0.0
        if turning and same_way:
            if self._turned_rad == 0.0:
                self._since_s = t_s
            self._slack_s = 0.0
            self._turned_rad += step_rad
            self._active = True
            return
        self._slack_s += dt_s
        self._active = self._slack_s < PAUSE_S and self._turned_rad != 0.0
        if turning or not self._active:
            # Reversed or over: the count starts again, at once when already turning the other way.
            self._turned_rad = step_rad if turning else 0.0
            self._since_s = t_s
            self._slack_s = 0.0
            self._active = turning
        else:
            self._turned_rad += step_rad


class _Track:
    """The direction of flight from GNSS velocities, carried on between them."""

    def __init__(self) -> None:
        self.rate_radps = 0.0
        self.direction_rad: float | None = None
        self.step_s = 0.0
        self._last: GnssVel | None = None
        self._given_rad = 0.0  # of what was turned since the last velocity, how much is already counted
        self._owed_rad = 0.0

    def take(self, sample: GnssVel, wind: AirDrift | None) -> None:
        last, self._last = self._last, sample
        north_mps, east_mps = (0.0, 0.0) if wind is None else (wind.north_mps, wind.east_mps)
        here = (sample.north_mps - north_mps, sample.east_mps - east_mps)
        self.step_s = 0.0 if last is None else sample.t_s - last.t_s
        slow = math.hypot(*here) < TRACK_SPEED_MPS
        if last is None or slow or not 0.0 < self.step_s <= LONGEST_STEP_S:
            self.rate_radps = self.step_s = 0.0
            self.direction_rad = None if slow else math.atan2(here[1], here[0])
            self._given_rad = self._owed_rad = 0.0
            return
        # The same wind for both, or a new estimate of it would look like a turn.
        there = (last.north_mps - north_mps, last.east_mps - east_mps)
        self.direction_rad = math.atan2(here[1], here[0])
        change = math.remainder(self.direction_rad - math.atan2(there[1], there[0]), math.tau)
        self.rate_radps = change / self.step_s
        # What was carried on too far or not far enough since the last velocity is made good.
        self._owed_rad += change
        self._owed_rad -= self._given_rad
        self._given_rad = 0.0

    def now_rad(self, t_s: float) -> float:
        """The direction now; only where there is one."""
        assert self.direction_rad is not None  # noqa: S101  (the caller has checked)
        return self.direction_rad + self._ahead_rad(t_s)

    def step_rad(self, t_s: float) -> float:
        """The turning to count for this frame."""
        ahead = self._ahead_rad(t_s)
        step = ahead - self._given_rad + self._owed_rad
        self._given_rad = ahead
        self._owed_rad = 0.0
        return step

    def _ahead_rad(self, t_s: float) -> float:
        if self._last is None:
            return 0.0
        return self.rate_radps * max(0.0, min(t_s - self._last.t_s, AHEAD_S))


def track_change_rad(before: GnssVel, after: GnssVel) -> float:
    """Change of the direction over ground, right positive, the shorter way round."""
    track_rad = math.atan2(after.east_mps, after.north_mps)
    return math.remainder(track_rad - math.atan2(before.east_mps, before.north_mps), math.tau)
