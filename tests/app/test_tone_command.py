"""`vario tone` from the command line."""

import os
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from matplotlib.image import imread
from scipy import signal

from tests.support import missing
from vario.app.cli import main
from vario.app.tone.keyboard import KeyState, fly
from vario.flight.motion.mode import Mode
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import ToneCommand
from vario.settings.tone import Tone


class Ear:
    """A sink that stores its commands."""

    def __init__(self) -> None:
        self.heard: list[ToneCommand] = []

    def play(self, command: ToneCommand, duration_s: float) -> None:
        assert duration_s > 0.0
        self.heard.append(command)

    def close(self) -> None:
        pass


def test_values_become_sound(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "tone.flac"
    assert main(["tone", "-2 0 1 3", "--seconds", "1", "--out", str(out)]) == 0
    said = capsys.readouterr().out
    pcm, rate_hz = soundfile.read(out, dtype="int16")
    assert pcm.size == 4 * rate_hz
    assert "+0.0 m/s: silent" in said
    assert not np.any(pcm[round(1.1 * rate_hz) : 2 * rate_hz])
    # The printed pitch equals the strongest line in the spectrum of the file.
    for second, value in ((0, "-2.0"), (3, r"\+3.0")):
        promised = re.search(value + r" m/s: (\d+) Hz", said)
        assert promised is not None
        part = pcm[second * rate_hz : (second + 1) * rate_hz].astype(float)
        frequency_hz, power = signal.periodogram(part, rate_hz, "hann")
        assert frequency_hz[np.argmax(power)] == pytest.approx(float(promised[1]), rel=0.02)


def test_a_single_value_below_zero_is_no_option(tmp_path: Path) -> None:
    assert main(["tone", "-2", "--out", str(tmp_path / "tone.flac")]) == 0


def test_values_in_knots_sound_like_the_same_values_in_metres(tmp_path: Path) -> None:
    out = [tmp_path / name for name in ("metres.flac", "knots.flac")]
    main(["tone", "1.5433333333", "--out", str(out[0])])
    main(["tone", "3", "--unit", "kt", "--out", str(out[1])])  # 1 kt is 1852 m an hour
    assert np.array_equal(soundfile.read(out[0])[0], soundfile.read(out[1])[0])


def test_a_glide_takes_its_time(tmp_path: Path) -> None:
    out = tmp_path / "tone.flac"
    main(["tone", "1 3", "--seconds", "1", "--glide", "2", "--out", str(out)])
    assert soundfile.info(out).duration == pytest.approx(4.0, abs=0.03)


@pytest.mark.parametrize(("option", "least_s"), [("--sweep", 19.0), ("--cues", 10.0)])
def test_sweep_and_cues_are_files_too(tmp_path: Path, option: str, least_s: float) -> None:
    out = tmp_path / "tone.flac"
    assert main(["tone", option, "--out", str(out)]) == 0
    pcm, rate_hz = soundfile.read(out, dtype="int16")
    assert pcm.size / rate_hz > least_s
    assert np.max(np.abs(pcm)) > 3000


def test_settings_change_what_is_heard(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "my.toml"
    config.write_text('[tone]\npreset = "bright"\n')
    main(["tone", "0.5", "--config", str(config), "--out", str(tmp_path / "a.flac")])
    main(["tone", "0.5", "--out", str(tmp_path / "b.flac")])
    bright, plain = re.findall(r": (\d+) Hz", capsys.readouterr().out)
    assert int(bright) > int(plain)


@pytest.mark.parametrize("seconds", ["1", pytest.param("400", marks=pytest.mark.long)])
def test_a_picture_shows_the_sound_where_it_is(tmp_path: Path, seconds: str) -> None:
    # Silence, then a beep: the right half of the picture is brighter, for any length.
    sound, out = tmp_path / "tone.flac", tmp_path / "picture.png"
    main(["tone", "0 2", "--seconds", seconds, "--out", str(sound)])
    assert main(["tone", "--picture", str(sound), "--out", str(out)]) == 0
    inner = imread(out)[50:-60, 90:-20, :3].mean(axis=2)
    half = inner.shape[1] // 2
    assert inner[:, : half - 10].mean() < 0.01
    assert inner[:, half + 10 :].mean() > 0.02


def test_a_picture_of_a_part_shows_that_part_only(tmp_path: Path) -> None:
    sound, out = tmp_path / "tone.flac", tmp_path / "picture.png"
    main(["tone", "0 2", "--seconds", "2", "--out", str(sound)])
    lights = []
    for part in (["--to", "2"], ["--from", "0:00:02"], ["--from", "2", "--to", "0:00:03"]):
        assert main(["tone", "--picture", str(sound), "--out", str(out), *part]) == 0
        lights.append(imread(out)[50:-60, 90:-20, :3].mean())
    assert lights[0] < 0.02 < min(lights[1:])


def test_the_chart_is_drawn(tmp_path: Path) -> None:
    out = tmp_path / "chart.png"
    assert main(["tone", "--chart", "--out", str(out)]) == 0
    assert imread(out).std() > 0.1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "give either values"),
        (["1 2", "--sweep"], "give either values"),
        (["up"], '"up" is not a number'),
        (["1,5"], "the decimal sign is a point"),
        (["nan"], "nan m/s is out of range"),
        (["400", "--unit", "kt"], "expected -58 to 58 kt"),
        ([""], "no values"),
        (["1", "--seconds", "-1"], "--seconds -1: expected 0 to 600 s"),
        (["--picture", "missing.flac"], "missing.flac: cannot be read: No such file"),
        (["--picture", "pyproject.toml"], "cannot be read: not a sound file"),
        (["1", "--out", "stereo.flac/tone.flac"], "stereo.flac/tone.flac: cannot be written"),
        (["--picture", "stereo.flac", "--out", "stereo.flac"], "stereo.flac: this file is an input"),
        (
            ["1", "--out", "tone.wav"],
            "tone.wav: the sound is written as FLAC; expected a name",
        ),
        (["--picture", "stereo.flac", "--from", "soon"], "--from soon: expected a time as H:MM, H:MM:SS"),
        (["--picture", "stereo.flac"], "stereo.flac: 2 channels; expected 1"),
        (
            ["--chart", "--out", "stereo.flac/tone.png"],
            "cannot be written: File exists",
        ),
        (["--chart", "--out", "tone.xyz"], "tone.xyz: cannot be written"),
        (["play"], "expected a keyboard"),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str],
    says: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "pyproject.toml").write_text("no sound")
    soundfile.write(tmp_path / "stereo.flac", np.zeros((2048, 2), np.int16), 22050)
    monkeypatch.chdir(tmp_path)
    assert main(["tone", *arguments]) == 2
    error = capsys.readouterr().err
    assert says in error
    assert error.count("\n") == 1


