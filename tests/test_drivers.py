"""The real drivers on fake chips: what they give, when, and what they say of every fault."""

import math
import statistics
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import (
    BadCalibrationError,
    BadChecksumError,
    BusStuckError,
    ChipFaultError,
    ImplausibleError,
    NoAnswerError,
    NotReadyError,
    SaturatedError,
    SensorError,
    StaleDataError,
    WrongChipError,
)
from drivers.fakes import Clock, FakeBus, World, fake
from drivers.fakes.catalogue import FAKES
from drivers.isa import G0_MPS2
from drivers.registry import CHIPS, build, scan
from drivers.samples import CHANNEL_OF, CHANNELS, Baro, ImuAccel, ImuGyro, Oat, Pitot, Supply
from drivers.sensor import NEVER_S

BAROMETERS = [name for name, spec in CHIPS.items() if spec.what == "barometer"]
IMUS = [name for name, spec in CHIPS.items() if spec.what == "motion"]
CONVERT_ON_COMMAND = [*BAROMETERS, "TMP117", "INA219"]
WITH_IDENTITY = [name for name in CHIPS if name not in {"MS5611", "MS5607", "MS4525DO", "SDP31", "SDP33"}]


class Bench:
    """A chip on a bus with its driver, and a loop that comes when the driver says."""

    def __init__(self, name, *, noise=1.0, **options):
        self.clock = Clock(5.0)
        self.world = World(noise=noise)
        self.bus = FakeBus(self.clock)
        self.driver = build(name, self.bus, **options)
        self.chip = self.bus.attach(fake(name, self.world, self.clock), self.driver.address)
        self.barometer = True
        self.driver.start(self.clock())

    def run(self, seconds, *, late_s=0.0):
        """Samples and errors of some time; errors do not stop it, the end of the schedule does."""
        samples, faults = [], []
        until_s = self.clock() + seconds
        while self.driver.due_s <= until_s:
            self.clock.now_s = max(self.clock.now_s, self.driver.due_s + late_s)
            if self.barometer:
                self.driver.hear(Baro(self.clock(), self.world.static_pa))
            try:
                samples += self.driver.poll(self.clock())
            except SensorError as error:
                faults.append(error)
        self.clock.now_s = max(self.clock.now_s, until_s)
        return samples, faults

    def restart(self):
        self.driver.start(self.clock())


def of(kind, samples):
    return [sample for sample in samples if type(sample) is kind]


def test_every_chip_has_a_fake():
    assert set(FAKES) == set(CHIPS)


@pytest.mark.parametrize("name", CHIPS)
def test_samples_come_at_the_rate_asked_for_in_order_and_without_error(name):
    bench = Bench(name)
    samples, faults = bench.run(10.0)
    assert not faults
    for channel in CHIPS[name].channels:
        times = [s.t_s for s in samples if CHANNEL_OF[type(s)] == channel]
        gaps = [b - a for a, b in pairwise(times)]
        assert statistics.median(gaps) == pytest.approx(1.0 / CHIPS[name].rate_hz, rel=0.02)
        assert min(gaps) > 0.0
        assert len(times) == pytest.approx(10.0 * CHIPS[name].rate_hz, rel=0.06)
    assert bench.driver.overruns == 0


@pytest.mark.parametrize("name", BAROMETERS)
@pytest.mark.parametrize("static_pa", [30_500.0, 54_020.0, 79_495.0, 101_325.0, 108_000.0])
@pytest.mark.parametrize("celsius", [-40.0, -10.0, 15.0, 45.0])
def test_barometers_measure_the_pressure_of_the_world(name, static_pa, celsius):
    bench = Bench(name, noise=0.0)
    bench.world.static_pa, bench.world.air_k = static_pa, celsius + 273.15
    samples, _ = bench.run(0.5)
    # Within a few counts of the coarsest of them.
    assert of(Baro, samples)[-1].static_pa == pytest.approx(static_pa, abs=2.5)


