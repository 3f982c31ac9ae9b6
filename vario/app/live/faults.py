"""Restart a sensor that fails. No fault of a sensor reaches the loop as an exception.

This module does not decide what a fault means for the pilot. The samples stop, the flight logic detects
their age, the quality changes and the cue sounds, in live flight as in a replay. This module writes the
log and decides when to retry.
"""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from enum import StrEnum

from drivers.errors import BusStuckError, SensorError, SilentError
from drivers.quick import dataclass
from drivers.samples import Sample
from drivers.sensor import Sensor
from vario.app.outlet import Seldom

LOG = logging.getLogger("vario.live")

FIRST_RETRY_S = 0.25
LONGEST_RETRY_S = 8.0
"""Longest delay of a retry: limits the time to detect a reconnected plug, and the load on a bus."""

WELL_AFTER_S = 10.0
"""After this time without fault, the retry delay is short again."""

SILENT_PERIODS = 20.0
SILENT_AT_LEAST_S = 2.0
"""A sensor that gives no reading for this long is restarted."""

_NO_FIX_IS_NO_FAULT = frozenset({"gnss_pos", "gnss_vel"})


class SensorState(StrEnum):
    """The state of a sensor."""

    STARTING = "starting"
    MEASURING = "measuring"
    RESTING = "waiting for the next retry"


@dataclass(frozen=True, slots=True)
class SensorStatus:
    """The status of a sensor for display.

    Attributes:
        name: "MS5611 at i2c-1 0x77".
        state: the present state.
        readings: number so far; one of an inertial sensor contains both kinds.
        faults: number by type of error, lost readings and restarts together.
        overruns: cycles that were skipped because the loop was late.
        problem: the last fault; None while it measures.
    """

    name: str
    state: SensorState
    readings: int
    faults: dict[str, int]
    overruns: int
    problem: str | None


class WatchedSensor:
    """A sensor with its state, its retries and its log lines.

    Args:
        sensor: the driver.
        recover: frees its bus; None for a sensor without a bus.
    """

    def __init__(self, sensor: Sensor, recover: Callable[[], None] | None = None) -> None:
        self.sensor = sensor
        self.readings = 0
        self.faults: Counter[str] = Counter()
        self.state = SensorState.STARTING
        self.last_error: SensorError | None = None
        """The latest fault, even if it is over."""
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
    def name(self) -> str:
        """Name for messages."""
        return self.sensor.identity.name

    @property
    def status(self) -> SensorStatus:
        """The status for display."""
        return SensorStatus(
            self.name, self.state, self.readings, dict(self.faults), self.sensor.overruns, self._problem
        )

    def start(self, at_s: float) -> None:
        """Begin set-up at a time."""
        self.state = SensorState.STARTING
        self._heard_s = at_s
        self.sensor.start(at_s)

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """The samples that became ready. Faults are handled here; then there are none."""
        try:
            samples = self.sensor.poll(now_s)
        except SensorError as error:
            self._fault(error, now_s)
            return ()
        except Exception as error:  # an error in the code of a driver must not stop the instrument either
            if self._seldom.may_say(f"traceback {type(error).__name__}", now_s):
                LOG.exception("%s: the driver failed", self.name)
            self._fault(SensorError(f"the driver failed: {error!r}", sensor=self.name), now_s)
            return ()
        if samples:
            self._well(now_s)
        elif now_s - self._heard_s > self._silent_after_s and not self._may_be_silent:
            self._fault(SilentError(f"no reading for {self._silent_after_s:.1f} s", sensor=self.name), now_s)
        return samples

    def _well(self, now_s: float) -> None:
        self.readings += 1
        self._heard_s = now_s
        if self.state is not SensorState.MEASURING:
            self.state = SensorState.MEASURING
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
            self._say(kind, "%s; this reading is lost", error, now_s)
            if now_s - self._heard_s <= self._silent_after_s:
                return
        if self._lost_at_s is None:
            self._lost_at_s = now_s
        self._problem = str(error)
        delay_s = min(FIRST_RETRY_S * 2.0**self._tries, LONGEST_RETRY_S)
        self._tries = min(self._tries + 1, 16)
        self.state = SensorState.RESTING
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
        """A loose plug can disconnect many times a minute; count the losses that were not logged."""
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
