"""The tone by mode and source: volumes, cruise, approach."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from tests.support.setups import setup
from tests.support.tone_commands import DEFAULTS, heard, tone
from vario.flight.motion.mode import Mode
from vario.flight.tone.stage import ToneCommand, ToneStage, Voice

# --- volume


def test_each_mode_has_its_volume() -> None:
    stage = ToneStage(setup(tone=tone(volume=0.6, volume_cruise=0.2, louder_with_speed=0.0)))
    assert stage.update(heard(2.0)).level == 0.6
    assert stage.update(heard(2.0, Mode.CRUISE)).level == 0.2


@given(st.floats(0.0, 100.0), st.floats(0.0, 100.0))
def test_faster_is_never_softer_and_never_beyond_full(a_mps: float, b_mps: float) -> None:
    slow, fast = (
        ToneStage(setup(tone=DEFAULTS)).update(heard(2.0, ias_mps=v)).level
        for v in (min(a_mps, b_mps), max(a_mps, b_mps))
    )
    assert DEFAULTS.volume <= slow <= fast <= 1.0


def test_a_doubling_of_airspeed_gives_the_decibels_set() -> None:
    stage = ToneStage(setup(tone=tone(volume=0.1, louder_with_speed=6.0)))
    slow, fast = (stage.update(heard(2.0, ias_mps=v)).level for v in (25.0, 50.0))
    assert fast / slow == pytest.approx(10.0 ** (6.0 / 20.0))  # the definition of the decibel, for amplitudes


def test_no_volume_setting_silences_a_warning() -> None:
    # MIL-STD-1472E 5.3.6.4: volume controls may not reach the inaudible where a warning depends on them.
    lowest = ToneStage(setup(tone=tone(volume=0.0, volume_cruise=0.0, volume_cues=0.0, volume_warnings=0.5)))
    result = lowest.update(heard(2.0))
    assert (result.level, result.cue_level) == (0.0, 0.0)
    assert result.warning_level == 0.5
    with pytest.raises(ValidationError):
        tone(volume_warnings=0.49)


# --- cruise


def test_gliding_is_not_heard_all_the_time_in_cruise() -> None:
    stage = ToneStage(setup(tone=DEFAULTS))
    assert stage.update(heard(-1.2, Mode.CRUISE)).level == 0.0
    assert stage.update(heard(-2.5, Mode.CRUISE)).voice is Voice.SINK
    assert stage.update(heard(-1.2)).level > 0.0


def cruise(source: str, **known: float) -> ToneCommand:
    return ToneStage(setup(tone=tone(cruise={"source": source}))).update(heard(-3.0, Mode.CRUISE, **known))


def test_relative_netto_has_a_voice_of_its_own_in_cruise_only() -> None:
    assert cruise("relative netto", relative_netto_mps=2.0).voice is Voice.NETTO
    assert cruise("relative netto", relative_netto_mps=-0.8).level == 0.0  # still air
    assert cruise("relative netto", relative_netto_mps=-4.0).beep_hz is None
    stage = ToneStage(setup(tone=tone(cruise={"source": "relative netto"})))
    assert stage.update(heard(2.0, relative_netto_mps=3.0)).voice is Voice.LIFT


@pytest.mark.parametrize(("ias_mps", "voice"), [(30.0, Voice.FASTER), (50.0, Voice.SLOWER)])
def test_the_speed_command_says_which_way(ias_mps: float, voice: Voice) -> None:
    result = cruise("speed to fly", ias_mps=ias_mps, speed_to_fly_mps=40.0)
    assert result.voice is voice
    assert result.level > 0.0


def test_the_right_speed_is_silent_and_more_difference_is_faster() -> None:
    differences = [cruise("speed to fly", ias_mps=v, speed_to_fly_mps=40.0) for v in (39.0, 36.0, 30.0, 20.0)]
    assert [result.level > 0.0 for result in differences] == [False, True, True, True]
    cadences = [result.beep_hz for result in differences[1:]]
    assert cadences == sorted(cadences, key=lambda hz: hz or 0.0)


@pytest.mark.parametrize("source", ["relative netto", "speed to fly"])
def test_where_the_source_is_not_known_the_vario_sounds(source: str) -> None:
    assert cruise(source).voice is Voice.SINK


@pytest.mark.parametrize("source", ["vario", "relative netto", "speed to fly"])
def test_a_climb_in_cruise_is_heard_whatever_the_source(source: str) -> None:
    """In lift of 2 m/s, 6 m/s too slow for the speed to fly, and where circling would not climb."""
    stage = ToneStage(setup(tone=tone(cruise={"source": source})))
    inputs = heard(2.0, Mode.CRUISE, ias_mps=30.0, speed_to_fly_mps=36.0, relative_netto_mps=-0.3)
    command = stage.update(inputs)
    assert command.voice is Voice.LIFT
    assert command.level > 0.0
    assert command.beep_hz is not None


def test_on_the_approach_sink_is_silent_and_a_climb_is_heard() -> None:
    stage = ToneStage(setup(tone=tone()))
    assert stage.update(heard(-4.0, Mode.CRUISE)).level > 0.0
    assert stage.update(heard(-4.0, Mode.APPROACH)).level == 0.0
    climb = stage.update(heard(1.0, Mode.APPROACH))
    assert climb.voice is Voice.LIFT
    assert climb.level > 0.0
