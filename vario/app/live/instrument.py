"""Pass each sample to the recorder, then through the flight logic to the sound.

The recorder receives every sample before the flight logic and in the same order, and a file begins where
the flight logic starts anew. Therefore a replay of the file reproduces what the pilot saw, bit for bit.

Sound, recorder and listeners are outlets: if one fails, this is logged and retried with the next reading
or sample. It affects neither the other outlets nor the flight logic.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from drivers.events import EVENTS, SettingsChange
from drivers.samples import Reference, Sample
from hw_replay.source import RecordingInfo, SensorInfo
from vario.app.live.recorder import UTC_OFFSET
from vario.app.outlet import Seldom
from vario.app.replay.player import Player, noise_of
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.settings.errors import SettingsError
from vario.settings.load import LoadedSettings, parse_settings
from vario.settings.schema import Settings
from vario.sound.sink import Sink

LOG = logging.getLogger("vario.live")

FLOWN_AFTER_S = 60.0
STANDS_AFTER_S = 120.0
"""The next file begins after this time on the ground following a flight."""

AGAIN_AFTER_S = 5.0
"""Minimum delay before the flight logic restarts after a failure."""

LIVE = "live"

_NOT_READ = frozenset({Reference, *EVENTS})
"""Samples that no sensor has read: they do not move the time."""


class Journal(Protocol):
    """The interface of a recorder to the instrument."""

    def begin(self, info: RecordingInfo) -> None:
        """End one file and begin another."""

    def put(self, sample: Sample) -> None:
        """Record one sample."""


@dataclass(slots=True)
class _FlightWatch:
    """Detects that a flight is over."""

    before_s: float | None = None
    flown_s: float = 0.0
    stood_s: float = 0.0

    def over(self, reading: Reading) -> bool:
        step_s = 0.0 if self.before_s is None else max(0.0, reading.t_s - self.before_s)
        self.before_s = reading.t_s
        if reading.mode is not Mode.GROUND:
            self.flown_s += step_s
            self.stood_s = 0.0
        else:
            self.stood_s += step_s
        return self.flown_s >= FLOWN_AFTER_S and self.stood_s >= STANDS_AFTER_S


class _Guarded:
    """An optional receiver of data from the flight logic."""

    def __init__(self, name: str, give: Callable[..., object]) -> None:
        self._name = name
        self._give = give
        self._seldom = Seldom()

    def __call__(self, t_s: float, *what: object) -> None:
        """Pass the value on at `t_s`. Never raises."""
        try:
            self._give(*what)
        except Exception:  # after any error of an outlet, the flight logic must continue
            if self._seldom.may_say("", t_s):
                LOG.exception("%s failed; the flight logic continues", self._name)


class Instrument:
    """Flight logic, recorder and sound, fed one sample at a time.

    Args:
        loaded: the settings at the start.
        sensors: the fitted sensors by channel, for the recording.
        sink: output of the sound.
        journal: recorder of the samples; None: none.
        listeners: called with every reading; they must not block.
    """

    def __init__(
        self,
        loaded: LoadedSettings,
        sensors: Mapping[str, SensorInfo],
        sink: Sink,
        journal: Journal | None = None,
        listeners: Sequence[Callable[[Reading], None]] = (),
    ) -> None:
        self._loaded = loaded
        self._sensors = sensors
        self._record = _Guarded("the recorder", journal.put if journal is not None else lambda _: None)
        self._begin_file = _Guarded(
            "the start of a recording", journal.begin if journal is not None else lambda _: None
        )
        self._shows = [
            _Guarded("the sound", lambda reading: sink.play(reading.tone, 0.0)),
            *(_Guarded("an output of readings", listener) for listener in listeners),
        ]
        self._player: Player | None = None
        self._again_s = 0.0
        self._flight = _FlightWatch()
        self._utc_at_zero: datetime | None = None
        self.reached_s = 0.0
        """Time of the latest sample processed by the flight logic."""
        self.reading: Reading | None = None
        """The latest reading; None after a failure until the flight logic has restarted."""

    @property
    def settings(self) -> Settings:
        """The settings in force."""
        return self._loaded.settings

    def take(self, sample: Sample) -> None:
        """Process one sample. Never raises: a failure of the flight logic is logged and restarts it."""
        if sample.t_s > self.reached_s and type(sample) not in _NOT_READ:
            self.reached_s = sample.t_s
        if self._player is None and sample.t_s >= self._again_s:
            try:
                self._begin(sample.t_s)
            except Exception:  # see _failed
                self._failed(sample.t_s)
        self._record(sample.t_s, sample)
        if self._player is None:
            return
        try:
            readings = self._player.push(sample)
            for reading in readings:
                self._show(reading)
            if readings and self._flight.over(readings[-1]):
                LOG.info("the flight is over: the next recording begins")
                self.close()
        except Exception:  # see _failed
            self._failed(sample.t_s)

    def know_utc(self, at_zero: datetime, t_s: float) -> None:
        """Record the date and time at `t_s` = 0, which are known now, or now known more exactly.

        The clock of the samples does not change. The offset is recorded as seconds from 1970 to `t_s` =
        0, and later recordings contain the time at which they began.
        """
        LOG.info("the time is %s UTC", (at_zero + timedelta(seconds=t_s)).strftime("%Y-%m-%d %H:%M:%S"))
        self._utc_at_zero = at_zero
        self.take(Reference(t_s, UTC_OFFSET, at_zero.timestamp()))

    def close(self) -> None:
        """The samples or this flight have ended. Never raises."""
        if self._player is None:
            return
        try:
            for reading in self._player.close():
                self._show(reading)
        except Exception:  # see _failed
            self._failed(self.reached_s)
        self._player = None

    def _failed(self, t_s: float) -> None:
        """Handle any failure at `t_s`: drop the latest reading and schedule a restart.

        An error can occur in many places; a restart is better for the pilot than an end.
        """
        LOG.exception("the flight logic failed; it restarts in %g s", AGAIN_AFTER_S)
        self._player = self.reading = None
        self._again_s = t_s + AGAIN_AFTER_S

    def _begin(self, t_s: float) -> None:
        settings = self._loaded.settings
        info = RecordingInfo(
            title="Flight {number}",
            origin=LIVE,
            start_utc=self._utc_at_zero,
            sensors=self._sensors,
            config_toml=self._loaded.settings_toml,
            glider_toml=self._loaded.glider_toml,
        )
        pipeline = Pipeline(settings, self._loaded.glider, noise_of(settings, info))
        self._player = Player(pipeline, self._changed)
        self._flight = _FlightWatch()
        self._begin_file(t_s, info)

    def _show(self, reading: Reading) -> None:
        self.reading = reading
        for show in self._shows:
            show(reading.t_s, reading)

    def _changed(self, change: SettingsChange, error: SettingsError | None) -> None:
        if error is not None:
            LOG.warning("changed settings are not used:\n%s", error)
            return
        LOG.info("changed settings are in force")
        self._loaded = parse_settings(
            change.settings_toml,
            self._loaded.settings_name,
            change.glider_toml,
            self._loaded.glider_name or "the glider file",
        )
