"""`vario run`: live operation with the chips of the settings, or with the fake chips of an emulation."""

from __future__ import annotations

import gc
import logging
import sys
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.quick import dataclass
from hw_replay.source import Source
from vario.app.live.clock import FIRST_S, Clock, MonotonicClock
from vario.app.live.ending import Ending
from vario.app.live.file_watch import FileWatch
from vario.app.live.fitting import Buses, Fitted, build_sensors, described
from vario.app.live.instrument import Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.notify import Notifier
from vario.app.live.recorder import FlightFiles, Recorder
from vario.app.live.scheduler import Scheduler
from vario.app.live.speaker import Speaker
from vario.app.live.status import Status, status_line
from vario.app.words.folder import words_of
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits
from vario.settings.load import LoadedSettings
from vario.sound.devices import open_device
from vario.sound.discrete import require_safe_python
from vario.sound.errors import SoundError
from vario.sound.live import LIVE_HZ
from vario.sound.sink import Device, NullSink
from vario.sound.word_bank import WordBank

if TYPE_CHECKING:
    from vario.app.cockpit.process import KeptPage
    from vario.app.live.controls import ControlPanel
    from vario.app.nmea.kept import KeptSink

LOG = logging.getLogger("vario.live")

SHOW_S = 1.0
LOG_STATUS_S = 300.0

SWITCH_S = 0.0005
"""Switch interval of the threads: the default of 5 ms would delay a reading while the recorder works."""


@dataclass(frozen=True, slots=True)
class RunOptions:
    """The arguments of the command line.

    Attributes:
        config: the settings file, watched for changes.
        marks: folder for marks.
        folder: folder for recordings; None: from the settings.
        silent: no sound.
        emulate: a flight that fake chips play instead of the real ones.
        longest_s: end after this time.
    """

    config: Path | None = None
    marks: Path | None = None
    folder: Path | None = None
    silent: bool = False
    emulate: Source | None = None
    longest_s: float = float("inf")


def run(loaded: LoadedSettings, options: RunOptions, show: Callable[[str], None]) -> Status:
    """Fly until a signal (`ending.STOPS`), the end of the emulation, or the time limit.

    Args:
        loaded: the settings.
        options: the other arguments.
        show: called about once a second with a status line; must not block.

    Returns:
        The status at the end. If something did not close because it hangs, the process must be ended with
        `os._exit`; this also happens automatically a moment later.

    Raises:
        AppError: if the run cannot begin; the message gives the reason and what to do.
        SoundDeviceError: if the sound of the settings would crash this Python. This occurs at every
            start, so it is found on the ground. A missing device, in contrast, does not prevent a flight.
    """
    if loaded.settings.audio.output == "cues" and not options.silent:
        require_safe_python()
    if loaded.settings.audio.output == "off":
        LOG.warning("sound: the settings switch off all sound, including warnings")
    notifier = Notifier()
    with ExitStack() as stack:
        stack.callback(notifier.close)
        ending = stack.enter_context(Ending())
        hardware = _hardware(loaded, options, ending)
        loaded, clock, found = hardware.loaded, hardware.clock, hardware.fitted
        sensors = found.sensors
        recorder = _recorder(loaded, options, ending)
        words = None if options.silent else _words(loaded)
        sink = Speaker(lambda: _sink(loaded, words, silent=options.silent))
        ending.add("sound", sink.close)
        files = FileWatch(options.config, options.marks)
        files.start()
        ending.add("files", files.close)
        panel = _control_panel(loaded, options, files, ending)
        listeners: list[Callable[[Reading], None]] = []
        sentences = _sentences(loaded, ending)
        if sentences is not None:
            from vario.app.nmea.out import NmeaOutput  # noqa: PLC0415  (only where it is used: the start is shorter)

            listeners.append(NmeaOutput(sentences, loaded.settings.nmea.rate_hz, found.utc_at_zero).update)
        page = _page(loaded, options, ending)

        def status(now_s: float) -> Status:
            return Status(
                now_s,
                instrument.reading,
                [sensor.status for sensor in sensors],
                None if recorder is None else recorder.status,
                sink.problem,
                sink.underruns,
                None if sentences is None else sentences.problem,
                None if page is None else page.problem,
                ending.left_behind,
                DisplayUnits(instrument.settings.display),
                None if panel is None else panel.problem,
            )

        if page is not None:
            from vario.app.cockpit.feed import Feed  # noqa: PLC0415  (likewise)

            listeners.append(
                Feed(
                    page.send, lambda: instrument.settings, status, emulated=options.emulate is not None
                ).update,
            )
        instrument = Instrument(loaded, described(sensors), sink, recorder, listeners)
        loop = LiveLoop(
            Scheduler(sensors, clock),
            clock,
            instrument,
            files=files,
            controls=panel,
            utc=found.utc_at_zero,
            housekeeping=_Keeper(notifier, status, show).update,
        )
        _prefer_this_process(stack)
        notifier.ready()
        loop.run(FIRST_S + options.longest_s, lambda: ending.asked or hardware.over())
        ended_s = clock.now_s()
        notifier.stopping()
        ending.close()
    return status(ended_s)


