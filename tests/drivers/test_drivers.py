"""The real drivers on fake chips: values of samples, and identification on a bus."""

import math
import statistics
import subprocess
import sys
from itertools import pairwise

import pytest

from drivers import chips
from drivers.chip import KINDS, Chip
from drivers.discovery import classes_in
from drivers.errors import BusStuckError, SaturatedError
from drivers.fakes import FakeBus, FakeClock, World, fake
from drivers.fakes.catalogue import FAKES
from drivers.isa import G0_MPS2
from drivers.registry import CHIPS, build, scan
from drivers.samples import CHANNEL_OF, Baro, ImuAccel, ImuGyro, Oat, Pitot, Supply
from tests.support.chip_bench import BAROMETERS, IMUS, Bench
from tests.support.samples_of import of


def test_every_chip_has_a_fake():
    assert set(FAKES) == set(CHIPS)


def test_the_catalogue_is_ordered_by_kind_and_module():
    specs = [spec for driver in classes_in(chips, Chip) for spec in driver.SPECS]
    assert [spec.name for kind in KINDS for spec in specs if spec.kind == kind] == list(CHIPS)
    assert all(CHIPS[spec.name] is spec for spec in specs)
    assert "none" not in CHIPS


def test_only_the_module_of_a_chip_in_use_is_imported():
    program = (
        "import sys; from drivers.registry import CHIPS; CHIPS['MPU-6500'].rate_hz, CHIPS['TMP117'].rate_hz\n"
        "print([name for name in sys.modules if name.startswith('drivers.chips.')])"
    )
    found = subprocess.run((sys.executable, "-c", program), check=True, capture_output=True, text=True)  # noqa: S603
    assert found.stdout.strip() == "['drivers.chips.mpu6xxx', 'drivers.chips.tmp117']"


@pytest.mark.parametrize(
    ("name", "register", "value"),
    [
        # Bosch BST-BMP280-DS001 and BST-BME280-DS002, register "id".
        ("BMP280", 0xD0, 0x58),
        ("BME280", 0xD0, 0x60),
        # Public kernel driver and vendor library, register "chip_id".
        ("BMP388", 0x00, 0x50),
        ("BMP390", 0x00, 0x60),
        # InvenSense RM-MPU-6000A rev. 4.2, register 117 "Who Am I".
        ("MPU-6050", 0x75, 0x68),
        # From memory: DPS310 "Product and Revision ID", DocID027083, DS-000189, DS12140, BST-BMP581-DS004.
        ("DPS310", 0x0D, 0x10),
        ("LPS22HB", 0x0F, 0xB1),
        ("ICM-20948", 0x00, 0xEA),
        ("LSM6DSO", 0x0F, 0x6C),
        ("BMP581", 0x01, 0x50),
    ],
)
def test_identities_are_the_published_ones(name, register, value):
    identity = CHIPS[name].identity
    assert (identity.register, identity.value, identity.length) == (register, value, 1)


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
    # The fake makes Gaussian noise with the size of the datasheet; the driver must neither reduce nor
    # increase it.
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
    last = bench.run(3.0)[0][-1]
    assert isinstance(last, Supply)
    assert (last.t_s, last.volt_v) == (pytest.approx(7.0, abs=0.2), pytest.approx(11.98, abs=0.02))
    bench = Bench("TMP117")
    bench.world.air_k = 253.15
    assert of(Oat, bench.run(3.0)[0])[-1].air_k == pytest.approx(253.15, abs=0.05)


@pytest.mark.parametrize("name", CHIPS)
def test_impossible_settings_are_refused_when_a_driver_is_made(name):
    bus = FakeBus(FakeClock())
    with pytest.raises(ValueError, match="it can have"):
        build(name, bus, address=0x11)
    with pytest.raises(ValueError, match="it can do"):
        build(name, bus, rate_hz=5000.0)
    with pytest.raises(ValueError, match="it can give"):
        build(name, bus, channels=["gnss_pos"])


def test_a_name_nearly_right_gets_a_hint():
    with pytest.raises(ValueError, match="did you mean 'MS5611'"):
        build("ms5611", FakeBus(FakeClock()))
    with pytest.raises(ValueError, match="expected one of BMP280"):
        build("thermometer", FakeBus(FakeClock()))


# Identification of the chips on a bus.


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
    clock, world = FakeClock(), World()
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


def test_a_chip_of_another_revision_is_found_by_who_it_is():
    bench = Bench("TMP117")
    bench.chip.identity = 0x1117
    bench.chip.power_on()
    assert [found.chips for found in scan(bench.bus)] == [("TMP117",)]
