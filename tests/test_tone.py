"""The tone against what is published about hearing, and against itself for steadiness."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from vario.flight.tone import HYSTERESIS_MPS, ToneCommand, ToneStage
from vario.settings.schema import Tone

DEFAULTS = Tone()

# Just-noticeable difference of a pure tone's pitch: 0.6 % above 1 kHz and 3 Hz below 500 Hz (Kollmeier,
# Brand and Meyer, "Perception of speech and sound", 2008, as encyclopaedias quote it; the title is from
# memory). At the lowest pitch a sink tone reaches by default, 250 Hz, that is 1.2 %.
PITCH_JND_HIGH = 1.006
PITCH_JND_LOW_HZ = 3.0
# MIL-STD-1472E 5.3.3.1.1: signals preferably between 500 and 3000 Hz, never outside 200 to 5000 Hz.
PREFERRED_HZ = (500.0, 3000.0)
ALLOWED_HZ = (200.0, 5000.0)
# Click trains lose their rhythm from 20 a second on (Front. Psychol. 5:1453, 2014).
RHYTHM_ENDS_HZ = 20.0

varios = st.floats(-20.0, 20.0)


def command(vario_mps: float | None, settings: Tone = DEFAULTS) -> ToneCommand:
    return ToneStage(settings).update(vario_mps)


@given(varios, varios)
def test_more_lift_is_never_lower_nor_slower(a_mps: float, b_mps: float) -> None:
    low, high = command(min(a_mps, b_mps)), command(max(a_mps, b_mps))
    assert low.pitch_hz <= high.pitch_hz
    if low.beep_hz is not None and high.beep_hz is not None:
        assert low.beep_hz <= high.beep_hz


@given(st.floats(DEFAULTS.quiet_to_mps + 0.01, DEFAULTS.full_scale_mps - 0.1))
def test_a_tenth_of_a_metre_a_second_is_heard_in_lift(vario_mps: float) -> None:
    weaker, stronger = command(vario_mps), command(vario_mps + 0.1)
    assert stronger.pitch_hz / weaker.pitch_hz >= PITCH_JND_HIGH
    assert stronger.pitch_hz - weaker.pitch_hz >= PITCH_JND_LOW_HZ
    assert weaker.beep_hz is not None
    assert stronger.beep_hz is not None
    assert stronger.beep_hz > weaker.beep_hz


@given(st.floats(-DEFAULTS.full_scale_mps + 0.1, DEFAULTS.quiet_from_mps - 0.01))
def test_a_tenth_of_a_metre_a_second_is_heard_in_sink(vario_mps: float) -> None:
    higher, lower = command(vario_mps), command(vario_mps - 0.1)
    assert higher.pitch_hz - lower.pitch_hz >= PITCH_JND_LOW_HZ


@given(st.floats(0.0, 4.0), st.floats(0.0, 1.0))
def test_equal_steps_of_lift_are_equal_intervals(vario_mps: float, step_mps: float) -> None:
    here = command(vario_mps + step_mps).pitch_hz / command(vario_mps).pitch_hz
    at_zero = command(step_mps).pitch_hz / command(0.0).pitch_hz
    assert here == pytest.approx(at_zero, rel=1e-9)


@given(varios)
def test_pitches_and_cadences_lie_where_hearing_is_good(vario_mps: float) -> None:
    result = command(vario_mps)
    low_hz, high_hz = PREFERRED_HZ if vario_mps >= 0.0 else ALLOWED_HZ
    assert low_hz <= result.pitch_hz <= high_hz
    if result.beep_hz is not None:
        assert result.beep_hz < RHYTHM_ENDS_HZ


@given(st.sampled_from(["2 Hz", "8 Hz", "12 Hz"]), st.sampled_from(["1 m/s", "15 m/s"]), varios)
def test_no_setting_makes_beeps_fuse(beeps_full: str, full_scale: str, vario_mps: float) -> None:
    settings = Tone.model_validate({"beeps_full": beeps_full, "full_scale": full_scale})
    result = command(vario_mps, settings)
    assert result.beep_hz is None or result.beep_hz <= 12.0 * (1 + 1e-12)


def test_lift_beeps_and_sink_is_steady() -> None:
    lift, sink = command(2.0), command(-2.0)
    assert lift.beep_hz is not None
    assert lift.level == DEFAULTS.volume
    assert sink.beep_hz is None
    assert sink.level == DEFAULTS.volume
    assert sink.pitch_hz < DEFAULTS.pitch_zero_hz < lift.pitch_hz


@given(st.floats(DEFAULTS.quiet_from_mps, DEFAULTS.quiet_to_mps))
def test_quiet_band_is_silent(vario_mps: float) -> None:
    assert command(vario_mps).level == 0.0


def test_no_data_is_silence_and_forgets_the_zone() -> None:
    stage = ToneStage(DEFAULTS)
    stage.update(3.0)
    assert stage.update(None).level == 0.0
    assert stage.update(DEFAULTS.quiet_to_mps - HYSTERESIS_MPS / 2).level == 0.0


@pytest.mark.parametrize("edge_mps", [DEFAULTS.quiet_to_mps, DEFAULTS.quiet_from_mps])
def test_wavering_at_the_edge_of_the_quiet_band_does_not_stutter(edge_mps: float) -> None:
    stage = ToneStage(DEFAULTS)
    outward = 1.0 if edge_mps > 0 else -1.0
    wavering = [edge_mps + outward * 0.02 * (-1) ** k for k in range(100)]
    levels = [stage.update(vario_mps).level for vario_mps in wavering]
    assert set(levels) == {DEFAULTS.volume}


def test_without_a_quiet_band_wavering_at_zero_still_does_not_stutter() -> None:
    stage = ToneStage(Tone.model_validate({"quiet_from": "0 m/s", "quiet_to": "0 m/s"}))
    beeping = [stage.update(0.02 * (-1) ** k).beep_hz is not None for k in range(100)]
    assert all(beeping)
    sinking = [stage.update(vario_mps).beep_hz is None for vario_mps in (-0.1, 0.02, -0.02, 0.02)]
    assert all(sinking)


@given(st.lists(st.one_of(st.none(), varios)))
def test_same_input_same_commands(history: list[float | None]) -> None:
    first, second = ToneStage(DEFAULTS), ToneStage(DEFAULTS)
    assert [first.update(v) for v in history] == [second.update(v) for v in history]


@pytest.mark.parametrize(
    ("settings", "names"),
    [
        ({"pitch_zero": "900 Hz", "pitch_full": "800 Hz"}, ["pitch_zero", "pitch_full"]),
        ({"pitch_sink": "500 Hz", "pitch_zero": "400 Hz"}, ["pitch_sink", "pitch_zero"]),
        ({"beeps_zero": "5 Hz", "beeps_full": "3 Hz"}, ["beeps_zero", "beeps_full"]),
        ({"full_scale": "1 m/s", "quiet_to": "2 m/s"}, ["quiet_to", "full_scale"]),
        ({"full_scale": "3 m/s", "quiet_from": "-4 m/s"}, ["quiet_from", "full_scale"]),
    ],
)
def test_settings_that_would_turn_the_tone_upside_down_are_refused(
    settings: dict[str, str], names: list[str]
) -> None:
    with pytest.raises(ValidationError) as refusal:
        Tone.model_validate(settings)
    assert all(name in str(refusal.value) for name in names)
