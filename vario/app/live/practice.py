"""Practice without hardware: `vario check` and `vario calibrate` on fake chips, without waiting.

The fake chips of the settings (or the usual ones) measure a glider at rest on the ground whose sensors have
small errors, or play a recording. The drivers are the real ones.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.bus import Bus
from drivers.fakes import FakeBus, FakeReceiver, World
from drivers.port import Port
from hw_replay.open import open_source
from vario.app.live.clock import Clock, SteppedClock
from vario.app.live.emulation import FlownClock, wired, with_chips
from vario.app.options import AT_REST
from vario.settings.load import LoadedSettings, load_settings, parse_settings

PRACTICE = "Practice with fake chips: the values below are not those of your instrument."


@dataclass(frozen=True, slots=True)
class Practice:
    """The replacements of the hardware.

    Attributes:
        loaded: the settings, with chips.
        buses: the fake buses by number.
        port: a fake receiver for any device name.
        clock: it jumps instead of waiting.
    """

    loaded: LoadedSettings
    buses: Callable[[int], Bus]
    port: Callable[[str], Port]
    clock: Clock


def practice(fake: Path, config: Path) -> Practice:
    """Fake chips for the settings.

    Args:
        fake: a recording to play, or `AT_REST`.
        config: the settings file; if there is none, defaults with the usual chips.

    Raises:
        SettingsError: lists all faults in the settings.
        RecordingError: if the recording cannot be opened.
    """
    loaded = load_settings(config) if config.exists() else parse_settings("", str(config))
    loaded = with_chips(loaded)
    # Sensors that have not been calibrated: every value has an error that a calibration determines.
    world = World(
        static_pa=95_040.0,
        impact_pa=3.0,
        gyro_radps=(0.004, -0.003, 0.002),
        position=(50.0, 10.0, 540.0),
    )
    clock: Clock = SteppedClock()
    if fake != AT_REST:
        clock = FlownClock(clock, world, open_source(fake))
    buses = wired(loaded.settings, world, clock)
    return Practice(
        loaded,
        lambda number: buses.setdefault(number, FakeBus(clock.now_s, f"fake-{number}")),
        lambda _: FakeReceiver(world, clock.now_s),
        clock,
    )