@pytest.mark.parametrize("name", BAROMETERS)
def test_a_barometer_gives_its_temperature_once_a_second_if_asked(name):
    bench = Bench(name, channels=["baro", "oat"])
    bench.world.air_k = 268.15
    samples, _ = bench.run(5.0)
    air = of(Oat, samples)
    assert 4 <= len(air) <= 6
    assert air[-1].air_k == pytest.approx(268.15, abs=0.05)
    assert not of(Oat, Bench(name).run(3.0)[0])


@pytest.mark.parametrize("name", ["MS5611", "BMP280", "BMP581", "LPS22HB", *IMUS])
def test_noise_is_what_the_datasheet_promises(name):
    # The fake makes Gaussian noise of the datasheet's size; the driver must neither lose nor add to it.
    samples, _ = Bench(name).run(40.0)
    for channel, sigma in CHIPS[name].noise.items():
        values = [s for s in samples if CHANNEL_OF[type(s)] == channel]
        if channel == "baro":
            spread = statistics.stdev(s.static_pa for s in values)
        elif channel == "imu_accel":
            spread = statistics.stdev(s.z_mps2 for s in values)
        else:
            spread = statistics.stdev(s.x_radps for s in values)
        assert spread == pytest.approx(sigma, rel=0.15)


@pytest.mark.parametrize("name", IMUS)
def test_motion_chips_measure_force_and_rate(name):
    bench = Bench(name, noise=0.2)
    bench.world.accel_mps2 = (1.0, -2.0, -3.5 * G0_MPS2)
    bench.world.gyro_radps = (0.5, -1.0, math.radians(300.0))
    samples, _ = bench.run(2.0)
    for kind, truth in ((ImuAccel, bench.world.accel_mps2), (ImuGyro, bench.world.gyro_radps)):
        found = of(kind, samples)
        for axis, value in zip("xyz", truth, strict=True):
            unit = "mps2" if kind is ImuAccel else "radps"
            mean = statistics.fmean(getattr(s, f"{axis}_{unit}") for s in found)
            assert mean == pytest.approx(value, abs=0.01 if kind is ImuAccel else 0.001)


@pytest.mark.parametrize("name", ["MS4525DO", "SDP31", "SDP33"])
@pytest.mark.parametrize("static_pa", [101_325.0, 70_000.0])
def test_airspeed_sensors_measure_at_any_altitude(name, static_pa):
    bench = Bench(name)
    bench.world.impact_pa, bench.world.static_pa = 320.0, static_pa
    samples, _ = bench.run(2.0)
    assert statistics.fmean(s.impact_pa for s in of(Pitot, samples)) == pytest.approx(320.0, abs=0.6)


def test_an_sdp3x_says_nothing_without_a_static_pressure_and_uses_an_old_one_only_for_a_while():
    bench = Bench("SDP33")
    bench.barometer = False
    assert bench.run(2.0) == ([], [])
    bench = Bench("SDP33")
    assert bench.run(1.0)[0]
    bench.barometer = False
    samples, _ = bench.run(60.0)
    assert 29.0 < samples[-1].t_s - 6.0 < 31.0


@pytest.mark.parametrize(("name", "limit_pa"), [("SDP31", 500.0), ("SDP33", 1500.0)])
def test_an_sdp3x_beyond_its_range_says_so(name, limit_pa):
    bench = Bench(name)
    bench.world.static_pa = 96_600.0
    bench.world.impact_pa = limit_pa * 0.98
    assert bench.run(0.5)[1] == []
    bench.world.impact_pa = limit_pa * 2.0
    samples, faults = bench.run(0.5)
    assert len(samples) <= 1  # the average of the change at most
    assert {type(fault) for fault in faults} == {SaturatedError}
    assert all(fault.passing for fault in faults)
    bench.world.impact_pa = 100.0
    assert bench.run(0.5)[1] == []


def test_an_ms4525do_beyond_its_range_says_so():
    bench = Bench("MS4525DO")
    bench.run(0.1)
    bench.world.impact_pa = 9_000.0
    samples, faults = bench.run(0.5)
    assert not samples
    assert {type(fault) for fault in faults} == {SaturatedError}


