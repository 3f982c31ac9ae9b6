"""`vario run`: the instrument live, on the chips of the settings or on a rehearsal's."""

from __future__ import annotations

import gc
import logging
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from drivers.fakes import FakeReceiver, World
from hw_replay.source import Source
from vario.app.live.clock import FIRST_S, Clock, MonotonicClock
from vario.app.live.faults import WatchedSensor
from vario.app.live.fitting import Buses, described, fitted
from vario.app.live.instrument import Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.notify import Notifier
from vario.app.live.recorder import FlightFiles, Recorder
from vario.app.live.rehearsal import FlownClock, wired, with_chips
from vario.app.live.scheduler import Scheduler
from vario.app.live.side import SideWatch
from vario.app.live.speaker import Speaker
from vario.app.live.status import Status, one_line
from vario.app.nmea.out import NmeaOutput
from vario.app.nmea.sinks import open_sink
from vario.flight.reading import Reading
from vario.settings.load import LoadedSettings
from vario.sound.devices import open_device
from vario.sound.discrete import require_safe_python
from vario.sound.sink import Device, NullSink

LOG = logging.getLogger("vario.live")

SHOW_S = 1.0
LOG_STATUS_S = 300.0

SWITCH_S = 0.0005
"""Threads hand over this often: the recorder must not hold up a reading for the usual 5 ms."""


@dataclass(frozen=True, slots=True)
class Wishes:
    """What the command line asks for.

    Attributes:
        config: the settings file, watched for changes.
        marks: folder marks are dropped into.
        folder: where to record; None: as the settings say.
        silent: no sound.
        rehearse: a flight that happens to fake chips instead of real ones.
        longest_s: end after this long.
    """

    config: Path | None = None
    marks: Path | None = None
    folder: Path | None = None
    silent: bool = False
    rehearse: Source | None = None
    longest_s: float = float("inf")


def run(loaded: LoadedSettings, wishes: Wishes, show: Callable[[str], None]) -> Status:
    """Fly until told to stop (SIGTERM, Ctrl-C), the rehearsal ends, or the time is up.

    Args:
        loaded: the settings.
        wishes: the rest.
        show: called about once a second with a line to show.

    Returns:
        How it was at the end.

    Raises:
        AppError: if it cannot begin; the message says why and what to do.
        SoundDeviceError: if the settings ask for sound that would crash this Python. A device that is
            missing does not stop a flight; this is the same at every start, and so is met on the bench.
    """
    if loaded.settings.audio.plays == "cues" and not wishes.silent:
        require_safe_python()
    if loaded.settings.audio.plays == "nothing":
        LOG.warning("sound: the settings let nothing sound, not even warnings")
    clock: Clock = MonotonicClock()
    notifier = Notifier()
    with ExitStack() as stack:
        stack.callback(notifier.close)
        # Before all that takes its time to close: a second signal must not break that off.
        stopped = stack.enter_context(_stop_signals())
        over: Callable[[], bool] = lambda: False  # noqa: E731  (replaced where a rehearsal ends)
        if wishes.rehearse is not None:
            loaded = with_chips(loaded)
            world = World()
            flown = FlownClock(clock, world, wishes.rehearse)
            fakes = wired(loaded.settings, world, clock)
            found = fitted(loaded.settings, fakes.__getitem__, lambda _: FakeReceiver(world, flown.now_s))
            clock, over = flown, lambda: flown.over
        else:
            buses = Buses()
            stack.callback(buses.close)
            found = fitted(loaded.settings, buses)
        sensors = found.sensors
        sink = Speaker(lambda: _sink(loaded, silent=wishes.silent))
        stack.callback(sink.close)
        recorder = _recorder(loaded, wishes)
        if recorder is not None:
            stack.callback(recorder.close)
        side = SideWatch(wishes.config, wishes.marks)
        side.start()
        stack.callback(side.close)
        listeners: list[Callable[[Reading], None]] = []
        if loaded.settings.nmea.to is not None:
            nmea = NmeaOutput(
                open_sink(loaded.settings.nmea.to), loaded.settings.nmea.rate_hz, found.utc_at_zero
            )
            stack.callback(nmea.close)
            listeners.append(nmea.update)
        instrument = Instrument(loaded, described(sensors), sink, recorder, listeners)
        keeper = _Keeper(notifier, lambda now_s: _status(now_s, sensors, instrument, recorder, sink), show)
        loop = LiveLoop(
            Scheduler(sensors, clock),
            clock,
            instrument,
            side=side,
            utc=found.utc_at_zero,
            chore=keeper.chore,
        )
        _prefer_this_process(stack)
        notifier.ready()
        loop.run(FIRST_S + wishes.longest_s, lambda: bool(stopped) or over())
        notifier.stopping()
    return _status(clock.now_s(), sensors, instrument, recorder, sink)


class _Keeper:
    """Shows the status, and tells the service manager that the loop turns."""

    def __init__(
        self, notifier: Notifier, status: Callable[[float], Status], show: Callable[[str], None]
    ) -> None:
        self._notifier = notifier
        self._status = status
        self._show = show
        self._alive_every_s = min(notifier.alive_every_s or SHOW_S, SHOW_S)
        self._next_s = 0.0
        self._log_s = LOG_STATUS_S

    def chore(self, now_s: float) -> None:
        if now_s < self._next_s:
            return
        self._next_s = now_s + self._alive_every_s
        line = one_line(self._status(now_s))
        self._notifier.alive(line)
        self._show(line)
        if now_s >= self._log_s:
            self._log_s = now_s + LOG_STATUS_S
            LOG.info("%s", line)


def _status(
    now_s: float,
    sensors: list[WatchedSensor],
    instrument: Instrument,
    recorder: Recorder | None,
    sink: Speaker,
) -> Status:
    return Status(
        now_s,
        instrument.reading,
        [sensor.status for sensor in sensors],
        None if recorder is None else recorder.status,
        sink.problem,
        sink.underruns,
    )


def _sink(loaded: LoadedSettings, *, silent: bool) -> Device:
    return NullSink() if silent else open_device(loaded.settings.audio)


def _recorder(loaded: LoadedSettings, wishes: Wishes) -> Recorder | None:
    named = loaded.settings.recorder.folder
    folder = wishes.folder or (Path(named) if named else None)
    return None if folder is None else Recorder(FlightFiles(folder, loaded.settings.recorder.sync_s))


@contextmanager
def _stop_signals() -> Iterator[list[int]]:
    """A list that fills when the process is told to stop."""
    caught: list[int] = []

    def note(number: int, _: FrameType | None) -> None:
        caught.append(number)

    before = {number: signal.signal(number, note) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield caught
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _prefer_this_process(stack: ExitStack) -> None:
    """What the steady timing of the readings needs of the interpreter."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    stack.callback(sys.setswitchinterval, before_s)
    # What has been loaded stays; to go through it for garbage would take 60 ms, on a Pi more.
    gc.collect()
    gc.freeze()
    stack.callback(gc.unfreeze)
