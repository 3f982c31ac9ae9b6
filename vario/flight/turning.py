"""How the glider turns: from the gyro where there is one, else from the GNSS track."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.samples import GnssVel
from vario.flight.attitude import Attitude
from vario.flight.health import Inputs
from vario.settings.schema import Circling

PAUSE_S = 2.0
"""A turn may slacken this long (a correction in the thermal) without its count starting again."""

RATE_LAG_S = 1.0
"""Smoothing of the turn rate: a wobble of the nose is not a turn."""

TRACK_SPEED_MPS = 5.0
"""Slower than this over ground, a track says nothing."""


@dataclass(frozen=True, slots=True)
class Turning:
    """State of turning.

    `rate_radps` is smoothed, right positive. `turned_rad` counts the heading change of the present turn in
    one direction, `since_s` is when it began; both start again when the turn ends or reverses.
    `active` outlasts a short pause in the turn, `now` does not. `heading_rad` is all turning summed since
    the start, unbounded, its zero arbitrary.
    """

    rate_radps: float
    turned_rad: float
    since_s: float
    heading_rad: float
    active: bool
    now: bool


class TurningStage:
    """Follows the turn rate and counts the present turn."""

    def __init__(self, settings: Circling) -> None:
        self._min_rate_radps = settings.turn_rate_radps
        self._rate_radps = 0.0
        self._track_rate_radps = 0.0
        self._heading_rad = 0.0
        self._turned_rad = 0.0
        self._since_s = 0.0
        self._slack_s = 0.0
        self._active = False
        self._last: GnssVel | None = None

    def update(self, inputs: Inputs, attitude: Attitude | None) -> Turning:
        """One frame."""
        t_s, dt_s = inputs.frame.t_s, inputs.frame.dt_s
        for sample in inputs.frame.gnss_vel:
            self._follow_track(sample)
        if not inputs.has_gnss:
            self._track_rate_radps = 0.0
            self._last = None
        raw = self._track_rate_radps if attitude is None else attitude.turn_rate_radps
        self._rate_radps += min(1.0, dt_s / RATE_LAG_S) * (raw - self._rate_radps)
        step = raw * dt_s
        self._heading_rad += step
        self._count(step, t_s, dt_s)
        return Turning(
            self._rate_radps,
            self._turned_rad,
            self._since_s,
            self._heading_rad,
            self._active,
            self._active and self._slack_s == 0.0,
        )

    def _follow_track(self, sample: GnssVel) -> None:
        last, self._last = self._last, sample
        if last is None or math.hypot(sample.north_mps, sample.east_mps) < TRACK_SPEED_MPS:
            self._track_rate_radps = 0.0
            return
        self._track_rate_radps = track_change_rad(last, sample) / (sample.t_s - last.t_s)

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


def track_change_rad(before: GnssVel, after: GnssVel) -> float:
    """Change of the direction over ground, right positive, the shorter way round."""
    track_rad = math.atan2(after.east_mps, after.north_mps)
    return math.remainder(track_rad - math.atan2(before.east_mps, before.north_mps), math.tau)