@pytest.mark.parametrize("name", IMUS)
def test_a_motion_chip_at_its_end_stop_says_so(name):
    bench = Bench(name)
    bench.run(0.5)
    bench.world.gyro_radps = (0.0, 20.0, 0.0)
    samples, faults = bench.run(0.5)
    assert not samples
    assert {type(fault) for fault in faults} == {SaturatedError}
    assert "500 °/s" in str(faults[0])


def test_supply_and_temperature():
    bench = Bench("INA219")
    bench.world.volt_v = 11.98
    assert bench.run(3.0)[0][-1] == Supply(pytest.approx(7.0, abs=0.2), pytest.approx(11.98, abs=0.02))
    bench = Bench("TMP117")
    bench.world.air_k = 253.15
    assert of(Oat, bench.run(3.0)[0])[-1].air_k == pytest.approx(253.15, abs=0.05)


@pytest.mark.parametrize("name", [*BAROMETERS])
def test_the_time_of_a_sample_is_the_middle_of_its_conversion(name):
    # The pressure makes a step; samples whose time lies a conversion after it must show it, those before not.
    bench = Bench(name, noise=0.0)
    bench.run(1.0)
    bench.world.static_pa -= 1_000.0
    step_s = bench.clock()
    samples, _ = bench.run(1.0)
    length_s = 2.0 * bench.driver.spec.delay_s
    for sample in of(Baro, samples):
        if sample.t_s > step_s + length_s:
            assert sample.static_pa == pytest.approx(100_325.0, abs=3.0)
        if sample.t_s < step_s - length_s:
            assert sample.static_pa == pytest.approx(101_325.0, abs=3.0)


@pytest.mark.parametrize("name", [*BAROMETERS, "MPU-6050", "MS4525DO", "SDP33"])
def test_a_late_loop_shifts_times_but_keeps_the_grid(name):
    bench = Bench(name)
    samples, faults = bench.run(4.0, late_s=0.001)
    assert not faults
    assert bench.driver.overruns <= 0.3 * 4.0 * CHIPS[name].rate_hz
    times = [s.t_s for s in samples]
    assert times == sorted(times)


def test_cycles_that_are_missed_altogether_are_counted():
    bench = Bench("MPU-6050")
    bench.run(0.5)
    assert bench.driver.overruns == 0
    bench.clock.advance(0.5)
    bench.run(0.1)
    assert bench.driver.overruns == pytest.approx(50, abs=1)


def test_nothing_happens_before_it_is_due():
    bench = Bench("MS5611")
    bench.run(0.1)
    before = bench.bus.transfers
    assert bench.driver.poll(bench.driver.due_s - 1e-6) == ()
    assert bench.bus.transfers == before


# Faults.


@pytest.mark.parametrize("name", CHIPS)
def test_a_chip_that_is_not_there(name):
    bench = Bench(name)
    bench.bus.detach(bench.driver.address)
    samples, (fault,) = bench.run(1.0)
    assert not samples
    assert isinstance(fault, NoAnswerError)
    assert bench.driver.due_s == NEVER_S
    for word in (name, f"0x{bench.driver.address:02X}", "fake", "supply"):
        assert word in str(fault)


@pytest.mark.parametrize("name", CHIPS)
def test_a_chip_pulled_out_and_put_back_measures_again_after_a_start(name):
    bench = Bench(name)
    good, _ = bench.run(3.0)
    bench.chip.powered = False
    _, faults = bench.run(3.0)
    assert isinstance(faults[-1], NoAnswerError)
    assert bench.driver.due_s == NEVER_S
    bench.restart()
    assert isinstance(bench.run(1.0)[1][0], NoAnswerError)
    bench.chip.powered = True
    bench.restart()
    again, faults = bench.run(3.0)
    assert not faults
    assert len(again) == pytest.approx(len(good), abs=0.1 * len(good) + 1)


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("after_s", [1.0, 1.003, 1.012])
def test_a_chip_that_lost_its_supply_for_a_moment_is_right_or_silent(name, after_s):
    # It answers, but has forgotten its settings: readings of a wrong range would be worse than none.
    bench = Bench(name, noise=0.3)
    bench.world.static_pa, bench.world.impact_pa = 85_000.0, 350.0
    bench.run(after_s)
    bench.chip.powered = False
    bench.chip.powered = True
    samples, _ = bench.run(5.0)
    assert_true(samples, bench.world)
    if name in IMUS:
        assert not samples
    bench.restart()
    samples, faults = bench.run(3.0)
    assert samples
    assert not faults
    assert_true(samples, bench.world)


