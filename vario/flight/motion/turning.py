"""Turn rate, turn angle and heading, from the gyro, from the GNSS track, or from both.

With both, the turn rate is that of the gyro, and the track corrects the slow drift of the gyro: over a full
turn, both turn by the same angle, in any wind. If the wind is known, the track through the air is used, so
that a circle in wind turns evenly.
"""

from __future__ import annotations

import math
from typing import Protocol

from drivers.quick import dataclass
from drivers.samples import GnssVel
from vario.flight.core.low_pass import low_pass_weight
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

PAUSE_S = 2.0
"""A turn may be interrupted for this long (a correction in the thermal) before it ends."""

RATE_LAG_S = 1.0
"""Smoothing of the turn rate: a short yaw is not a turn."""

TRACK_SPEED_MPS = 5.0
"""Below this ground speed a track is not used."""

LONGEST_STEP_S = 4.0
"""Two velocities further apart than this give no turn rate: a fast circle could turn by more than half a turn
between them.
"""

SPARSE_STEP_S = 8.0
"""In a sparse recording velocities up to its longest usual step apart are used, but not beyond this: a
circle of 16 s turns by half a turn in it."""

AHEAD_S = 2.0
"""A track is extrapolated with its latest rate for this long until the next velocity arrives."""

DRIFT_LAG_S = 90.0
"""The drift of the gyro is averaged over several turns, so that the effect of the wind averages out."""

MOST_DRIFT_RADPS = math.radians(2.0)
"""Limit of the drift. If gyro and track differ by more, one of them is broken, and the gyro is used."""

NORTH_LAG_S = 8.0
"""Time constant with which the heading of the gyro follows the direction of flight from GNSS."""


class AirDrift(Protocol):
    """Velocity of the air over ground: the wind."""

    @property
    def north_mps(self) -> float:
        """Towards north."""

    @property
    def east_mps(self) -> float:
        """Towards east."""


