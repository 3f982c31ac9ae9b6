"""A flight recorded live gives the same readings in a replay, bit for bit."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.events import Mark, SettingsChange
from drivers.samples import Baro, GnssVel, Pitot, Reference, Sample
from hw_replay.recording import Recording
from hw_replay.simulate import long_flight, simulate
from tests.support.live_rig import BARO, IMU, PITOT, OnCard, Rig, detach, replayed
from vario.app.live.instrument import STANDS_AFTER_S, Instrument
from vario.app.live.recorder import FlightFiles
from vario.app.live.scheduler import whole_ns
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.settings.load import parse_settings
from vario.sound.sink import NullSink


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
