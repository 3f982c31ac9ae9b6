"""The live loop on fake chips: equality with its replay, timing, and robustness."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.events import Event, Mark, SettingsChange
from drivers.fakes import FakeBus, FakeReceiver, World, fake
from drivers.registry import build
from drivers.samples import Baro, GnssVel, ImuAccel, ImuGyro, Oat, Pitot, Reference, Sample, Tick
from hw_replay.recording import Recording
from hw_replay.simulate import long_flight, simulate
from hw_replay.source import RecordingInfo
from tests.support import missing
from tests.support.examples import drawn, everything
from vario.app.live.clock import FIRST_S, SteppedClock
from vario.app.live.emulation import FlownClock, wired, with_chips
from vario.app.live.faults import LONGEST_RETRY_S, SensorState, WatchedSensor
from vario.app.live.fitting import Fitted, build_sensors, described
from vario.app.live.instrument import STANDS_AFTER_S, Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.recorder import UTC_OFFSET, FlightFiles
from vario.app.live.scheduler import Scheduler, whole_ns
from vario.app.replay.player import noise_of, play
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand
from vario.settings.load import LoadedSettings, parse_settings
from vario.sound.sink import NullSink

IMU, BARO, PITOT = 0x6A, 0x77, 0x28
"""Addresses of the usual chips."""


@dataclass
class Kept:
    """A recorder in memory."""

    samples: list[Sample] = field(default_factory=list)
    begun: list[RecordingInfo] = field(default_factory=list)

    def begin(self, info: RecordingInfo) -> None:
        self.begun.append(info)

    def put(self, sample: Sample) -> None:
        self.samples.append(sample)


@dataclass
class OnCard:
    """The files of the recorder, without its thread."""

    files: FlightFiles

    def begin(self, info: RecordingInfo) -> None:
        self.files.begin(info)

    def put(self, sample: Sample) -> None:
        self.files.write(sample)


@dataclass
class Events:
    """The events of the file watcher at given times."""

    clock: SteppedClock
    due: list[Event]

    def take(self) -> Event | None:
        if self.due and self.due[0].t_s <= self.clock.now_s():
            return self.due.pop(0)
        return None


class Rig:
    """A complete live instrument on fake chips, with a clock that jumps."""

    def __init__(
        self,
        flight: Iterable[Sample] = (),
        journal: Kept | OnCard | None = None,
        events: Iterable[Event] = (),
        text: str = "",
    ) -> None:
        self.clock = SteppedClock()
        self.world = World()
        self.loaded: LoadedSettings = with_chips(parse_settings(text, "settings"))
        self.flown = FlownClock(self.clock, self.world, flight)
        self.bus: FakeBus = wired(self.loaded.settings, self.world, self.flown)[1]
        self.receiver = FakeReceiver(self.world, self.clock.now_s)
        self.fitted: Fitted = build_sensors(
            self.loaded.settings, {1: self.bus}.__getitem__, lambda _: self.receiver
        )
        self.journal = Kept() if journal is None else journal
        self.readings: list[Reading] = []
        self.instrument = Instrument(
            self.loaded, described(self.sensors), NullSink(), self.journal, [self.readings.append]
        )
        self.actions: list[tuple[float, Callable[[], object]]] = []
        self.loop = LiveLoop(
            Scheduler(self.sensors, self.flown),
            self.flown,
            self.instrument,
            files=Events(self.clock, list(events)),
            utc=self.fitted.utc_at_zero,
            housekeeping=self._act,
        )

    @property
    def sensors(self) -> list[WatchedSensor]:
        return self.fitted.sensors

    def at(self, t_s: float, action: Callable[[], object]) -> None:
        """Change the hardware at a given time."""
        self.actions.append((t_s, action))
        self.actions.sort(key=lambda entry: entry[0])

    def run(self, until_s: float) -> None:
        self.loop.run(until_s)

    def poll(self, until_s: float) -> None:
        """The sensors alone, without recorder and flight logic."""
        scheduler = Scheduler(self.sensors, self.flown)
        scheduler.start()
        while (now_s := self.flown.now_s()) < until_s:
            self._act(now_s)
            scheduler.step(now_s + 0.25)

    def sensor(self, chip: str) -> WatchedSensor:
        return next(sensor for sensor in self.sensors if sensor.name.startswith(chip))

    def _act(self, now_s: float) -> None:
        while self.actions and self.actions[0][0] <= now_s:
            self.actions.pop(0)[1]()


def detach(rig: Rig, address: int) -> Callable[[], object]:
    chip = rig.bus._chips[address]

    def pull() -> None:
        rig.bus.detach(address)

    def push() -> None:
        chip.powered = True
        rig.bus.attach(chip, address)

    pull_and_push = iter((pull, push))
    return lambda: next(pull_and_push)()  # noqa: PLW0108  (the next one each time)


def replayed(path: Path) -> list[Reading]:
    recording = Recording(path)
    info = recording.info
    loaded = parse_settings(info.config_toml or "", "recorded", info.glider_toml)
    pipeline = Pipeline(loaded.settings, loaded.glider, noise_of(loaded.settings, info))
    return list(play(recording, pipeline))


@pytest.mark.parametrize("flown_s", [20.0, pytest.param(120.0, marks=pytest.mark.long)])
def test_a_flight_recorded_live_replays_bit_for_bit(tmp_path: Path, flown_s: float) -> None:
    """Every value of every reading, through unplugging, silence, changed settings and a mark."""
    text = '[vario]\ndamping = "0.5 s"\n'
    rig = Rig(
        simulate(long_flight(flown_s, seed=3)),
        OnCard(FlightFiles(tmp_path, sync_s=0.0)),
        [
            Mark(flown_s / 6.0, "strong here"),
            SettingsChange(flown_s / 2.4, '[average]\nwindow = "10 s"\n', None),
        ],
        text,
    )
    for address, lost, back in ((PITOT, 0.25, 0.3), (IMU, 0.5, 0.525), (BARO, 0.67, 0.71)):
        plug = detach(rig, address)
        rig.at(flown_s * lost, plug)
        rig.at(flown_s * back, plug)
    rig.at(flown_s / 1.2, lambda: setattr(rig.bus, "stuck", True))
    rig.bus.recoverable = False
    rig.at(flown_s / 1.15, lambda: setattr(rig.bus, "stuck", False))
    rig.run(flown_s)
    rig.journal.files.end()  # type: ignore[union-attr]
    (path,) = tmp_path.iterdir()
    again = replayed(path)
    assert len(rig.readings) > 40.0 * flown_s
    assert again == rig.readings
    modes = {reading.mode for reading in rig.readings}
    assert Mode.CRUISE in modes
    recorded = list(Recording(path))
    assert {Mark, SettingsChange, Reference} <= {type(sample) for sample in recorded}


def test_rates_are_those_asked_for_and_stamps_are_those_of_the_conversion() -> None:
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


def test_a_loop_that_stands_still_before_a_transfer_loses_no_reading() -> None:
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


@pytest.mark.parametrize(
    ("address", "flag"),
    [
        (PITOT, Quality.NO_AIRSPEED),
        pytest.param(IMU, Quality.NO_IMU, marks=pytest.mark.long),
        pytest.param(BARO, Quality.NO_BARO, marks=pytest.mark.long),
    ],
    ids=["pitot", "imu", "baro"],
)
def test_a_sensor_unplugged_in_flight_is_missed_told_and_comes_back(
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


ADDRESSES = (IMU, BARO, PITOT, 0x48, 0x40)
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
def test_every_fault_has_a_line_that_names_sensor_place_and_what_is_done(
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
    chip = rig.bus._chips[BARO]

    def plug_out() -> None:
        rig.bus.detach(BARO)

    def plug_in() -> None:
        chip.powered = True
        rig.bus.attach(chip, BARO)

    for k in range(2, 80):
        rig.at(3.0 * k, (plug_out, plug_in)[k % 2])
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
def test_with_every_wire_cut_time_goes_on_and_the_instrument_says_nothing(flown_s: float) -> None:
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
def test_a_lasting_fault_is_a_bounded_number_of_tries(flown_s: float) -> None:
    rig = Rig()
    for address in (IMU, BARO, PITOT, 0x48, 0x40):
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
    cue_inputs: list[tuple[float, int, int]],
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

    for t_s, address, kind in cue_inputs:
        rig.at(t_s, lambda address=address, kind=kind: spoil(address, kind))
    rig.at(SPOILT_S + 2.0, mend)
    rig.run(SPOILT_S + 2.0 + LONGEST_RETRY_S + 6.0)
    assert [sensor.state for sensor in rig.sensors] == [SensorState.MEASURING] * len(rig.sensors)
    times = [reading.t_s for reading in rig.readings]
    assert all(before < after for before, after in pairwise(times))
    assert max(after - before for before, after in pairwise(times)) < 1.5


def test_a_mistake_in_a_driver_costs_that_sensor_only(caplog: pytest.LogCaptureFixture) -> None:
    rig = Rig()
    rig.at(5.0, lambda: setattr(rig.world, "volt_v", "not a number at all"))
    rig.run(12.0)
    assert rig.sensor("INA219").state is SensorState.RESTING
    assert rig.sensor("MS5611").state is SensorState.MEASURING
    assert "the driver failed" in caplog.text


def test_a_mistake_in_the_flight_logic_starts_it_afresh(caplog: pytest.LogCaptureFixture) -> None:
    kept = Kept()
    readings: list[Reading] = []
    loaded = parse_settings("", "settings")
    instrument = Instrument(loaded, {}, NullSink(), kept, [readings.append])
    for k in range(200):
        wrong = k == 100  # an invalid time, which no sensor gives and no code expects
        instrument.take(Baro(-math.inf if wrong else whole_ns(1.0 + k / 10), 95_000.0))
    instrument.close()
    assert "the flight logic failed" in caplog.text
    assert len(kept.samples) == 200
    assert len(kept.begun) == 2
    assert readings[-1].energy.vario_mps is not None


class Faulty(NullSink):
    """A sink that fails on command with an unexpected exception."""

    def __init__(self) -> None:
        self.fails = False

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002  (see Sink)
        if self.fails:
            raise RuntimeError("a wire has come off")


@dataclass
class FaultyJournal(Kept):
    """A recorder that fails on command."""

    fails: bool = False

    def begin(self, info: RecordingInfo) -> None:
        if self.fails:
            raise RuntimeError("no ink")
        super().begin(info)

    def put(self, sample: Sample) -> None:
        if self.fails:
            raise RuntimeError("no paper")
        super().put(sample)


def test_no_outlet_that_fails_takes_the_flight_logic_along(caplog: pytest.LogCaptureFixture) -> None:
    sink, journal = Faulty(), FaultyJournal()
    heard: list[Reading] = []
    deaf = [False]

    def listener(_: Reading) -> None:
        if deaf[0]:
            raise RuntimeError("nobody listens")

    instrument = Instrument(parse_settings("", "settings"), {}, sink, journal, [listener, heard.append])
    reference: list[Reading] = []
    sound = Instrument(parse_settings("", "settings"), {}, NullSink(), None, [reference.append])

    def fly(begin_s: float, end_s: float) -> None:
        for k in range(round(begin_s * 10), round(end_s * 10)):
            for one in (instrument, sound):
                one.take(Baro(whole_ns(k / 10), 95_000.0))

    journal.fails = True  # at the very start
    fly(1.0, 5.0)
    journal.fails, sink.fails = False, True
    fly(5.0, 70.0)
    sink.fails, deaf[0] = False, True
    fly(70.0, 150.0)
    deaf[0], sink.fails = False, True
    instrument.close()
    sound.close()
    assert instrument.flights == 1  # it never restarted
    assert heard == reference  # and the healthy one among the listeners got every reading there was
    assert len(journal.samples) == 1490 - 40  # samples before the recorder accepted any are lost
    # Once when it begins, then once a minute.
    assert caplog.text.count("the sound failed; the flight logic continues") == 3
    assert caplog.text.count("an output of readings failed; the flight logic continues") == 2
    for cause in ("a wire has come off", "no ink", "nobody listens"):
        assert cause in caplog.text


def on_paper(begin_s: float) -> list[Sample]:
    """Half a minute on the ground, two in the air, three on the ground."""
    samples: list[Sample] = []
    for k in range(3300):
        t_s = whole_ns(begin_s + k / 10)
        flying = 30.0 < k / 10 < 150.0
        speed, alive = 30.0 if flying else 0.0, 0.1 * (k % 3)
        impact_pa = 551.0 if flying else 0.0
        samples += [
            Baro(t_s, 95_000.0 + alive),
            Pitot(t_s, impact_pa + alive),
            GnssVel(t_s, speed, alive, 0.0),
        ]
    return samples


@pytest.mark.long
@pytest.mark.parametrize("begins_s", [(1.0,), pytest.param((1.0, 331.0), marks=pytest.mark.long)])
def test_each_flight_gets_a_file_that_replays_by_itself(tmp_path: Path, begins_s: tuple[float, ...]) -> None:
    readings: list[Reading] = []
    files = FlightFiles(tmp_path, sync_s=0.0)
    loaded = parse_settings("", "settings")
    instrument = Instrument(loaded, {}, NullSink(), OnCard(files), [readings.append])
    for begin_s in begins_s:
        for sample in on_paper(begin_s):
            instrument.take(sample)
    instrument.close()
    files.end()
    paths = sorted(tmp_path.iterdir())
    assert len(paths) == len(begins_s) + 1  # the flights, and what came after the last
    again = [replayed(path) for path in paths]
    assert [reading for flight in again for reading in flight] == readings
    for flight in again[:-1]:
        assert {reading.mode for reading in flight} > {Mode.GROUND}
    stood = [reading for reading in again[0] if reading.mode is Mode.GROUND and reading.t_s > 150.0]
    assert stood[-1].t_s - stood[0].t_s == pytest.approx(STANDS_AFTER_S, abs=0.2)


def test_the_date_comes_from_the_receiver_and_moves_no_clock() -> None:
    rig = Rig()
    rig.run(12.0)
    assert isinstance(rig.journal, Kept)
    said = [s for s in rig.journal.samples if isinstance(s, Reference) and s.name == UTC_OFFSET]
    assert len(said) == 1
    # The fake receiver's own idea of when the clock was 0; NMEA's times of arrival are good to 0.1 s or so.
    assert said[0].value == pytest.approx(rig.receiver.start_utc.timestamp(), abs=0.3)
    times = [reading.t_s for reading in rig.readings]
    assert max(np.diff(times)) < 0.25


def test_gyro_and_accelerometer_come_together() -> None:
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
