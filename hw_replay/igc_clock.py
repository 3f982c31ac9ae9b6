"""Convert the times of day of consecutive fixes into seconds since the first midnight."""

from __future__ import annotations

from datetime import datetime
from typing import Generic, TypeVar

from hw_replay.messages import RejectedValueError

DAY_S = 86_400.0
LONGEST_GAP_S = 900.0
"""After a longer gap a fix is used only if the next one agrees with it."""

_Item = TypeVar("_Item")

Accepted = list[tuple[float, _Item]]
Refused = list[tuple[str, _Item]]


class FixClock(Generic[_Item]):
    """Gives each fix its time, also past midnight, and delays fixes with an implausible time.

    Fix records have no checksum, and one damaged digit of an hour must not move the rest of the flight into
    the next day. So a fix after a long gap waits for the next one.
    """

    def __init__(self) -> None:
        self._last_s: float | None = None
        self._doubtful: tuple[float, _Item] | None = None
        self._date: datetime | None = None
        self._is_new_day = False

    def date(self, date: datetime | None) -> None:
        """Process a date record: after a later date, an earlier time of day belongs to a new day."""
        if date is None:
            return
        self._is_new_day = self._is_new_day or (self._date is not None and date > self._date)
        self._date = date

    def take(self, second_of_day: float, item: _Item) -> tuple[Accepted[_Item], Refused[_Item]]:
        """Process the next fix; returns the accepted fixes in order, and the rejected ones with reasons."""
        t_s = self._unrolled(second_of_day, self._last_s)
        if self._is_new_day and self._last_s is not None and t_s <= self._last_s:
            t_s += DAY_S
        if self._last_s is not None and t_s <= self._last_s:
            same = t_s == self._last_s
            return [], [("second fix for the same time" if same else "time runs backwards", item)]
        if self._last_s is not None and t_s - self._last_s <= LONGEST_GAP_S:
            refused = [("time jumps ahead and back", self._doubtful[1])] if self._doubtful else []
            self._last_s, self._doubtful, self._is_new_day = t_s, None, False
            return [(t_s, item)], refused
        if self._doubtful is None:
            self._doubtful = t_s, item
            return [], []
        earlier = self._doubtful
        t_s = self._unrolled(second_of_day, earlier[0])
        if 0.0 < t_s - earlier[0] <= LONGEST_GAP_S:
            self._last_s, self._doubtful, self._is_new_day = t_s, None, False
            return [earlier, (t_s, item)], []
        self._doubtful = self._unrolled(second_of_day, self._last_s), item
        return [], [("time fits neither the fix before nor the one after it", earlier[1])]

    def time_of(self, second_of_day: float) -> float:
        """The time of another record, which must be near that of the last fix.

        Raises:
            RejectedValueError: if it is not.
        """
        near_s = self._doubtful[0] if self._last_s is None and self._doubtful else self._last_s
        if near_s is not None:
            for shift_s in (0.0, DAY_S, -DAY_S):
                t_s = round(near_s // DAY_S * DAY_S + second_of_day + shift_s, 9)
                if abs(t_s - near_s) <= LONGEST_GAP_S and t_s >= 0.0:
                    return t_s
        raise RejectedValueError("time of a K record is not near that of the fixes")

    def finish(self) -> tuple[Accepted[_Item], Refused[_Item]]:
        """The end of the file: a fix that still waits is used if it is the only one."""
        waiting, self._doubtful = self._doubtful, None
        if waiting is None:
            return [], []
        if self._last_s is None:
            return [waiting], []
        return [], [("a single fix long after the others", waiting[1])]

    @staticmethod
    def _unrolled(second_of_day: float, after_s: float | None) -> float:
        """The time nearest ahead of `after_s`: more than half a day back means past midnight."""
        if after_s is None:
            return round(second_of_day, 9)  # whole nanoseconds, as a recording keeps them
        t_s = round(after_s // DAY_S * DAY_S + second_of_day, 9)
        return t_s + DAY_S if t_s < after_s - DAY_S / 2 else t_s
