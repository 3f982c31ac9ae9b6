"""The live loop: sensors when they are due, their samples to the instrument, and a heartbeat when none come.

scheduler → instrument (recorder, flight logic, sound)
   clock ↗        ↖ side (changed settings, marks)
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from drivers.events import Event
from drivers.samples import Tick
from vario.app.live.clock import Clock
from vario.app.live.instrument import Instrument
from vario.app.live.scheduler import Scheduler, whole_ns
from vario.flight.inputs.frames import EMPTY_FRAME_S

CHORES_S = 0.25
"""How often the loop looks up from the sensors."""

EVENTS_AT_ONCE = 20
"""So many changes and marks are taken when it does; more wait for the next time, the sensors do not."""


class Side(Protocol):
    """Events from outside the sensors."""

    def take(self) -> Event | None:
        """The next one, if there is one; its time does not matter."""


class LiveLoop:
    """Runs a scheduler into an instrument.

    Args:
        scheduler: the sensors.
        clock: the same as the scheduler's.
        instrument: where the samples go.
        side: where changed settings and marks come from.
        utc: the UTC instant at which the clock was 0, as soon as a receiver knows it.
        chore: called about four times a second with the time.
    """

    def __init__(
        self,
        scheduler: Scheduler,
        clock: Clock,
        instrument: Instrument,
        *,
        side: Side | None = None,
        utc: Callable[[], datetime | None] = lambda: None,
        chore: Callable[[float], None] = lambda _: None,
    ) -> None:
        self._scheduler = scheduler
        self._clock = clock
        self._instrument = instrument
        self._side = side
        self._utc = utc
        self._utc_known: datetime | None = None
        self._chore = chore
        self._chores_s = 0.0

    def run(self, until_s: float = math.inf, stop: Callable[[], bool] = lambda: False) -> None:
        """Run to a time, or until `stop` says so. What fails in between is dealt with on the way."""
        self._scheduler.start()
        instrument = self._instrument
        instrument.reached_s = now_s = self._clock.now_s()
        while now_s < until_s and not stop():
            wake_s = min(instrument.reached_s + EMPTY_FRAME_S, until_s)
            for sample in self._scheduler.step(wake_s):
                instrument.take(sample)
            now_s = self._clock.now_s()
            if now_s >= instrument.reached_s + EMPTY_FRAME_S:
                instrument.take(Tick(whole_ns(now_s)))
            if now_s >= self._chores_s:
                self._chores_s = now_s + CHORES_S
                self._look_up(now_s)
        instrument.close()

    def _look_up(self, now_s: float) -> None:
        for _ in range(EVENTS_AT_ONCE):
            event = None if self._side is None else self._side.take()
            if event is None:
                break
            self._instrument.take(replace(event, t_s=whole_ns(now_s)))
        at_zero = self._utc()
        if at_zero is not None and at_zero != self._utc_known:
            self._utc_known = at_zero
            self._instrument.know_utc(at_zero, whole_ns(now_s))
        self._chore(now_s)