def assert_true(samples, world):
    for sample in samples:
        match sample:
            case Baro():
                assert sample.static_pa == pytest.approx(world.static_pa, abs=10.0)
            case Pitot():
                assert sample.impact_pa == pytest.approx(world.impact_pa, abs=5.0)
            case ImuAccel():
                assert sample.z_mps2 == pytest.approx(world.accel_mps2[2], abs=0.2)
            case Supply():
                assert sample.volt_v == pytest.approx(world.volt_v, abs=0.1)
            case Oat():
                assert sample.air_k == pytest.approx(world.air_k, abs=0.1)
            case _:
                assert isinstance(sample, ImuGyro)


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("after_s", [0.0, 0.001, 0.05, 1.0, 1.007])
def test_start_may_come_at_any_time(name, after_s):
    bench = Bench(name)
    bench.run(after_s)
    bench.driver.start(bench.clock() + 0.5)
    assert not bench.driver.running
    assert bench.driver.due_s == bench.clock() + 0.5
    samples, faults = bench.run(4.0)
    assert samples
    assert not faults


def test_what_was_measured_before_an_error_is_not_lost_with_it():
    # The pressure is in, the temperature that should follow finds no chip.
    bench = Bench("MS5611")
    bench.run(1.0)
    write = bench.chip.write

    def gone_for_the_temperature(data):
        if data == bytes([0x58]):
            raise NoAnswerError("does not answer")
        write(data)

    bench.chip.write = gone_for_the_temperature
    samples, (fault,) = bench.run(1.0)
    assert isinstance(fault, NoAnswerError)
    assert 1 <= len(samples) <= 5
    assert bench.driver.due_s == NEVER_S
    bench.chip.write = write
    bench.restart()
    assert bench.run(1.0)[1] == []


@pytest.mark.parametrize("name", WITH_IDENTITY)
def test_another_chip_than_the_settings_say(name):
    bench = Bench(name)
    bench.chip.identity = 0x2A
    bench.chip.power_on()
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, WrongChipError)
    assert "2A" in str(fault)
    assert "expected" in str(fault)
    assert bench.driver.due_s == NEVER_S


def test_an_sdp31_in_the_place_of_an_sdp33():
    bench = Bench("SDP33")
    bench.chip.scale = 60
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, WrongChipError)
    assert "SDP31" in str(fault)


def test_an_ms5611_taken_for_an_ms5607_is_implausible():
    # Twice the pressure. (The other way round reads half, which exists at 5500 m: only the field elevation
    # can tell.)
    bench = Bench("MS5607")
    bench.bus.attach(fake("MS5611", bench.world, bench.clock), 0x77)
    samples, faults = bench.run(1.0)
    assert not samples
    assert {type(fault) for fault in faults} == {ImplausibleError}
    assert "another chip" in str(faults[0])


@pytest.mark.parametrize("name", CONVERT_ON_COMMAND)
def test_a_conversion_that_takes_too_long(name):
    bench = Bench(name)
    bench.run(1.0)
    bench.chip.late_s = 1.5
    samples, faults = bench.run(4.0)
    assert len(samples) <= 1
    assert {type(fault) for fault in faults} == {NotReadyError}
    bench.chip.late_s = 0.0
    bench.run(2.0)
    assert bench.run(2.0)[1] == []


@pytest.mark.parametrize("name", ["MS5611", "BMP280", "BMP390", "BMP581", "DPS310", "LPS22HB", *IMUS])
def test_data_that_no_longer_change(name):
    bench = Bench(name)
    bench.run(1.0)
    bench.chip.frozen = True
    _, faults = bench.run(5.0)
    assert isinstance(faults[-1], StaleDataError)
    assert not faults[-1].passing
    bench.chip.frozen = False
    bench.restart()
    assert bench.run(1.0)[0]


