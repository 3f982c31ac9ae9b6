"""Parts of the live run: fitted sensors, a missing sound device, changed settings and marks."""

from __future__ import annotations

import logging
import math
import os
import sys
import threading
import types
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from drivers.bus import Bus
from drivers.errors import UnavailableError
from drivers.events import Event, Mark, SettingsChange
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.change.marks import LONGEST_TEXT, drop_mark, dropped_marks
from vario.app.check.system import check_sound
from vario.app.cli import main
from vario.app.errors import AppError
from vario.app.live.clock import FIRST_S, MonotonicClock, SteppedClock
from vario.app.live.emulation import with_chips
from vario.app.live.file_watch import SideWatch
from vario.app.live.fitting import Buses, build_sensors
from vario.app.live.recorder import RecorderStatus
from vario.app.live.speaker import GONE, Speaker
from vario.app.live.status import Status, status_line
from vario.flight.tone.stage import ToneCommand
from vario.settings.fitted import Audio
from vario.settings.load import parse_settings
from vario.settings.schema import Settings
from vario.sound.devices import open_device
from vario.sound.errors import SoundDeviceError
from vario.sound.live import LiveSink
from vario.sound.sink import NullSink

LOUD = ToneCommand(700.0, 4.0, 0.5)

DEEP = "x = " + "[" * 5000 + "]" * 5000
"""TOML that no recursive reader gets to the bottom of."""


def once(happened: Callable[[], bool], seconds: float = 30.0) -> None:
    """Wait for another thread, with a time limit."""
    tick = threading.Event()
    for _ in range(round(seconds / 0.002)):
        if happened():
            return
        tick.wait(0.002)
    pytest.fail("it never happened")


@contextmanager
def logged_to_root_as_before() -> Iterator[None]:
    """Remove the log handler of the command, so that later tests do not write to standard error."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    root.handlers.clear()
    try:
        yield
    finally:
        root.handlers[:] = handlers
        root.setLevel(level)


def test_nothing_fitted_is_told_with_what_to_write() -> None:
    with pytest.raises(AppError, match=r"set chip = … under \[sensors.baro\]"):
        build_sensors(Settings(), Buses())


def test_a_bus_that_is_not_there_is_told_with_what_to_do() -> None:
    def gone(number: int) -> Bus:
        raise UnavailableError(f"/dev/i2c-{number} cannot be opened", "Switch I²C on")

    settings = parse_settings('[sensors.baro]\nchip = "MS5611"\n', "settings").settings
    with pytest.raises(AppError, match=r"/dev/i2c-1 cannot be opened\. Switch I²C on"):
        build_sensors(settings, Buses(gone))


def test_the_command_says_in_one_line_why_it_cannot_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "my.toml"
    config.write_text("", encoding="utf-8")
    assert main(["run", "--config", str(config), "--silent"]) == 2
    assert "vario: the settings name no sensor" in capsys.readouterr().err


def test_a_rehearsal_needs_no_settings_file_and_no_sound_device(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command of the README, without a sound library, in an empty folder."""
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    monkeypatch.chdir(tmp_path)
    with logged_to_root_as_before():
        assert main(["run", "--emulate", str(BUNDLED), "--for", "2"]) == 0
    said = capsys.readouterr().err
    assert "The flight continues in silence" in said
    assert "MS5611 at fake-1 0x77" in said
    assert list(tmp_path.iterdir()) == []


def test_the_chips_of_a_rehearsal_go_beside_what_the_settings_say_of_them() -> None:
    loaded = parse_settings('[sensors.imu]\ngyro_bias_x = "0.5 deg/s"\n[gnss]\n', "recorded")
    sensors = with_chips(loaded).settings.sensors
    assert sensors.imu.chip == "LSM6DSO"
    assert sensors.imu.gyro_bias_x_radps == pytest.approx(math.radians(0.5))
    inline = parse_settings('sensors = {imu = {gyro_bias_x = "0.5 deg/s"}}\n', "recorded")
    with pytest.raises(AppError, match=r"recorded: .*name the chips there"):
        with_chips(inline)


class ToneInputs(NullSink):
    def __init__(self) -> None:
        self.commands: list[ToneCommand] = []

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002
        if command.level > 1.0:
            raise ValueError("too loud")
        self.commands.append(command)


def test_a_sound_device_that_comes_late_is_taken_and_one_that_refuses_does_not_stop_the_flight() -> None:
    tries: list[int] = []
    silence_heard, opened = threading.Event(), threading.Event()
    sink = ToneInputs()

    def make() -> ToneInputs:
        tries.append(1)
        if len(tries) < 3 or not silence_heard.is_set():
            raise SoundDeviceError("no sound device at all")
        opened.set()
        return sink

    speaker = Speaker(make, retry_s=0.001)
    speaker.play(LOUD)  # into the silence
    silence_heard.set()
    assert opened.wait(30.0)
    once(lambda: speaker.problem is None)
    speaker.play(LOUD)
    speaker.play(ToneCommand(700.0, 4.0, 2.0))
    speaker.play(LOUD)
    speaker.close()
    assert sink.commands == [LOUD, LOUD]


