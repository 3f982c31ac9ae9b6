"""One schedule for all sensors, on a clock that is passed in."""

from __future__ import annotations

from collections.abc import Sequence
from operator import attrgetter

from drivers.samples import Sample, at_time, whole_ns
from vario.app.live.clock import Clock
from vario.app.live.faults import WatchedSensor

_DUE_S = attrgetter("due_s")


class Scheduler:
    """Polls every sensor when it is due.

    Args:
        sensors: if several are due, they are polled in this order; the fastest should be first.
        clock: the clock of the loop.
    """

    def __init__(self, sensors: Sequence[WatchedSensor], clock: Clock) -> None:
        self.sensors = sensors
        self._clock = clock
        self._polled = [(watched, watched.sensor) for watched in sensors]
        self._drivers = [watched.sensor for watched in sensors]
        self._listeners = [driver for driver in self._drivers if driver.listens]

    def start(self) -> None:
        """Begin the set-up of all sensors."""
        now_s = self._clock.now_s()
        for sensor in self.sensors:
            sensor.start(now_s)

    def step(self, until_s: float) -> list[Sample]:
        """Wait for the next due sensor, at most until `until_s`, and poll all that are due.

        Returns:
            The samples, with times in whole nanoseconds as a recording stores them.
        """
        clock = self._clock
        clock.wait_until(min((until_s, *map(_DUE_S, self._drivers))))
        taken: list[Sample] = []
        now_s = clock.now_s()
        for watched, sensor in self._polled:
            if sensor.due_s > now_s:
                continue
            begun_s = now_s
            samples = watched.poll(begun_s)
            now_s = clock.now_s()
            sensor.note_poll_duration(now_s - begun_s)
            for sample in samples:
                if sample.t_s < 0.0:
                    continue
                t_s = whole_ns(sample.t_s)
                stamped = sample if sample.t_s == t_s else at_time(sample, t_s)
                for listener in self._listeners:
                    listener.on_sample(stamped)
                taken.append(stamped)
        return taken
