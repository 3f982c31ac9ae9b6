"""The sound of a live run: devices that come late, are lost, or are not there, and what the status says."""

from __future__ import annotations

import sys
import threading
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from tests.support.waiting import once
from vario.app.check.findings import Verdict
from vario.app.check.system import check_sound
from vario.app.live.recorder import RecorderStatus
from vario.app.live.speaker import GONE, Speaker
from vario.app.live.status import Status, status_line
from vario.flight.tone.stage import ToneCommand
from vario.settings.hardware import Audio
from vario.sound.devices import open_device
from vario.sound.errors import SoundDeviceError
from vario.sound.live import LiveSink
from vario.sound.sink import NullSink

LOUD = ToneCommand(700.0, 4.0, 0.5)


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


def test_a_check_without_a_tone_still_names_the_devices(monkeypatch: pytest.MonkeyPatch) -> None:
    module, called = library_without_devices(monkeypatch)
    none = check_sound(Audio(), silent=True)
    assert none.verdict is Verdict.FAIL
    assert "install.sh --sound i2s" in none.next_step
    listed = [("bcm2835 Headphones", 8), ("USB Audio: - (hw:1,0)", 2), ("a microphone", 0)]
    vars(module)["query_devices"] = lambda: [{"name": n, "max_output_channels": c} for n, c in listed]
    there = "there are: bcm2835 Headphones, USB Audio: - (hw:1,0)"
    assert there in check_sound(Audio(device="usb"), silent=True).found
    wrong = check_sound(Audio(device="MAX98357A"), silent=True)
    assert wrong.verdict is Verdict.FAIL
    assert wrong.found == f'no device has "MAX98357A" in its name; {there}'
    assert "RawOutputStream" not in called


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
