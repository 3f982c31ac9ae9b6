"""Make the sensors from the settings: each fitted chip with its driver and its bus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from drivers.bus import Bus, SmBus
from drivers.errors import SensorError
from drivers.port import Port, TtyPort
from drivers.quick import dataclass
from drivers.registry import build
from hw_replay.source import SensorInfo
from vario.app.errors import AppError
from vario.app.live.faults import WatchedSensor
from vario.settings.hardware import BaroSensor, BusSensor
from vario.settings.schema import Settings

if TYPE_CHECKING:
    from drivers.gnss import GnssReceiver

NOTHING_FITTED = (
    "the settings name no sensor: set chip = … under [sensors.baro], [sensors.pitot] and [sensors.imu]; "
    "vario check lists the chips it finds on the bus"
)


class Buses:
    """The buses by number, each opened once.

    Args:
        open_bus: opens a bus.
    """

    def __init__(self, open_bus: Callable[[int], Bus] = SmBus) -> None:
        self._open = open_bus
        self._opened: dict[int, Bus] = {}

    def __call__(self, number: int) -> Bus:
        """The bus with a number.

        Raises:
            UnavailableError: if it cannot be opened.
        """
        if number not in self._opened:
            self._opened[number] = self._open(number)
        return self._opened[number]

    def close(self) -> None:
        """Close all buses."""
        for bus in self._opened.values():
            bus.close()
        self._opened.clear()


@dataclass(frozen=True, slots=True)
class Fitted:
    """The fitted sensors.

    Attributes:
        sensors: all sensors, the fastest first.
        receiver: the GNSS receiver, if there is one.
    """

    sensors: list[WatchedSensor]
    receiver: GnssReceiver | None

    def utc_at_zero(self) -> datetime | None:
        """The UTC time at clock time 0; None while the receiver does not know it."""
        return None if self.receiver is None else self.receiver.utc_at_zero


def build_sensors(
    settings: Settings, buses: Callable[[int], Bus], port: Callable[[str], Port] = TtyPort
) -> Fitted:
    """The sensors that the settings name, not yet started.

    Raises:
        AppError: if a bus cannot be opened or no sensor is named; the message explains what to do.
    """
    sensors: list[WatchedSensor] = []
    try:
        for wanted in settings.sensors.on_buses:
            assert wanted.chip is not None  # noqa: S101  (that is what on_buses says)
            bus = buses(wanted.bus)
            driver = build(wanted.chip, bus, wanted.address, wanted.rate_hz, _channels(wanted))
            sensors.append(WatchedSensor(driver, bus.recover))
    except (SensorError, ValueError) as error:
        raise AppError(str(error)) from error
    receiver = None
    if settings.gnss.port is not None:
        from drivers.gnss import GnssReceiver  # noqa: PLC0415  (only where it is fitted: the start is shorter)

        receiver = GnssReceiver(port(settings.gnss.port), settings.gnss.baud)
        sensors.append(WatchedSensor(receiver))
    if not sensors:
        raise AppError(NOTHING_FITTED)
    return Fitted(sensors, receiver)


def _channels(wanted: BusSensor) -> tuple[str, ...] | None:
    """The channels to request from a chip; None: its default ones."""
    if isinstance(wanted, BaroSensor) and wanted.location == "outside":
        return ("baro", "oat")
    return None


def described(sensors: Sequence[WatchedSensor]) -> dict[str, SensorInfo]:
    """The description of the sensors for a recording, by channel."""
    found: dict[str, SensorInfo] = {}
    for sensor in sensors:
        identity = sensor.sensor.identity
        for channel in identity.channels:
            # The drivers have corrected the times already, so the latency is 0.
            found[channel] = SensorInfo(identity.name, identity.rate_hz, identity.noise.get(channel), 0.0)
    return found
