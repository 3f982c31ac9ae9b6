"""One schedule for all sensors, on a clock that is passed in."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.samples import Sample, at_time
from vario.app.live.clock import Clock
from vario.app.live.faults import WatchedSensor


class Scheduler:
    """Polls every sensor when it is due.

    Args:
        sensors: if several are due, they are polled in this order; the fastest should be first.
        clock: the clock of the loop.
    """

    def __init__(self, sensors: Sequence[WatchedSensor], clock: Clock) -> None:
        self.sensors = sensors
        self._clock = clock
        self._listeners = [watched.sensor for watched in sensors if watched.sensor.listens]

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
        clock, sensors = self._clock, self.sensors
        clock.wait_until(min([until_s, *[watched.sensor.due_s for watched in sensors]]))
        taken: list[Sample] = []
        now_s = clock.now_s()
        for watched in sensors:
            if watched.sensor.due_s > now_s:
                continue
            begun_s = now_s
            samples = watched.poll(begun_s)
            now_s = clock.now_s()
            watched.note_poll_duration(now_s - begun_s)
            for sample in samples:
                stamped = at_time(sample, whole_ns(sample.t_s))
                if stamped.t_s < 0.0:
                    continue
                for listener in self._listeners:
                    listener.on_sample(stamped)
                taken.append(stamped)
        return taken


def whole_ns(t_s: float) -> float:
    """The time as a recording stores it."""
    return round(t_s * 1e9) / 1e9
