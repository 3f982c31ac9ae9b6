"""The interface of a sensor to the live loop. A sensor never sleeps and never reads a clock.

    sensor = build("MS5611", bus, address=0x77, rate_hz=50.0)     # drivers/registry.py
    sensor.start(now_s)                                           # set-up begins at that time
    while True:
        wait_until(min(sensor.due_s for sensor in sensors))
        for sensor in sensors:
            if sensor.due_s <= now_s():
                begun_s = now_s()
                try:
                    samples = sensor.poll(begun_s)
                except SensorError as error:                          # count and log it
                    if not sensor.due_s < NEVER_S:
                        sensor.start(now_s() + back_off_s)        # the loop chooses it, bounded
                sensor.note_poll_duration(now_s() - begun_s)

`start(at_s)` begins set-up at a time: reset, identify, read factory constants, configure. It does not use the
bus itself; the `poll` calls after it do, each up to the next waiting time. It may be called in any state, so
it also brings a sensor back after it was unplugged.

`poll(now_s)` does what is due and returns the samples that became ready, usually none or one. Before
`due_s` it does nothing. `now_s` is the time just before the call, on the monotonic clock of the loop. There
is no other clock, so the same polls with the same bytes give the same samples, bit for bit. It raises
`SensorError` (drivers/errors.py). After a `passing` error while measuring, the sensor keeps its schedule
and loses one reading. After any other error, and after any error during set-up, `due_s` is `NEVER_S` until
`start` is called. The loop counts passing errors: many in a row also justify a `start`. After a
`BusStuckError` the loop calls `bus.recover()` once before it calls `start`.

`note_poll_duration(duration_s)` reports afterwards how long the call took. A conversion begins with the
transfer that requests it, which is later than `now_s`; the waiting time is counted from that transfer.

Samples carry the time of the measurement: the middle of the conversion where the driver starts it, or the
time of reading minus the delay of the filter where the chip runs by itself. `identity.delay_s` is the delay
that a driver has subtracted, so no correction remains (`SensorInfo.latency_s` is 0).

IMU samples are in the axes of the chip (x, y, z as its datasheet draws them; specific force; right-handed
rates). The application applies mounting, bias and scale.

`on_sample(sample)` reports what other sensors measured: the live loop passes every sample to every sensor
that `listens`. An SDP3x needs the pressure of the barometer; the others ignore it.

`overruns` counts the cycles that were omitted because `poll` was called too late.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Generator, Mapping
from dataclasses import field
from typing import Protocol

from drivers.errors import DivergedError, ImplausibleError, SensorError
from drivers.quick import dataclass
from drivers.samples import CHANNEL_OF, CHANNELS, Sample

_LIMITS = {
    channel.sample: (
        channel.name,
        tuple((name, low, high, name in channel.optional) for name, (low, high) in channel.limits.items()),
    )
    for channel in CHANNELS.values()
}
"""Of each kind of sample: the name of its channel, and each value with its limits."""

NEVER_S = math.inf
"""`due_s` of a sensor that waits for `start`."""

DriverCoroutine = Generator[float, float, None]
"""A sequence of transfers: it yields the time of its next step and receives the present time."""


@dataclass(frozen=True, slots=True)
class SensorIdentity:
    """Identity of a sensor, for `vario check` and for the description of the channels in a recording.

    Attributes:
        chip: "MS5611".
        location: bus and address, or port: "i2c-1 0x77", "/dev/serial0".
        channels: the channels that it measures, names of `drivers.samples.CHANNELS`.
        rate_hz: requested samples per second.
        noise: by channel, the white noise of one sample that the datasheet states for the settings used
            here: one standard deviation in the unit of the channel. Absent where it states none.
        delay_s: from the event to its reading, already subtracted from the times of the samples.
    """

    chip: str
    location: str
    channels: tuple[str, ...]
    rate_hz: float
    noise: Mapping[str, float] = field(default_factory=dict)
    delay_s: float = 0.0

    @property
    def name(self) -> str:
        """The name for messages: "MS5611 at i2c-1 0x77"."""
        return f"{self.chip} at {self.location}"


class Sensor(Protocol):
    """The interface of a sensor to the live loop. The docstring of the module describes it."""

    @property
    def identity(self) -> SensorIdentity:
        """The identity of the sensor."""

    @property
    def due_s(self) -> float:
        """Time of the next call of `poll`. Infinite: not before `start`."""

    @property
    def running(self) -> bool:
        """Whether set-up is complete and it measures."""

    @property
    def overruns(self) -> int:
        """Cycles omitted because `poll` was called too late."""

    @property
    def build_args(self) -> Mapping[str, object]:
        """The arguments that build the same driver again, for recordings of the bus."""

    @property
    def listens(self) -> bool:
        """Whether it needs the samples of other sensors."""

    def start(self, at_s: float) -> None:
        """Begin set-up at a time."""

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Do what is due."""

    def note_poll_duration(self, duration_s: float) -> None:
        """Report how long the last `poll` took."""

    def on_sample(self, sample: Sample) -> None:
        """Report a sample of another sensor."""


