"""An emulation: the live loop with fake chips, which play a recorded or simulated flight."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType

from drivers.fakes import FakeBus, FakeReceiver, World, fake
from drivers.samples import Sample
from vario.app.errors import AppError
from vario.app.live.clock import Clock
from vario.app.live.fitting import Fitted, build_sensors
from vario.settings.edit import NotEditableError, set_value
from vario.settings.load import LoadedSettings, parse_settings
from vario.settings.schema import Settings
from vario.settings.toml_text import Path

SIMULATED_CHIPS: Mapping[Path, str] = MappingProxyType(
    {
        ("sensors", "imu", "chip"): "LSM6DSO",
        ("sensors", "baro", "chip"): "MS5611",
        ("sensors", "pitot", "chip"): "MS4525DO",
        ("sensors", "oat", "chip"): "TMP117",
        ("sensors", "supply", "chip"): "INA219",
        ("gnss", "port"): "emulation",
    }
)
"""The chips that are used if the settings name none."""


class FlownClock:
    """A clock that plays the flight while it waits.

    Args:
        clock: the actual clock.
        world: the fake world in which the flight takes place.
        samples: the flight; its first sample is due at the present time of the clock.
    """

    def __init__(self, clock: Clock, world: World, samples: Iterable[Sample]) -> None:
        self._clock = clock
        self._world = world
        self._samples = iter(samples)
        self._next = next(self._samples, None)
        self._shift_s = clock.now_s() - (self._next.t_s if self._next else 0.0)

    @property
    def over(self) -> bool:
        """Whether the flight has ended."""
        return self._next is None

    def now_s(self) -> float:
        """The time."""
        return self._clock.now_s()

    def wait_until(self, t_s: float) -> None:
        """Wait, and play the samples up to that time."""
        self._clock.wait_until(t_s)
        now_s = self._clock.now_s() - self._shift_s
        while self._next is not None and self._next.t_s <= now_s:
            self._world.take(self._next)
            self._next = next(self._samples, None)


def with_chips(loaded: LoadedSettings) -> LoadedSettings:
    """The settings, with the usual chips if they name none.

    Raises:
        AppError: if no chips can be inserted in the text of the settings.
    """
    if loaded.settings.sensors.on_buses:
        return loaded
    text = loaded.settings_toml
    try:
        for key, value in SIMULATED_CHIPS.items():
            text = set_value(text, key, value)
    except NotEditableError as error:
        raise AppError(f"{loaded.settings_name}: {error}; name the chips there") from error
    return parse_settings(
        text,
        loaded.settings_name,
        loaded.glider_toml,
        loaded.glider_name or "the glider file",
        folder=loaded.folder,
    )


def wired(settings: Settings, world: World, clock: Clock) -> dict[int, FakeBus]:
    """The buses by number, with a fake of every chip that the settings name."""
    buses: dict[int, FakeBus] = {}
    for wanted in settings.sensors.on_buses:
        assert wanted.chip is not None  # noqa: S101  (that is what on_buses says)
        bus = buses.setdefault(
            wanted.bus,
            FakeBus(clock.now_s, f"fake-{wanted.bus}", lambda s: clock.wait_until(clock.now_s() + s)),
        )
        bus.attach(fake(wanted.chip, world, clock.now_s), wanted.address)
    return buses


def emulated(
    loaded: LoadedSettings, flight: Iterable[Sample], clock: Clock
) -> tuple[LoadedSettings, FlownClock, Fitted]:
    """The settings with chips, the clock that plays the flight, and the sensors on fake buses.

    Raises:
        AppError: as `with_chips` and `build_sensors`.
    """
    loaded, world = with_chips(loaded), World()
    flown = FlownClock(clock, world, flight)
    fakes = wired(loaded.settings, world, clock)
    return (
        loaded,
        flown,
        build_sensors(loaded.settings, fakes.__getitem__, lambda _: FakeReceiver(world, flown.now_s)),
    )
