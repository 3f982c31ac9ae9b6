"""Decide whether the present circling continues, from the turning in its direction in the last seconds.

The turning is summed over a fixed time. So a short correction of the heading does not end the circling, and a
turn the other way, to the next course, reduces the sum.
"""

from __future__ import annotations

import math
from collections import deque

from vario.flight.motion.turning import Turning

STEP_S = 0.1
"""Spacing of the stored angles."""


class CircleWatch:
    """Follows the direction of the circle and the turning in it."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """There is no circle."""
        self._direction = 0.0  # +1 right, -1 left, 0 not known
        self._angles: deque[tuple[float, float]] = deque()
        self._left_s: float | None = None
        self._left_rad = 0.0

    def begin(self, turning: Turning) -> None:
        """Circling begins in the direction of the present turn."""
        self._direction = math.copysign(1.0, turning.turned_rad or turning.rate_radps)
        self._angles.clear()

    def leave(self, t_s: float, turning: Turning) -> None:
        """Circling has ended."""
        self._left_s, self._left_rad = t_s, turning.turn_angle_rad
        self._angles.clear()

    def since_left_s(self, t_s: float) -> float:
        """Time since the last circling ended; infinite if there was none."""
        return math.inf if self._left_s is None else t_s - self._left_s

    def turned_rad(self, turning: Turning) -> float:
        """The present turn, right positive, without the part that belongs to circling that has ended."""
        if self._left_s is None or turning.since_s > self._left_s:
            return turning.turned_rad
        return turning.turn_angle_rad - self._left_rad if turning.active else 0.0

    def turned_on_rad(self, turning: Turning) -> float:
        """The same, positive in the direction of the last circle."""
        return self._direction * self.turned_rad(turning)

    def turned_lately_rad(
        self, t_s: float, turning: Turning, window_s: float, whole_rad: float
    ) -> float | None:
        """Turning in the direction of the circle in the last `window_s`; None before it is known.

        A turn by `whole_rad` the other way is a circle in the new direction.
        """
        if not turning.known:
            self._angles.clear()
            return None
        if (
            not self._direction or self._direction * turning.turned_rad < -whole_rad
        ):  # not known after a break in time
            self.begin(turning)
        angles = self._angles
        if not angles or t_s - angles[-1][0] >= STEP_S * 0.99:
            angles.append((t_s, turning.turn_angle_rad))
        while len(angles) > 1 and angles[1][0] <= t_s - window_s:
            angles.popleft()
        then_s, then_rad = angles[0]
        if then_s > t_s - window_s:
            return None
        return self._direction * (turning.turn_angle_rad - then_rad) * window_s / (t_s - then_s)
