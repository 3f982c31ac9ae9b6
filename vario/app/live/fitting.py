"""From settings to sensors: which chips are fitted, each with its driver and its bus."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from drivers.bus import Bus, SmBus
from drivers.errors import SensorError
from drivers.gnss import GnssReceiver
from drivers.port import Port, TtyPort
from drivers.registry import build
from hw_replay.source import SensorInfo
from vario.app.errors import AppError
from vario.app.live.faults import WatchedSensor
from vario.settings.fitted import BaroSensor, BusSensor
from vario.settings.schema import Settings

NOTHING_FITTED = (
    "the settings name no sensor: write chip = … under [sensors.baro], [sensors.pitot] and [sensors.imu]; "
    "vario check tells which chips it finds on the bus"
)


class Buses:
    """The buses by number, each opened once.

    Args:
        open_bus: opens one.
    """

    def __init__(self, open_bus: Callable[[int], Bus] = SmBus) -> None:
        self._open = open_bus
        self._opened: dict[int, Bus] = {}

    def __call__(self, number: int) -> Bus:
        """The bus of a number.

        Raises:
            UnavailableError: if it cannot be opened.
        """
        if number not in self._opened:
            self._opened[number] = self._open(number)
        return self._opened[number]

    def close(self) -> None:
        """Let all of them go."""
        for bus in self._opened.values():
            bus.close()
        self._opened.clear()


@dataclass(frozen=True, slots=True)
class Fitted:
    """What is fitted.

    Attributes:
        sensors: all of them, the fastest first.
        receiver: the GNSS receiver among them, if there is one.
    """

    sensors: list[WatchedSensor]
    receiver: GnssReceiver | None

    def utc_at_zero(self) -> datetime | None:
        """The UTC instant at which the clock was 0; None while the receiver does not know it."""
        return None if self.receiver is None else self.receiver.utc_at_zero


def fitted(settings: Settings, buses: Callable[[int], Bus], port: Callable[[str], Port] = TtyPort) -> Fitted:
    """The sensors the settings name, not yet started.

    Raises:
        AppError: if a bus cannot be opened or none is named; the message says what to do.
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
        receiver = GnssReceiver(port(settings.gnss.port), settings.gnss.baud)
        sensors.append(WatchedSensor(receiver))
    if not sensors:
        raise AppError(NOTHING_FITTED)
    return Fitted(sensors, receiver)


def _channels(wanted: BusSensor) -> tuple[str, ...] | None:
    """What a chip shall give; None: what is usual."""
    if isinstance(wanted, BaroSensor) and wanted.sits == "outside":
        return ("baro", "oat")
    return None


def described(sensors: Sequence[WatchedSensor]) -> dict[str, SensorInfo]:
    """What a recording says about the sensors, by channel."""
    found: dict[str, SensorInfo] = {}
    for sensor in sensors:
        identity = sensor.sensor.identity
        for channel in identity.channels:
            # The drivers' stamps need no correction, so nothing is late.
            found[channel] = SensorInfo(identity.name, identity.rate_hz, identity.noise.get(channel), 0.0)
    return found
