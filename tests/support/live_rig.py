"""A complete live instrument on fake chips, for the tests of the live loop."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from itertools import cycle
from pathlib import Path

from drivers.events import Event
from drivers.fakes import FakeBus, FakeReceiver, World
from drivers.samples import Sample
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from vario.app.live.clock import SteppedClock
from vario.app.live.emulation import FlownClock, wired, with_chips
from vario.app.live.faults import WatchedSensor
from vario.app.live.fitting import Fitted, build_sensors, described
from vario.app.live.instrument import Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.recorder import FlightFiles
from vario.app.live.scheduler import Scheduler
from vario.app.replay.player import noise_of, play
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.load import LoadedSettings, parse_settings
from vario.sound.sink import NullSink

IMU, BARO, PITOT = 0x6A, 0x77, 0x28
"""Addresses of the usual chips."""


@dataclass
class Kept:
    """A recorder in memory."""

    samples: list[Sample] = field(default_factory=list)
    begun: list[RecordingInfo] = field(default_factory=list)

    def begin(self, info: RecordingInfo) -> None:
        self.begun.append(info)

    def put(self, sample: Sample) -> None:
        self.samples.append(sample)


@dataclass
class OnCard:
    """The files of the recorder, without its thread."""

    files: FlightFiles

    def begin(self, info: RecordingInfo) -> None:
        self.files.begin(info)

    def put(self, sample: Sample) -> None:
        self.files.write(sample)


@dataclass
class Events:
    """The events of the file watcher at given times."""

    clock: SteppedClock
    due: list[Event]

    def take(self) -> Event | None:
        if self.due and self.due[0].t_s <= self.clock.now_s():
            return self.due.pop(0)
        return None


class Rig:
    """A complete live instrument on fake chips, with a clock that jumps."""

    def __init__(
        self,
        flight: Iterable[Sample] = (),
        journal: Kept | OnCard | None = None,
        events: Iterable[Event] = (),
        text: str = "",
    ) -> None:
        self.clock = SteppedClock()
        self.world = World()
        self.loaded: LoadedSettings = with_chips(parse_settings(text, "settings"))
        self.flown = FlownClock(self.clock, self.world, flight)
        self.bus: FakeBus = wired(self.loaded.settings, self.world, self.flown)[1]
        self.receiver = FakeReceiver(self.world, self.clock.now_s)
        self.fitted: Fitted = build_sensors(
            self.loaded.settings, {1: self.bus}.__getitem__, lambda _: self.receiver
        )
        self.journal = Kept() if journal is None else journal
        self.readings: list[Reading] = []
        self.instrument = Instrument(
            self.loaded, described(self.sensors), NullSink(), self.journal, [self.readings.append]
        )
        self.actions: list[tuple[float, Callable[[], object]]] = []
        self.loop = LiveLoop(
            Scheduler(self.sensors, self.flown),
            self.flown,
            self.instrument,
            files=Events(self.clock, list(events)),
            utc=self.fitted.utc_at_zero,
            housekeeping=self._act,
        )

    @property
    def sensors(self) -> list[WatchedSensor]:
        return self.fitted.sensors

    def at(self, t_s: float, action: Callable[[], object]) -> None:
        """Change the hardware at a given time."""
        self.actions.append((t_s, action))
        self.actions.sort(key=lambda entry: entry[0])

    def run(self, until_s: float) -> None:
        self.loop.run(until_s)

    def poll(self, until_s: float) -> None:
        """The sensors alone, without recorder and flight logic."""
        scheduler = Scheduler(self.sensors, self.flown)
        scheduler.start()
        while (now_s := self.flown.now_s()) < until_s:
            self._act(now_s)
            scheduler.step(now_s + 0.25)

    def sensor(self, chip: str) -> WatchedSensor:
        return next(sensor for sensor in self.sensors if sensor.name.startswith(chip))

    def _act(self, now_s: float) -> None:
        while self.actions and self.actions[0][0] <= now_s:
            self.actions.pop(0)[1]()


def detach(rig: Rig, address: int) -> Callable[[], None]:
    """An action that alternately unplugs the chip and plugs it in again."""
    chip = rig.bus._chips[address]

    def pull() -> None:
        rig.bus.detach(address)

    def push() -> None:
        chip.powered = True
        rig.bus.attach(chip, address)

    steps = cycle((pull, push))

    def step() -> None:
        next(steps)()

    return step


def replayed(path: Path) -> list[Reading]:
    """The readings of a replay of a recording, with the settings and the glider in it."""
    recording = Recording(path)
    info = recording.info
    loaded = parse_settings(info.config_toml or "", "recorded", info.glider_toml)
    pipeline = Pipeline(loaded.settings, loaded.glider, noise_of(loaded.settings, info))
    return list(play(recording, pipeline))
