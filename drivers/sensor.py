"""Sensors as the live loop sees them: they never sleep, never read a clock, and say when to come back.

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
                        sensor.start(now_s() + back_off_s)        # the loop's own, bounded
                sensor.took(now_s() - begun_s)

`start(at_s)` (re)begins set-up at a time: reset, identify, read factory constants, configure. It does not
touch the bus itself; the following `poll`s do, each a short piece up to the next wait. It may be called in
any state, so it is also how a sensor comes back after being unplugged.

`poll(now_s)` does what is due and returns the samples that became ready, mostly none or one. Before
`due_s` it does nothing. `now_s` is the time just before the call, on the loop's monotonic clock: the only
clock there is, so that the same polls over the same bytes give the same samples bit for bit.
It raises `SensorError` (drivers/errors.py). After a `passing` error while measuring the sensor keeps its
schedule and one reading is lost; after any other, and any during set-up, `due_s` is `NEVER_S` until `start`.
Many passing errors in a row are worth a `start` too: that is for the loop to count. After `BusStuckError`
call `bus.recover()` once before that.

`took(duration_s)` says afterwards how long that took. A conversion begins with the transfer that asks for it,
later than `now_s`, and much later where the machine stood still in between: the wait for it begins there.

Samples carry the time of the measurement: the middle of the conversion where the driver starts it, the
time of reading less the filter's delay where the chip runs by itself. What a driver took off is
`identity.delay_s`, so nothing remains to be corrected for (`SensorInfo.latency_s` is 0).

IMU samples come in the chip's own axes (x, y, z as its datasheet draws them, specific force, right-handed
rates): mounting, bias and scale are the application's.

`hear(sample)` tells a sensor what others measured: the live loop passes every sample to every sensor. An
SDP3x needs the barometer's pressure; the rest do not listen.

`overruns` counts cycles that had to be left out because `poll` came too late.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from drivers.errors import DivergedError, ImplausibleError, SensorError
from drivers.samples import CHANNEL_OF, CHANNELS, Sample

NEVER_S = math.inf
"""`due_s` of a sensor that waits for `start`."""

Steps = Generator[float, float, None]
"""A piece of driving written as a flow chart: yields the time to come back at, is sent the time it is."""


@dataclass(frozen=True, slots=True)
class SensorIdentity:
    """What a sensor is, for `vario check` and for the recording's description of its channels.

    Attributes:
        chip: "MS5611".
        place: where it is: "i2c-1 0x77", "/dev/serial0".
        channels: what it gives, names of `drivers.samples.CHANNELS`.
        rate_hz: samples a second asked for.
        noise: by channel, white noise of one sample as the datasheet promises it at the settings used
            here: one standard deviation in the channel's unit. Absent where it promises none.
        delay_s: from the event to its reading, already taken off the samples' times.
    """

    chip: str
    place: str
    channels: tuple[str, ...]
    rate_hz: float
    noise: Mapping[str, float] = field(default_factory=dict)
    delay_s: float = 0.0

    @property
    def name(self) -> str:
        """For messages: "MS5611 at i2c-1 0x77"."""
        return f"{self.chip} at {self.place}"


class Sensor(Protocol):
    """What the live loop needs of a sensor; see the top of this module."""

    @property
    def identity(self) -> SensorIdentity:
        """What it is."""

    @property
    def due_s(self) -> float:
        """When `poll` should be called next; infinite: not before `start`."""

    @property
    def running(self) -> bool:
        """Whether set-up is complete and it measures."""

    @property
    def overruns(self) -> int:
        """Cycles left out because `poll` came too late."""

    @property
    def recipe(self) -> Mapping[str, object]:
        """What is needed to build the same driver again, for recordings of the bus."""

    @property
    def listens(self) -> bool:
        """Whether it wants to `hear` static pressures."""

    def start(self, at_s: float) -> None:
        """Begin, or begin again, at a time."""

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Do what is due."""

    def took(self, duration_s: float) -> None:
        """Learn how long the last `poll` took."""

    def hear(self, sample: Sample) -> None:
        """Learn what another sensor measured."""


class Driver(ABC):
    """The schedule every driver shares: set up once, then measure on a steady grid of times.

    A driver writes `setup` and `measure` as flow charts (generators): `now_s = yield come_back_s`
    wherever the chip needs time. A chip that is simply read returns None from `measure`.

    Args:
        identity: what it is.
        cycle_hz: how often to measure; the identity's rate if None.
    """

    listens = False

    def __init__(self, identity: SensorIdentity, cycle_hz: float | None = None) -> None:
        self.identity = identity
        self.due_s = NEVER_S
        self.running = False
        self.overruns = 0
        self._period_s = 1.0 / (cycle_hz or identity.rate_hz)
        self._begin_s = 0.0
        self._steps: Steps | None = None
        self._out: list[Sample] = []
        self._held: tuple[SensorError, float] | None = None

    @property
    @abstractmethod
    def recipe(self) -> Mapping[str, object]:
        """What is needed to build the same driver again, for recordings of the bus."""

    def start(self, at_s: float) -> None:
        """Begin, or begin again, at a time."""
        self.running = False
        self._steps = None
        self._held = None
        self.due_s = at_s

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Do what is due; the samples that became ready.

        Raises:
            SensorError: see the top of this module.
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
            # What was measured before the error goes out first; the error follows with the next poll.
            self._held, self.due_s = (error, self.due_s), now_s
        return tuple(self._out)

    def took(self, duration_s: float) -> None:
        """Learn how long the last `poll` took: what it told the chip to do may have begun as much later."""
        if self._steps is not None:
            self.due_s += duration_s

    def hear(self, sample: Sample) -> None:  # noqa: B027  (most sensors need no other)
        """Learn what another sensor measured."""

    @abstractmethod
    def setup(self, now_s: float) -> Steps:
        """Reset, identify, read constants, configure."""

    @abstractmethod
    def measure(self, now_s: float) -> Steps | None:
        """One cycle: `emit` what it gives."""

    def emit(self, sample: Sample) -> None:
        """Give a sample out, if it can be true.

        Raises:
            ImplausibleError: if a value is outside what the channel can physically carry.
        """
        channel = CHANNELS[CHANNEL_OF[type(sample)]]
        if channel.name not in self.identity.channels:
            return
        for name, (low, high) in channel.limits.items():
            value = getattr(sample, name)
            if value is None and name in channel.optional:
                continue
            if not low <= value <= high:  # also true of NaN
                raise ImplausibleError(
                    f"{channel.name} {name} reads {value:g}, possible is {low:g} to {high:g}",
                    "A bad joint, a wet sensor, or another chip than the settings say",
                )
        self._out.append(sample)

    def _advance(self, now_s: float) -> None:
        """Run to the next wait, or to the end of set-up or cycle."""
        try:
            if self._steps is not None:
                self.due_s = self._steps.send(now_s)
                return
            if self.running:
                # A late cycle runs at once and takes the place nearest to it; those before are lost. So two
                # are never closer than half a period: a chip that runs by itself would have nothing new.
                lost = round((now_s - self._begin_s) / self._period_s)
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
