"""Whether the battery is running down, from the supply voltage."""

from __future__ import annotations

from drivers.samples import Supply

LASTING_S = 10.0
"""A radio that transmits pulls the voltage down for less than this (common practice, no source)."""


class BatteryStage:
    """Low after `LASTING_S` below the voltage set, until a reading is above it again.

    A sensor that falls silent says nothing: what was last known does not stay known.

    Args:
        low_v: below this it is low; None: never.
    """

    def __init__(self, low_v: float | None) -> None:
        self._low_v = low_v
        self._since_s: float | None = None
        self._latest_s = 0.0

    def configure(self, low_v: float | None) -> None:
        """Another voltage from now on."""
        self._low_v = low_v

    def begin_again(self) -> None:
        """The clock has jumped: how long it has been low is not known any more."""
        self._since_s = None
        self._latest_s = 0.0

    def update(self, t_s: float, supply: tuple[Supply, ...]) -> bool:
        """Whether it is low at `t_s`."""
        for sample in supply:
            self._latest_s = sample.t_s
            if self._low_v is None or sample.volt_v >= self._low_v:
                self._since_s = None
            elif self._since_s is None:
                self._since_s = sample.t_s
        if self._since_s is not None and t_s - self._latest_s > LASTING_S:
            self._since_s = None
        return self._since_s is not None and t_s - self._since_s >= LASTING_S
