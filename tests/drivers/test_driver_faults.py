"""The real drivers on failing fake chips: their errors and their recovery."""

import pytest

from drivers.errors import (
    BadCalibrationError,
    BadChecksumError,
    BusStuckError,
    ChipFaultError,
    ImplausibleError,
    NoAnswerError,
    NotReadyError,
    StaleDataError,
    WrongChipError,
)
from drivers.fakes import fake
from drivers.registry import CHIPS
from drivers.samples import Baro, ImuAccel, ImuGyro, Oat, Pitot, Supply
from drivers.sensor import NEVER_S
from tests.support.chip_bench import CONVERT_ON_COMMAND, IMUS, WITH_IDENTITY, Bench


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
    # It answers, but has lost its settings: readings in a wrong range would be worse than none.
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
    # The pressure has been read; the following temperature transfer finds no chip.
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
    # Twice the pressure. (The opposite error reads half, which is the pressure at 5500 m: only the field
    # elevation shows this.)
    bench = Bench("MS5607")
    bench.bus.attach(fake("MS5611", bench.world, bench.clock), 0x77)
    samples, faults = bench.run(1.0)
    assert not samples
    assert {type(fault) for fault in faults} == {ImplausibleError}
    assert "chip other than" in str(faults[0])


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