@pytest.mark.parametrize("name", IMUS)
def test_a_motion_chip_that_gives_zeros_gives_nothing(name):
    bench = Bench(name)
    bench.chip.frozen = True  # from the start: its registers stay at 0
    samples, faults = bench.run(5.0)
    assert not samples
    assert isinstance(faults[0], NotReadyError)
    assert isinstance(faults[-1], StaleDataError)


def test_an_airspeed_sensor_that_converts_no_more():
    bench = Bench("MS4525DO")
    bench.run(0.5)
    bench.chip.late_s = 100.0
    samples, faults = bench.run(1.0)
    assert not samples
    assert {type(fault) for fault in faults} == {NotReadyError}


@pytest.mark.parametrize("status", [1, 3])
def test_an_airspeed_sensor_that_reports_a_fault(status):
    bench = Bench("MS4525DO")
    bench.run(0.5)
    bench.chip.status = status
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, ChipFaultError)
    assert not fault.passing


@pytest.mark.parametrize("name", ["SDP31", "SDP33"])
def test_a_garbled_frame_costs_one_reading(name):
    bench = Bench(name)
    bench.run(1.0)
    bench.chip.garbled_reads = 1
    samples, (fault,) = bench.run(1.0)
    assert isinstance(fault, BadChecksumError)
    assert len(samples) == pytest.approx(49, abs=1)


def test_a_prom_with_a_wrong_checksum():
    bench = Bench("MS5611")
    bench.chip.garbled_reads = 1
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, BadCalibrationError)
    assert "checksum" in str(fault)


@pytest.mark.parametrize("words", [[0] * 8, [0xFFFF] * 8])
def test_an_empty_prom(words):
    # All zeros have a good checksum: 0.
    bench = Bench("MS5607")
    bench.chip.prom = words
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, BadCalibrationError)


@pytest.mark.parametrize(
    ("name", "at", "length"), [("BMP280", 0x88, 24), ("BMP390", 0x31, 21), ("DPS310", 0x10, 18)]
)
@pytest.mark.parametrize("filling", [0x00, 0xFF])
def test_empty_factory_constants(name, at, length, filling):
    bench = Bench(name)
    bench.chip.power_on = do_nothing  # the reset would put them back
    bench.chip.memory[at : at + length] = bytes([filling]) * length
    _, (fault,) = bench.run(1.0)
    assert isinstance(fault, BadCalibrationError)


def do_nothing():
    pass


@pytest.mark.parametrize("name", CHIPS)
def test_a_stuck_bus_and_its_recovery(name):
    bench = Bench(name)
    bench.run(3.0)
    bench.bus.stuck = True
    _, faults = bench.run(3.0)
    assert isinstance(faults[-1], BusStuckError)
    assert "pull-up" in str(faults[-1])
    bench.bus.recoverable = False
    bench.bus.recover()
    bench.restart()
    assert isinstance(bench.run(1.0)[1][0], BusStuckError)
    bench.bus.recoverable = True
    bench.bus.recover()
    bench.restart()
    assert bench.run(3.0)[1] == []


def test_a_clock_held_for_a_while_is_only_late_and_for_ever_is_an_error():
    bench = Bench("BMP280")
    bench.bus.stretch_s = 0.0005
    samples, faults = bench.run(1.0)
    assert not faults
    assert len(samples) > 40
    bench.bus.stretch_s = 2.0
    _, faults = bench.run(1.0)
    assert isinstance(faults[0], BusStuckError)


@pytest.mark.parametrize("name", CHIPS)
def test_what_cannot_be_is_refused_on_building(name):
    bus = FakeBus(Clock())
    with pytest.raises(ValueError, match="it can have"):
        build(name, bus, address=0x11)
    with pytest.raises(ValueError, match="up to"):
        build(name, bus, rate_hz=5000.0)
    with pytest.raises(ValueError, match="it can give"):
        build(name, bus, channels=["gnss_pos"])


def test_a_name_nearly_right_gets_a_hint():
    with pytest.raises(ValueError, match="did you mean 'MS5611'"):
        build("ms5611", FakeBus(Clock()))
    with pytest.raises(ValueError, match="expected one of MS5611"):
        build("thermometer", FakeBus(Clock()))


