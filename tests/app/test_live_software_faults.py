"""Unexpected exceptions in flight logic, sound, recorder or listeners: the instrument goes on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pytest

from drivers.samples import Baro, Sample
from hw_replay.source import RecordingInfo
from tests.support.live_rig import Kept
from vario.app.live.instrument import Instrument
from vario.app.live.scheduler import whole_ns
from vario.flight.reading import Reading
from vario.flight.tone.stage import ToneCommand
from vario.settings.load import parse_settings
from vario.sound.sink import NullSink


def test_an_exception_in_the_flight_logic_restarts_it(caplog: pytest.LogCaptureFixture) -> None:
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


def test_a_failing_sound_recorder_or_listener_does_not_stop_the_flight_logic(
    caplog: pytest.LogCaptureFixture,
) -> None:
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
    assert "the flight logic failed" not in caplog.text
    assert heard == reference  # and the healthy one among the listeners got every reading there was
    assert len(journal.samples) == 1490 - 40  # samples before the recorder accepted any are lost
    # Once when it begins, then once a minute.
    assert caplog.text.count("the sound failed; the flight logic continues") == 3
    assert caplog.text.count("an output of readings failed; the flight logic continues") == 2
    for cause in ("a wire has come off", "no ink", "nobody listens"):
        assert cause in caplog.text
