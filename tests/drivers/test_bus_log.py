"""Recordings of the bus: they replay bit for bit, and damaged ones are errors that name the line."""

import gzip
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.bus_log import BusLog
from drivers.bus_replay import BusReplay
from drivers.errors import BusStuckError, DivergedError, SensorError
from drivers.fakes import FakeBus, FakeClock, FakeReceiver, World, fake
from drivers.gnss import GnssReceiver
from drivers.registry import CHIPS, build
from drivers.samples import Baro, GnssPos, Pitot
from hw_replay.errors import CorruptRecording
from hw_replay.open import open_source
from tests.support.examples import drawn
from vario.app.live.clock import SteppedClock
from vario.app.live.faults import WatchedSensor
from vario.app.live.scheduler import Scheduler

# Recording and playing back.

WIRED = {"MS5611": 0x77, "BMP280": 0x76, "MPU-6050": 0x68, "SDP33": 0x21, "TMP117": 0x48, "INA219": 0x40}


def fly(log_lines, *, seconds=6.0, chips=WIRED):
    """A recorded small live loop with chips, a receiver and faults; returns what it received."""
    clock, world = FakeClock(1.0), World(impact_pa=300.0)
    real = FakeBus(clock, "i2c-1")
    wired = {name: real.attach(fake(name, world, clock), at) for name, at in chips.items()}
    log = BusLog(log_lines.append, clock)
    bus = log.bus(real)
    sensors = [log.sensor(build(name, bus, at)) for name, at in chips.items()]
    sensors.append(log.sensor(GnssReceiver(log.port(FakeReceiver(world, clock, baud=38400)))))
    for sensor in sensors:
        sensor.start(clock())
    got = []
    while clock() < 1.0 + seconds:
        clock.now_s = max(clock.now_s, min(sensor.due_s for sensor in sensors)) + 1.7e-4
        wired["MS5611"].powered = not 3.0 < clock() < 3.5
        real.stuck = 4.0 < clock() < 4.2
        for sensor in sensors:
            if sensor.due_s > clock():
                continue
            try:
                samples = sensor.poll(clock())
            except SensorError as error:
                got.append(str(error))
                if isinstance(error, BusStuckError):
                    bus.recover()
                if sensor.due_s == float("inf"):
                    sensor.start(clock() + 0.25)
                continue
            for sample in samples:
                got.append(sample)
                for other in sensors:
                    other.on_sample(sample)
    return got


@pytest.fixture(scope="module")
def flight():
    lines = []
    return fly(lines), lines


def told(items):
    return [str(item) if isinstance(item, SensorError) else item for item in items]


def test_a_recording_plays_back_bit_for_bit_errors_included(flight):
    got, lines = flight
    assert {Baro, Pitot, GnssPos} <= {type(item) for item in got}
    assert any("does not answer" in item for item in got if isinstance(item, str))
    assert any("timed out" in item for item in got if isinstance(item, str))
    assert told(BusReplay(lines)) == got


def test_every_line_is_json_and_every_transfer_has_its_time(flight):
    _, lines = flight
    for line in lines:
        entry = json.loads(line)
        if {"w", "r", "wr", "rx", "baud"} & set(entry) and "sensor" not in entry:
            assert 1.0 <= entry["at"] <= 8.0


@pytest.mark.parametrize("name", CHIPS)
def test_every_chip_plays_back(name):
    lines = []
    chips = {"MS5611": 0x77} if name == "MS5611" else {"MS5611": 0x77, name: CHIPS[name].addresses[-1]}
    if CHIPS[name].addresses[-1] == 0x77:
        chips[name] = 0x76
    got = fly(lines, seconds=2.5, chips=chips)
    assert told(BusReplay(lines)) == got


def test_a_driver_that_does_something_else_now_is_named_with_the_line(flight):
    _, lines = flight
    at = next(n for n, line in enumerate(lines) if '"wr":119' in line and '"d":"00"' in line)
    changed = [*lines[:at], lines[at].replace('"d":"00"', '"d":"01"'), *lines[at + 1 :]]
    with pytest.raises(DivergedError, match=f"line {at + 1}: recorded is"):
        list(BusReplay(changed))
    with pytest.raises(DivergedError, match=f"line {at + 1}"):
        list(BusReplay([*lines[:at], *lines[at + 1 :]]))
    with pytest.raises(DivergedError, match="is in the recording, and was not done now"):
        list(BusReplay([lines[0], '{"w":119,"d":"1e","at":1.0}\n']))


def test_a_recording_of_a_later_format_or_an_unknown_chip():
    with pytest.raises(DivergedError, match="format 2, expected 1"):
        list(BusReplay(['{"log":2}\n']))
    with pytest.raises(DivergedError, match="line 1: this sensor cannot be built: unknown chip 'XY1'"):
        list(BusReplay(['{"sensor":0,"chip":"XY1","bus":"i2c-1","address":1}\n']))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"g":"', '"g":"zz', "is not in hexadecimal"),
        ('"g":"', '"g":"0', "is not in hexadecimal"),
        ('"g":"', '"g":"00', "bytes came back, expected"),
        ('"g":"', '"h":"', "does not say what was read"),
        ('"g":"', '"g":["', r"is no entry"),
    ],
)
def test_a_damaged_transfer_is_named_with_its_line(flight, old, new, says):
    _, lines = flight
    for at in [n for n, line in enumerate(lines) if old in line][::400]:
        damaged = [*lines[:at], lines[at].replace(old, new), *lines[at + 1 :]]
        with pytest.raises(DivergedError, match=f"line {at + 1}: .*{says}"):
            list(BusReplay(damaged))


