"""Select readings at a constant rate from frames at irregular times."""

from __future__ import annotations


class Pacer:
    """Selects readings at a constant rate from frames at irregular times."""

    def __init__(self, rate_hz: float) -> None:
        self._period_s = 1.0 / rate_hz
        self._next_s: float | None = None

    def due(self, t_s: float) -> bool:
        """Whether the reading at `t_s` is the next one to keep."""
        if self._next_s is not None and t_s < self._next_s - 1e-6:
            return False
        # A fixed grid gives the correct mean rate for any times of the frames.
        self._next_s = (int(t_s / self._period_s + 1e-6) + 1) * self._period_s
        return True