class Driver(ABC):
    """The schedule of every driver: set up once, then measure at equal intervals.

    A driver writes `setup` and `measure` as generators: `now_s = yield next_step_s` wherever the chip
    needs time. The driver of a chip that runs by itself returns None from `measure`.

    Args:
        identity: the identity of the sensor.
        cycle_hz: cycles per second; None: the rate of the identity.
    """

    listens = False

    def __init__(self, identity: SensorIdentity, cycle_hz: float | None = None) -> None:
        self.identity = identity
        self.due_s = NEVER_S
        self.running = False
        self.overruns = 0
        self._period_s = 1.0 / (cycle_hz or identity.rate_hz)
        self._begin_s = 0.0
        self._steps: DriverCoroutine | None = None
        self._out: list[Sample] = []
        self._held: tuple[SensorError, float] | None = None

    @property
    @abstractmethod
    def build_args(self) -> Mapping[str, object]:
        """The arguments that build the same driver again, for recordings of the bus."""

    def start(self, at_s: float) -> None:
        """Begin set-up at a time."""
        self.running = False
        self._steps = None
        self._held = None
        self.due_s = at_s

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Do what is due.

        Returns:
            The samples that became ready.

        Raises:
            SensorError: as the docstring of the module describes.
        """
        if now_s < self.due_s:
            return ()
        if self._held is not None:
            (error, self.due_s), self._held = self._held, None
            raise error
        self._out = []
        try:
            self._advance(now_s)
        except SensorError as error:
            self._fail(error)
            if not self._out or isinstance(error, DivergedError):
                raise
            # Samples measured before the error are returned first; the next poll raises the error.
            self._held, self.due_s = (error, self.due_s), now_s
        return tuple(self._out)

    def note_poll_duration(self, duration_s: float) -> None:
        """Report how long the last `poll` took: a conversion may have begun as much later."""
        if self._steps is not None:
            self.due_s += duration_s

    def on_sample(self, sample: Sample) -> None:  # noqa: B027  (most sensors ignore it)
        """Report a sample of another sensor."""

    @abstractmethod
    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, read constants, configure."""

    @abstractmethod
    def measure(self, now_s: float) -> DriverCoroutine | None:
        """One cycle: `emit` each sample."""

    def emit(self, sample: Sample) -> None:
        """Return a sample from `poll`, if it is physically possible.

        Raises:
            ImplausibleError: if a value is outside the physical limits of the channel.
        """
        channel, limits = _LIMITS[type(sample)]
        if channel not in self.identity.channels:
            return
        for name, low, high, optional in limits:
            value = getattr(sample, name)
            if not (optional if value is None else low <= value <= high):  # also true of NaN
                raise ImplausibleError(
                    f"{channel} {name} reads {value:g}, possible is {low:g} to {high:g}",
                    "A bad joint, a wet sensor, or a chip other than the one in the settings",
                )
        self._out.append(sample)

    def emit_possible(self, sample: Sample) -> None:
        """The same for a sample whose values are within the limits whatever the chip answers."""
        if CHANNEL_OF[type(sample)] in self.identity.channels:
            self._out.append(sample)

    def _advance(self, now_s: float) -> None:
        """Run to the next waiting time, or to the end of set-up or cycle."""
        try:
            if self._steps is not None:
                self.due_s = self._steps.send(now_s)
                return
            if self.running:
                # A late cycle runs at once and counts as the nearest scheduled one; earlier ones are lost.
                # Two cycles are then never closer than half a period, and a free-running chip has new data.
                late_s = now_s - self._begin_s
                if late_s > 0.5 * self._period_s:
                    lost = round(late_s / self._period_s)
                    self.overruns += lost
                    self._begin_s += lost * self._period_s
            self._steps = self.measure(now_s) if self.running else self.setup(now_s)
            if self._steps is not None:
                self.due_s = next(self._steps)
                return
        except StopIteration:
            self._steps = None
        if self.running:
            self._next_cycle()
        else:
            self.running = True
            self.due_s = self._begin_s = now_s

    def _fail(self, error: SensorError) -> None:
        error.sensor = error.sensor or self.identity.name
        self._steps = None
        if error.passing and self.running:
            self._next_cycle()
        else:
            self.running = False
            self.due_s = NEVER_S

    def _next_cycle(self) -> None:
        self._begin_s += self._period_s
        self.due_s = self._begin_s