@dataclass(frozen=True, slots=True)
class Turning:
    """State of turning.

    Attributes:
        rate_radps: smoothed, right positive.
        turned_rad: change of heading in the present turn; starts again when the turn ends or reverses.
        since_s: when the present turn began.
        turn_angle_rad: sum of all turning since the start, unbounded, with an arbitrary zero.
        active: the glider turns; stays set in a short interruption of the turn.
        now: the glider turns at present; not set in an interruption.
        heading_rad: direction of flight through the air, 0 to 2π.
        from_north: `heading_rad` is from true north; otherwise its zero is arbitrary.
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
    """A sensor measures the turning now; otherwise the rate fades to 0 and is not valid."""


class TurningStage:
    """Computes the turn rate and the angle of the present turn."""

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed threshold of the turn rate."""
        self._min_rate_radps = setup.settings.circling.min_turn_rate_radps
        step_s = min(setup.longest_step_s, SPARSE_STEP_S)
        self._longest_step_s, self._ahead_s = max(LONGEST_STEP_S, step_s), max(AHEAD_S, step_s)

    def reset(self, reason: ResetReason) -> None:
        """Forget the turn, the heading and the drift of the gyro."""
        self._rate_radps = 0.0
        self._turn_angle_rad = 0.0
        self._turned_rad = 0.0
        self._since_s = 0.0
        self._slack_s = 0.0
        self._active = False
        self._track = _Track(self._longest_step_s, self._ahead_s)
        self._drift_radps = 0.0
        self._north_rad: float | None = None

    def update(self, inputs: Inputs, attitude: Attitude | None, wind: AirDrift | None = None) -> Turning:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        if not inputs.has_gnss:
            self._track = _Track(self._longest_step_s, self._ahead_s)
            self._north_rad = None
        for sample in inputs.frame.gnss_vel:
            self._track.take(sample, wind)
            if attitude is not None:
                self._compare(sample, attitude.turn_rate_radps, t_s - dt_s)
        raw = self._track.rate_radps if attitude is None else attitude.turn_rate_radps - self._drift_radps
        # Called in every frame: turning counted by the gyro must not be counted again if the gyro fails.
        tracked_rad = self._track.step_rad(t_s)
        step = raw * dt_s if attitude is not None else tracked_rad
        self._rate_radps += low_pass_weight(dt_s, RATE_LAG_S) * (raw - self._rate_radps)
        self._turn_angle_rad += step
        self._count(step, t_s, dt_s)
        heading_rad = self._turn_angle_rad + (self._north_rad or 0.0)
        if attitude is None and self._track.direction_rad is not None:
            heading_rad = self._track.now_rad(t_s)
            # The heading of a gyro that starts to deliver continues from here.
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
        """Compare the gyro with the track: update its drift, and the direction of north.

        The turn angle is still that of the frame before, at `before_s`.
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
            # The turn has reversed or ended: start counting again, at once if it has reversed.
            self._turned_rad = step_rad if turning else 0.0
            self._since_s = t_s
            self._slack_s = 0.0
            self._active = turning
        else:
            self._turned_rad += step_rad


class _Track:
    """The direction of flight from GNSS velocities, extrapolated between them."""

    def __init__(self, longest_step_s: float, ahead_s: float) -> None:
        self._longest_step_s = longest_step_s
        self._ahead_s = ahead_s
        self.rate_radps = 0.0
        self.direction_rad: float | None = None
        self.step_s = 0.0
        self._last: GnssVel | None = None
        self._counted_rad = 0.0  # the part of the turning since the last velocity that is already counted
        self._correction_rad = 0.0  # of the turning counted before, for the next frame

    def take(self, sample: GnssVel, wind: AirDrift | None) -> None:
        last, self._last = self._last, sample
        north_mps, east_mps = (0.0, 0.0) if wind is None else (wind.north_mps, wind.east_mps)
        here = (sample.north_mps - north_mps, sample.east_mps - east_mps)
        self.step_s = 0.0 if last is None else sample.t_s - last.t_s
        slow = math.hypot(*here) < TRACK_SPEED_MPS
        if last is None or slow or not 0.0 < self.step_s <= self._longest_step_s:
            self.rate_radps = self.step_s = 0.0
            self.direction_rad = None if slow else math.atan2(here[1], here[0])
            self._counted_rad = self._correction_rad = 0.0
            return
        # The same wind is used for both, because a new estimate of it would look like a turn.
        there = (last.north_mps - north_mps, last.east_mps - east_mps)
        self.direction_rad = math.atan2(here[1], here[0])
        change = math.remainder(self.direction_rad - math.atan2(there[1], there[0]), math.tau)
        self.rate_radps = change / self.step_s
        # Correct the error of the extrapolation since the last velocity.
        self._correction_rad += change
        self._correction_rad -= self._counted_rad
        self._counted_rad = 0.0

    def now_rad(self, t_s: float) -> float:
        """The direction now; only if `direction_rad` is known."""
        assert self.direction_rad is not None  # noqa: S101  (the caller has checked)
        return self.direction_rad + self._ahead_rad(t_s)

    def step_rad(self, t_s: float) -> float:
        """The turning to count for this frame."""
        ahead = self._ahead_rad(t_s)
        step = ahead - self._counted_rad + self._correction_rad
        self._counted_rad = ahead
        self._correction_rad = 0.0
        return step

    def _ahead_rad(self, t_s: float) -> float:
        if self._last is None:
            return 0.0
        return self.rate_radps * max(0.0, min(t_s - self._last.t_s, self._ahead_s))


def track_change_rad(before: GnssVel, after: GnssVel) -> float:
    """Change of the direction over ground, right positive, between -π and π."""
    track_rad = math.atan2(after.east_mps, after.north_mps)
    return math.remainder(track_rad - math.atan2(before.east_mps, before.north_mps), math.tau)
