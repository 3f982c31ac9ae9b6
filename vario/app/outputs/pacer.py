"""A steady rate out of frames that come as they come."""

from __future__ import annotations


class Pacer:
    """Picks readings at a steady rate out of frames that come as they come."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._next_s: float | None = None

    def due(self, t_s: float) -> bool:
        """Whether the reading at `t_s` is the next one to keep."""
        if self._next_s is not None and t_s < self._next_s - 1e-6:
            return False
        # On a fixed grid, so the rate holds on average whatever the frames do.
        self._next_s = (int(t_s / self._period_s + 1e-6) + 1) * self._period_s
        return True