@given(where=st.floats(0.0, 1.0), letter=st.sampled_from('0123456789abcdefxyz"{}[],:-. '))
@settings(max_examples=drawn(40))
def test_a_recording_damaged_anywhere_gives_samples_or_an_error_that_names_the_line(flight, where, letter):
    _, lines = flight
    text = "".join(lines)
    at = int(where * (len(text) - 1))
    damaged = f"{text[:at]}{letter}{text[at + 1 :]}"
    try:
        found = list(BusReplay(damaged.splitlines(keepends=True)))
    except DivergedError as error:
        assert "line " in str(error)  # noqa: PT017  (some damage does not show)
    else:
        assert found


@given(cut=st.floats(0.0, 1.0))
@settings(max_examples=drawn(40))
def test_a_recording_cut_anywhere_plays_up_to_the_cut(flight, cut):
    got, lines = flight
    text = "".join(lines)
    text = text[: int(cut * len(text))]
    found = told(BusReplay(text.splitlines(keepends=True)))
    assert found == got[: len(found)]


@given(
    st.lists(st.one_of(st.text(max_size=30), st.sampled_from(['{"poll":0,"t":1.0}', '{"start":5,"t":1}'])))
)
def test_lines_of_anything_are_an_error_that_names_the_line(lines):
    try:
        list(BusReplay(lines))
    except DivergedError as error:
        assert "line " in str(error)  # noqa: PT017  (most lists raise, an empty one does not)


@pytest.mark.parametrize("packed", [False, True])
def test_a_bus_recording_opens_like_any_other_recording(flight, tmp_path, packed):
    got, lines = flight
    path = tmp_path / ("bus.jsonl.gz" if packed else "bus.jsonl")
    text = "".join(lines).encode()
    path.write_bytes(gzip.compress(text) if packed else text)
    source = open_source(path)
    assert source.info.sensors["pitot"].name == "SDP33"
    assert source.info.sensors["baro"].noise == 1.2
    for _ in range(2):
        assert list(source) == [item for item in got if not isinstance(item, str)]
        assert source.rejected() == sum(isinstance(item, str) for item in got)
    assert any("NoAnswerError" in sentence for sentence in source.warnings())
    path.write_bytes((gzip.compress(text) if packed else text)[:-400])
    shorter = list(open_source(path))
    assert 0 < len(shorter) < len(got)
    path.write_bytes(text.replace(b'"d":"1e"', b'"d":"1f"'))
    with pytest.raises(CorruptRecording, match=r"bus\.jsonl.*line"):
        list(open_source(path))


@pytest.mark.parametrize(
    "line",
    [
        '{"poll":0,"t":NaN}',
        '{"poll":0,"t":1e999}',
        f'{{"poll":0,"t":{"9" * 400}}}',
        '{"start":0,"t":-1}',
        '{"start":0,"t":1e17}',
        '{"hear":0,"baro":[1.0,NaN]}',
        '{"sensor":1,"chip":"BMP390","bus":"x","rate_hz":1e-320}',
        f'{{"sensor":1,"chip":"BMP390","bus":"x","rate_hz":{"9" * 400}}}',
        '{"sensor":1,"receiver":"x","latency_s":1e999}',
        '{"sensor":1,"receiver":"x","latency_s":"soon"}',
        '{"w":' + "1" * 200_000,
    ],
)
def test_numbers_no_sensor_can_live_with_are_an_error_that_names_the_line(line, tmp_path):
    path = tmp_path / "wires.log"
    path.write_text(f'{{"log":1}}\n{{"sensor":0,"chip":"MS5611","bus":"x"}}\n{line}\n{{"recover":"x"}}\n')
    with pytest.raises(CorruptRecording, match="line 3"):
        list(open_source(path))


def test_more_sensors_than_there_are_addresses_are_refused():
    lines = ['{"log":1}', *['{"sensor":0,"chip":"MS5611","bus":"x"}'] * 1000]
    with pytest.raises(DivergedError, match="line 202: more than 200 sensors"):
        list(BusReplay(lines))


def test_a_recorded_sensor_is_all_the_live_loop_needs():
    clock, lines = SteppedClock(), []
    bus = FakeBus(clock.now_s)
    bus.attach(fake("SDP33", World(impact_pa=300.0), clock.now_s))
    bus.attach(fake("MS5611", World(), clock.now_s))
    log = BusLog(lines.append, clock.now_s)
    recorded = log.bus(bus)
    sensors = [WatchedSensor(log.sensor(build(name, recorded))) for name in ("MS5611", "SDP33")]
    scheduler = Scheduler(sensors, clock)
    scheduler.start()
    taken = set()
    while clock.now_s() < 4.0:
        taken |= {type(sample) for sample in scheduler.step(clock.now_s() + 0.1)}
    assert taken == {Baro, Pitot}
