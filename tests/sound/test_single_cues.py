"""Single cues and sentences through simpleaudio, which plays complete sounds only."""

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.support import missing
from tests.support.generated_words import generated_bank
from tests.support.sound_card import NEEDS_ALSA, RATE_HZ, alsa_environment
from vario.flight.tone.cues import Cue, CueCall
from vario.flight.tone.stage import Speech, ToneCommand
from vario.sound.cue_sounds import CueSound, cue_sounds
from vario.sound.discrete import DiscreteSink
from vario.sound.errors import SoundDeviceError

CALL = ToneCommand(600.0, None, 0.0, cue=CueCall(Cue.CIRCLING_BEGUN, 1, False))
SAID = replace(CALL, cue=None, speech=Speech(("wind", "3"), 1), speech_level=1.0)


@pytest.mark.skipif(sys.version_info < (3, 12), reason=missing.NEWER_PYTHON)
def test_single_cues_are_refused_where_their_library_crashes() -> None:
    with pytest.raises(SoundDeviceError, match=r"simpleaudio crashes Python 3\.12 and later, and this is 3"):
        DiscreteSink()


class Library:
    """Stands for simpleaudio: what plays goes on until it is stopped."""

    SimpleaudioError = RuntimeError

    def __init__(self) -> None:
        self.played: list[NDArray[np.int16]] = []
        self._now: int | None = None

    def play_buffer(self, pcm: NDArray[np.int16], *_: int) -> "Library":
        self.played.append(pcm)
        self._now = len(self.played)
        return self

    def is_playing(self) -> bool:
        return self._now is not None

    def stop(self) -> None:
        self._now = None

    wait_done = stop


@pytest.mark.skipif(sys.version_info >= (3, 12), reason=missing.OLDER_PYTHON)
def test_speech_is_below_single_cues(monkeypatch: pytest.MonkeyPatch) -> None:
    library, bank = Library(), generated_bank(RATE_HZ)
    monkeypatch.setitem(sys.modules, "simpleaudio", library)  # type: ignore[arg-type]
    sink = DiscreteSink(RATE_HZ, bank)
    said = [replace(CALL, speech=Speech(("wind", number), int(number))) for number in "123"]
    cue = cue_sounds(RATE_HZ)[Cue.CIRCLING_BEGUN].samples.size
    sink.play(replace(said[0], cue=None), 0.02)
    sink.play(said[0], 0.02)  # the cue ends the speech, which does not begin again
    sink.play(said[1], 0.02)  # nothing is said while the cue sounds
    library.stop()
    sink.play(said[2], 0.02)
    sink.play(replace(said[2], speech=Speech(("wind", "xyzzy"), 4)), 0.02)  # a word is missing
    spoken = [bank.sentence(one.speech.words) for one in (said[0], said[2]) if one.speech is not None]
    sizes = [sound.samples.size for sound in spoken if sound is not None]
    assert [pcm.size for pcm in library.played] == [sizes[0], cue, sizes[1]]


ONE_SOUND = """
import sys
from tests.sound.test_single_cues import CALL, SAID
from tests.support.generated_words import generated_bank
from tests.support.sound_card import RATE_HZ
from vario.sound.discrete import DiscreteSink

sink = DiscreteSink(RATE_HZ, generated_bank(RATE_HZ))
for _ in range(2):
    sink.play({command}, 0.02)
sink._playing.wait_done()  # to the end of the sound; nothing in flight waits for that
sink.close()
"""


@NEEDS_ALSA
@pytest.mark.skipif(sys.version_info >= (3, 12), reason=missing.OLDER_PYTHON)
@pytest.mark.parametrize(
    ("command", "sound"),
    [
        ("CALL", lambda: cue_sounds(RATE_HZ)[Cue.CIRCLING_BEGUN]),
        ("SAID", lambda: generated_bank(RATE_HZ).sentence(("wind", "3"))),
    ],
)
def test_a_single_cue_or_sentence_sounds_once(
    tmp_path: Path, command: str, sound: Callable[[], CueSound]
) -> None:
    missing.library("simpleaudio", missing.SIMPLEAUDIO)
    # In a process of its own, onto a file: ALSA's file device ends the whole process when its reader has gone
    # before the library's thread has let go of it.
    played = tmp_path / "played"
    environment = os.environ | alsa_environment(played, tmp_path)
    subprocess.run(  # noqa: S603  (our own program)
        [sys.executable, "-c", ONE_SOUND.format(command=command)], env=environment, check=True, timeout=60
    )
    heard = np.frombuffer(played.read_bytes(), np.int16)
    expected = sound().samples
    assert heard.size >= expected.size
    sounding = heard[: expected.size].astype(float)
    assert np.corrcoef(sounding, expected)[0, 1] > 0.999
    assert not np.any(heard[expected.size :])  # once, though asked for twice
