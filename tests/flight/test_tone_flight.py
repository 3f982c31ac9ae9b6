"""The tone of the whole chain, from samples to PCM."""

from itertools import takewhile

import numpy as np

from drivers.samples import Baro, Reference
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from vario.app.replay.player import noise_of, play
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.settings.schema import Settings
from vario.sound.synth import Synth

LOST_S = 48.0  # the barometer fails at the beginning of the tow, beeping
ENDS_S = 51.0


def flown_without_barometer_from(lost_s: float) -> list[Reading]:
    source = open_source(BUNDLED)
    start_s = next(iter(source)).t_s
    samples = (
        sample
        for sample in takewhile(lambda sample: sample.t_s < start_s + ENDS_S, source)
        if not isinstance(sample, Reference)
        and not (isinstance(sample, Baro) and sample.t_s >= start_s + lost_s)
    )
    return list(play(samples, Pipeline(Settings(), None, noise_of(Settings(), source.info))))


def test_without_barometer_the_tone_falls_silent_within_half_a_second_and_then_says_so() -> None:
    readings = flown_without_barometer_from(LOST_S)
    start_s = readings[0].t_s
    synth = Synth(22050)
    pcm = np.concatenate([synth.render(reading.tone, 441) for reading in readings]).astype(float)
    seconds = np.array([reading.t_s - start_s for reading in readings])
    loud = np.abs(pcm).reshape(-1, 441).max(axis=1) > 0
    assert np.mean(loud[(seconds > LOST_S - 5.0) & (seconds < LOST_S)]) > 0.3  # it was beeping
    # Half a second until it is stale, a frame, and the edge of the last beep.
    silent = (seconds > LOST_S + 0.55) & (seconds < LOST_S + 0.65)
    assert not np.any(loud[silent])
    called = [reading for reading in readings if reading.tone.cue and reading.tone.cue.cue is Cue.SENSOR_LOST]
    assert 0.5 < called[0].t_s - start_s - LOST_S < 1.0
    assert np.any(loud[(seconds > LOST_S + 1.0) & (seconds < LOST_S + 1.4)])
    assert not np.any(loud[seconds > LOST_S + 2.0])
