"""The sound measured back from its samples by general signal processing."""

import wave
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal
from scipy.io import wavfile

from vario.flight.tone import ToneCommand, ToneStage
from vario.settings.schema import Tone
from vario.sound.errors import SoundError, SoundFileError
from vario.sound.synth import EDGE_S, Synth
from vario.sound.wav import WavSink

RATE_HZ = 22050
FULL_DISK = Path("/dev/full")  # a device that refuses every byte with "no space left"

commands = st.builds(
    ToneCommand,
    pitch_hz=st.floats(150.0, 3000.0),
    beep_hz=st.one_of(st.none(), st.floats(0.5, 12.0)),
    level=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
)
timelines = st.lists(st.tuples(commands, st.integers(1, 3000)), min_size=1, max_size=8)


def rendered(timeline: list[tuple[ToneCommand, int]], rate_hz: int = RATE_HZ) -> NDArray[np.int16]:
    synth = Synth(rate_hz)
    return np.concatenate([synth.render(command, n) for command, n in timeline])


def pitch_of(pcm: NDArray[np.int16], rate_hz: int = RATE_HZ) -> float:
    """Frequency of the strongest line, its peak interpolated on a Gaussian-windowed spectrum."""
    window = signal.windows.gaussian(pcm.size, pcm.size / 8)
    spectrum = np.log(np.abs(np.fft.rfft(pcm * window)) + 1e-9)
    k = int(np.argmax(spectrum))
    left, peak, right = spectrum[k - 1 : k + 2]
    return float((k + 0.5 * (left - right) / (left - 2 * peak + right)) * rate_hz / pcm.size)


