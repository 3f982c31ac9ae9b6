"""The tone against published properties of hearing, and its steadiness."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.support.setups import setup
from tests.support.tone_commands import CURVE, DEFAULTS, command_at, heard, tone
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.tone.cues import DELIVER_WITHIN_S, Cue, CueInputs
from vario.flight.tone.stage import HYSTERESIS_MPS, ToneCommand, ToneInputs, ToneStage, Voice
from vario.settings.tone import TONE_PRESETS, Tone

# Just-noticeable difference of a pure tone's pitch: 0.6 % above 1 kHz and 3 Hz below 500 Hz (Kollmeier,
# Brand and Meyer, "Perception of speech and sound", 2008, as encyclopaedias quote it; the title is from
# memory).
PITCH_JND_HIGH = 1.006
PITCH_JND_LOW_HZ = 3.0
# Just-noticeable difference of a single interval between beeps (Drake and Botte, Perception & Psychophysics
# 54, 1993).
TEMPO_JND = 1.06
# MIL-STD-1472E 5.3.3.1.1: signals preferably between 500 and 3000 Hz, never outside 200 to 5000 Hz.
PREFERRED_HZ = (500.0, 3000.0)
ALLOWED_HZ = (200.0, 5000.0)
# Click trains lose their rhythm from 20 a second on (Front. Psychol. 5:1453, 2014).
RHYTHM_ENDS_HZ = 20.0

varios = st.floats(-20.0, 20.0)
presets = st.sampled_from(sorted(TONE_PRESETS))


@given(varios, varios, presets)
def test_more_lift_is_never_lower_nor_slower(a_mps: float, b_mps: float, preset: str) -> None:
    settings = tone(preset=preset)
    low, high = command_at(min(a_mps, b_mps), settings), command_at(max(a_mps, b_mps), settings)
    assert low.pitch_hz <= high.pitch_hz
    if low.beep_hz is not None and high.beep_hz is not None:
        assert low.beep_hz <= high.beep_hz


@given(st.floats(0.0, 1.0), presets)
def test_a_tenth_of_a_metre_a_second_is_heard_in_lift(share: float, preset: str) -> None:
    curve = tone(preset=preset).curve
    start_mps, end_mps = curve.dead_band_high_mps + 0.01, curve.full_scale_mps - 0.1
    vario_mps = start_mps + share * (end_mps - start_mps)
    weaker, stronger = (command_at(v, tone(preset=preset)) for v in (vario_mps, vario_mps + 0.1))
    assert stronger.pitch_hz / weaker.pitch_hz >= PITCH_JND_HIGH
    assert stronger.pitch_hz - weaker.pitch_hz >= PITCH_JND_LOW_HZ


@given(st.floats(CURVE.dead_band_high_mps + 0.01, CURVE.weak_lift_mps - 0.1))
def test_near_zero_a_tenth_of_a_metre_a_second_is_heard_in_the_beat_too(vario_mps: float) -> None:
    weaker, stronger = command_at(vario_mps).beep_hz, command_at(vario_mps + 0.1).beep_hz
    assert weaker is not None
    assert stronger is not None
    assert stronger / weaker >= TEMPO_JND


@given(st.floats(-CURVE.full_scale_mps + 0.1, CURVE.dead_band_low_mps - 0.01))
def test_a_tenth_of_a_metre_a_second_is_heard_in_sink(vario_mps: float) -> None:
    higher, lower = command_at(vario_mps), command_at(vario_mps - 0.1)
    assert higher.pitch_hz - lower.pitch_hz >= PITCH_JND_LOW_HZ


@given(varios, presets)
def test_pitches_and_cadences_lie_where_hearing_is_good(vario_mps: float, preset: str) -> None:
    result = command_at(vario_mps, tone(preset=preset))
    low_hz, high_hz = PREFERRED_HZ if vario_mps >= 0.0 else ALLOWED_HZ
    assert low_hz <= result.pitch_hz <= high_hz
    if result.beep_hz is not None:
        assert result.beep_hz < RHYTHM_ENDS_HZ


@given(st.sampled_from(["8 Hz", "12 Hz"]), st.sampled_from(["2 m/s", "15 m/s"]), varios)
def test_no_setting_makes_beeps_fuse(beep_rate_full: str, full_scale: str, vario_mps: float) -> None:
    result = command_at(vario_mps, tone(beep_rate_full=beep_rate_full, full_scale=full_scale))
    assert result.beep_hz is None or result.beep_hz <= 12.0 * (1 + 1e-12)


def test_lift_beeps_and_sink_is_steady_and_softer() -> None:
    lift, sink = command_at(2.0), command_at(-2.0)
    assert (lift.voice, sink.voice) == (Voice.LIFT, Voice.SINK)
    assert lift.beep_hz is not None
    assert lift.level == DEFAULTS.volume
    assert sink.beep_hz is None
    assert sink.level == DEFAULTS.volume * DEFAULTS.sink_volume_fraction
    assert sink.pitch_hz < CURVE.frequency_zero_hz < lift.pitch_hz


@given(st.floats(CURVE.dead_band_low_mps, CURVE.dead_band_high_mps))
def test_quiet_band_is_silent(vario_mps: float) -> None:
    assert command_at(vario_mps).level == 0.0


def test_no_data_is_silence_and_forgets_the_zone() -> None:
    stage = ToneStage(setup(tone=DEFAULTS))
    stage.update(heard(3.0))
    assert stage.update(heard(None)).level == 0.0
    assert stage.update(heard(CURVE.dead_band_high_mps - HYSTERESIS_MPS / 2)).level == 0.0


@pytest.mark.parametrize("mode", [Mode.CIRCLING, Mode.CRUISE])
def test_a_vario_without_its_barometer_is_not_heard(mode: Mode) -> None:
    stage = ToneStage(setup(tone=tone(cruise={"source": "relative netto"})))
    stage.update(heard(3.0, mode))
    lost = CueInputs(1.0, mode, Quality.NO_BARO, vario_known=True)
    for t_s in (1.0, 1.3):
        result = stage.update(ToneInputs(replace(lost, t_s=t_s), 3.0, 30.0, 35.0, 2.0))
        assert result.level == 0.0
    assert result.cue is not None
    assert result.cue.cue is Cue.SENSOR_LOST


def test_a_climb_rate_is_not_heard_as_total_energy_while_the_airspeed_may_still_come() -> None:
    """Silence until it is known that there is no airspeed; then the climb rate, after a cue."""
    stage = ToneStage(setup(tone=DEFAULTS))
    plain = CueInputs(
        0.0,
        Mode.CIRCLING,
        Quality.NO_AIRSPEED | Quality.UNCOMPENSATED,
        vario_known=True,
        expected_sensors=Quality.NO_AIRSPEED,
    )
    heard_s, called_s = [], []
    for k in range(600):
        result = stage.update(ToneInputs(replace(plain, t_s=0.02 * k), 3.0))
        if result.level > 0.0:
            heard_s.append(0.02 * k)
        if result.cue is not None:
            called_s.append(0.02 * k)
    assert heard_s[0] == pytest.approx(DELIVER_WITHIN_S, abs=0.1)
    assert len(heard_s) == pytest.approx((12.0 - DELIVER_WITHIN_S) / 0.02, abs=5)
    assert called_s[0] == pytest.approx(heard_s[0], abs=0.05)


@pytest.mark.parametrize("edge_mps", [CURVE.dead_band_high_mps, CURVE.dead_band_low_mps])
def test_wavering_at_the_edge_of_the_quiet_band_does_not_stutter(edge_mps: float) -> None:
    stage = ToneStage(setup(tone=DEFAULTS))
    outward = 1.0 if edge_mps > 0 else -1.0
    wavering = [edge_mps + outward * 0.02 * (-1) ** k for k in range(100)]
    assert all(stage.update(heard(vario_mps)).level > 0.0 for vario_mps in wavering)


def test_without_a_quiet_band_wavering_at_zero_still_does_not_stutter() -> None:
    stage = ToneStage(setup(tone=tone(dead_band_low="0 m/s", dead_band_high="0 m/s")))
    beeping = [stage.update(heard(0.02 * (-1) ** k)).beep_hz is not None for k in range(100)]
    assert all(beeping)
    sinking = [stage.update(heard(v)).beep_hz is None for v in (-0.1, 0.02, -0.02, 0.02)]
    assert all(sinking)


@given(st.lists(st.one_of(st.none(), varios)))
def test_same_input_same_commands(history: list[float | None]) -> None:
    first, second = ToneStage(setup(tone=DEFAULTS)), ToneStage(setup(tone=DEFAULTS))
    assert [first.update(heard(v)) for v in history] == [second.update(heard(v)) for v in history]


# --- settings


@pytest.mark.parametrize(
    ("settings", "names"),
    [
        ({"frequency_weak": "900 Hz", "frequency_full": "800 Hz"}, ["frequency_weak", "frequency_full"]),
        ({"frequency_sink": "500 Hz", "frequency_zero": "400 Hz"}, ["frequency_sink", "frequency_zero"]),
        ({"beep_rate_weak": "5 Hz", "beep_rate_full": "3 Hz"}, ["beep_rate_weak", "beep_rate_full"]),
        ({"full_scale": "1 m/s", "dead_band_high": "2 m/s"}, ["dead_band_high", "full_scale"]),
        ({"full_scale": "3 m/s", "dead_band_low": "-4 m/s"}, ["dead_band_low", "full_scale"]),
        ({"preset": "weak day", "dead_band_high": "3 m/s"}, ["dead_band_high", "full_scale"]),
        (
            {"cruise": {"pair_rate_zero": "2 Hz", "pair_rate_full": "1 Hz"}},
            ["pair_rate_zero", "pair_rate_full"],
        ),
    ],
)
def test_settings_that_would_turn_the_tone_upside_down_are_refused(
    settings: dict[str, object], names: list[str]
) -> None:
    with pytest.raises(ValidationError) as refusal:
        Tone.model_validate(settings)
    assert all(name in refusal.value.errors()[0]["msg"] for name in names)


@pytest.mark.parametrize("preset", TONE_PRESETS)
def test_a_point_that_is_set_wins_over_the_preset(preset: str) -> None:
    curve = tone(preset=preset, frequency_full="2500 Hz").curve
    assert curve.frequency_full_hz == 2500.0
    assert curve.frequency_zero_hz == TONE_PRESETS[preset].frequency_zero_hz


def test_presets_differ_as_their_names_say() -> None:
    def at(preset: str) -> ToneCommand:
        return command_at(2.0, tone(preset=preset))

    assert at("calm").pitch_hz < at("balanced").pitch_hz < at("bright").pitch_hz
    assert (at("calm").beep_hz or 0.0) < (at("balanced").beep_hz or 0.0) < (at("bright").beep_hz or 0.0)
    assert at("weak day").pitch_hz > at("balanced").pitch_hz
