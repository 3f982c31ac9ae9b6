"""The work whose instructions `tests.bench.instructions` counts.

`prepare` runs outside the counter. It flies a piece of the bundled flight with fake chips and keeps what
passes through each interface. The parts then repeat this, inside the counter and each in its own process,
without the code that does not belong to the instrument.
"""

from __future__ import annotations

import ctypes
import dataclasses
import io
import json
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import dropwhile
from pathlib import Path
from typing import Any

from drivers.bus import Bus, SmBus
from drivers.fakes import FakeReceiver, World
from drivers.port import Port
from drivers.samples import Sample
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import RecordingInfo
from vario.app.live.clock import FIRST_S, Clock, SteppedClock
from vario.app.live.emulation import FlownClock, wired, with_chips
from vario.app.live.fitting import Fitted, build_sensors, described
from vario.app.live.instrument import Instrument, Journal
from vario.app.live.loop import LiveLoop
from vario.app.live.recorder import FlightFiles, Recorder
from vario.app.live.scheduler import Scheduler
from vario.app.replay.player import Player, noise_of
from vario.flight.pipeline import Pipeline
from vario.flight.tone.stage import ToneCommand
from vario.settings.load import LoadedSettings, parse_settings
from vario.sound.block_player import BlockPlayer
from vario.sound.sink import NullSink

FROM_S = 300.0
"""Where the piece begins: 5 s before the glider of the bundled flight circles in its first thermal."""

WARM_S, FLOWN_S = 4.0, 14.0
"""The parts run to each of these times. The difference is what the seconds between them cost."""

BLOCK = 441
"""Samples of sound that a device requests at a time."""


@dataclass(slots=True)
class Passed:
    """What passed through the interfaces while the piece was flown."""

    samples: list[Sample] = field(default_factory=list)
    answers: list[bytes] = field(default_factory=list)
    heard: list[bytes] = field(default_factory=list)
    tones: list[ToneCommand] = field(default_factory=list)


class _HeardBus:
    """A bus whose answers are kept."""

    def __init__(self, bus: Bus, answers: list[bytes]) -> None:
        self._bus, self._answers = bus, answers
        self.name, self.write, self.recover, self.close = bus.name, bus.write, bus.recover, bus.close

    def read(self, address: int, length: int) -> bytes:
        self._answers.append(self._bus.read(address, length))
        return self._answers[-1]

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        self._answers.append(self._bus.write_read(address, data, length))
        return self._answers[-1]


class _KernelBus:
    """What the kernel does for `SmBus`: it puts the kept answers into the messages that read."""

    def __init__(self, answers: Iterable[bytes]) -> None:
        self._answers = iter(answers)

    def transfer(self, prepared: Any) -> None:
        last = prepared.msgs[prepared.nmsgs - 1]
        if last.flags & 1:  # I2C_M_RD
            ctypes.memmove(last.buf, next(self._answers), last.len)

    def close(self) -> None:
        pass


class _HeardPort:
    """A serial line whose bytes are kept."""

    def __init__(self, port: Port, heard: list[bytes]) -> None:
        self._port, self._heard = port, heard
        self.name, self.set_baud, self.close = port.name, port.set_baud, port.close

    def read(self) -> bytes:
        self._heard.append(self._port.read())
        return self._heard[-1]


class _SaidPort:
    """A serial line that gives the kept bytes."""

    name = "emulation"

    def __init__(self, heard: Iterable[bytes]) -> None:
        self._heard = iter(heard)

    def set_baud(self, baud: int) -> None:
        pass

    def read(self) -> bytes:
        return next(self._heard)

    def close(self) -> None:
        pass


class _Kept:
    """A recorder that keeps the samples in memory."""

    def __init__(self, samples: list[Sample]) -> None:
        self.put = samples.append

    def begin(self, info: RecordingInfo) -> None:
        pass


def _settings() -> LoadedSettings:
    return with_chips(parse_settings("", "settings"))


def _piece() -> Iterator[Sample]:
    return dropwhile(lambda sample: sample.t_s < FROM_S, open_source(BUNDLED))


def _with_fakes(kept: Passed | None = None) -> tuple[Clock, Fitted]:
    """Clock and drivers with fake chips; `kept` receives what the chips say."""
    loaded, world = _settings(), World()
    flown = FlownClock(SteppedClock(), world, _piece())
    fakes = wired(loaded.settings, world, flown)
    if kept is None:
        return flown, build_sensors(
            loaded.settings, fakes.__getitem__, lambda _: FakeReceiver(world, flown.now_s)
        )
    receiver = _HeardPort(FakeReceiver(world, flown.now_s), kept.heard)
    return flown, build_sensors(
        loaded.settings,
        {number: _HeardBus(bus, kept.answers) for number, bus in fakes.items()}.__getitem__,
        lambda _: receiver,
    )