@dataclass(frozen=True, slots=True)
class _Hardware:
    """The sensors and their clock. The settings name the chips; `over`: the emulation has ended."""

    loaded: LoadedSettings
    clock: Clock
    fitted: Fitted
    over: Callable[[], bool]


def _hardware(loaded: LoadedSettings, options: RunOptions, ending: Ending) -> _Hardware:
    """The chips of the settings, or fake ones that play the flight of an emulation."""
    clock = MonotonicClock()
    if options.emulate is None:
        buses = Buses()
        ending.add("buses", buses.close)
        return _Hardware(loaded, clock, build_sensors(loaded.settings, buses), lambda: False)
    # With fake chips only: the fakes and their random numbers take long to load.
    from vario.app.live.emulation import emulated  # noqa: PLC0415

    loaded, flown, found = emulated(loaded, options.emulate, clock)
    return _Hardware(loaded, flown, found, lambda: flown.over)


class _Keeper:
    """Shows the status, and tells the service manager that the loop is running."""

    def __init__(
        self, notifier: Notifier, status: Callable[[float], Status], show: Callable[[str], None]
    ) -> None:
        self._notifier = notifier
        self._status = status
        self._show = show
        self._alive_every_s = min(notifier.alive_every_s or SHOW_S, SHOW_S)
        self._next_s = 0.0
        self._log_s = LOG_STATUS_S

    def update(self, now_s: float) -> None:
        if now_s < self._next_s:
            return
        self._next_s = now_s + self._alive_every_s
        line = status_line(self._status(now_s))
        self._notifier.alive(line)
        self._show(line)
        if now_s >= self._log_s:
            self._log_s = now_s + LOG_STATUS_S
            LOG.info("%s", line)


def _sink(loaded: LoadedSettings, words: WordBank | None, *, silent: bool) -> Device:
    return NullSink() if silent else open_device(loaded.settings.audio, words)


def _words(loaded: LoadedSettings) -> WordBank | None:
    try:
        return words_of(loaded, LIVE_HZ)
    except SoundError as error:
        LOG.warning("voice: %s. The flight continues without spoken values", error)
        return None


def _control_panel(
    loaded: LoadedSettings, options: RunOptions, files: FileWatch, ending: Ending
) -> ControlPanel | None:
    if not loaded.settings.controls.is_fitted:
        return None
    from vario.app.live.controls import ControlPanel  # noqa: PLC0415  (only where it is used: the start is shorter)

    panel = ControlPanel(loaded.settings.controls, options.config, files.soon)
    ending.add("controls", panel.close)
    return panel


def _sentences(loaded: LoadedSettings, ending: Ending) -> KeptSink | None:
    if loaded.settings.nmea.to is None:
        return None
    from vario.app.nmea.kept import KeptSink  # noqa: PLC0415  (only where it is used: the start is shorter)

    sentences = KeptSink(loaded.settings.nmea.to)
    ending.add("nmea", sentences.close)
    return sentences


def _page(loaded: LoadedSettings, options: RunOptions, ending: Ending) -> KeptPage | None:
    settings = loaded.settings.page
    if settings.address is None:
        return None
    from vario.app.cockpit.process import KeptPage  # noqa: PLC0415  (likewise)

    passphrase = None if settings.passphrase_file is None else loaded.path(settings.passphrase_file)
    page = KeptPage(settings.address, options.config, options.marks, passphrase)
    ending.add("page", page.close)
    return page


def _recorder(loaded: LoadedSettings, options: RunOptions, ending: Ending) -> Recorder | None:
    named = loaded.settings.recorder.folder
    folder = options.folder or (loaded.path(named) if named else None)
    if folder is None:
        return None
    recorder = Recorder(FlightFiles(folder, loaded.settings.recorder.sync_interval_s))
    ending.add("recorder", recorder.close)
    return recorder


def _prefer_this_process(stack: ExitStack) -> None:
    """Adjust the interpreter for regular timing of the readings."""
    before_s = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH_S)
    stack.callback(sys.setswitchinterval, before_s)
    # Exclude loaded objects from garbage collection: checking them takes 60 ms, on a Pi more. No collection
    # runs before this, because it would free only 500 small objects.
    gc.freeze()
    gc.enable()  # the start switches it off
    stack.callback(gc.unfreeze)
