"""Health of inputs: which samples may be used, and which sensors are there at all.

A sample is refused when its value is not finite or physically impossible, when it repeats or runs
back in time, or when it comes too late to say anything about now. A refused sample is missing: the
sensor ages, and after a few of its own periods it counts as gone until it returns.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from operator import attrgetter
from typing import TypeVar

from drivers.quick import quick
from drivers.samples import CHANNELS, Channel, Sample
from vario.flight.frames import Frame

MAX_AGE_S = 2.0
"""A sample older than this on arrival is useless to a vario. GNSS solutions come 0.1 to 0.5 s late."""

MISSED_PERIODS = 4.0
"""A sensor counts as gone after this many of its own usual periods without a sample, ..."""

GONE_AFTER_S = (0.5, 5.0)
"""... but never sooner or later than this."""

FROZEN_AFTER = 50
"""Exactly equal IMU readings in a row that mean a hung sensor: real ones differ by noise."""

COVERED_PA = 60.0
COVERED_GROUND_MPS = 25.0
COVERED_AFTER_S = 5.0
"""A pitot that shows less than 10 m/s for so long while the ground passes at 25 m/s is covered: no glider
flies so slowly, and no wind of 15 m/s and more pushes one that stands."""

_S = TypeVar("_S", bound=Sample)


@quick
@dataclass(frozen=True, slots=True)
class Inputs:
    """A frame reduced to samples that may be used, with what is known of each sensor.

    `has_*` says the sensor is there: it has delivered within a few of its usual periods.
    """

    frame: Frame
    has_baro: bool
    has_pitot: bool
    has_imu: bool
    has_gnss: bool
    """There are velocities over ground; positions may still be missing (a two-dimensional fix)."""
    has_position: bool = False


class _ChannelHealth:
    """The checks of one channel and what they counted."""

    def __init__(self, channel: Channel, *, can_freeze: bool) -> None:
        self.accepted = 0
        self.rejected: Counter[str] = Counter()
        self.last_t_s: float | None = None
        names = tuple(channel.limits)
        # One call fetches all values; attrgetter gives a bare value for a single name.
        self._values = attrgetter(*names) if len(names) > 1 else lambda sample: (getattr(sample, names[0]),)
        self._possible = _possible_of([(*channel.limits[name], name in channel.optional) for name in names])
        self._period_s = 0.0
        self._long_gaps = 0
        self._can_freeze = can_freeze
        self._last_values: tuple[float | None, ...] | None = None
        self._equal_in_a_row = 0

    def fresh(self, t_s: float) -> bool:
        """Whether the sensor has delivered recently enough."""
        if self.last_t_s is None:
            return False
        age_s = t_s - self.last_t_s
        low_s, high_s = GONE_AFTER_S
        return age_s <= low_s or age_s <= min(MISSED_PERIODS * self._period_s, high_s)

    def check(self, samples: tuple[_S, ...], now_s: float) -> tuple[_S, ...]:
        """The usable ones of the samples of one frame; the very same tuple if all are."""
        reasons = [self._fault(sample, now_s) for sample in samples]
        refused = [reason for reason in reasons if reason is not None]
        self.accepted += len(samples) - len(refused)
        if not refused:
            return samples
        self.rejected.update(refused)
        return tuple(sample for sample, reason in zip(samples, reasons, strict=True) if reason is None)

    def _fault(self, sample: Sample, now_s: float) -> str | None:
        t_s = sample.t_s
        if now_s - t_s > MAX_AGE_S:
            return "late"
        if self.last_t_s is not None and t_s <= self.last_t_s:
            return "duplicate or out of order"
        values: tuple[float | None, ...] = self._values(sample)
        if not self._possible(*values):
            return "out of range"
        if self._can_freeze and self._frozen(values):
            return "frozen"
        if self.last_t_s is not None:
            gap_s = t_s - self.last_t_s
            # A slow mean follows the usual rate; a long gap is an outage, not a new rate.
            if self._period_s == 0.0:
                self._period_s = gap_s
            elif gap_s < 10.0 * self._period_s:
                self._period_s += 0.05 * (gap_s - self._period_s)
                self._long_gaps = 0
            else:
                # One long gap is an outage; the third in a row is the sensor's real rate.
                self._long_gaps += 1
                if self._long_gaps >= 3:
                    self._period_s, self._long_gaps = gap_s, 0
        self.last_t_s = t_s
        return None

    def _frozen(self, values: tuple[float | None, ...]) -> bool:
        self._equal_in_a_row = self._equal_in_a_row + 1 if values == self._last_values else 0
        self._last_values = values
        return self._equal_in_a_row >= FROZEN_AFTER


def _possible_of(ranges: list[tuple[float, float, bool]]) -> Callable[..., bool]:
    """A check of a channel's values, for ranges of (low, high, optional).

    A NaN is in no range; the limits are finite, so neither is an infinity. The channels of one and of three
    values, none of them optional, are nearly all that comes in, and are written out for speed.
    """
    plain = not any(optional for _, _, optional in ranges)
    if plain and len(ranges) == 1:
        ((low, high, _),) = ranges
        return lambda value: value is not None and low <= value <= high
    if plain and len(ranges) == 3:
        (a, b, _), (c, d, _), (e, f, _) = ranges
        return lambda x, y, z: None not in (x, y, z) and a <= x <= b and c <= y <= d and e <= z <= f

    def possible(*values: float | None) -> bool:
        return all(
            optional if value is None else low <= value <= high
            for value, (low, high, optional) in zip(values, ranges, strict=True)
        )

    return possible


class _CoverWatch:
    """Finds a pitot that is covered or blocked: it reads nothing while the ground passes at flying speed.

    What has been found stands until the pitot reads again.
    """

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._ground_mps = 0.0

    def covered(self, frame: Frame, *, has_gnss: bool) -> bool:
        """Whether the pitot's samples of this frame, and of the last seconds, are those of a covered one."""
        for velocity in frame.gnss_vel:
            self._ground_mps = math.hypot(velocity.north_mps, velocity.east_mps)
        reads = bool(frame.pitot) and frame.pitot[-1].impact_pa > COVERED_PA
        slow = not has_gnss or self._ground_mps < COVERED_GROUND_MPS
        known = self._since_s is not None and frame.t_s - self._since_s > COVERED_AFTER_S
        if reads or (slow and not known):
            self._since_s = None
        elif frame.pitot and self._since_s is None and not slow:
            self._since_s = frame.t_s
        return self._since_s is not None and frame.t_s - self._since_s > COVERED_AFTER_S