def cadence_of(pcm: NDArray[np.int16]) -> float:
    """Repetition rate of the envelope: the highest peak of its autocorrelation after the first dip."""
    step = 22  # envelope at about 1 kHz
    power = np.abs(pcm.astype(float))
    power = power[: power.size // step * step].reshape(-1, step).mean(axis=1)
    envelope = power - power.mean()
    correlation = signal.correlate(envelope, envelope, "full", "fft")[envelope.size - 1 :]
    dip = int(np.argmax(correlation < 0.0))
    return float(RATE_HZ / ((dip + np.argmax(correlation[dip:])) * step))


@settings(deadline=None, max_examples=30)
@given(st.floats(150.0, 3000.0), st.floats(0.2, 1.0))
def test_pitch_is_the_commanded_one(pitch_hz: float, level: float) -> None:
    pcm = rendered([(ToneCommand(pitch_hz, None, level), RATE_HZ)])[RATE_HZ // 10 :]
    assert pitch_of(pcm) == pytest.approx(pitch_hz, rel=0.001)


@settings(deadline=None, max_examples=30)
@given(st.floats(0.5, 12.0), st.floats(400.0, 3000.0))
def test_cadence_is_the_commanded_one(beep_hz: float, pitch_hz: float) -> None:
    pcm = rendered([(ToneCommand(pitch_hz, beep_hz, 0.5), round(RATE_HZ * 6 / min(beep_hz, 3.0)))])
    assert cadence_of(pcm) == pytest.approx(beep_hz, rel=0.03)


@pytest.mark.parametrize("vario_mps", [-4.0, -1.0, 0.3, 1.0, 2.5, 5.0])
def test_what_the_vario_says_is_what_sounds(vario_mps: float) -> None:
    command = ToneStage(Tone()).update(vario_mps)
    pcm = rendered([(command, 6 * RATE_HZ)])
    loud = pcm[round(0.01 * RATE_HZ) : round(0.05 * RATE_HZ)]  # inside the first beep, or the steady tone
    assert pitch_of(loud) == pytest.approx(command.pitch_hz, rel=0.01)
    if command.beep_hz is not None:
        assert cadence_of(pcm) == pytest.approx(command.beep_hz, rel=0.03)
    else:
        quietest = np.min(np.max(np.abs(pcm[RATE_HZ:].reshape(-1, RATE_HZ // 50)), axis=1))
        assert quietest > 0.9 * np.max(np.abs(pcm))


def test_a_beep_in_progress_follows_the_pitch() -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(700.0, 1.0, 0.5), RATE_HZ // 5)
    pcm = synth.render(ToneCommand(900.0, 1.0, 0.5), RATE_HZ // 5)  # the beep lasts until 0.5 s
    settled = pcm[RATE_HZ // 20 :]
    assert np.max(np.abs(settled)) > 1000
    assert pitch_of(settled) == pytest.approx(900.0, rel=0.01)


@settings(deadline=None)
@given(timelines, st.randoms(use_true_random=False))
def test_block_sizes_do_not_change_a_byte(timeline: list[tuple[ToneCommand, int]], random: object) -> None:
    synth = Synth(RATE_HZ)
    pieces = []
    for command, n in timeline:
        cuts = sorted({0, n, *(random.randrange(n + 1) for _ in range(4))})  # type: ignore[attr-defined]
        pieces += [synth.render(command, stop - start) for start, stop in pairwise(cuts)]
    assert np.concatenate(pieces).tobytes() == rendered(timeline).tobytes()


def test_long_and_short_blocks_agree_sample_by_sample() -> None:
    command = ToneCommand(740.0, 7.0, 0.8)
    synth = Synth(RATE_HZ)
    singles = np.concatenate([synth.render(command, 1) for _ in range(5000)])
    assert singles.tobytes() == rendered([(command, 40000)])[:5000].tobytes()


low_commands = st.builds(
    ToneCommand,
    pitch_hz=st.floats(150.0, 250.0),
    beep_hz=st.one_of(st.none(), st.floats(0.5, 12.0)),
    level=st.sampled_from([0.0, 0.1, 1.0]),
)


@settings(deadline=None)
@given(st.lists(st.tuples(low_commands, st.integers(1, 2000)), min_size=2, max_size=20))
def test_no_command_history_makes_a_click(timeline: list[tuple[ToneCommand, int]]) -> None:
    # Bernstein's inequality: a signal within ±A without content above f changes by at most 2 π f A a
    # second. The third harmonic of 250 Hz is the highest; the gate adds π/2 A per edge length, the glide
    # of the level at most A per 20 ms. A click would be a jump of the order of A.
    pcm = rendered(timeline).astype(float)
    amplitude = 32767.0
    per_second = 2 * np.pi * 750.0 + np.pi / 2 / EDGE_S + 1 / 0.020
    jumps = np.abs(np.diff(pcm, prepend=0.0))
    assert np.max(jumps) <= amplitude * per_second / RATE_HZ + 1


def test_beeps_keep_their_energy_near_the_tone() -> None:
    pcm = rendered([(ToneCommand(600.0, 8.0, 1.0), 4 * RATE_HZ)]).astype(float)
    frequency_hz, power = signal.welch(pcm, RATE_HZ, nperseg=4096)
    far = frequency_hz > 4000.0  # the third harmonic is at 1800 Hz; a click is broad-band
    assert power[far].sum() < 1e-6 * power.sum()


def test_the_timbre_is_richer_than_a_sine_and_does_not_alias_at_the_highest_pitch() -> None:
    pitch_hz = 3000.0
    pcm = rendered([(ToneCommand(pitch_hz, None, 1.0), 2 * RATE_HZ)])[RATE_HZ:].astype(float)
    power = np.abs(np.fft.rfft(pcm * np.hanning(pcm.size))) ** 2
    frequency_hz = np.fft.rfftfreq(pcm.size, 1 / RATE_HZ)
    harmonics = [np.abs(frequency_hz - k * pitch_hz) < 20.0 for k in (1, 2, 3)]
    shares = [power[band].sum() / power.sum() for band in harmonics]
    assert shares[0] > 0.7
    assert min(shares[1:]) > 0.01
    assert 1.0 - sum(shares) < 1e-6


@settings(deadline=None)
@given(timelines)
def test_full_level_stays_within_sixteen_bits_without_clipping(
    timeline: list[tuple[ToneCommand, int]],
) -> None:
    loud = [(ToneCommand(c.pitch_hz, c.beep_hz, 1.0 if c.level else 0.0), n) for c, n in timeline]
    assert np.max(np.abs(rendered(loud).astype(int))) <= 0.96 * 32767


def test_level_sets_the_amplitude() -> None:
    peaks = [np.max(np.abs(rendered([(ToneCommand(500.0, None, x), 4410)]))) for x in (0.25, 0.5, 1.0)]
    assert peaks[1] == pytest.approx(2 * peaks[0], rel=0.01)
    assert peaks[2] == pytest.approx(2 * peaks[1], rel=0.01)


def test_silence_is_silence_after_the_closing_edge() -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(500.0, None, 1.0), 4410)
    fading = synth.render(ToneCommand(500.0, None, 0.0), 4410)
    assert np.any(fading[:10])
    assert not np.any(fading[round(EDGE_S * RATE_HZ) + 1 :])


def test_lift_is_heard_at_once() -> None:
    # The delay a player notices between gesture and sound is 20 to 30 ms (Maki-Patola and Hamalainen,
    # ICMC 2004): half the amplitude must be there well before.
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(500.0, 2.0, 0.5), RATE_HZ // 3)  # leaves the beep clock in the middle
    synth.render(ToneCommand(500.0, None, 0.0), RATE_HZ)
    pcm = synth.render(ToneCommand(800.0, 1.0, 0.5), RATE_HZ // 5)
    half = np.flatnonzero(np.abs(pcm) > np.max(np.abs(pcm)) / 2)[0]
    assert half / RATE_HZ < 0.010


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (ToneCommand(0.0, None, 0.5), "0 Hz"),
        (ToneCommand(5000.0, None, 0.5), "5000 Hz"),
        (ToneCommand(float("nan"), None, 0.5), "nan Hz"),
        (ToneCommand(500.0, None, 1.5), "1.5"),
        (ToneCommand(500.0, 50.0, 0.5), "50 beeps"),
        (ToneCommand(500.0, 0.0, 0.5), "0 beeps"),
    ],
)
def test_commands_that_cannot_sound_are_refused(command: ToneCommand, says: str) -> None:
    with pytest.raises(ValueError, match="expected") as refusal:
        Synth(RATE_HZ).render(command, 10)
    assert says in str(refusal.value)


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


@settings(deadline=None, max_examples=25)
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
    with WavSink(tmp_path / "tone.wav"):
        pass
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
