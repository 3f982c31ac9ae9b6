"""Parts of the live run: fitted sensors, changed settings and marks, clocks."""

from __future__ import annotations

import logging
import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.bus import Bus
from drivers.errors import UnavailableError
from drivers.events import Event, Mark, SettingsChange
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.waiting import once
from vario.app.change.marks import LONGEST_TEXT, drop_mark, dropped_marks
from vario.app.cli import main
from vario.app.errors import AppError
from vario.app.live.clock import FIRST_S, MonotonicClock, SteppedClock
from vario.app.live.emulation import with_chips
from vario.app.live.file_watch import FileWatch
from vario.app.live.fitting import Buses, build_sensors
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

DEEP = "x = " + "[" * 5000 + "]" * 5000
"""TOML that no recursive reader gets to the bottom of."""


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
    for seconds in ("0", "-1", "nan"):
        assert main(["run", "--config", str(config), "--for", seconds]) == 2
        assert "expected a time above 0 s" in capsys.readouterr().err


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


def test_changed_settings_and_dropped_marks_are_found_once(tmp_path: Path) -> None:
    config, marks = tmp_path / "my.toml", tmp_path / "marks"
    config.write_text('[vario]\ndamping = "1 s"\n', encoding="utf-8")
    drop_mark(marks, "of an earlier flight", datetime(2026, 5, 1, tzinfo=UTC))
    side = FileWatch(config, marks)
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
    side = FileWatch(None, marks)
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


def next_event(side: FileWatch) -> Event:
    """Wait for an event of the watcher."""
    found: list[Event] = []

    def taken() -> bool:
        event = side.take()
        found.extend([] if event is None else [event])
        return bool(found)

    once(taken)
    return found[0]


def test_the_side_goes_on_whatever_stands_in_its_files(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    config, marks = tmp_path / "my.toml", tmp_path / "marks"
    config.write_text("", encoding="utf-8")
    marks.mkdir()
    side = FileWatch(config, marks, every_s=0.001)
    side.start()
    config.write_text(DEEP, encoding="utf-8")
    assert next_event(side) == SettingsChange(0.0, DEEP, None)
    drop_mark(marks, "still there", datetime(2026, 6, 1, tzinfo=UTC))
    assert next_event(side) == Mark(0.0, "still there")
    side.close()
    assert not caplog.records


def test_the_side_tells_once_what_nobody_thought_of_and_looks_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    looks: list[int] = []

    class Faulty(FileWatch):
        def look(self) -> None:
            looks.append(1)
            if len(looks) < 5:
                raise RecursionError("deeper than anybody thought")
            super().look()

    side = Faulty(None, tmp_path, every_s=0.001)
    drop_mark(tmp_path, "still there", datetime(2026, 6, 1, tzinfo=UTC))
    side.start()
    assert next_event(side) == Mark(0.0, "still there")
    side.close()
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
