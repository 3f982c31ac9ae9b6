"""`vario words`, `vario ask`, and speech in live flight and replay."""

from __future__ import annotations

import io
import shutil
from pathlib import Path

import numpy as np
import pytest

from drivers.events import SAY, PilotAction
from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.generated_words import generated_word, write_bank
from tests.support.page_flights import beginning
from vario.app.cli import main
from vario.app.errors import AppError
from vario.app.live.file_watch import FileWatch
from vario.app.words.render import espeak, prepared, render, weighted_rms
from vario.flight.tone.phrases import WORDS
from vario.sound.flac import load_soundfile
from vario.sound.timbre import full_scale
from vario.sound.word_files import WORDS_HZ, language_table, load_words


def program(voice: str, words_per_minute: int, text: str) -> bytes:
    """A speech program that says generated words, with silence around them, at another rate."""
    assert (voice, words_per_minute) == ("en-gb", 165)
    word = np.concatenate([np.zeros(3000), 0.2 * generated_word(text, 16000), np.zeros(5000)])
    file = io.BytesIO()
    load_soundfile().write(file, word, 16000, format="WAV")
    return file.getvalue()


def test_every_word_is_trimmed_and_as_loud_as_the_tone(tmp_path: Path) -> None:
    assert render(language_table("en", tmp_path), tmp_path / "en", program) == len(WORDS)
    load_words(tmp_path, "en", WORDS_HZ)
    soundfile = load_soundfile()
    # A sine of 1 kHz with the amplitude of level 1; A-weighting is 0 dB there (IEC 61672-1).
    level = 1.0 / full_scale() / np.sqrt(2.0)
    for name in WORDS:
        samples, _ = soundfile.read(tmp_path / "en" / f"{name}.flac")
        assert samples.size / WORDS_HZ < 1.0
        assert np.max(np.abs(samples)) <= 0.99
        assert weighted_rms(samples, WORDS_HZ) <= 1.02 * level


def test_a_silent_word_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="silent"):
        prepared(np.zeros(1000), WORDS_HZ)
    silent = io.BytesIO()
    load_soundfile().write(silent, np.zeros(1000), WORDS_HZ, format="WAV")
    with pytest.raises(AppError, match=r'the word "0" \(zero\): the word is silent'):
        render(language_table("en", tmp_path), tmp_path / "en", lambda *_: silent.getvalue())


def test_a_missing_speech_program_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(AppError, match="espeak-ng: not installed; on Debian: sudo apt install espeak-ng"):
        espeak("en", 160, "one")


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason=missing.ESPEAK)
def test_the_speech_program_of_the_system_speaks() -> None:
    samples, rate_hz = load_soundfile().read(io.BytesIO(espeak("en-gb", 165, "average")))
    assert 0.3 < prepared(samples, rate_hz).size / rate_hz < 1.2
    with pytest.raises(AppError, match="xyzzy"):
        espeak("xyzzy", 165, "average")


def test_the_commands_say_what_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "vario.toml"
    config.write_text("", encoding="utf-8")
    assert main(["words", "--config", str(config)]) == 2
    assert 'under [voice] write language = "en"' in capsys.readouterr().err
    assert main(["ask", "height", "--config", str(config)]) == 2
    assert "height: cannot be said; expected average" in capsys.readouterr().err
    (tmp_path / "marks").mkdir()
    assert main(["ask", "wind", "--config", str(config)]) == 2
    assert "no running instrument" in capsys.readouterr().err


def test_a_request_comes_to_the_running_instrument(tmp_path: Path) -> None:
    config = tmp_path / "vario.toml"
    config.write_text("", encoding="utf-8")
    side = FileWatch(None, tmp_path / "marks", every_s=60.0)
    (tmp_path / "marks").mkdir()
    side.start()
    assert main(["ask", "wind", "goal", "--config", str(config)]) == 0
    side.look()
    assert side.take() == PilotAction(0.0, SAY, "wind goal")
    side.close()


def test_the_first_request_makes_the_folder_and_is_heard(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A new user has no marks yet: the request was refused although the instrument ran."""
    config = tmp_path / "vario.toml"
    config.write_text("", encoding="utf-8")
    side = FileWatch(None, tmp_path / "marks", every_s=60.0)
    side.start()
    assert main(["ask", "wind", "--config", str(config)]) == 0
    assert "is new: an instrument with these settings says it within a second" in capsys.readouterr().out
    side.look()
    assert side.take() == PilotAction(0.0, SAY, "wind")
    side.close()


def test_a_replay_without_words_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    flight = beginning(5.0, tmp_path / "flight.mcap")
    options = ["--no-picture", "--set", "voice.language=en", "--out", str(tmp_path / "out")]
    assert main(["replay", str(flight), *options, "--words", str(tmp_path / "nowhere")]) == 0
    assert "note: no speech in the sound" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("nowhere", "no such folder; expected one that vario words has made"),
        (".", "the settings name no language"),
    ],
)
def test_a_folder_that_cannot_be_used_is_told_without_a_language(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, why: str
) -> None:
    flight = beginning(5.0, tmp_path / "flight.mcap")
    command = ["report", str(flight), "--words", str(tmp_path / name), "--out", str(tmp_path / "page.html")]
    assert main(command) == 0
    printed = capsys.readouterr().out.replace("\n", " ")
    assert "note: no speech in the sound" in printed
    assert why in printed


@pytest.mark.long
def test_a_replay_speaks_the_same_every_time_and_without_words_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_bank(tmp_path / "bank")
    spoken = ["--set", "voice.language=en", "--set", "voice.each_turn=average"]
    options = ["replay", str(BUNDLED), "--no-picture", "--from", "290", "--to", "370"]
    sounds = []
    for name, extra in (
        ("plain", []),
        ("first", [*spoken, "--words", str(tmp_path / "bank")]),
        ("second", [*spoken, "--words", str(tmp_path / "bank")]),
        ("absent", [*spoken, "--words", str(tmp_path / "nowhere")]),
    ):
        assert main([*options, *extra, "--out", str(tmp_path / name)]) == 0
        sounds.append((tmp_path / name / "tone.flac").read_bytes())
        printed = capsys.readouterr().out
        assert ("no speech in the sound" in printed) == (name == "absent")
    plain, first, second, absent = sounds
    assert first == second
    assert first != plain
    assert absent == plain
