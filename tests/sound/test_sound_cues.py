"""Audibility of cues: in noise, over the tone, and with interruptions.

Only the samples are judged, with the signal processing of scipy.
"""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import fft, signal

from tests.support.examples import drawn
from tests.support.pink_noise import pink
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.tone.cues import RULES, Cue, CueCall, CueInputs
from vario.flight.tone.stage import ToneCommand, ToneInputs, ToneStage, Voice
from vario.settings.tone import Tone
from vario.sound.synth import Synth

RATE_HZ = 44100
HALF = RATE_HZ // 2  # warnings must be distinct in their first 0.5 s (MIL-STD-1472E, 5.3.4.3)
WARNINGS = {rule.cue for rule in RULES if rule.is_warning}
SILENCE = ToneCommand(600.0, None, 0.0)

Samples = NDArray[np.float64]


def sounding(cue: Cue | None, over: ToneCommand = SILENCE) -> Samples:
    """Half a second of a cue at the volumes set by default, over a tone that has sounded for 0.2 s."""
    synth = Synth(RATE_HZ)
    synth.render(over, 9000)
    defaults = Tone()
    command = over
    if cue is not None:
        command = replace(
            over,
            cue=CueCall(cue, 1, cue in WARNINGS),
            cue_level=defaults.volume_cues,
            warning_level=defaults.volume_warnings,
        )
    return np.asarray(synth.render(command, HALF) / 32768.0)


# --- distinguished by a classifier that is trained only with examples


@cache
def _mel_bands() -> Samples:
    """Weights of 26 triangular bands, evenly spaced in mel from 150 Hz to 6 kHz, on an FFT of 2048."""
    mel = np.linspace(*(2595.0 * np.log10(1.0 + hz / 700.0) for hz in (150.0, 6000.0)), 28)
    edges_hz = 700.0 * (10.0 ** (mel / 2595.0) - 1.0)
    frequency_hz = np.fft.rfftfreq(2048, 1 / RATE_HZ)
    return np.array([np.interp(frequency_hz, edges_hz[k : k + 3], [0, 1, 0], 0, 0) for k in range(26)])


def cepstra(sound: Samples) -> Samples:
    """Mel-frequency cepstra, 16 coefficients every 23 ms, as in speech recognition."""
    _, _, power = signal.spectrogram(sound, RATE_HZ, "hann", 2048, 1024)
    return np.asarray(fft.dct(np.log(_mel_bands() @ power + 1e-12), axis=0, norm="ortho")[:16])


def test_a_recogniser_tells_every_cue_in_noise_as_strong_as_itself() -> None:
    rng = np.random.default_rng(1)
    sounds = {cue: sounding(cue) for cue in Cue}
    rms = float(np.sqrt(np.mean([np.mean(sound**2) for sound in sounds.values()])))
    learnt = {
        cue: np.mean([cepstra(sound + pink(rng, HALF, rms)) for _ in range(6)], axis=0)
        for cue, sound in sounds.items()
    }
    for cue, sound in sounds.items():
        for _ in range(6):
            new = cepstra(sound + pink(rng, HALF, rms))
            nearest = min(learnt, key=lambda other: float(np.sum((learnt[other] - new) ** 2)))
            assert nearest is cue


# --- heard over the tone


def third_octaves(sound: Samples) -> Samples:
    """Power in the third-octave bands from 200 Hz to 5 kHz every 20 ms, shape (bands, times)."""
    edges_hz = 1000.0 * 2.0 ** ((np.arange(16) - 7.5) / 3.0)
    frequency_hz, _, power = signal.spectrogram(sound, RATE_HZ, "hann", 1764, 882, nfft=8192)
    band = np.digitize(frequency_hz, edges_hz)
    return np.array([power[band == k].sum(axis=0) for k in range(1, edges_hz.size)]) + 1e-12


@pytest.mark.parametrize("cue", Cue)
def test_a_cue_is_heard_over_the_tone_at_any_lift_and_sink(cue: Cue) -> None:
    # ISO 7731 (from memory): a signal is heard with certainty if one third-octave band of it stands 13 dB
    # above what masks it. The tone is made to sound without pauses, and its partials pass through the
    # cue's bands. More than half of the cue must stand out.
    alone = third_octaves(sounding(cue))
    sounds = alone.sum(axis=0) > 0.05 * alone.sum(axis=0).max()
    stage = ToneStage(Setup())
    for vario_mps in np.arange(-5.0, 5.1, 0.5):
        command = stage.update(
            ToneInputs(CueInputs(0.0, Mode.CIRCLING, Quality.OK, vario_known=True), float(vario_mps))
        )
        steady = replace(command, beep_hz=None)
        tone = third_octaves(sounding(cue, steady) - sounding(cue))
        stands_out_db = 10.0 * np.log10((alone / tone).max(axis=0))[sounds]
        assert np.median(stands_out_db) >= 13.0, vario_mps


@pytest.mark.parametrize("cue", sorted(set(Cue) - WARNINGS))
def test_the_tone_goes_on_beside_a_cue_that_is_no_warning(cue: Cue) -> None:
    # The tone is softer, but audible: a line of the tone at a frequency without cue is 14 dB weaker.
    tone = ToneCommand(470.0, None, 0.5, Voice.LIFT)
    beside, without = sounding(cue, tone) - sounding(cue), sounding(None, tone)
    # The tick of a knob is the only cue that is shorter than 0.13 s.
    middle = slice(
        *(round(at_s * RATE_HZ) for at_s in ((0.015, 0.035) if cue is Cue.KNOB_STEP else (0.03, 0.13)))
    )
    lost_db = 10.0 * np.log10(np.mean(without[middle] ** 2) / np.mean(beside[middle] ** 2))
    assert lost_db == pytest.approx(14.0, abs=0.5)
    assert np.array_equal(beside[-100:], without[-100:])  # and comes back whole


# --- interrupting each other

called = st.builds(
    lambda cue, number: CueCall(cue, number, cue in WARNINGS), st.sampled_from(Cue), st.integers(1, 1000)
)
busy = st.builds(
    ToneCommand,
    pitch_hz=st.floats(200.0, 1500.0),
    beep_hz=st.one_of(st.none(), st.floats(0.5, 12.0)),
    level=st.sampled_from([0.0, 0.3, 1.0]),
    voice=st.sampled_from(Voice),
    cue=st.one_of(st.none(), called),
)


@settings(max_examples=drawn(60))
@given(st.lists(st.tuples(busy, st.integers(882, 9000)), min_size=2, max_size=10))
def test_no_cue_clicks_whatever_it_interrupts(timeline: list[tuple[ToneCommand, int]]) -> None:
    # No partial of any voice or cue lies above 10 kHz, so any power above 14.5 kHz is a click. A step of 3 %
    # of full scale would be -45 dB there. A command holds for a frame of 20 ms or more, as in flight.
    synth = Synth(RATE_HZ)
    sound = np.concatenate([synth.render(command, n) for command, n in timeline]) / 32768.0
    above = signal.sosfilt(signal.butter(10, 14500.0, "highpass", fs=RATE_HZ, output="sos"), sound)
    assert 20.0 * np.log10(np.max(np.abs(above)) + 1e-9) < -50.0