class Plugged(ToneInputs):
    """A device that can be removed."""

    is_there = True

    @property
    def is_lost(self) -> bool:
        return not self.is_there

    @property
    def is_playing(self) -> bool:
        return self.is_there


class Gappy(ToneInputs):
    """A device that received late blocks."""

    @property
    def underruns(self) -> int:
        return 3


def line(sound: str | None, recorder: RecorderStatus | None = None) -> str:
    return status_line(Status(1.0, None, [], recorder, sound))


def test_a_sound_device_lost_in_flight_is_shown_and_logged_and_so_is_its_return(
    caplog: pytest.LogCaptureFixture,
) -> None:
    sinks: list[Plugged] = []

    def make() -> Plugged:
        sinks.append(Plugged())
        return sinks[-1]

    speaker = Speaker(make, retry_s=0.001)
    speaker.play(LOUD)
    assert "NO SOUND" not in line(speaker.problem)
    sinks[0].is_there = False
    once(lambda: "works again" in caplog.text)
    assert "NO SOUND" not in line(speaker.problem)
    sinks[1].is_there = False  # within the same minute: not said again
    once(lambda: len(sinks) == 3)
    speaker.play(LOUD)
    speaker.close()
    said = [record.getMessage() for record in caplog.records]
    assert said == [f"sound: {GONE}. The flight continues in silence", "sound: works again"]


def test_gaps_in_the_sound_are_counted_in_the_status() -> None:
    sink = Gappy()
    speaker = Speaker(lambda: sink)
    assert speaker.underruns == 3
    assert "3 gaps in the sound" in status_line(Status(1.0, None, [], None, None, speaker.underruns))
    assert "gaps" not in line(None)
    speaker.close()


@pytest.mark.parametrize(
    ("audio", "says"),
    [
        ({"output": "cues", "device": "USB"}, "leave device out"),
        ({"output": "everything"}, "'tone', 'cues' or 'off'"),
    ],
)
def test_audio_settings_that_cannot_be_are_refused(audio: dict[str, str], says: str) -> None:
    with pytest.raises(ValidationError) as refusal:
        Audio.model_validate(audio)
    assert says in str(refusal.value)


def test_a_silent_instrument_is_told_before_the_flight() -> None:
    finding = check_sound(Audio(output="off"))
    assert "including warnings" in finding.found
    assert open_device(Audio(output="off")).is_playing  # nothing is missing: it is as asked


def test_the_status_says_whether_it_records() -> None:
    assert line(None) == "not recording (no folder set)"
    assert line(None, RecorderStatus(None, 0, 0, "the card is full")) == "NOT RECORDING"
    assert line(None, RecorderStatus(Path("00001.mcap"), 5, 0, None)) == "recording 00001.mcap"


class PortAudioError(Exception):
    """As the library names its own."""


def library_without_devices(monkeypatch: pytest.MonkeyPatch) -> tuple[types.ModuleType, list[str]]:
    """A replacement of the library on a system without sound: every call fails."""
    module, called = types.ModuleType("sounddevice"), []

    def failing(name: str) -> Callable[..., None]:
        def fail(*_: object, **__: object) -> None:
            called.append(name)
            raise PortAudioError(f"{name}: unanticipated host error")

        return fail

    vars(module).update(
        {name: failing(name) for name in ("RawOutputStream", "query_devices", "_initialize", "_terminate")}
    )
    vars(module)["PortAudioError"] = PortAudioError
    monkeypatch.setitem(sys.modules, "sounddevice", module)
    return module, called


