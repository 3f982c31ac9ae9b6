"""The sound measured by independent tools: SoX, the loudness model of ISO 532-1, and the block clock."""

import shutil
import subprocess
import time
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from tests.bench.sound import times_real_time
from tests.support import missing
from tests.support.examples import drawn, short
from tests.support.loudness import phon
from tests.support.tone_commands import command_at
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import RULES, Cue, CueCall, CueInputs
from vario.flight.tone.stage import ToneCommand, ToneInputs, ToneStage, Voice
from vario.settings.tone import TONE_PRESETS, Tone
from vario.sound.block_player import BlockPlayer
from vario.sound.cue_sounds import cue_sounds
from vario.sound.flac import FlacSink
from vario.sound.synth import Synth

needs_sox = pytest.mark.skipif(shutil.which("sox") is None, reason=missing.SOX)


def sox(*arguments: str) -> str:
    """The measurements of SoX, which it prints to stderr."""
    return subprocess.run(["sox", *arguments], check=True, capture_output=True, text=True).stderr  # noqa: S603, S607


# --- SoX


@needs_sox
@pytest.mark.parametrize("vario_mps", [-4.0, -1.0, 0.5, 2.0, 5.0])
def test_sox_measures_the_pitch_that_was_meant(tmp_path: Path, vario_mps: float) -> None:
    # SoX's `stat` gives a frequency from the mean slope of the wave, 2 π f for a sine; a low-pass between the
    # first and the second partial leaves that sine.
    pitch_hz = command_at(vario_mps).pitch_hz
    path = tmp_path / "tone.flac"
    with FlacSink(path, 44100) as sink:
        sink.play(ToneCommand(pitch_hz, None, 1.0), 2.0)
    cutoff = ["sinc", f"-{1.4 * pitch_hz:.0f}", "trim", "0.5", "1"]
    report = sox(str(path), "-n", *cutoff, "stat")
    rough = next(line for line in report.splitlines() if line.startswith("Rough"))
    assert float(rough.split()[-1]) == pytest.approx(pitch_hz, rel=0.01)


@needs_sox
@pytest.mark.parametrize("vario_mps", [0.5, 2.0, 5.0])
def test_sox_counts_the_beeps_that_were_meant(tmp_path: Path, vario_mps: float) -> None:
    # SoX's `silence` effect with -1 periods removes the pauses; the rest is the share of sound. Each beep
    # starts a new file.
    command = command_at(vario_mps)
    assert command.beep_hz is not None
    with FlacSink(tmp_path / "tone.flac", 44100) as sink:
        sink.play(command, 10.0)
    split = ["silence", "1", "0.01", "1%", "1", "0.01", "1%", ":", "newfile", ":", "restart"]
    sox(str(tmp_path / "tone.flac"), str(tmp_path / "beep.wav"), *split)
    beeps = [path for path in tmp_path.glob("beep*.wav") if path.stat().st_size > 100]
    assert len(beeps) == pytest.approx(10.0 * command.beep_hz, abs=1.0)


# --- loudness


@pytest.mark.parametrize("preset", short(1, TONE_PRESETS))
def test_everything_from_sink_to_lift_is_equally_loud_within_3_db(preset: str) -> None:
    tone = Tone.model_validate({"preset": preset})
    levels = []
    for vario_mps in (-5.0, -3.0, -1.0, 0.3, 1.0, 2.0, 3.0, 4.0, 5.0):
        voice = Voice.LIFT if vario_mps > 0.0 else Voice.SINK
        steady = ToneCommand(command_at(vario_mps, tone).pitch_hz, None, 0.5, voice)
        levels.append(phon(Synth(48000).render(steady, 24000)[4800:]))
    assert max(levels) - min(levels) <= 3.0
    assert 60.0 < min(levels) < 90.0  # the check is made where the ear is in flight


def test_the_voices_of_cruise_are_about_as_loud() -> None:
    levels = [
        phon(Synth(48000).render(ToneCommand(880.0, None, 0.5, voice), 24000)[4800:]) for voice in Voice
    ]
    assert max(levels) - min(levels) <= 3.0


# --- cues