def _without_fakes(passed: Passed) -> tuple[Clock, Fitted]:
    """Clock and drivers on the bus of the system, where the kept answers replace the kernel."""
    bus = SmBus(1, lambda _: _KernelBus(passed.answers))
    return SteppedClock(), build_sensors(
        _settings().settings, lambda _: bus, lambda _: _SaidPort(passed.heard)
    )


def _fly(
    until_s: float,
    clock: Clock,
    found: Fitted,
    journal: Journal,
    listeners: tuple[Callable[..., None], ...] = (),
) -> None:
    instrument = Instrument(_settings(), described(found.sensors), NullSink(), journal, listeners)
    LiveLoop(Scheduler(found.sensors, clock), clock, instrument, utc=found.utc_at_zero).run(FIRST_S + until_s)


def prepare() -> Passed:
    """Fly the piece and keep what passed through the interfaces."""
    passed = Passed()
    _fly(
        FLOWN_S,
        *_with_fakes(passed),
        _Kept(passed.samples),
        (lambda reading: passed.tones.append(reading.tone),),
    )
    return passed


def _until(passed: Passed, until_s: float) -> Iterator[Sample]:
    return (sample for sample in passed.samples if sample.t_s < FIRST_S + until_s)


def logic(passed: Passed, until_s: float) -> None:
    """The flight logic: frames, and all stages."""
    settings = _settings().settings
    player = Player(Pipeline(settings, None, noise_of(settings, RecordingInfo("counted", "counted"))))
    for sample in _until(passed, until_s):
        player.push(sample)


def recorder(passed: Passed, until_s: float) -> None:
    """The recorder, with its file."""
    with tempfile.TemporaryDirectory() as folder:
        files = FlightFiles(Path(folder), sync_s=1.0)
        files.begin(RecordingInfo("Flight {number}", "counted"))
        for sample in _until(passed, until_s):
            files.write(sample)
        files.end()


def sound(passed: Passed, until_s: float) -> None:
    """The sound: 50 commands and 100 blocks a second."""
    player = BlockPlayer(44100)
    for command in passed.tones[: round(until_s * 50)]:
        player.put(command)
        player.fill(BLOCK)
        player.fill(BLOCK)


def _recorded(until_s: float, clock: Clock, found: Fitted) -> None:
    with tempfile.TemporaryDirectory() as folder:
        written = Recorder(FlightFiles(Path(folder), sync_s=1.0))
        _fly(until_s, clock, found, written)
        written.close()


def loop(passed: Passed, until_s: float) -> None:
    """The live loop: drivers, flight logic, recorder."""
    _recorded(until_s, *_without_fakes(passed))


def loop_with_fakes(passed: Passed, until_s: float) -> None:  # noqa: ARG001  (like the others)
    """The live loop, with fake chips."""
    _recorded(until_s, *_with_fakes())


PARTS = (logic, recorder, sound, loop, loop_with_fakes)


class _Packer(pickle.Pickler):
    """Packs a record as a call with its fields: a compiled class cannot be made without them."""

    def reducer_override(self, value: Any) -> Any:
        if isinstance(value, type) or not dataclasses.is_dataclass(value):
            return NotImplemented
        return type(value), tuple(getattr(value, one.name) for one in dataclasses.fields(value))


def packed(kept: object) -> bytes:
    """The bytes of what was kept, for another process of the same build."""
    into = io.BytesIO()
    _Packer(into, pickle.HIGHEST_PROTOCOL).dump(kept)
    return into.getvalue()


def main() -> None:
    """`prepare FILE`; or `count FILE`: run each part in its own process, and list their numbers."""
    what, path = sys.argv[1], Path(sys.argv[2])
    if what == "prepare":
        passed = prepare()
        path.write_bytes(packed((passed.samples, passed.answers, passed.heard, passed.tones)))
        return
    passed = Passed(*pickle.loads(path.read_bytes()))  # noqa: S301  (written by `prepare`)
    children = {}
    for part in (part for part in PARTS if part.__name__ in sys.argv[3:]):
        for until_s in (WARM_S, FLOWN_S):
            children[f"{part.__name__} {until_s:g}"] = _child(
                lambda part=part, until_s=until_s: part(passed, until_s)
            )
    path.with_suffix(".json").write_text(json.dumps(children), encoding="utf-8")


def _child(work: Callable[[], None]) -> int:
    """Run the work in a copy of this process and return the number of the copy.

    The count of the copy begins with that of this process.
    """
    number = os.fork()
    if number == 0:
        code = 1
        try:
            work()
            code = 0
        finally:
            os._exit(code)
    if os.waitstatus_to_exitcode(os.waitpid(number, 0)[1]):
        raise ChildProcessError("a part failed; its message is above")
    return number


if __name__ == "__main__":
    main()
