"""What the live loop records: sampling rates, time stamps, date, and which readings come together."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from drivers.fakes import FakeBus, World, fake
from drivers.registry import build
from drivers.samples import Baro, ImuAccel, ImuGyro, Oat, Pitot, Reference, Sample
from tests.support.live_rig import Kept, Rig
from vario.app.live.clock import FIRST_S, SteppedClock
from vario.app.live.faults import WatchedSensor
from vario.app.live.recorder import UTC_OFFSET
from vario.app.live.scheduler import Scheduler


def test_rates_are_those_configured_and_times_those_of_the_conversion() -> None:
    """Static pressure decreases steadily: a sample must have the true value at its time."""

    def truth_pa(t_s: float) -> float:
        return 100_000.0 - 200.0 * t_s

    falling: Iterator[Sample] = (Baro(k / 1000.0, truth_pa(FIRST_S + k / 1000.0)) for k in range(15_000))
    rig = Rig(falling)
    rig.run(11.0)
    assert isinstance(rig.journal, Kept)
    by_kind = {
        kind: [s for s in rig.journal.samples if isinstance(s, kind)] for kind in (Baro, ImuAccel, Pitot)
    }
    for kind, rate_hz in ((Baro, 50.0), (Pitot, 50.0), (ImuAccel, 100.0)):
        times = [sample.t_s for sample in by_kind[kind]]
        assert len(times) == pytest.approx(10.0 * rate_hz, rel=0.03)
        steps = np.diff(times)
        assert float(np.mean(steps)) == pytest.approx(1.0 / rate_hz, rel=0.002)
        assert float(np.percentile(np.abs(steps - 1.0 / rate_hz), 99)) <= 0.002
    # The fake converts when asked or when read, 9 ms apart at most: 5 ms from the middle is 1 Pa here.
    late_s = [(truth_pa(s.t_s) - s.static_pa) / 200.0 for s in by_kind[Baro] if isinstance(s, Baro)]
    assert abs(float(np.median(late_s))) < 0.0055


def test_a_loop_delayed_before_a_transfer_loses_no_reading() -> None:
    """The machine may do something else for 15 ms between a look at the clock and the transfer on the bus."""
    clock = SteppedClock()
    bus = FakeBus(clock.now_s, wait=lambda s: clock.wait_until(clock.now_s() + s))
    bus.attach(fake("MS5611", World(), clock.now_s))
    sensor = WatchedSensor(build("MS5611", bus, rate_hz=50.0))
    scheduler = Scheduler([sensor], clock)
    scheduler.start()
    transfers = 0
    while clock.now_s() < 10.0:
        scheduler.step(clock.now_s() + 0.1)
        transfers += 1
        bus.stretch_s = 0.015 if transfers % 7 == 0 else 0.0
    assert not sensor.faults
    assert sensor.readings > 200


def test_without_a_sensor_the_loop_waits_to_the_end_of_its_step() -> None:
    """Settings and marks are taken then too."""
    clock = SteppedClock()
    end_s = clock.now_s() + 0.1
    assert list(Scheduler([], clock).step(end_s)) == []
    assert clock.now_s() == end_s


def test_the_date_comes_from_the_receiver_and_does_not_move_the_clock() -> None:
    rig = Rig()
    rig.run(12.0)
    assert isinstance(rig.journal, Kept)
    said = [s for s in rig.journal.samples if isinstance(s, Reference) and s.name == UTC_OFFSET]
    assert len(said) == 1
    # The fake receiver's own idea of when the clock was 0; NMEA's times of arrival are good to 0.1 s or so.
    assert said[0].value == pytest.approx(rig.receiver.start_utc.timestamp(), abs=0.3)
    times = [reading.t_s for reading in rig.readings]
    assert max(np.diff(times)) < 0.25


def test_gyro_and_accelerometer_have_the_same_times() -> None:
    rig = Rig()
    rig.run(5.0)
    assert isinstance(rig.journal, Kept)
    accel = [s.t_s for s in rig.journal.samples if isinstance(s, ImuAccel)]
    gyro = [s.t_s for s in rig.journal.samples if isinstance(s, ImuGyro)]
    assert accel == gyro


@pytest.mark.parametrize("chip", ["MS5611", "BMP390", "BMP581", "DPS310", "LPS22HB", "BME280"])
def test_a_barometer_in_the_outside_air_gives_its_temperature(chip: str) -> None:
    rig = Rig(text=f'[sensors.baro]\nchip = "{chip}"\nlocation = "outside"\n')
    rig.world.air_k = 281.0
    rig.run(6.0)
    assert isinstance(rig.journal, Kept)
    temperatures = [s.air_k for s in rig.journal.samples if isinstance(s, Oat)]
    assert temperatures
    assert temperatures[-1] == pytest.approx(281.0, abs=1.0)