_CHECKED = (
    ("baro", "baro"),
    ("pitot", "pitot"),
    ("accel", "imu_accel"),
    ("gyro", "imu_gyro"),
    ("gnss_pos", "gnss_pos"),
    ("gnss_vel", "gnss_vel"),
    ("oat", "oat"),
    ("load_factor", "load_factor"),
    ("supply", "supply"),
)
"""The fields of a frame and the channel each is of."""


class HealthStage:
    """Checks every sample of a frame before anything uses it."""

    def __init__(self) -> None:
        self._cover = _CoverWatch()
        self.channels = {
            name: _ChannelHealth(channel, can_freeze=name.startswith("imu_"))
            for name, channel in CHANNELS.items()
        }

    def update(self, frame: Frame) -> Inputs:
        """The usable part of `frame`."""
        t_s = frame.t_s
        c = self.channels
        if frame.dt_s == 0.0:
            for channel in c.values():
                channel.last_t_s = None  # the clock has jumped: what came before has no time any more
        checked = frame
        for field, name in _CHECKED:
            samples = getattr(frame, field)
            if samples:
                usable = c[name].check(samples, t_s)
                if usable is not samples:
                    checked = replace(checked, **{field: usable})  # type: ignore[arg-type]  # by name
        covered = self._cover.covered(checked, has_gnss=c["gnss_vel"].fresh(t_s))
        if covered and checked.pitot:
            c["pitot"].rejected["covered or blocked"] += len(checked.pitot)
            c["pitot"].accepted -= len(checked.pitot)
            checked = replace(checked, pitot=())
        fresh: Callable[[str], bool] = lambda name: c[name].fresh(t_s)  # noqa: E731  (six uses, one line)
        return Inputs(
            checked,
            has_baro=fresh("baro"),
            has_pitot=fresh("pitot") and not covered,
            has_imu=fresh("imu_accel") and fresh("imu_gyro"),
            has_gnss=fresh("gnss_vel"),
            has_position=fresh("gnss_pos"),
        )
