"""A test bench for the drivers of chips."""

from drivers.errors import SensorError
from drivers.fakes import FakeBus, FakeClock, World, fake
from drivers.registry import CHIPS, build
from drivers.samples import Baro

BAROMETERS = [name for name, spec in CHIPS.items() if spec.kind == "barometer"]
IMUS = [name for name, spec in CHIPS.items() if spec.kind == "motion"]
CONVERT_ON_COMMAND = [*BAROMETERS, "TMP117", "INA219"]
WITH_IDENTITY = [name for name in CHIPS if name not in {"MS5611", "MS5607", "MS4525DO", "SDP31", "SDP33"}]


class Bench:
    """A fake chip on a bus, its driver, and a loop that polls the driver when it is due."""

    def __init__(self, name, *, noise=1.0, **options):
        self.clock = FakeClock(5.0)
        self.world = World(noise=noise)
        self.bus = FakeBus(self.clock)
        self.driver = build(name, self.bus, **options)
        self.chip = self.bus.attach(fake(name, self.world, self.clock), self.driver.address)
        self.barometer = True
        self.driver.start(self.clock())

    def run(self, seconds, *, late_s=0.0):
        """Samples and errors of `seconds`, each poll `late_s` after it is due; an error does not end it."""
        samples, faults = [], []
        until_s = self.clock() + seconds
        while self.driver.due_s <= until_s:
            self.clock.now_s = max(self.clock.now_s, self.driver.due_s + late_s)
            if self.barometer:
                self.driver.on_sample(Baro(self.clock(), self.world.static_pa))
            begun_s = self.clock()
            try:
                samples += self.driver.poll(begun_s)
            except SensorError as error:
                faults.append(error)
            self.driver.note_poll_duration(self.clock() - begun_s)
        self.clock.now_s = max(self.clock.now_s, until_s)
        return samples, faults

    def restart(self):
        self.driver.start(self.clock())