# Who is there.


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("running", [False, True])
def test_scan_finds_every_chip_also_while_it_measures(name, running):
    bench = Bench(name)
    if running:
        bench.run(0.5)
    (found,) = scan(bench.bus)
    assert found.address == bench.driver.address
    assert name in found.chips
    assert found.detail


def test_scan_of_a_full_bus_and_an_empty_one():
    clock, world = Clock(), World()
    bus = FakeBus(clock)
    assert scan(bus) == []
    wired = {
        0x28: "MS4525DO",
        0x40: "INA219",
        0x48: "TMP117",
        0x68: "MPU-6050",
        0x76: "BMP280",
        0x77: "MS5611",
    }
    for address, name in wired.items():
        bus.attach(fake(name, world, clock), address)
    found = scan(bus)
    assert [at.address for at in found] == list(wired)
    assert all(wired[at.address] in at.chips for at in found)
    bus.stuck = True
    with pytest.raises(BusStuckError):
        scan(bus)


def test_the_world_takes_samples():
    world = World()
    for sample in (Baro(0, 9e4), Pitot(0, 300.0), Oat(0, 270.0), Supply(0, 12.0), ImuGyro(0, 1, 2, 3)):
        world.take(sample)
    assert (world.static_pa, world.impact_pa, world.air_k, world.volt_v) == (9e4, 300.0, 270.0, 12.0)
    assert world.gyro_radps == (1, 2, 3)


# Any bytes at all.


class Babble:
    """A bus that acknowledges everything and answers anything, but with the identity of a chip."""

    name = "babble"

    def __init__(self, data, written):
        self.data = data
        self.registers = dict(written)

    def write(self, _address, data):
        for offset, value in enumerate(data[1:]):
            self.registers[data[0] + offset] = value

    def read(self, _address, length):
        return self.data.draw(st.binary(min_size=length, max_size=length))

    def write_read(self, address, data, length):
        answer = bytearray(self.read(address, length))
        for offset in range(length):
            answer[offset] = self.registers.get(data[0] + offset, answer[offset])
        return bytes(answer)

    def recover(self):
        pass

    def close(self):
        pass


IDENTITY = {
    "BMP280": {0xD0: 0x58},
    "BME280": {0xD0: 0x60},
    "BMP388": {0x00: 0x50, 0x02: 0},
    "BMP390": {0x00: 0x60, 0x02: 0},
    "BMP581": {0x01: 0x50, 0x28: 0x02, 0x27: 0x01},
    "DPS310": {0x0D: 0x10},
    "LPS22HB": {0x0F: 0xB1},
    "MPU-6050": {0x75: 0x68, 0x3A: 1},
    "MPU-6500": {0x75: 0x70, 0x3A: 1},
    "MPU-9250": {0x75: 0x71, 0x3A: 1},
    "ICM-20948": {0x00: 0xEA, 0x1A: 1},
    "LSM6DSO": {0x0F: 0x6C, 0x1E: 3},
    "LSM6DSOX": {0x0F: 0x6C, 0x1E: 3},
    "TMP117": {0x0F: 0x01, 0x10: 0x17},
}


@pytest.mark.parametrize("name", CHIPS)
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_whatever_a_chip_answers_it_is_a_possible_sample_or_a_typed_error(name, data):
    bus = Babble(data, IDENTITY.get(name, {}))
    driver = build(name, bus, channels=[*CHIPS[name].channels, *CHIPS[name].extra])
    driver.hear(Baro(0.0, 80_000.0))
    driver.start(0.0)
    for _ in range(12):
        now_s = driver.due_s
        if now_s == NEVER_S:
            break
        samples, fault = (), None
        try:
            samples = driver.poll(now_s)
        except SensorError as error:
            fault = str(error)
        assert fault is None or fault.startswith(name)
        for sample in samples:
            channel = CHANNELS[CHANNEL_OF[type(sample)]]
            for field, (low, high) in channel.limits.items():
                assert low <= getattr(sample, field) <= high
            assert 0.0 <= sample.t_s <= now_s
