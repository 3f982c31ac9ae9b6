"""Sound of the commands: `vario run` and `vario tone play`, each in its own process.

The file device of ALSA writes into a pipe, and the test is the sound card: time passes as it reads. It reads
to the end, because the device ends the whole process if its reader has gone.
"""

import fcntl
import os
import signal
import subprocess
import sys
import termios
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from threading import Event, Timer

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import correlate, periodogram

from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.sound_card import NEEDS_ALSA, PIPE_BYTES, RATE_HZ, alsa_environment
from vario.app.cli import main
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import pitch_of
from vario.settings.tone import Tone
from vario.sound.block_player import LOST_AFTER_S, STALE_AFTER_S
from vario.sound.cue_sounds import cue_sounds
from vario.sound.rhythm import RELEASE_S

LONGEST_S = 120.0
"""Time limit for each action of a program; on any machine the action takes seconds."""


class Card:
    """A sound card made of a pipe, for programs started with its `environment`."""

    def __init__(self, folder: Path) -> None:
        pipe = folder / "card"
        os.mkfifo(pipe)
        self.environment = os.environ | alsa_environment(pipe, folder)
        self._tick = Event()
        self._end = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
        fcntl.fcntl(self._end, fcntl.F_SETPIPE_SZ, PIPE_BYTES)

    def play(self) -> bytes:
        """A block of 10 ms, if there is one, in 20 ms: at half speed no program is too slow for it."""
        self._tick.wait(0.02)
        try:
            return os.read(self._end, RATE_HZ // 100 * 2)
        except BlockingIOError:
            return b""

    def play_until(self, samples: int, program: subprocess.Popen[bytes]) -> NDArray[np.int16]:
        """The given number of samples, from the first nonzero one."""
        heard = b""
        while program.poll() is None:
            heard += self.play()
            pcm = np.frombuffer(heard[: len(heard) // 2 * 2], np.int16)
            sounding = np.flatnonzero(pcm)
            if sounding.size and pcm.size - sounding[0] >= samples:
                return pcm[sounding[0] :][:samples]
        pytest.fail(f"it ended in silence, with {program.returncode}")

    def play_until_heard(self, expected: NDArray[np.float64], program: subprocess.Popen[bytes]) -> None:
        """Read until these samples have occurred, at any level and after any other sound."""
        heard = np.zeros(0)
        while program.poll() is None:
            more = b"".join(self.play() for _ in range(25))
            heard = np.append(heard, np.frombuffer(more[: len(more) // 2 * 2], np.int16))
            heard = heard[-4 * expected.size :]
            # The tone continues beside it, softer.
            if heard.size >= expected.size and likeness(heard, expected) > 0.9:
                return
        pytest.fail(f"it ended without it, with {program.returncode}")

    def play_until_told(self, words: bytes, file: int, program: subprocess.Popen[bytes]) -> bytes:
        """Read until the program has written these words; returns the text since."""
        os.set_blocking(file, False)
        said = b""
        while words not in said:
            assert program.poll() is None, said.decode()
            self.play()
            with suppress(BlockingIOError):
                said += os.read(file, 4096)
        return said

    def play_to_the_end(self, program: subprocess.Popen[bytes]) -> None:
        """Wait for the end of the program."""
        while program.poll() is None:
            self.play()
        os.close(self._end)


def likeness(heard: NDArray[np.float64], expected: NDArray[np.float64]) -> float:
    """The highest correlation of any stretch of what was heard with what was expected."""
    energy = correlate(heard**2, np.ones(expected.size), "valid") * np.sum(expected**2)
    return float(np.max(correlate(heard, expected, "valid") / np.sqrt(np.maximum(energy, 1.0))))


@contextmanager
def started(card: Card, *arguments: str, **streams: int) -> Iterator[subprocess.Popen[bytes]]:
    """`vario` with these arguments; it is always ended."""
    command = [sys.executable, "-m", "vario", *arguments]
    with subprocess.Popen(command, env=card.environment, **streams) as program:  # type: ignore[call-overload]  # noqa: S603
        watch = Timer(LONGEST_S, program.kill)
        watch.start()
        try:
            yield program
        finally:
            program.kill()
            watch.cancel()


@NEEDS_ALSA
@pytest.mark.parametrize(
    ("plays", "library"),
    [
        ("tone", "sounddevice"),
        pytest.param(
            "cues",
            "simpleaudio",
            marks=pytest.mark.skipif(sys.version_info >= (3, 12), reason=missing.OLDER_PYTHON),
        ),
    ],
)
def test_a_flight_is_heard_as_the_settings_ask(tmp_path: Path, plays: str, library: str) -> None:
    # A setting is refused, which a cue reports.
    missing.library(library, missing.SOUND[library])
    card, config = Card(tmp_path), tmp_path / "my.toml"
    config.write_text(f'[audio]\noutput = "{plays}"\n')
    emulation = ("run", "--emulate", str(BUNDLED), "--config", str(config), "--marks", str(tmp_path))
    cue = cue_sounds(RATE_HZ)[Cue.SETTING_REJECTED].samples.astype(float)
    with started(card, *emulation, stderr=subprocess.PIPE) as program:
        assert program.stderr is not None
        card.play_until_told(b"GNSS at fake receiver: measuring", program.stderr.fileno(), program)
        changed = tmp_path / "changed"
        changed.write_text("[tone]\nvolume = 3.0\n")
        changed.replace(config)
        card.play_until_heard(cue, program)
        program.send_signal(signal.SIGTERM)
        card.play_to_the_end(program)
        assert program.returncode == 0


@NEEDS_ALSA
def test_the_keyboard_plays_the_tone_live(tmp_path: Path) -> None:
    # On a pseudo-terminal: sink of 2 m/s, then no more commands, as after a failure of the flight logic.
    missing.library("sounddevice", missing.PORTAUDIO)
    card = Card(tmp_path)
    keyboard, terminal = os.openpty()
    before = termios.tcgetattr(terminal)
    try:
        with started(card, "tone", "play", stdin=terminal, stdout=terminal, stderr=terminal) as program:
            card.play_until_told(b"+0.0 m/s", keyboard, program)
            os.write(keyboard, b"\x1b[6~\x1b[6~")
            card.play_until_told(b"-2.0 m/s", keyboard, program)
            sink = card.play_until(RATE_HZ // 5, program)
            os.write(keyboard, b"s")
            card.play_until_told(b"commands stopped", keyboard, program)
            heard = card.play_until(round(1.8 * RATE_HZ), program)
            os.write(keyboard, b"q")
            card.play_until_told(b"blocks were late", keyboard, program)
            card.play_to_the_end(program)
            assert program.returncode == 0
        assert termios.tcgetattr(terminal) == before  # the state of the terminal is restored
    finally:
        os.close(keyboard)
        os.close(terminal)
    frequency_hz, power = periodogram(sink[RATE_HZ // 20 :], RATE_HZ, "hann", nfft=1 << 16)
    assert frequency_hz[np.argmax(power)] == pytest.approx(pitch_of(-2.0, Tone().curve), rel=0.02)
    # The tone falls silent, and the cue follows: in blocks of 10 ms, one long silence and then sound again.
    loud = np.abs(heard.reshape(-1, RATE_HZ // 100)).max(axis=1) > 0
    silence_s = (LOST_AFTER_S - STALE_AFTER_S) - RELEASE_S
    stops = int(np.argmin(loud))
    again = stops + int(np.argmax(loud[stops:]))
    assert stops <= STALE_AFTER_S * 100 + 10  # and what waits in the pipe
    assert (again - stops) / 100 == pytest.approx(silence_s, abs=0.025)
    assert np.mean(loud[again : again + 90]) > 0.8


@pytest.mark.skipif(sys.version_info < (3, 12), reason=missing.NEWER_PYTHON)
def test_single_cues_are_refused_at_the_start_where_they_would_crash(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "my.toml"
    config.write_text('[audio]\noutput = "cues"\n')
    assert main(["run", "--emulate", str(BUNDLED), "--config", str(config)]) == 2
    assert 'under [audio] write output = "tone"' in capsys.readouterr().err
