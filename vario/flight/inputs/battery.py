"""Low battery, from the supply voltage."""

from __future__ import annotations

from drivers.quick import dataclass
from drivers.samples import Supply
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

LASTING_S = 10.0
"""A transmitting radio lowers the voltage for less than this (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Battery:
    """The battery.

    Attributes:
        low: the voltage has been below the limit for `LASTING_S`.
        volt_v: the latest voltage; None if there is no sensor, or it has been silent for `LASTING_S`.
    """

    low: bool
    volt_v: float | None


NO_BATTERY = Battery(low=False, volt_v=None)


class BatteryStage:
    """Low after `LASTING_S` below the voltage set, until a reading is above it again.

    If the sensor falls silent the battery does not count as low.
    """

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed voltage; None: the battery is never low."""
        self._low_v = setup.settings.sensors.supply.low_voltage_v

    def reset(self, reason: ResetReason) -> None:
        """Forget for how long the voltage has been low."""
        self._since_s: float | None = None
        self._latest_s = 0.0
        self._volt_v: float | None = None

    def update(self, t_s: float, supply: tuple[Supply, ...]) -> Battery:
        """The battery at `t_s`."""
        for sample in supply:
            self._latest_s = sample.t_s
            self._volt_v = sample.volt_v
            if self._low_v is None or sample.volt_v >= self._low_v:
                self._since_s = None
            elif self._since_s is None:
                self._since_s = sample.t_s
        if t_s - self._latest_s > LASTING_S:
            self._since_s = self._volt_v = None
        low = self._since_s is not None and t_s - self._since_s >= LASTING_S
        return Battery(low, self._volt_v)
