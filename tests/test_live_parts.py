"""Parts of the live run: what is fitted, the sound that may be missing, changed settings and marks."""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from drivers.bus import Bus
from drivers.errors import UnavailableError
from drivers.events import Mark, SettingsChange
from vario.app.cli import main
from vario.app.errors import AppError
from vario.app.live.clock import FIRST_S, MonotonicClock, SteppedClock
from vario.app.live.fitting import Buses, fitted
from vario.app.live.side import SideWatch
from vario.app.live.speaker import Speaker
from vario.app.marks import drop_mark
from vario.flight.tone import ToneCommand
from vario.settings.load import parse_settings
from vario.settings.schema import Settings
from vario.sound.errors import SoundDeviceError
from vario.sound.sink import NullSink

LOUD = ToneCommand(700.0, 4.0, 0.5)


def test_nothing_fitted_is_told_with_what_to_write() -> None:
    with pytest.raises(AppError, match=r"write chip = … under \[sensors.baro\]"):
        fitted(Settings(), Buses())


def test_a_bus_that_is_not_there_is_told_with_what_to_do() -> None:
    def gone(number: int) -> Bus:
        raise UnavailableError(f"/dev/i2c-{number} cannot be opened", "Switch I²C on")

    settings = parse_settings('[sensors.baro]\nchip = "MS5611"\n', "settings").settings
    with pytest.raises(AppError, match=r"/dev/i2c-1 cannot be opened\. Switch I²C on"):
        fitted(settings, Buses(gone))


def test_the_command_says_in_one_line_why_it_cannot_begin(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "my.toml"
    config.write_text("", encoding="utf-8")
    assert main(["run", "--config", str(config), "--silent"]) == 2
    assert "vario: the settings name no sensor" in capsys.readouterr().err


class Heard(NullSink):
    def __init__(self) -> None:
        self.commands: list[ToneCommand] = []

    def play(self, command: ToneCommand, duration_s: float) -> None:  # noqa: ARG002
        if command.level > 1.0:
            raise ValueError("too loud")
        self.commands.append(command)


def test_a_sound_device_that_comes_late_is_taken_and_one_that_refuses_does_not_stop_the_flight() -> None:
    tries: list[int] = []
    opened = threading.Event()
    sink = Heard()

    def make() -> Heard:
        tries.append(1)
        if len(tries) < 3:
            raise SoundDeviceError("no sound device at all")
        opened.set()
        return sink

    speaker = Speaker(make, retry_s=0.001)
    speaker.play(LOUD)  # into the silence
    assert opened.wait(30.0)
    while speaker.problem is not None:
        pass
    speaker.play(LOUD)
    speaker.play(ToneCommand(700.0, 4.0, 2.0))
    speaker.play(LOUD)
    speaker.close()
    assert sink.commands == [LOUD, LOUD]


def test_changed_settings_and_dropped_marks_are_found_once(tmp_path: Path) -> None:
    config, marks = tmp_path / "my.toml", tmp_path / "marks"
    config.write_text('[vario]\ndamping = "1 s"\n', encoding="utf-8")
    drop_mark(marks, "of an earlier flight", datetime(2026, 5, 1, tzinfo=UTC))
    side = SideWatch(config, marks)
    side.look()
    assert side.take() is None
    config.write_text('[vario]\ndamping = "2 s"\n', encoding="utf-8")
    drop_mark(marks, "strong  here", datetime(2026, 6, 1, tzinfo=UTC))
    for _ in range(3):  # a file must rest from one look to the next
        side.look()
    found = [side.take() for _ in range(3)]
    assert [type(event) for event in found if event] == [Mark, SettingsChange]
    assert found[0] == Mark(0.0, "strong here")
    assert isinstance(found[1], SettingsChange)
    assert 'damping = "2 s"' in found[1].settings_toml
    side.close()


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
