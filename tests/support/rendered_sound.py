"""Commands drawn at random, the sound rendered from them, and its pitch."""

import numpy as np
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import signal

from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import ToneCommand, Voice
from vario.sound.synth import Synth

RATE_HZ = 22050

calls = st.builds(CueCall, cue=st.sampled_from(Cue), number=st.integers(1, 3), is_warning=st.booleans())
commands = st.builds(
    ToneCommand,
    pitch_hz=st.floats(150.0, 1500.0),
    beep_hz=st.one_of(st.none(), st.floats(0.5, 12.0)),
    level=st.one_of(st.just(0.0), st.floats(0.0, 1.0)),
    voice=st.sampled_from(Voice),
    cue=st.one_of(st.none(), calls),
    cue_level=st.floats(0.0, 1.0),
    warning_level=st.floats(0.5, 1.0),
)
timelines = st.lists(st.tuples(commands, st.integers(1, 3000)), min_size=1, max_size=8)


def pitch_of(pcm: NDArray[np.int16], rate_hz: int = RATE_HZ) -> float:
    """Frequency of the strongest line, its peak interpolated on a Gaussian-windowed spectrum, Hz."""
    window = signal.windows.gaussian(pcm.size, pcm.size / 8)
    spectrum = np.log(np.abs(np.fft.rfft(pcm * window)) + 1e-9)
    k = int(np.argmax(spectrum))
    left, peak, right = spectrum[k - 1 : k + 2]
    return float((k + 0.5 * (left - right) / (left - 2 * peak + right)) * rate_hz / pcm.size)


def rendered(timeline: list[tuple[ToneCommand, int]], rate_hz: int = RATE_HZ) -> NDArray[np.int16]:
    """The samples of the commands one by one, each with its number of samples; shape (n,)."""
    synth = Synth(rate_hz)
    return np.concatenate([synth.render(command, n) for command, n in timeline])
