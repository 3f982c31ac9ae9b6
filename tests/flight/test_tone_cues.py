"""Times and priority of the cues. The rules are those of the project; they have no source."""

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.thermal.shifting import Size
from vario.flight.tone.cues import RULES, Cue, CueInputs, CueStage

FLYING = CueInputs(0.0, Mode.CRUISE, Quality.OK, vario_known=True)
FRAME_S = 0.02

cue_inputs = st.builds(
    CueInputs,
    t_s=st.just(0.0),
    mode=st.sampled_from(Mode),
    quality=st.sampled_from([Quality.OK, Quality.NO_AIRSPEED, Quality.NO_IMU, Quality.NO_BARO]),
    vario_known=st.booleans(),
    centring_now=st.none() | st.sampled_from(Size),
    worth_turning=st.booleans(),
    setting_rejected=st.booleans(),
    battery_low=st.booleans(),
    glide_made=st.sampled_from([None, False, True]),
    climb_weak=st.booleans(),
)


def cues(*history: tuple[float, CueInputs]) -> list[tuple[float, Cue]]:
    """The calls for a history of (seconds, inputs during them), each with its time."""
    stage = CueStage()
    found: list[tuple[float, Cue]] = []
    number = 0
    frame = 0
    for lasts_s, what in history:
        for _ in range(round(lasts_s / FRAME_S)):
            call = stage.update(replace(what, t_s=frame * FRAME_S))
            if call is not None and call.number != number:
                number = call.number
                found.append((round(frame * FRAME_S, 3), call.cue))
            frame += 1
    return found


def test_nothing_happening_is_silence() -> None:
    assert cues((60.0, FLYING)) == []


def test_the_mode_is_called_each_way() -> None:
    circling = replace(FLYING, mode=Mode.CIRCLING)
    assert cues((1.0, FLYING), (5.0, circling), (5.0, FLYING)) == [
        (1.0, Cue.CIRCLING_BEGUN),
        (6.0, Cue.CRUISE_BEGUN),
    ]


def test_rolling_out_of_the_hangar_calls_nothing() -> None:
    assert cues((1.0, replace(FLYING, mode=Mode.GROUND)), (1.0, FLYING)) == []


@pytest.mark.parametrize(
    ("size", "expected"),
    [(Size.LITTLE, Cue.SHIFT_A_LITTLE), (Size.USUAL, Cue.SHIFT), (Size.FAR, Cue.SHIFT_FAR)],
)
def test_centring_is_called_at_every_turn(size: Size, expected: Cue) -> None:
    now = replace(FLYING, mode=Mode.CIRCLING, centring_now=size)
    later = replace(FLYING, mode=Mode.CIRCLING)
    called = cues((1.0, later), *[(FRAME_S, now), (18.0, later)] * 3)
    assert [cue for _, cue in called if cue is not Cue.CIRCLING_BEGUN] == [expected] * 3


def test_a_lost_vario_is_called_after_a_moment_of_silence_and_again() -> None:
    lost = replace(FLYING, quality=Quality.NO_BARO, vario_known=False)
    called = cues((2.0, FLYING), (41.0, lost))
    assert [cue for _, cue in called] == [Cue.SENSOR_LOST] * 3
    assert 2.1 <= called[0][0] <= 2.3
    assert called[1][0] - called[0][0] >= 20.0


def test_what_was_never_there_is_not_lost() -> None:
    assert (
        cues((30.0, replace(FLYING, quality=Quality.NO_BARO | Quality.NO_AIRSPEED, vario_known=False))) == []
    )


def test_a_lost_airspeed_is_called_once() -> None:
    lost = replace(FLYING, quality=Quality.NO_AIRSPEED | Quality.UNCOMPENSATED)
    assert cues((1.0, FLYING), (60.0, lost)) == [(1.0, Cue.SENSOR_LOST)]


def test_a_low_battery_is_called_every_two_minutes() -> None:
    assert [t_s for t_s, _ in cues((241.0, replace(FLYING, battery_low=True)))] == [0.0, 120.0, 240.0]


def test_the_more_important_interrupts_and_the_less_important_waits() -> None:
    rejected = replace(FLYING, setting_rejected=True)
    both = replace(rejected, quality=Quality.NO_AIRSPEED)
    assert cues((1.0, FLYING), (0.1, rejected), (3.0, both)) == [
        (1.0, Cue.SETTING_REJECTED),
        (1.1, Cue.SENSOR_LOST),
    ]
    assert cues((1.0, FLYING), (0.1, replace(FLYING, quality=Quality.NO_AIRSPEED)), (3.0, both)) == [
        (1.0, Cue.SENSOR_LOST),
        (2.0, Cue.SETTING_REJECTED),
    ]


@given(st.lists(st.tuples(st.floats(0.02, 3.0), cue_inputs), max_size=20))
def test_nothing_gives_way_to_something_less_important(history: list[tuple[float, CueInputs]]) -> None:
    importance = {rule.cue: (index, rule.lasts_s) for index, rule in enumerate(RULES)}
    called = cues(*history)
    for (t_s, cue), (next_s, after) in pairwise(called):
        index, lasts_s = importance[cue]
        assert next_s - t_s >= lasts_s - FRAME_S or importance[after][0] < index


def test_every_cue_has_one_rule() -> None:
    assert sorted(rule.cue for rule in RULES) == sorted(Cue)


def test_the_glide_is_called_made_and_lost_and_not_when_its_judgement_ends() -> None:
    low, high = replace(FLYING, glide_made=False), replace(FLYING, glide_made=True)
    assert cues((5.0, low), (30.0, high), (5.0, low), (5.0, FLYING)) == [
        (5.0, Cue.GLIDE_MADE),
        (35.0, Cue.GLIDE_LOST),
    ]
    assert cues((5.0, high), (5.0, FLYING), (5.0, high)) == []


def test_a_weak_climb_is_called_once() -> None:
    circling = replace(FLYING, mode=Mode.CIRCLING)
    weak = replace(circling, climb_weak=True)
    assert cues((5.0, circling), (60.0, weak))[-1:] == [(5.0, Cue.CLIMB_WEAK)]
