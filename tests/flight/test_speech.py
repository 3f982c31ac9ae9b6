"""When values are spoken. The rules are the project's own; no source says them."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from tests.support.setups import setup
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.stage import ResetReason
from vario.flight.thermal.averages import Averages
from vario.flight.thermal.core_fit import Core
from vario.flight.thermal.stage import Shift
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.speech import AFTER_CUE_S, WAITS_S, SpeechInputs, SpeechStage
from vario.flight.tone.stage import ToneCommand
from vario.settings.voice import SpokenValues

FRAME_S = 0.02
RATE = math.tau / 20.0
TONE = ToneCommand(600.0, 2.0, 0.5)


def stage(**voice: str) -> SpeechStage:
    return SpeechStage(setup(voice=SpokenValues(**({"language": "en"} | voice))))


def at(
    t_s: float, wanted: str | None = None, mode: Mode = Mode.CIRCLING, shift: Shift | None = None
) -> SpeechInputs:
    turning = Turning(RATE, RATE * t_s, 0.0, RATE * t_s, True, True, (RATE * t_s) % math.tau, True)
    averages = Averages(1.2, 2.3 if t_s > 20.0 else None, None)
    return SpeechInputs(t_s, mode, Quality.OK, turning, shift, averages, None, None, wanted)


def shift_to(bearing_rad: float) -> Shift:
    return Shift(60.0, bearing_rad, 10.0, True, True, Core(0.0, 60.0, 2.0, 150.0, 10.0, 10.0))


def spoken(
    stage: SpeechStage, inputs: list[tuple[SpeechInputs, ToneCommand]]
) -> list[tuple[float, tuple[str, ...]]]:
    found: list[tuple[float, tuple[str, ...]]] = []
    number = 0
    for now, tone in inputs:
        speech = stage.update(now, tone).speech
        if speech is not None and speech.number != number:
            number = speech.number
            found.append((now.t_s, speech.words))
    return found


def minutes(count: float) -> list[float]:
    return [FRAME_S * k for k in range(round(60.0 * count / FRAME_S))]


def test_without_a_language_nothing_is_said_and_the_command_is_the_same() -> None:
    silent = SpeechStage(setup(voice=SpokenValues(each_turn="average")))
    assert all(silent.update(at(t_s, "average"), TONE) is TONE for t_s in minutes(1.0))


def test_once_in_each_turn_of_circling() -> None:
    said = spoken(stage(each_turn="average"), [(at(t_s), TONE) for t_s in minutes(2.0)])
    assert [words for _, words in said] == [("average", "2", "decimal", "3")] * 5
    times = [t_s for t_s, _ in said]
    assert all(later - earlier >= 19.9 for earlier, later in pairwise(times))
    cruise = [(at(t_s, mode=Mode.CRUISE), TONE) for t_s in minutes(2.0)]
    assert spoken(stage(each_turn="average"), cruise) == []


@pytest.mark.parametrize("bearing_deg", [0.0, 80.0, 200.0, 300.0])
def test_never_across_a_centring_cue(bearing_deg: float) -> None:
    """The cue comes 1.2 rad before the nose points to the core at the earliest; the words last 2.6 s."""
    bearing = math.radians(bearing_deg)
    times = minutes(5.0)
    said = spoken(stage(each_turn="average"), [(at(t_s, shift=shift_to(bearing)), TONE) for t_s in times])
    assert len(said) >= 10
    for t_s, words in said:
        begins, ends = RATE * t_s, RATE * (t_s + 0.65 * len(words))
        to_core = (bearing - begins) % math.tau
        assert to_core - (ends - begins) > 1.2 - 1e-6
        assert to_core < math.tau - 0.8 + 1e-6


def test_a_request_waits_for_a_cue_and_not_for_ever() -> None:
    call = CueCall(Cue.GLIDE_MADE, 1, is_warning=False)
    frames = [(at(t_s, "wind" if t_s == 1.0 else None, Mode.CRUISE), TONE) for t_s in minutes(0.1)]
    with_cue = [(now, replace(tone, cue=call) if now.t_s >= 0.9 else tone) for now, tone in frames]
    ((t_s, words),) = spoken(stage(), with_cue)
    assert words == ("wind", "unknown")
    assert t_s == pytest.approx(0.9 + AFTER_CUE_S, abs=2 * FRAME_S)
    many = [
        (now, replace(tone, cue=CueCall(Cue.GLIDE_MADE, int(now.t_s), is_warning=False)))
        for now, tone in frames
    ]
    assert WAITS_S < 6.0
    assert spoken(stage(), many) == []  # a cue in every second: the answer would come too late


def test_a_request_without_a_name_is_what_the_settings_say() -> None:
    frames = [(at(FRAME_S * k, "" if k == 5 else None), TONE) for k in range(20)]
    assert spoken(stage(on_request="maccready lost"), frames)[0][1] == (
        *("maccready", "1", "decimal", "0"),
        "nothing_lost",
    )
    assert spoken(stage(), frames)[0][1][0] == "average"


def test_a_reset_drops_what_waits() -> None:
    one = stage()
    call = replace(TONE, cue=CueCall(Cue.SHIFT, 1, is_warning=False))
    one.update(at(0.0), call)
    one.update(at(0.02, "wind"), call)
    one.reset(ResetReason.GAP)
    assert spoken(one, [(at(t_s), call) for t_s in minutes(0.1)]) == []
