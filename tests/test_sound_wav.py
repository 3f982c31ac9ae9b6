"""The sound file: readable by others, exactly as long as the flight, and clear when it cannot be written."""

import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal
from scipy.io import wavfile

from vario.flight.tone.stage import ToneCommand
from vario.sound.errors import SoundError, SoundFileError
from vario.sound.wav import WavSink

RATE_HZ = 22050
FULL_DISK = Path("/dev/full")  # a device that refuses every byte with "no space left"


def pitch_of(pcm: NDArray[np.int16], rate_hz: int) -> float:
    """Frequency of the strongest line."""
    frequency_hz, power = signal.periodogram(pcm.astype(float), rate_hz, "hann")
    return float(frequency_hz[np.argmax(power)])


@pytest.mark.parametrize("rate_hz", [22050, 44100])
def test_wav_is_readable_and_exactly_as_long_as_the_flight(tmp_path: Path, rate_hz: int) -> None:
    path = tmp_path / "tone.wav"
    with WavSink(path, rate_hz) as sink:
        for _ in range(1000):
            sink.play(ToneCommand(600.0, None, 0.5), 1 / 300)  # 73.5 samples each at 22.05 kHz
    expected = round(1000 / 300 * rate_hz)
    with wave.open(str(path), "rb") as read:
        assert (read.getnchannels(), read.getsampwidth(), read.getframerate()) == (1, 2, rate_hz)
        assert read.getnframes() == expected
    found_hz, pcm = wavfile.read(path)
    assert found_hz == rate_hz
    assert pcm.shape == (expected,)
    assert pitch_of(pcm, rate_hz) == pytest.approx(600.0, rel=0.001)


@settings(max_examples=25)
@given(steps=st.lists(st.floats(0.0, 0.05), max_size=60))
def test_samples_never_drift_from_time(tmp_path_factory: pytest.TempPathFactory, steps: list[float]) -> None:
    path = tmp_path_factory.mktemp("drift") / "tone.wav"
    sample_s = 1 / RATE_HZ
    with WavSink(path) as sink:
        for step_s in steps:
            sink.play(ToneCommand(600.0, 4.0, 0.5), step_s)
    _, pcm = wavfile.read(path) if steps else (RATE_HZ, np.zeros(0))
    assert abs(pcm.size * sample_s - sum(steps)) <= 0.5 * sample_s + 1e-9


def test_a_wav_of_nothing_is_a_valid_file(tmp_path: Path) -> None:
    with WavSink(tmp_path / "tone.wav") as sink:
        sink.close()  # closing twice is harmless
    with wave.open(str(tmp_path / "tone.wav"), "rb") as read:
        assert read.getnframes() == 0


def test_an_exception_within_leaves_a_readable_file(tmp_path: Path) -> None:
    path = tmp_path / "tone.wav"

    def stop_in_flight() -> None:
        with WavSink(path) as sink:
            sink.play(ToneCommand(600.0, None, 0.5), 0.5)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stop_in_flight()
    _, pcm = wavfile.read(path)
    assert pcm.size == RATE_HZ // 2


def test_a_path_that_cannot_be_opened_is_one_clear_error(tmp_path: Path) -> None:
    path = tmp_path / "missing" / "tone.wav"
    with pytest.raises(SoundError, match="No such file") as error:
        WavSink(path)
    assert str(path) in str(error.value)


@pytest.mark.skipif(not FULL_DISK.exists(), reason="this system has no full device")
def test_a_full_disk_is_one_clear_error() -> None:
    def fill() -> None:
        with WavSink(FULL_DISK) as sink:
            sink.play(ToneCommand(600.0, None, 0.5), 60.0)

    with pytest.raises(SoundFileError, match="/dev/full: cannot write the sound: No space left"):
        fill()


def test_more_than_a_wav_can_hold_is_refused_before_writing(tmp_path: Path) -> None:
    path = tmp_path / "tone.wav"
    with WavSink(path) as sink, pytest.raises(SoundFileError, match="4 GiB"):
        sink.play(ToneCommand(600.0, None, 0.0), 30 * 3600.0)
    assert path.stat().st_size < 100
