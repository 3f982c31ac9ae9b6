"""The times of samples: middle of the conversion, late loops, missed cycles."""

import pytest

from drivers.registry import CHIPS
from drivers.samples import Baro
from tests.support.chip_bench import BAROMETERS, Bench
from tests.support.samples_of import of


@pytest.mark.parametrize("name", CHIPS)
def test_a_transfer_that_takes_its_time_makes_no_reading_come_too_early(name):
    """A conversion begins at its request, however long after the loop has read the clock."""
    bench = Bench(name)
    bench.run(1.0)
    bench.bus.stretch_s = 0.001
    samples, faults = bench.run(2.0)
    assert not faults
    assert len(samples) > 1.5 * CHIPS[name].rate_hz


@pytest.mark.parametrize("name", [*BAROMETERS])
def test_the_time_of_a_sample_is_the_middle_of_its_conversion(name):
    # The pressure has a step; samples one conversion after it must show it, samples before it must not.
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


@pytest.mark.parametrize("name", CHIPS)
@pytest.mark.parametrize("periods", [0.3, 0.6, 0.9, 0.99, 1.4, 1.99])
def test_a_loop_that_comes_late_once_takes_no_reading_twice(name, periods):
    # A loop that is late by nearly a period must not read twice in quick succession: a free-running chip then
    # has no new data, which looks like lost settings.
    bench = Bench(name)
    bench.run(0.5)
    for _ in range(20):
        bench.clock.advance(periods / CHIPS[name].rate_hz)
        _, faults = bench.run(3.7 / CHIPS[name].rate_hz)
        assert not faults


def test_nothing_happens_before_it_is_due():
    bench = Bench("MS5611")
    bench.run(0.1)
    before = bench.bus.transfers
    assert bench.driver.poll(bench.driver.due_s - 1e-6) == ()
    assert bench.bus.transfers == before
