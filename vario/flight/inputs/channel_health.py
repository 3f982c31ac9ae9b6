"""The checks of one channel: reject unusable samples, and tell whether the sensor delivers.

Readings count as frozen when a run of equal readings has a probability below 1e-9.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from operator import attrgetter
from types import MappingProxyType
from typing import TypeVar

from drivers.quick import dataclass
from drivers.samples import Channel, Sample

MAX_AGE_S = 2.0
"""A sample older than this on arrival is rejected. GNSS solutions arrive 0.1 to 0.5 s late."""

MISSED_PERIODS = 4.0
"""A sensor counts as missing after this many of its usual periods without a sample."""

GONE_AFTER_S = (0.5, 5.0)
"""Shortest and longest time without a sample after which it counts as missing."""

FROZEN_AFTER = 50
"""This many equal IMU readings in a row mean a frozen sensor: real readings differ by noise."""

PRESSURES_FROZEN_AFTER = 25
"""At least this many equal pressures in a row mean a frozen sensor."""

FROZEN_BY_CHANCE = 1e-9
"""A coarse pressure sensor repeats readings by chance. It counts as frozen only when the probability of the
run of equal readings is below this.
"""

FAST_S = 0.3
"""Sensors with a longer period are not checked for freezing: a height in whole metres once a second may
repeat."""

FIXES_FROZEN_AFTER = 8
"""This many equal GNSS fixes in a row mean a frozen receiver while the glider moves, because then every fix
differs from the one before.
"""

_RUNS_KEPT = 500.0
"""The fraction of repeated readings is averaged over this many readings."""

_REPEATS_MOST = 0.99

SPARSE_S = 3.0
SPARE = 1.5
MOST_SILENT_S = 18.0
"""A recording is sparse if its longest usual step is more than `SPARSE_S`. In it a sensor counts as missing
after `SPARE` times this step, or after `MOST_SILENT_S` if that is shorter.
"""

_S = TypeVar("_S", bound=Sample)


@dataclass(frozen=True, slots=True)
class Watch:
    """The checks of a channel besides its range.

    Attributes:
        max_age_s: a sample older than this on arrival is rejected.
        repeats: initial fraction of readings equal to the one before; None: the value may stay the same. It
            is learned in flight unless it is 0.
        step, step_per_s: a sample is rejected as a spike if it differs from the last good one by more than
            `step` plus `step_per_s` for each second since the sample before.
        step_lasts_s: a change that has lasted this long is accepted.
    """

    max_age_s: float = MAX_AGE_S
    repeats: float | None = None
    step: float = math.inf
    step_per_s: float = 0.0
    step_lasts_s: float = 0.0


ORDINARY = Watch()

WATCHES: Mapping[str, Watch] = MappingProxyType(
    {
        # 1000 Pa/s is a dive at 80 m/s; 100 Pa is more than any noise or gust on a port.
        "baro": Watch(repeats=0.97, step=100.0, step_per_s=1000.0, step_lasts_s=2.0),
        # The estimator finds its jumps, because it knows the expected airspeed.
        "pitot": Watch(repeats=0.97),
        # No glider changes its load by more than 1 g within 0.01 s, or its roll rate by 1 rad/s; the shocks
        # of a landing may, and are not needed. Late inertial samples are worse than none, because all other
        # measurements are compared with them.
        "imu_accel": Watch(0.2, repeats=0.0, step=10.0, step_per_s=100.0, step_lasts_s=1.5),
        "imu_gyro": Watch(0.2, repeats=0.0, step=1.0, step_per_s=20.0, step_lasts_s=1.5),
        "gnss_vel": Watch(step=10.0, step_per_s=20.0, step_lasts_s=5.0),
        # A rise of 15 K within seconds is a fault of the sensor, not a change of the air.
        "oat": Watch(step=5.0, step_per_s=2.0, step_lasts_s=60.0),
    }
)
"""By channel; `ORDINARY` for those not named."""


class ChannelHealth:
    """The checks of one channel, with counts of accepted and rejected samples."""

    def __init__(self, channel: Channel) -> None:
        self.accepted = 0
        self.rejected: Counter[str] = Counter()
        names = tuple(channel.limits)
        # One call fetches all values; attrgetter gives a bare value for a single name.
        self._values = attrgetter(*names) if len(names) > 1 else lambda sample: (getattr(sample, names[0]),)
        self._ranges = tuple((*channel.limits[name], name in channel.optional) for name in names)
        self._watch = WATCHES.get(channel.name, ORDINARY)
        self._max_age_s, self._steps = self._watch.max_age_s, self._watch.step < math.inf
        self._is_fix = channel.name.startswith("gnss_")
        self._gone_after_s = GONE_AFTER_S
        self._period_s = 0.0
        self._long_gaps = 0
        self._repeats = self._watch.repeats or 0.0
        self._equal_before: tuple[float | None, ...] | None = None
        self._equal_in_a_row = 0
        self.reset()

    def expect(self, longest_step_s: float) -> None:
        """Take the longest usual time between samples of a sparse recording; 0: dense."""
        silent_s = min(SPARE * longest_step_s, MOST_SILENT_S)
        self._gone_after_s = (silent_s, silent_s) if longest_step_s > SPARSE_S else GONE_AFTER_S

    def reset(self) -> None:
        """Forget the samples so far: their age is not known any more."""
        self.last_t_s: float | None = None
        self._arrived_s: float | None = None
        self._good: tuple[float | None, ...] | None = None
        self._step_since_s: float | None = None
        self._before_s: float | None = None

    def fresh(self, t_s: float) -> bool:
        """Whether the sensor has delivered recently; the samples themselves may be late."""
        if self._arrived_s is None:
            return False
        silent_s = t_s - self._arrived_s
        low_s, high_s = self._gone_after_s
        return silent_s <= low_s or silent_s <= min(MISSED_PERIODS * self._period_s, high_s)

    def check(self, samples: tuple[_S, ...], now_s: float, *, moving: bool = False) -> tuple[_S, ...]:
        """The usable samples of one frame. `moving`: the glider is known to move over ground."""
        if not samples:
            return samples
        good: list[_S] = []
        for sample in samples:
            reason = self._fault(sample, now_s, moving=moving)
            if reason is None:
                good.append(sample)
                self._arrived_s = now_s
            else:
                self.rejected[reason] += 1
        self.accepted += len(good)
        return samples if len(good) == len(samples) else tuple(good)

    def _fault(self, sample: Sample, now_s: float, *, moving: bool) -> str | None:
        t_s, last_s = sample.t_s, self.last_t_s
        if now_s - t_s > self._max_age_s:
            return "late"
        if last_s is not None and t_s <= last_s:
            return "duplicate or out of order"
        values: tuple[float | None, ...] = self._values(sample)
        for value, (low, high, optional) in zip(values, self._ranges):  # noqa: B905  (it costs more than the loop)
            # A NaN is in no range; the limits are finite, so neither is an infinity.
            if not (optional if value is None else low <= value <= high):
                return "out of range"
        if self._frozen(values, moving=moving):
            return "frozen"
        if self._steps and self._leaps(values, t_s):
            return "spike"
        if last_s is not None:
            self._follow_rate(t_s - last_s)
        self.last_t_s, self._good = t_s, values
        return None

    def _follow_rate(self, gap_s: float) -> None:
        # A slow mean follows the usual period; a long gap is an outage, not a new period.
        period_s = self._period_s
        if gap_s < 10.0 * period_s:
            self._period_s = period_s + 0.05 * (gap_s - period_s)
            self._long_gaps = 0
        elif period_s == 0.0:
            self._period_s = gap_s
        else:
            # One long gap is an outage; the third in a row is the sensor's real rate.
            self._long_gaps += 1
            if self._long_gaps >= 3:
                self._period_s, self._long_gaps = gap_s, 0

    def _frozen(self, values: tuple[float | None, ...], *, moving: bool) -> bool:
        if values == self._equal_before:
            self._equal_in_a_row += 1
            if self._is_fix:
                return moving and self._equal_in_a_row >= FIXES_FROZEN_AFTER
            return self._watch.repeats is not None and self._equal_in_a_row >= self._most_equal()
        run = self._equal_in_a_row
        if self._repeats > 0.0 and (run < PRESSURES_FROZEN_AFTER or run < self._most_equal()):
            share = self._repeats + (run - (run + 1) * self._repeats) / _RUNS_KEPT
            self._repeats = min(share, _REPEATS_MOST)
        self._equal_before, self._equal_in_a_row = values, 0
        return False

    def _most_equal(self) -> float:
        """How many equal readings in a row are possible by chance."""
        if self._repeats == 0.0:
            return FROZEN_AFTER
        if self._period_s > FAST_S:
            return math.inf
        return max(PRESSURES_FROZEN_AFTER, math.log(FROZEN_BY_CHANCE) / math.log(self._repeats))

    def _leaps(self, values: tuple[float | None, ...], t_s: float) -> bool:
        """Whether a value has changed faster than it can, and the change has not lasted yet."""
        watch = self._watch
        before_s, self._before_s = self._before_s, t_s
        if self._good is None or before_s is None:
            return False
        passed_s = t_s - before_s
        most = watch.step + watch.step_per_s * passed_s if passed_s > 0.0 else watch.step
        for value, good in zip(values, self._good):  # noqa: B905  (likewise)
            if value is not None and good is not None and not -most <= value - good <= most:
                break
        else:
            self._step_since_s = None
            return False
        if self._step_since_s is None:
            self._step_since_s = t_s
        if t_s - self._step_since_s < watch.step_lasts_s:
            return True
        self._step_since_s = None
        return False
