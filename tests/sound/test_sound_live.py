"""The live stream through PortAudio and ALSA, on a sound card made of a pipe: no hardware, no waiting.

The file device of ALSA writes the sound into a named pipe, and the test is the card: time passes as it reads.
So the test controls the block clock, and the position of a sound in the stream shows the delay of the
software.
"""

import os
import sys
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support import missing
from tests.support.sound_card import ALSA, PIPE_BYTES, RATE_HZ, Card, alsa_environment
from tests.support.waiting import once
from vario.app.live.speaker import Speaker
from vario.flight.tone.stage import ToneCommand
from vario.sound.block_player import LOST_AFTER_S, STALE_AFTER_S, BlockPlayer
from vario.sound.discrete import DiscreteSink
from vario.sound.errors import SoundDeviceError
from vario.sound.live import BLOCK_S, LiveSink

QUIET, LOUD = ToneCommand(600.0, None, 0.0), ToneCommand(600.0, None, 1.0)

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not ALSA.exists(),
    reason=missing.PORTAUDIO,
)


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Card]:
    home = tmp_path_factory.mktemp("home")
    pipe = home / "card"
    os.mkfifo(pipe)
    with pytest.MonkeyPatch.context() as environment:
        # The system's file, then ours: as with ~/.asoundrc, but without touching the user's.
        for name, value in alsa_environment(pipe, home).items():
            environment.setenv(name, value)
        made = Card(pipe)
        try:
            sounddevice = missing.library("sounddevice", missing.PORTAUDIO)  # looks for devices meanwhile
        except pytest.skip.Exception:
            made.pull_out()
            raise
        sounddevice._terminate()
        sounddevice._initialize()  # this card, independent of earlier imports
        yield made
        made.pull_out()


@pytest.fixture
def sink(card: Card) -> Iterator[LiveSink]:
    opened = LiveSink(RATE_HZ)
    yield opened
    card.run_while(opened.close)


def first_sound(pcm: NDArray[np.int16]) -> int:
    return int(np.flatnonzero(pcm)[0])


def test_the_stream_plays_what_the_engine_makes(card: Card, sink: LiveSink) -> None:
    sink.play(LOUD)
    heard = card.play(0.4)
    reference = BlockPlayer(RATE_HZ)
    reference.put(LOUD)
    start = first_sound(heard)
    expected = reference.fill(RATE_HZ)
    assert np.array_equal(heard[start:], expected[first_sound(expected) :][: heard.size - start])
    assert sink.underruns == 0


@pytest.mark.parametrize("moment_s", [0.0501, 0.0533, 0.0577, 0.0599])
def test_a_command_is_heard_within_30_ms_of_software_time(
    card: Card, sink: LiveSink, moment_s: float
) -> None:
    # 20 to 30 ms between a gesture and its sound begin to be noticed (Maki-Patola and Hamalainen, ICMC 2004).
    # What waits in the pipe is the device's buffer, not the software's time.
    sink.play(QUIET)
    card.play(moment_s)
    sink.play(LOUD)
    delay = first_sound(card.play(0.2))
    assert delay - PIPE_BYTES // 2 <= 0.030 * RATE_HZ
    assert sink.latency_s == pytest.approx(BLOCK_S, abs=0.02)


def test_silence_and_then_the_cue_when_the_commands_stop(card: Card, sink: LiveSink) -> None:
    sink.play(LOUD)
    heard = card.play(2.0)
    start = first_sound(heard)
    loud = np.abs(heard[start:].astype(int)) > 0
    gap = round((STALE_AFTER_S + BLOCK_S + 0.02) * RATE_HZ)
    assert np.mean(loud[: round(STALE_AFTER_S * RATE_HZ)]) > 0.9
    assert not np.any(loud[gap : round((LOST_AFTER_S - 0.005) * RATE_HZ)])
    cue = heard[start + round(LOST_AFTER_S * RATE_HZ) :][: round(0.9 * RATE_HZ)]
    assert np.max(np.abs(cue.astype(int))) > 0.3 * 32767


@pytest.fixture
def speaker(card: Card) -> Iterator[Speaker]:
    opened = Speaker(lambda: LiveSink(RATE_HZ), retry_s=0.05)
    yield opened
    card.run_while(opened.close)


def test_a_device_that_goes_comes_back_by_itself(card: Card, speaker: Speaker) -> None:
    speaker.play(LOUD)
    card.play(0.2)
    card.pull_out()
    once(lambda: speaker.problem is not None, 20.0)
    speaker.play(LOUD)  # the flight continues and is not affected
    card.plug_in()
    card.run_while(lambda: once(lambda: speaker.problem is None, 20.0))
    speaker.play(LOUD)
    assert np.max(np.abs(card.play(0.3).astype(int))) > 1000


def test_a_device_that_hangs_is_opened_again(card: Card, speaker: Speaker) -> None:
    speaker.play(LOUD)
    card.play(0.1)
    once(lambda: speaker.problem is not None, 20.0)  # there is no reader, so no block is requested
    card.run_while(lambda: once(lambda: speaker.problem is None, 20.0))
    speaker.play(LOUD)
    assert np.max(np.abs(card.play(0.3).astype(int))) > 1000


def test_blocks_that_come_late_are_counted(card: Card) -> None:
    import sounddevice  # noqa: PLC0415  (see the fixture)

    sink = LiveSink(RATE_HZ)
    late = sounddevice.CallbackFlags(4)  # paOutputUnderflow of portaudio.h
    assert late.output_underflow
    block = bytearray(882)
    sink.fill(block, 441, None, late)
    sink.fill(block, 441, None, sounddevice.CallbackFlags(0))
    assert sink.underruns == 1
    card.run_while(sink.close)


@pytest.mark.parametrize(
    ("library", "opens", "says"),
    [
        ("sounddevice", LiveSink, r"live sound needs the extra live: pip install 'glider-vario\[live\]'"),
        pytest.param(
            "simpleaudio",
            DiscreteSink,
            r"single cues need the extra audio: pip install 'glider-vario\[audio\]'",
            marks=pytest.mark.skipif(sys.version_info >= (3, 12), reason=missing.OLDER_PYTHON),
        ),
    ],
)
def test_a_missing_library_is_asked_for(
    library: str, opens: Callable[[], object], says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, library, None)  # what Python itself does for a module that is not there
    with pytest.raises(SoundDeviceError, match=says):
        opens()


@pytest.mark.usefixtures("card")
def test_a_device_that_is_not_there_is_named_with_those_that_are() -> None:
    with pytest.raises(SoundDeviceError, match='sound device "loudspeaker of the towplane"') as error:
        LiveSink(RATE_HZ, "loudspeaker of the towplane")
    assert "default" in str(error.value).partition("found:")[2]


def test_a_command_that_cannot_sound_is_refused_where_it_is_given(card: Card, sink: LiveSink) -> None:
    with pytest.raises(ValueError, match="expected"):
        sink.play(ToneCommand(20000.0, None, 0.5))
    sink.play(LOUD)
    assert np.any(card.play(0.2))
