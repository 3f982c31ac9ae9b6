"""A sensor that may fail, and comes back by itself: nothing it does reaches the loop as an exception.

What a fault means for the pilot is not decided here. The samples stop, the flight logic sees the sensor age,
the quality changes and the cue sounds, live as in a replay. Here is what the log says, and when to try again.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from drivers.errors import BusStuckError, SensorError, SilentError
from drivers.samples import Sample
from drivers.sensor import Sensor
from vario.outlet import Seldom

LOG = logging.getLogger("vario.live")

FIRST_RETRY_S = 0.25
LONGEST_RETRY_S = 8.0
"""A plug pushed back in is noticed within this; trying more often would cost a stuck bus its time."""

WELL_AFTER_S = 10.0
"""After this long without fault the next one is tried again quickly."""

SILENT_PERIODS = 20.0
SILENT_AT_LEAST_S = 2.0
"""A sensor that runs but gives nothing for this long is started again."""

_NO_FIX_IS_NO_FAULT = frozenset({"gnss_pos", "gnss_vel"})


class State(StrEnum):
    """How a sensor is."""

    STARTING = "starting"
    MEASURING = "measuring"
    RESTING = "waiting to be tried again"


@dataclass(frozen=True, slots=True)
class SensorStatus:
    """What is shown of a sensor.

    Attributes:
        name: "MS5611 at i2c-1 0x77".
        state: how it is now.
        readings: given so far; an inertial one is of both kinds at once.
        faults: by kind of error, readings lost and restarts together.
        overruns: cycles left out because the loop came too late.
        problem: what its last fault was; None while it measures.
    """

    name: str
    state: State
    readings: int
    faults: dict[str, int]
    overruns: int
    problem: str | None


class WatchedSensor:
    """A sensor with its state, its retries and its log lines.

    Args:
        sensor: the driver.
        recover: frees the bus it is on; None for a sensor that is on none.
    """

    def __init__(self, sensor: Sensor, recover: Callable[[], None] | None = None) -> None:
        self.sensor = sensor
        self.readings = 0
        self.faults: Counter[str] = Counter()
        self.state = State.STARTING
        self.last_error: SensorError | None = None
        """The latest fault, also of one that has passed."""
        self._recover = recover
        self._tries = 0
        self._problem: str | None = None
        self._lost_at_s: float | None = None
        self._heard_s = 0.0
        self._fault_s = 0.0
        self._seldom = Seldom()
        self._unsaid = 0
        identity = sensor.identity
        self._silent_after_s = max(SILENT_AT_LEAST_S, SILENT_PERIODS / identity.rate_hz)
        self._may_be_silent = not _NO_FIX_IS_NO_FAULT.isdisjoint(identity.channels)

    @property
    def due_s(self) -> float:
        """When to poll next."""
        return self.sensor.due_s

    @property
    def name(self) -> str:
        """For messages."""
        return self.sensor.identity.name

    @property
    def status(self) -> SensorStatus:
        """What is shown of it."""
        return SensorStatus(
            self.name, self.state, self.readings, dict(self.faults), self.sensor.overruns, self._problem
        )

    def start(self, at_s: float) -> None:
        """Begin at a time."""
        self.state = State.STARTING
        self._heard_s = at_s
        self.sensor.start(at_s)

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """What became ready; nothing at a fault, which is dealt with here."""
        try:
            samples = self.sensor.poll(now_s)
        except SensorError as error:
            self._fault(error, now_s)
            return ()
        except Exception as error:  # a mistake in a driver must not take the instrument down either
            if self._seldom.may_say(f"traceback {type(error).__name__}", now_s):
                LOG.exception("%s: the driver failed", self.name)
            self._fault(SensorError(f"the driver failed: {error!r}", sensor=self.name), now_s)
            return ()
        if samples:
            self._well(now_s)
        elif now_s - self._heard_s > self._silent_after_s and not self._may_be_silent:
            self._fault(SilentError(f"no reading for {self._silent_after_s:.1f} s", sensor=self.name), now_s)
        return samples

    def note_poll_duration(self, duration_s: float) -> None:
        """How long the last `poll` took."""
        self.sensor.note_poll_duration(duration_s)

    def _well(self, now_s: float) -> None:
        self.readings += 1
        self._heard_s = now_s
        if self.state is not State.MEASURING:
            self.state = State.MEASURING
            if self._lost_at_s is None:
                LOG.info("%s: measuring", self.name)
            else:
                self._back(now_s)
            self._lost_at_s = self._problem = None
        if self._tries and now_s - self._fault_s > WELL_AFTER_S:
            self._tries = 0

    def _fault(self, error: SensorError, now_s: float) -> None:
        kind = type(error).__name__
        self.faults[kind] += 1
        self.last_error = error
        self._fault_s = now_s
        if error.passing and self.sensor.running:
            self._say(kind, "%s; this reading is left out", error, now_s)
            if now_s - self._heard_s <= self._silent_after_s:
                return
        if self._lost_at_s is None:
            self._lost_at_s = now_s
        self._problem = str(error)
        delay_s = min(FIRST_RETRY_S * 2.0**self._tries, LONGEST_RETRY_S)
        self._tries = min(self._tries + 1, 16)
        self.state = State.RESTING
        self._say(f"lost {kind}", f"%s; next try in {delay_s:.1f} s", error, now_s)
        if isinstance(error, BusStuckError):
            self._free_bus()
        self._heard_s = now_s + delay_s
        self.sensor.start(now_s + delay_s)

    def _free_bus(self) -> None:
        if self._recover is None:
            return
        try:
            self._recover()
        except (SensorError, OSError) as error:
            if self._seldom.may_say("not freed", self._fault_s):
                LOG.warning("%s: its bus could not be freed: %s", self.name, error)
            return
        if self._seldom.may_say("freed", self._fault_s):
            LOG.warning("%s: its bus was clocked free", self.name)

    def _back(self, now_s: float) -> None:
        """A loose plug comes and goes many times a minute: what was not said then is counted here."""
        if not self._seldom.may_say("back", now_s):
            self._unsaid += 1
            return
        often = f"; {self._unsaid} more losses since the last such line" if self._unsaid else ""
        assert self._lost_at_s is not None  # noqa: S101  (that is why it is back)
        LOG.warning("%s: back after %.1f s%s", self.name, now_s - self._lost_at_s, often)
        self._unsaid = 0

    def _say(self, kind: str, words: str, error: SensorError, now_s: float) -> None:
        if self._seldom.may_say(kind, now_s):
            LOG.warning(words, error)
