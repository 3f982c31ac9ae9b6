"""Commands rendered together give the same bits as one by one, so a replay gives the live sound."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import soundfile
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.support.examples import drawn
from tests.support.rendered_sound import RATE_HZ, calls, rendered
from vario.flight.tone.stage import ToneCommand, Voice
from vario.sound.flac import FlacSink
from vario.sound.synth import Step, Synth

lengths = st.one_of(st.just(441), st.integers(0, 3), st.integers(0, 1200), st.just(20_000))
rises = st.sampled_from([0.5, 0.8, 0.95, 1.0, 1.02, 1.1, 1.24, 1.26, 2.0])
"""Factors of the beep rate between commands: most change the rate, some end a pause."""


@st.composite
def flights(draw: st.DrawFn) -> list[Step]:
    """Commands as in flight: each is similar to the one before."""
    command = ToneCommand(draw(st.floats(200.0, 1500.0)), draw(st.floats(0.5, 12.0)), 0.5)
    steps = []
    for _ in range(draw(st.integers(1, 30))):
        pitch_hz, beep_hz, level, voice, cue = (
            command.pitch_hz,
            command.beep_hz,
            command.level,
            command.voice,
            command.cue,
        )
        match draw(st.integers(0, 11)):
            case 0:
                level = draw(st.sampled_from([0.0, 0.3, 1.0]))
            case 1:
                voice = draw(st.sampled_from(Voice))
            case 2:
                cue = draw(calls)
            case 3:
                beep_hz = draw(st.one_of(st.none(), st.floats(0.5, 12.0)))
            case 4:
                pass  # the same once more
            case _:
                pitch_hz = min(max(pitch_hz * draw(st.floats(0.9, 1.1)), 150.0), 1500.0)
                beep_hz = None if beep_hz is None else min(max(beep_hz * draw(rises), 0.5), 12.0)
        command = ToneCommand(pitch_hz, beep_hz, level, voice, cue, 0.4, 0.9)
        steps.append((command, draw(lengths)))
    return steps


def rising_in_a_pause() -> list[Step]:
    """Slow beeps whose rate increases gradually within one pause, until the pause must end."""
    beep = ToneCommand(700.0, 0.6, 0.5)
    return [(beep, 20_000), *((replace(beep, beep_hz=0.6 * 1.05**k), 441) for k in range(20))]


@settings(deadline=None)
@given(flights(), st.lists(st.integers(0, 30), max_size=3))
@example(rising_in_a_pause(), [])
def test_commands_together_sound_as_one_by_one(steps: list[Step], cuts: list[int]) -> None:
    synth = Synth(RATE_HZ)
    parts = [synth.render_all(steps[start:stop]) for start, stop in pairwise(sorted([0, *cuts, len(steps)]))]
    assert np.concatenate(parts).tobytes() == rendered(steps).tobytes()


@settings(deadline=None, max_examples=drawn(30))
@given(steps=flights())
@example(steps=[(ToneCommand(200.0, 1.0, 0.0), 0)])
def test_the_file_holds_what_is_heard_live(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Step]
) -> None:
    """A file without samples contains one of silence: in FLAC a length of 0 is unknown (RFC 9639, 8.2)."""
    path = tmp_path_factory.mktemp("together") / "tone.flac"
    with FlacSink(path, RATE_HZ) as sink:
        for command, n in steps:
            sink.play(command, n / RATE_HZ)
    pcm, _ = soundfile.read(path, dtype="int16")
    heard = rendered(steps)
    assert pcm.tobytes() == (heard if heard.size else np.zeros(1, np.int16)).tobytes()
