"""The sound has no clicks, no aliases and no clipping, and is silent where it should be."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from tests.support.examples import drawn
from tests.support.rendered_sound import RATE_HZ, rendered, timelines
from tests.support.setups import setup
from tests.support.tone_commands import heard
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import ToneCommand, ToneStage, Voice
from vario.settings.tone import Tone
from vario.sound.rhythm import ATTACK_S, RELEASE_S
from vario.sound.synth import GLIDE_S, Synth

histories = st.lists(st.floats(-8.0, 8.0), min_size=2, max_size=40)


# --- no clicks


@given(histories, st.integers(1, 900))
def test_no_climb_history_makes_a_click(history: list[float], block: int) -> None:
    # Bernstein's inequality: a signal within ±A without content above f changes by at most 2 π f A a
    # second. What sounds reaches up to 3 partials of 1600 Hz in lift and 6 of 520 Hz in sink; the soft edge
    # adds at most 2 A per edge, and the glide of the level A per 20 ms. A click would be a jump of the order
    # of A, four times as much.
    settings_ = Tone.model_validate({"volume": 1.0, "sink_volume_fraction": 1.0})
    stage, synth = ToneStage(setup(tone=settings_)), Synth(44100)
    pcm = np.concatenate([synth.render(stage.update(heard(v)), block) for v in history]).astype(float)
    amplitude = float(np.max(np.abs(pcm)))
    per_second = 2 * np.pi * 4800.0 + 2 / ATTACK_S + 1 / GLIDE_S
    assert np.max(np.abs(np.diff(pcm, prepend=0.0))) <= amplitude * per_second / 44100 + 2


low_commands = st.builds(
    ToneCommand,
    pitch_hz=st.floats(150.0, 250.0),
    beep_hz=st.one_of(st.none(), st.floats(0.5, 12.0)),
    level=st.sampled_from([0.0, 0.1, 1.0]),
    voice=st.sampled_from([Voice.LIFT, Voice.NETTO]),
)


@given(st.lists(st.tuples(low_commands, st.integers(1, 2000)), min_size=2, max_size=20))
def test_no_command_history_makes_a_click(timeline: list[tuple[ToneCommand, int]]) -> None:
    # As above, and sharper: with the third partial of 250 Hz as the highest, a click would be twenty times as
    # much as the bound.
    pcm = rendered(timeline, 44100).astype(float)
    per_second = 2 * np.pi * 750.0 + 2 / ATTACK_S + 1 / GLIDE_S
    assert np.max(np.abs(np.diff(pcm, prepend=0.0))) <= 32767.0 * per_second / 44100 + 2


@pytest.mark.parametrize(
    ("pitch_hz", "voice", "beep_hz"),
    [
        *((pitch_hz, Voice.LIFT, beep_hz) for pitch_hz in (600.0, 1600.0) for beep_hz in (1.4, 8.0, 12.0)),
        *((880.0, voice, beep_hz) for voice in (Voice.FASTER, Voice.SLOWER) for beep_hz in (0.7, 2.5, 4.0)),
        *((700.0, Voice.NETTO, beep_hz) for beep_hz in (1.4, 8.0)),
    ],
)
def test_beeps_splatter_less_than_50_db(pitch_hz: float, voice: Voice, beep_hz: float) -> None:
    # Everything further than 300 Hz from the partials, where a click would lie and no tone would mask it.
    pcm = rendered([(ToneCommand(pitch_hz, beep_hz, 1.0, voice), 4 * RATE_HZ)]).astype(float)
    frequency_hz, power = signal.welch(pcm, RATE_HZ, "blackmanharris", 8192, detrend=False)
    partials = [k * pitch_hz * r for k in (1, 2, 3, 4) for r in (1.0, 4 / 3, 3 / 4)]
    far = np.all([np.abs(frequency_hz - partial) > 300.0 for partial in partials], axis=0)
    assert 10 * np.log10(power[far].sum() / power.sum()) < -50.0


@settings(max_examples=drawn(10))
@given(st.floats(0.5, 8.0), st.floats(500.0, 1600.0))
def test_pauses_are_silent(beep_hz: float, pitch_hz: float) -> None:
    pcm = rendered([(ToneCommand(pitch_hz, beep_hz, 1.0), 2 * RATE_HZ)])
    pause = slice(round((0.5 / beep_hz + RELEASE_S) * RATE_HZ) + 2, round(RATE_HZ / beep_hz))
    assert not np.any(pcm[pause])


@pytest.mark.parametrize(
    "pair", [(Voice.LIFT, Voice.SINK), (Voice.SINK, Voice.LIFT), (Voice.NETTO, Voice.FASTER)]
)
def test_voices_change_through_silence(pair: tuple[Voice, Voice]) -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(400.0, None, 1.0, pair[0]), RATE_HZ)
    pcm = synth.render(ToneCommand(400.0, None, 1.0, pair[1]), RATE_HZ // 10)
    quietest = min(range(round(0.03 * RATE_HZ)), key=lambda k: np.max(np.abs(pcm[k : k + 20])))
    assert quietest / RATE_HZ <= RELEASE_S + 0.001
    assert np.max(np.abs(pcm[quietest : quietest + 20])) < 0.05 * np.max(np.abs(pcm))


# --- limits


@given(timelines)
def test_nothing_passes_full_scale(timeline: list[tuple[ToneCommand, int]]) -> None:
    assert np.max(np.abs(rendered(timeline).astype(int))) <= 0.975 * 32767


def test_the_limiter_leaves_a_cue_whole_and_gives_way_with_the_tone() -> None:
    call = CueCall(Cue.CIRCLING_BEGUN, 1, False)
    alone = rendered([(ToneCommand(600.0, None, 0.0, cue=call, cue_level=1.0), RATE_HZ)]).astype(float)
    both = rendered([(ToneCommand(600.0, None, 1.0, cue=call, cue_level=1.0), RATE_HZ)]).astype(float)
    frequency_hz, before = signal.welch(alone[: RATE_HZ // 2], RATE_HZ, nperseg=8192)
    _, after = signal.welch(both[: RATE_HZ // 2], RATE_HZ, nperseg=8192)
    note = np.abs(frequency_hz - 990.0) < 20.0
    assert 10 * np.log10(after[note].sum() / before[note].sum()) == pytest.approx(0.0, abs=1.0)


def test_level_sets_the_amplitude() -> None:
    peaks = [np.max(np.abs(rendered([(ToneCommand(500.0, None, x), 4410)]))) for x in (0.25, 0.5, 1.0)]
    assert peaks[1] == pytest.approx(2 * peaks[0], rel=0.01)
    assert peaks[2] == pytest.approx(2 * peaks[1], rel=0.01)


def test_silence_is_silence_after_the_closing_edge() -> None:
    synth = Synth(RATE_HZ)
    synth.render(ToneCommand(500.0, None, 1.0), 4410)
    fading = synth.render(ToneCommand(500.0, None, 0.0), 4410)
    assert np.any(fading[:10])
    assert not np.any(fading[round(RELEASE_S * RATE_HZ) + 3 :])


@pytest.mark.parametrize("voice", Voice)
def test_no_voice_aliases_at_its_highest_pitch(voice: Voice) -> None:
    # Lift and relative netto reach 3 kHz by the settings, sink 1 kHz, the speed to fly 1.5 kHz.
    pitch_hz = {Voice.LIFT: 3000.0, Voice.NETTO: 3000.0, Voice.SINK: 1000.0}.get(voice, 1500.0)
    pcm = rendered([(ToneCommand(pitch_hz, None, 1.0, voice), 2 * RATE_HZ)])[RATE_HZ:].astype(float)
    power = np.abs(np.fft.rfft(pcm * signal.windows.blackmanharris(pcm.size))) ** 2
    frequency_hz = np.fft.rfftfreq(pcm.size, 1 / RATE_HZ)
    on_partials = np.min(np.abs(frequency_hz[:, None] - pitch_hz * np.arange(1, 8)), axis=1) < 20.0
    assert power[~on_partials].sum() < 1e-6 * power.sum()