@pytest.mark.skipif(os.name != "posix", reason=missing.LINUX)
def test_keys_fly_the_tone() -> None:
    # A pipe instead of the terminal: the same bytes, one key a read.
    ear = Ear()
    shown: list[float] = []
    keyboard, fingers = os.openpty()
    import tty  # noqa: PLC0415  (Unix only)

    tty.setraw(keyboard)
    # The last ones arrive together, as from a key held down.
    keys = iter([b"\x1b[5~", b"\x1b[5~", b"\x1b[B", b"m", b"9", b"\x1b[A\x1b[A\x1b[A\x1b[5~", b"q"])

    def show(air: KeyState) -> None:
        shown.append(air.vario_mps)
        os.write(fingers, next(keys, b"q"))

    try:
        fly(keyboard, ear, Tone(), show)
    finally:
        os.close(keyboard)
        os.close(fingers)
    assert shown == [0.0, 1.0, 2.0, 1.9, 1.9, 1.9, 3.2, 3.2]
    assert ear.heard[-1].beep_hz is not None
    assert {command.cue.cue for command in ear.heard if command.cue} == {Cue.CRUISE_BEGUN, Cue.WORTH_TURNING}


def test_keys_that_mean_nothing_change_nothing() -> None:
    air = KeyState(vario_mps=1.5)
    for key in (b"x", b"z", b"\x1b[C", "é".encode()):
        air.press(key)
    assert air == KeyState(vario_mps=1.5)
    air.press(b"m")
    assert air.mode is Mode.CRUISE
    air.press(b"s")
    assert air.silent
    air.press(b"")
    assert air.done
