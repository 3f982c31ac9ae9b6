"""The live loop: poll the sensors when due, pass their samples on, and send a heartbeat if none arrive.

scheduler → instrument (recorder, flight logic, sound)
   clock ↗        ↖ files (changed settings, marks)
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from drivers.events import Event
from drivers.samples import Tick, whole_ns
from vario.app.live.clock import Clock
from vario.app.live.instrument import Instrument
from vario.app.live.scheduler import Scheduler
from vario.flight.inputs.frames import EMPTY_FRAME_S

HOUSEKEEPING_S = 0.25
"""Interval at which the loop does other work than polling."""

EVENTS_AT_ONCE = 20
"""Maximum number of changes and marks taken each time. More must wait, so that the sensors need not."""


class EventSource(Protocol):
    """Events that do not come from sensors."""

    def take(self) -> Event | None:
        """The next event, if there is one. Its time is ignored."""


class LiveLoop:
    """Runs a scheduler and passes its samples to an instrument.

    Args:
        scheduler: the sensors.
        clock: the clock of the scheduler.
        instrument: receives the samples.
        files: source of changed settings and marks.
        controls: source of what knobs and buttons do; it is asked more often, because it is heard.
        utc: the UTC time at clock time 0, once a receiver knows it.
        housekeeping: called about four times per second with the time.
    """

    def __init__(
        self,
        scheduler: Scheduler,
        clock: Clock,
        instrument: Instrument,
        *,
        files: EventSource | None = None,
        controls: EventSource | None = None,
        utc: Callable[[], datetime | None] = lambda: None,
        housekeeping: Callable[[float], None] = lambda _: None,
    ) -> None:
        self._scheduler = scheduler
        self._clock = clock
        self._instrument = instrument
        self._files = files
        self._controls = controls
        self._utc = utc
        self._utc_known: datetime | None = None
        self._housekeeping = housekeeping
        self._housekeeping_s = 0.0

    def run(self, until_s: float = math.inf, stop: Callable[[], bool] = lambda: False) -> None:
        """Run until a time, or until `stop` returns True. Failures in between are handled."""
        self._scheduler.start()
        instrument = self._instrument
        instrument.reached_s = now_s = self._clock.now_s()
        while now_s < until_s and not stop():
            wake_s = min(instrument.reached_s + EMPTY_FRAME_S, until_s)
            for sample in self._scheduler.step(wake_s):
                instrument.take(sample)
            now_s = self._clock.now_s()
            if self._controls is not None:
                self._take_events(self._controls, now_s)
            if now_s >= instrument.reached_s + EMPTY_FRAME_S:
                instrument.take(Tick(whole_ns(now_s)))
            if now_s >= self._housekeeping_s:
                self._housekeeping_s = now_s + HOUSEKEEPING_S
                self._do_other_work(now_s)
        instrument.close()

    def _take_events(self, source: EventSource, now_s: float) -> None:
        for _ in range(EVENTS_AT_ONCE):
            event = source.take()
            if event is None:
                break
            self._instrument.take(replace(event, t_s=whole_ns(now_s)))

    def _do_other_work(self, now_s: float) -> None:
        if self._files is not None:
            self._take_events(self._files, now_s)
        at_zero = self._utc()
        if at_zero is not None and at_zero != self._utc_known:
            self._utc_known = at_zero
            self._instrument.know_utc(at_zero, whole_ns(now_s))
        self._housekeeping(now_s)
