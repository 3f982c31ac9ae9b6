"""The sound engine: its samples are measured by general signal processing."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from tests.support.examples import drawn, short
from tests.support.rendered_sound import RATE_HZ, pitch_of, rendered, timelines
from tests.support.tone_commands import command_at
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import ToneCommand, Voice
from vario.sound.synth import GLIDE_S, Synth


def cadence_of(pcm: NDArray[np.int16]) -> float:
    """Repetition rate of the envelope: the highest peak of its autocorrelation after the first dip."""
    step = 22  # envelope at about 1 kHz
    power = np.abs(pcm.astype(float))
    power = power[: power.size // step * step].reshape(-1, step).mean(axis=1)
    envelope = power - power.mean()
    correlation = signal.correlate(envelope, envelope, "full", "fft")[envelope.size - 1 :]
    dip = int(np.argmax(correlation < 0.0))
    return float(RATE_HZ / ((dip + np.argmax(correlation[dip:])) * step))


# --- the sound equals the command


@settings(max_examples=drawn(30))
@given(st.floats(200.0, 3000.0), st.floats(0.2, 1.0))
def test_pitch_is_the_commanded_one(pitch_hz: float, level: float) -> None:
    pcm = rendered([(ToneCommand(pitch_hz, None, level), RATE_HZ)])[RATE_HZ // 10 :]
    assert pitch_of(pcm) == pytest.approx(pitch_hz, rel=0.001)


@settings(max_examples=drawn(30))
@given(st.floats(0.5, 12.0), st.floats(400.0, 3000.0))
def test_cadence_is_the_commanded_one(beep_hz: float, pitch_hz: float) -> None:
    # The least difference of tempo heard is 3 % over several beeps (Drake and Botte, Perception &
    # Psychophysics 54, 1993).
    pcm = rendered([(ToneCommand(pitch_hz, beep_hz, 0.5), round(RATE_HZ * 6 / min(beep_hz, 3.0)))])
    assert cadence_of(pcm) == pytest.approx(beep_hz, rel=0.03)


@pytest.mark.parametrize("vario_mps", [-4.0, -1.0, 0.3, 1.0, 2.5, 5.0])
def test_the_sound_has_the_pitch_and_rate_of_the_command(vario_mps: float) -> None:
    command = command_at(vario_mps)
    pcm = rendered([(command, 6 * RATE_HZ)])
    loud = pcm[round(0.012 * RATE_HZ) : round(0.06 * RATE_HZ)]  # inside the first beep, or the steady tone
    assert pitch_of(loud) == pytest.approx(command.pitch_hz, rel=0.02)
    if command.beep_hz is not None:
        assert cadence_of(pcm) == pytest.approx(command.beep_hz, rel=0.03)
    else:
        quietest = np.min(np.max(np.abs(pcm[RATE_HZ:].reshape(-1, RATE_HZ // 50)), axis=1))
        assert quietest > 0.9 * np.max(np.abs(pcm))


@settings(max_examples=drawn(20))
@given(st.floats(0.3, 4.5), st.floats(0.1, 0.5))
def test_more_climb_sounds_higher(lift_mps: float, more_mps: float) -> None:
    steady = [ToneCommand(command_at(v).pitch_hz, None, 0.5) for v in (lift_mps, lift_mps + more_mps)]
    low, high = (pitch_of(rendered([(c, RATE_HZ)])[RATE_HZ // 10 :]) for c in steady)
    assert high > low * 1.006 ** (more_mps / 0.1)  # the least step heard above 1 kHz, for each 0.1 m/s


# --- gliding


def test_a_beep_in_progress_follows_the_pitch() -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(700.0, 1.0, 0.5), RATE_HZ // 5)
    pcm = synth.render(ToneCommand(900.0, 1.0, 0.5), RATE_HZ // 5)  # the beep lasts until 0.5 s
    settled = pcm[RATE_HZ // 20 :]
    assert np.max(np.abs(settled)) > 1000
    assert pitch_of(settled) == pytest.approx(900.0, rel=0.01)


def test_pitch_glides_and_arrives() -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(600.0, None, 1.0), RATE_HZ)
    pcm = synth.render(ToneCommand(1200.0, None, 1.0), RATE_HZ // 2).astype(float)
    turns = np.unwrap(
        np.angle(
            signal.hilbert(
                signal.sosfiltfilt(
                    signal.butter(4, [300.0, 1700.0], "bandpass", fs=RATE_HZ, output="sos"), pcm
                )
            )
        )
    ) / (2 * np.pi)
    pitch_hz = np.gradient(turns) * RATE_HZ
    on_the_way = pitch_hz[round(0.5 * GLIDE_S * RATE_HZ)]
    assert 700.0 < on_the_way < 1100.0
    assert pitch_hz[round(3 * GLIDE_S * RATE_HZ)] == pytest.approx(1200.0, rel=0.02)


def test_cadence_changes_without_losing_the_beat() -> None:
    # 2 beeps a second gliding to 4: beeps are counted by their onsets, none is doubled or dropped.
    synth = Synth(RATE_HZ)
    steps = [synth.render(ToneCommand(800.0, 2.0 + k / 50, 0.5), RATE_HZ // 50) for k in range(101)]
    envelope = np.abs(np.concatenate(steps).astype(float))
    loud = signal.lfilter(*signal.butter(2, 60.0, fs=RATE_HZ), envelope) > 0.3 * np.max(envelope) * 0.6
    onsets = np.flatnonzero(np.diff(loud.astype(int)) == 1) / RATE_HZ
    expected_turns = 2.0 * 2.02 + 2.02**2 / 2  # the integral of 2 + t over 2.02 s
    assert onsets.size == int(expected_turns) + 1
    assert np.all(np.diff(np.diff(onsets)) < 0.01)  # intervals only get shorter


def test_strong_lift_is_not_kept_waiting_by_a_pause() -> None:
    # A pause of 0.6 s has just begun as the lift doubles; the next beep must come at once, and still be a
    # beep of its own: the ear finds gaps of 2 to 3 ms in a sound (Plomp 1964, from memory).
    synth = Synth(RATE_HZ)
    before = synth.render(ToneCommand(600.0, 0.8, 0.5), round(0.63 * RATE_HZ))
    after = synth.render(ToneCommand(800.0, 2.0, 0.5), round(0.1 * RATE_HZ))
    silent = np.flatnonzero(after == 0)
    assert silent.size > 0.002 * RATE_HZ
    again = silent[-1] + np.flatnonzero(np.abs(after[silent[-1] :]) > 0.1 * np.max(np.abs(before)))[0]
    assert again / RATE_HZ < 0.02


# --- the same for any block size


@given(timelines, st.randoms(use_true_random=False))
def test_block_sizes_do_not_change_a_byte(timeline: list[tuple[ToneCommand, int]], random: object) -> None:
    synth = Synth(RATE_HZ)
    pieces = []
    for command, n in timeline:
        cuts = sorted({0, n, *(random.randrange(n + 1) for _ in range(4))})  # type: ignore[attr-defined]
        pieces += [synth.render(command, stop - start) for start, stop in pairwise(cuts)]
    assert np.concatenate(pieces).tobytes() == rendered(timeline).tobytes()


def test_the_last_bit_of_a_pitch_does_not_change_a_byte() -> None:
    # A power on another processor may differ in its last bit. This pitch advances the phase by exactly 2^26 a
    # sample: without rounding to a grid, one bit less advances it by one unit less in every sample.
    pitch_hz = RATE_HZ * 2.0**-6
    first, other = (
        rendered([(ToneCommand(value, None, 0.7), 2 * RATE_HZ)])
        for value in (pitch_hz, math.nextafter(pitch_hz, 0.0))
    )
    np.testing.assert_array_equal(first, other)


@pytest.mark.parametrize("voice", short(1, Voice))
def test_long_and_short_blocks_agree_sample_by_sample(voice: Voice) -> None:
    command = ToneCommand(740.0, 7.0, 0.8, voice, CueCall(Cue.SHIFT, 1, False))
    synth = Synth(RATE_HZ)
    singles = np.concatenate([synth.render(command, 1) for _ in range(5000)])
    assert singles.tobytes() == rendered([(command, 40000)])[:5000].tobytes()


@pytest.mark.parametrize(
    ("command", "says"),
    [
        (ToneCommand(0.0, None, 0.5), "0 Hz"),
        (ToneCommand(5000.0, None, 0.5), "5000 Hz"),
        (ToneCommand(float("nan"), None, 0.5), "nan Hz"),
        (ToneCommand(500.0, None, 1.5), "1.5"),
        (ToneCommand(500.0, 50.0, 0.5), "50 beeps"),
        (ToneCommand(500.0, 0.0, 0.5), "0 beeps"),
        (ToneCommand(500.0, None, 0.5, warning_level=-1.0), "-1"),
    ],
)
def test_commands_that_cannot_sound_are_refused(command: ToneCommand, says: str) -> None:
    with pytest.raises(ValueError, match="expected") as refusal:
        Synth(RATE_HZ).render(command, 10)
    assert says in str(refusal.value)