def fingerprint(pcm: NDArray[np.float32], rate_hz: int) -> NDArray[np.float64]:
    """A sound as heard: power in third-octave bands, in steps of 50 ms, as a unit vector."""
    frequency_hz, _, power = signal.spectrogram(pcm, rate_hz, "hann", 2048, 2048 - rate_hz // 20)
    edges_hz = 200.0 * 2.0 ** (np.arange(15) / 3.0)
    band = np.digitize(frequency_hz, edges_hz)
    found = np.array([power[band == k].sum(axis=0) for k in range(1, edges_hz.size)]) ** 0.3  # as loudness
    return np.asarray(found.ravel() / np.linalg.norm(found))


def test_cues_are_told_apart_in_the_first_half_second() -> None:
    # MIL-STD-1472E, 5.3.4.3: warnings must be distinct in their first 0.5 s. 0.6 as the limit of likeness is
    # chosen.
    rate_hz = 44100
    half = rate_hz // 2
    prints = {}
    for cue, sound in cue_sounds(rate_hz).items():
        samples = np.zeros(half, np.float32)
        part = sound.samples[:half]
        samples[: part.size] = part
        prints[cue] = fingerprint(samples, rate_hz)
    for one, other in combinations(prints, 2):
        assert float(prints[one].ravel() @ prints[other].ravel()) < 0.6, (one, other)


def test_no_cue_is_longer_than_the_time_it_is_given() -> None:
    for rule in RULES:
        assert cue_sounds(44100)[rule.cue].samples.size / 44100 <= rule.lasts_s


@pytest.mark.parametrize("rule", [rule for rule in RULES if rule.is_warning], ids=lambda rule: str(rule.cue))
def test_warnings_follow_the_standard(rule: object) -> None:
    # MIL-STD-1472E: 0.5 s or longer (5.3.4), the strongest component between 500 and 3000 Hz (5.3.3.1.1).
    cue: Cue = rule.cue  # type: ignore[attr-defined]
    samples = cue_sounds(44100)[cue].samples
    assert samples.size / 44100 >= 0.5
    frequency_hz, power = signal.welch(samples, 44100, nperseg=4096)
    inside = (frequency_hz >= 500.0) & (frequency_hz <= 3000.0)
    assert power[inside].sum() > 0.5 * power.sum()


def test_warnings_silence_the_tone() -> None:
    call = CueCall(Cue.SENSOR_LOST, 1, is_warning=True)
    warning = ToneCommand(1000.0, None, 1.0, cue=call)
    pcm = Synth(44100).render(warning, 44100).astype(float)
    middle = pcm[round(0.1 * 44100) : round(0.9 * 44100)]
    frequency_hz, power = signal.welch(middle, 44100, nperseg=8192)
    tone = np.abs(frequency_hz - 1000.0) < 15.0
    assert power[tone].sum() < 1e-3 * power.sum()


def test_a_flight_logic_that_never_speaks_is_called_out() -> None:
    player = BlockPlayer(44100)
    sound = np.concatenate([player.fill(441) for _ in range(1200)])
    first_s = float(np.flatnonzero(sound)[0]) / 44100
    assert 10.0 < first_s < 11.0
    assert np.any(sound[round((first_s + 0.5) * 44100) :])


# --- time and cost


def first_difference(step_at_block: int, before: float | None, after: float, lead_blocks: int) -> float:
    """Seconds from a step of the damped vario to the first sample that differs, with frames of 20 ms and
    blocks of 10 ms."""

    def run(step: bool) -> NDArray[np.int16]:
        stage, player = ToneStage(Setup()), BlockPlayer(44100)
        blocks = []
        for block in range(lead_blocks + 200):
            if block % 2 == 0:  # a frame ends, and with it the estimate is new
                value = after if step and block >= step_at_block else before
                cue_inputs = CueInputs(block / 100, Mode.CIRCLING, Quality.OK, vario_known=value is not None)
                player.put(stage.update(ToneInputs(cue_inputs, value)))
            blocks.append(player.fill(441))
        return np.concatenate(blocks)

    changed = np.flatnonzero(run(step=True) != run(step=False))
    return float(changed[0] / 44100 - step_at_block / 100)


@settings(max_examples=drawn(25))
@given(
    st.integers(50, 150).map(lambda k: 2 * k),
    st.sampled_from([(None, 1.0), (0.0, 2.0), (-1.0, 1.0), (0.3, 2.5), (1.0, 4.0), (2.0, 5.0)]),
)
def test_a_step_into_lift_is_heard_within_30_ms(block: int, step: tuple[float | None, float]) -> None:
    # 20 to 30 ms between a gesture and its sound begin to be noticed (Maki-Patola and Hamalainen, ICMC 2004).
    # One block of 10 ms is added: the device may just have taken one.
    assert first_difference(block, *step, lead_blocks=block) + 0.010 <= 0.030


def sines_s() -> float:
    """The processor time of four sines for each sample of 10 s at 44.1 kHz, in NumPy."""
    values = np.linspace(0.0, 1e4, 441_000)
    start_s = time.process_time()
    for _ in range(4):
        np.sin(values)
    return time.process_time() - start_s


def test_the_engine_takes_a_few_sines_for_each_sample() -> None:
    # A ratio in one run: about 4 sets of four sines; a hundredth of a core where that was measured alone.
    # Best of three: another process may have had the core meanwhile.
    assert min(10.0 / times_real_time(10.0) / sines_s() for _ in range(3)) < 8.0
