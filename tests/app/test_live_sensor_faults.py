"""Sensors and buses that fail in flight: quality, messages, the return, and the loop that goes on."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.samples import Tick
from hw_replay.simulate import long_flight, simulate
from tests.support import missing
from tests.support.examples import drawn, everything
from tests.support.live_rig import BARO, IMU, PITOT, Kept, Rig, detach
from vario.app.live.faults import LONGEST_RETRY_S, SensorState
from vario.flight.inputs.quality import Quality
from vario.flight.tone.cues import Cue

ADDRESSES = (IMU, BARO, PITOT, 0x48, 0x40)
"""Of all chips on the bus; the last two measure the air temperature and the voltage."""


@pytest.mark.parametrize(
    ("address", "flag"),
    [
        (PITOT, Quality.NO_AIRSPEED),
        pytest.param(IMU, Quality.NO_IMU, marks=pytest.mark.long),
        pytest.param(BARO, Quality.NO_BARO, marks=pytest.mark.long),
    ],
    ids=["pitot", "imu", "baro"],
)
def test_a_sensor_unplugged_in_flight_is_flagged_reported_and_comes_back(
    address: int, flag: Quality, caplog: pytest.LogCaptureFixture
) -> None:
    rig = Rig(simulate(long_flight(40.0, seed=2)))
    plug = detach(rig, address)
    rig.at(5.0, plug)
    rig.at(9.0, plug)
    caplog.set_level("INFO")
    rig.run(9.0 + LONGEST_RETRY_S + 3.0)
    gone = [reading for reading in rig.readings if 6.0 < reading.t_s < 9.0]
    assert gone
    assert all(flag in reading.quality for reading in gone)
    calls = {
        reading.tone.cue.number: (reading.t_s, reading.tone.cue.cue)
        for reading in reversed(rig.readings)
        if reading.tone.cue is not None
    }
    assert any(cue is Cue.SENSOR_LOST and 5.0 < t_s < 7.0 for t_s, cue in calls.values())
    assert flag not in rig.readings[-1].quality
    lines = [record.getMessage() for record in caplog.records if f"0x{address:02X}" in record.getMessage()]
    assert any("does not answer" in line and "next try in" in line for line in lines)
    assert any("back after" in line for line in lines)
    assert len(lines) < 8  # reported, but not repeatedly


FAULTS = ("unplugged", "garbled", "frozen", "late", "stuck")


@pytest.mark.parametrize(
    ("address", "fault"),
    [
        # Three addresses and three faults are in the short form.
        pytest.param(address, fault, marks=[] if k == n < 3 else pytest.mark.long)
        for k, fault in enumerate(FAULTS)
        for n, address in enumerate(ADDRESSES)
    ],
)
def test_every_fault_is_logged_with_sensor_address_and_action(
    address: int, fault: str, caplog: pytest.LogCaptureFixture
) -> None:
    rig = Rig()
    chip = rig.bus._chips[address]
    faults: dict[str, Callable[[], object]] = {
        "unplugged": lambda: rig.bus.detach(address),
        "garbled": lambda: setattr(chip, "garbled_reads", 10**9),
        "frozen": lambda: setattr(chip, "frozen", True),
        "late": lambda: setattr(chip, "late_s", 5.0),
        "stuck": lambda: setattr(rig.bus, "stuck", True),
    }
    rig.at(5.0, faults[fault])
    caplog.set_level("WARNING")
    rig.poll(40.0)
    name = next(s.name for s in rig.sensors if s.name.endswith(f"0x{address:02X}"))
    lines = [r.getMessage() for r in caplog.records if r.getMessage().startswith(f"{name}: ")]
    sensor = next(s for s in rig.sensors if s.name == name)
    if fault == "stuck":  # the first sensor that detects it frees the bus for all
        lines = [r.getMessage() for r in caplog.records]
        assert any("its bus was clocked free" in line for line in lines)
    elif not sensor.faults:
        pytest.skip(missing.NOTHING_TO_SEE)
    assert any(words in line for line in lines for words in ("next try in", "this reading is lost"))
    assert len(lines) <= 16, lines  # a few kinds, each once a minute


@pytest.mark.long
def test_a_loose_plug_does_not_fill_the_journal(caplog: pytest.LogCaptureFixture) -> None:
    rig = Rig()
    plug = detach(rig, BARO)
    for k in range(2, 80):
        rig.at(3.0 * k, plug)
    caplog.set_level("WARNING")
    rig.poll(240.0)
    lines = [r.getMessage() for r in caplog.records if "MS5611" in r.getMessage()]
    assert 2 <= len(lines) <= 16
    assert any("more losses since the last such line" in line for line in lines)


def test_a_stuck_bus_is_freed_and_everything_on_it_returns() -> None:
    rig = Rig(simulate(long_flight(20.0, seed=2)))
    rig.at(6.0, lambda: setattr(rig.bus, "stuck", True))
    rig.run(16.0)
    assert all(sensor.state is SensorState.MEASURING for sensor in rig.sensors)
    assert sum(sensor.faults["BusStuckError"] for sensor in rig.sensors) >= 1
    assert rig.readings[-1].quality & (Quality.NO_BARO | Quality.NO_IMU | Quality.NO_AIRSPEED) == Quality.OK


@pytest.mark.parametrize("flown_s", [16.0, pytest.param(28.0, marks=pytest.mark.long)])
def test_without_any_sensor_time_goes_on_and_the_instrument_is_silent(flown_s: float) -> None:
    rig = Rig(simulate(long_flight(30.0, seed=2)))
    for address in (IMU, BARO, PITOT):
        rig.at(8.0, detach(rig, address))
    rig.at(8.0, lambda: setattr(rig.receiver, "plugged", False))
    rig.run(flown_s)
    assert isinstance(rig.journal, Kept)
    silent = [reading for reading in rig.readings if reading.t_s > 11.0]
    assert max(after.t_s - before.t_s for before, after in pairwise(silent)) < 0.25
    assert all(reading.needle_mps is None and reading.tone.level == 0.0 for reading in silent)
    assert any(isinstance(sample, Tick) for sample in rig.journal.samples)


@pytest.mark.parametrize("flown_s", [200.0, pytest.param(600.0, marks=pytest.mark.long)])
def test_a_lasting_fault_causes_a_bounded_number_of_tries(flown_s: float) -> None:
    rig = Rig()
    for address in ADDRESSES:
        rig.bus.detach(address)
    rig.receiver.plugged = False
    rig.run(flown_s)
    for sensor in rig.sensors:
        tries = sum(sensor.faults.values())
        assert flown_s / LONGEST_RETRY_S - 2 <= tries <= flown_s / LONGEST_RETRY_S + 10


SPOILT_S = 18.0 if everything() else 7.0
"""Until when something happens on the bus."""


@settings(max_examples=drawn(12))
@given(
    st.lists(
        st.tuples(st.floats(2.0, SPOILT_S), st.sampled_from([IMU, BARO, PITOT]), st.integers(0, 6)),
        max_size=8,
    )
)
def test_whatever_happens_on_the_bus_the_loop_lives_and_all_return(
    happenings: list[tuple[float, int, int]],
) -> None:
    rig = Rig()
    chips = dict(rig.bus._chips)

    def spoil(address: int, kind: int) -> None:
        chip = chips[address]
        match kind:
            case 0:
                chip.powered = False
            case 1:
                chip.frozen = True
            case 2:
                chip.late_s = 0.5
            case 3:
                chip.garbled_reads = 20
            case 4:
                rig.bus.stuck, rig.bus.recoverable = True, False
            case 5:
                rig.bus.stretch_s = 0.05
            case _:
                rig.world.static_pa = math.nan

    def mend() -> None:
        rig.bus.stuck, rig.bus.recoverable, rig.bus.stretch_s = False, True, 0.0
        rig.world.static_pa = 95_000.0
        for chip in chips.values():
            chip.powered, chip.frozen, chip.late_s, chip.garbled_reads = True, False, 0.0, 0

    for t_s, address, kind in happenings:
        rig.at(t_s, lambda address=address, kind=kind: spoil(address, kind))
    rig.at(SPOILT_S + 2.0, mend)
    rig.run(SPOILT_S + 2.0 + LONGEST_RETRY_S + 6.0)
    assert [sensor.state for sensor in rig.sensors] == [SensorState.MEASURING] * len(rig.sensors)
    times = [reading.t_s for reading in rig.readings]
    assert all(before < after for before, after in pairwise(times))
    assert max(after - before for before, after in pairwise(times)) < 1.5


def test_an_exception_in_a_driver_stops_only_that_sensor(caplog: pytest.LogCaptureFixture) -> None:
    rig = Rig()
    rig.at(5.0, lambda: setattr(rig.world, "volt_v", "not a number at all"))
    rig.run(12.0)
    assert rig.sensor("INA219").state is SensorState.RESTING
    assert rig.sensor("MS5611").state is SensorState.MEASURING
    assert "the driver failed" in caplog.text