def test_sound_that_cannot_even_be_looked_for_is_silence_with_a_reason(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    _, called = library_without_devices(monkeypatch)
    with pytest.raises(SoundDeviceError, match="cannot look for sound devices: _initialize"):
        LiveSink()
    assert called[-2:] == ["_terminate", "_initialize"]
    speaker = Speaker(LiveSink, retry_s=60.0)
    speaker.play(LOUD)
    assert "cannot look for sound devices" in str(speaker.problem)
    speaker.close()
    assert "The flight continues in silence" in caplog.text


def test_sound_comes_back_to_a_system_that_had_lost_all_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """The device is lost and no device can be listed; later everything is available again."""
    module, called = library_without_devices(monkeypatch)
    broken = dict(vars(module))

    class Stream:
        latency = 0.01

        def __init__(self, **options: Any) -> None:
            self.ended = options["finished_callback"]
            streams.append(self)

        def start(self) -> None:
            pass

        def close(self, *, ignore_errors: bool) -> None:
            pass

    streams: list[Stream] = []
    tried = threading.Event()

    def look() -> None:
        tried.set()
        raise PortAudioError("no host")

    whole = {"RawOutputStream": Stream, "_initialize": lambda: None, "_terminate": lambda: None}
    vars(module).update(whole)
    speaker = Speaker(LiveSink, retry_s=0.001)
    assert speaker.problem is None
    vars(module).update({**broken, "_initialize": look})
    streams[0].ended()
    assert tried.wait(30.0)
    assert speaker.problem is not None
    vars(module).update(whole)
    once(lambda: len(streams) > 1 and speaker.problem is None)
    speaker.close()
    assert "_terminate" in called


def test_changed_settings_and_dropped_marks_are_found_once(tmp_path: Path) -> None:
    config, marks = tmp_path / "my.toml", tmp_path / "marks"
    config.write_text('[vario]\ndamping = "1 s"\n', encoding="utf-8")
    drop_mark(marks, "of an earlier flight", datetime(2026, 5, 1, tzinfo=UTC))
    side = SideWatch(config, marks)
    side.look()
    assert side.take() is None
    config.write_text('[vario]\ndamping = "2 s"\n', encoding="utf-8")
    drop_mark(marks, "strong  here", datetime(2026, 6, 1, tzinfo=UTC))
    for _ in range(3):  # a file must be unchanged between two checks
        side.look()
    found = [side.take() for _ in range(3)]
    assert [type(event) for event in found if event] == [Mark, SettingsChange]
    assert found[0] == Mark(0.0, "strong here")
    assert isinstance(found[1], SettingsChange)
    assert 'damping = "2 s"' in found[1].settings_toml
    side.close()


def test_a_dropped_mark_holds_no_more_than_a_recording_can(tmp_path: Path) -> None:
    marks = tmp_path / "marks"
    marks.mkdir()
    side = SideWatch(None, marks)
    begun = datetime(2026, 6, 1, tzinfo=UTC)
    names = [f"20260601T00000{number}.000000Z.mark" for number in range(4)]
    (marks / names[0]).write_text(" \n", encoding="utf-8")
    (marks / names[1]).write_bytes("ü".encode() * 2_000_000)
    (marks / names[2]).write_text("short\n", encoding="utf-8")
    os.mkfifo(marks / names[3])  # reading it would wait for ever
    side.look()
    found = [side.take() for _ in range(3)]
    assert found == [Mark(0.0, "ü" * LONGEST_TEXT), Mark(0.0, "short"), None]
    (marks / names[3]).unlink()
    assert [mark.text for mark in dropped_marks(marks, begun)] == ["ü" * LONGEST_TEXT, "short"]
    (marks / names[0]).write_text("written late\n", encoding="utf-8")
    side.look()
    assert side.take() == Mark(0.0, "written late")
    with RecordingWriter(tmp_path / "flight.mcap", RecordingInfo("marked", "live")) as writer:
        writer.write(Mark(1.0, "ü" * LONGEST_TEXT))
    assert list(Recording(tmp_path / "flight.mcap")) == [Mark(1.0, "ü" * LONGEST_TEXT)]


def test_the_side_goes_on_whatever_stands_in_its_files(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    config, marks = tmp_path / "my.toml", tmp_path / "marks"
    config.write_text("", encoding="utf-8")
    marks.mkdir()
    side = SideWatch(config, marks, every_s=0.001)
    side.start()
    config.write_text(DEEP, encoding="utf-8")
    wait = threading.Event()
    found: list[Event] = []
    for _ in range(2000):
        event = side.take()
        if event is not None:
            found.append(event)
        if len(found) == 1:
            drop_mark(marks, "still there", datetime(2026, 6, 1, tzinfo=UTC))
        if len(found) >= 2:
            break
        wait.wait(0.01)
    side.close()
    assert found[0] == SettingsChange(0.0, DEEP, None)
    assert isinstance(found[1], Mark)
    assert not caplog.records


def test_the_side_tells_once_what_nobody_thought_of_and_looks_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    looks: list[int] = []

    class Faulty(SideWatch):
        def look(self) -> None:
            looks.append(1)
            if len(looks) < 5:
                raise RecursionError("deeper than anybody thought")
            super().look()

    side = Faulty(None, tmp_path, every_s=0.001)
    drop_mark(tmp_path, "still there", datetime(2026, 6, 1, tzinfo=UTC))
    side.start()
    wait, event = threading.Event(), None
    for _ in range(2000):
        event = side.take()
        if event is not None:
            break
        wait.wait(0.01)
    side.close()
    assert event == Mark(0.0, "still there")
    assert [record.getMessage() for record in caplog.records] == [
        "reading marks and changed settings failed; it continues"
    ]


def test_clocks_begin_where_no_stamp_can_be_negative() -> None:
    clock = MonotonicClock()
    begun_s = clock.now_s()
    assert begun_s >= FIRST_S
    clock.wait_until(begun_s - 1.0)  # passed already
    clock.wait_until(begun_s + 0.002)
    assert clock.now_s() >= begun_s + 0.002
    stepped = SteppedClock()
    stepped.wait_until(5.0)
    stepped.wait_until(3.0)
    assert stepped.now_s() == 5.0
