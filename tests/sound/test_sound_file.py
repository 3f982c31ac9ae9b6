"""The sound file: readable by other programs, exactly as long as the flight; errors of writing."""

import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.examples import drawn
from tests.support.fake_disk import files_of_at_most
from tests.support.rendered_sound import RATE_HZ, pitch_of
from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundError, SoundFileError
from vario.sound.flac import FlacSink

FULL_DISK = Path("/dev/full")  # a device that refuses every byte with "no space left"


def decoded(path: Path) -> NDArray[np.int16]:
    """The samples of a file."""
    return np.asarray(soundfile.read(path, dtype="int16")[0])


@pytest.mark.parametrize("rate_hz", [22050, 44100])
def test_the_file_is_readable_and_exactly_as_long_as_the_flight(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "tone.flac"
    with FlacSink(path, rate_hz) as sink:
        for _ in range(1000):
            sink.play(ToneCommand(600.0, None, 0.5), 1 / 300)  # 73.5 samples each at 22.05 kHz
    expected = round(1000 / 300 * rate_hz)
    info = soundfile.info(path)
    assert (info.format, info.subtype, info.channels, info.samplerate) == ("FLAC", "PCM_16", 1, rate_hz)
    assert info.frames == expected
    pcm = decoded(path)
    assert pcm.shape == (expected,)
    assert pitch_of(pcm, rate_hz) == pytest.approx(600.0, rel=0.001)


@settings(max_examples=drawn(25))
@given(steps=st.lists(st.floats(0.0, 0.05), max_size=60))
def test_samples_never_drift_from_time(tmp_path_factory: pytest.TempPathFactory, steps: list[float]) -> None:
    path = tmp_path_factory.mktemp("drift") / "tone.flac"
    sample_s = 1 / RATE_HZ
    with FlacSink(path) as sink:
        for step_s in steps:
            sink.play(ToneCommand(600.0, 4.0, 0.5), step_s)
    samples = decoded(path).size
    assert abs(samples * sample_s - sum(steps)) <= 0.5 * sample_s + 1e-9 or samples == 1  # the next test


def test_a_file_of_nothing_holds_one_silent_sample(tmp_path: Path) -> None:
    with FlacSink(tmp_path / "tone.flac") as sink:
        sink.close()  # closing twice is harmless
    assert decoded(tmp_path / "tone.flac").tolist() == [0]


def test_an_exception_within_leaves_a_readable_file(tmp_path: Path) -> None:
    path = tmp_path / "tone.flac"

    def stop_in_flight() -> None:
        with FlacSink(path) as sink:
            sink.play(ToneCommand(600.0, None, 0.5), 0.5)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop_in_flight()
    assert decoded(path).size == RATE_HZ // 2


def test_a_path_that_cannot_be_opened_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "missing" / "tone.flac"
    with pytest.raises(SoundError, match="No such file") as error:
        FlacSink(path)
    assert str(path) in str(error.value)


@pytest.mark.skipif(not FULL_DISK.exists(), reason=missing.LINUX)
def test_a_full_disk_is_one_clear_error() -> None:
    def fill() -> None:
        with FlacSink(FULL_DISK) as sink:
            sink.play(ToneCommand(600.0, None, 0.5), 60.0)

    with pytest.raises(SoundFileError, match="/dev/full: cannot write the sound: No space left"):
        fill()


def climbing(sink: FlacSink) -> None:
    """A minute of sound."""
    for k in range(3000):
        sink.play(ToneCommand(600.0 + k / 10, 4.0, 0.5), 0.02)


# Of the whole file; the last writes only the last block and the header, when it is closed.
@pytest.mark.parametrize("missing", [0.9, 0.5, 1e-4])
def test_a_disk_that_fills_up_is_one_clear_error_and_what_fits_can_be_heard(
    tmp_path: Path, missing: float
) -> None:
    whole, cut = tmp_path / "whole.flac", tmp_path / "cut.flac"
    with FlacSink(whole) as sink:
        climbing(sink)
    size = whole.stat().st_size
    with (
        files_of_at_most(size - int(size * missing) - 1),
        pytest.raises(SoundFileError, match=r"cut\.flac: cannot write the sound: File too large"),
        FlacSink(cut) as sink,
    ):
        climbing(sink)
    heard = decoded(cut)
    assert heard.size > (0.9 - missing) * 60 * RATE_HZ
    assert np.array_equal(heard, decoded(whole)[: heard.size])


KILLED = """
import os, signal, sys
from pathlib import Path
from hw_replay.recording import Recording
from vario.app.replay.results import replay
from vario.settings.schema import Settings

def progress(t_s):
    if t_s >= float(sys.argv[3]):
        os.kill(os.getpid(), signal.SIGKILL)

replay(Recording(Path(sys.argv[1])), Settings(), None, Path(sys.argv[2]), progress, picture=False)
"""


def replayed_until(t_s: float, out: Path) -> int:
    """Replay the demo in a process that is killed during the flight; returns the exit status."""
    recording = out.with_suffix(".mcap")
    recording.write_bytes(BUNDLED.read_bytes()[: BUNDLED.stat().st_size // 6])
    command = [sys.executable, "-c", KILLED, str(recording), str(out), str(t_s)]
    return subprocess.run(command, check=False).returncode  # noqa: S603  (our own)


@pytest.mark.long
def test_a_replay_that_is_killed_leaves_the_sound_up_to_a_second_before(tmp_path: Path) -> None:
    assert replayed_until(1e9, tmp_path / "whole") == 0
    whole = decoded(tmp_path / "whole" / "tone.flac")
    for t_s in (5.0, 31.7, 60.0):
        cut = tmp_path / f"cut at {t_s}"
        assert replayed_until(t_s, cut) == -signal.SIGKILL
        (unfinished,) = cut.glob("tone.flac.*.partial")
        heard = decoded(unfinished)
        assert (t_s - 1.3) * RATE_HZ < heard.size < t_s * RATE_HZ
        assert np.array_equal(heard, whole[: heard.size])


def test_more_than_a_file_can_hold_is_refused_before_writing(tmp_path: Path) -> None:
    path = tmp_path / "tone.flac"
    with FlacSink(path) as sink, pytest.raises(SoundFileError, match="866 h of sound"):
        sink.play(ToneCommand(600.0, None, 0.0), 866 * 3600.0)  # 2^36 samples are 865.7 h
    assert path.stat().st_size < 10_000
