"""Fake chips for the drivers, in tests, emulations and simulated live flights.

    clock = FakeClock()                               # or time.monotonic
    world = World()                                   # true values; world.take(sample) from a simulation
    bus = FakeBus(clock)
    baro = bus.attach(fake("MS5611", world, clock), 0x77)
    driver = build("MS5611", bus, 0x77)               # the real driver
    receiver = GnssReceiver(FakeReceiver(world, clock))

Faults, on a chip: `powered`, `frozen`, `late_s`, `garbled_reads`, and for chips with an identity register
`identity`. On the bus: `stuck`, `recoverable`, `stretch_s`, `detach`.
"""

from drivers.fakes.bus import FakeBus, FakeChip, FakeClock
from drivers.fakes.catalogue import fake
from drivers.fakes.gnss import FakeReceiver
from drivers.fakes.world import World

__all__ = ["FakeBus", "FakeChip", "FakeClock", "FakeReceiver", "World", "fake"]
