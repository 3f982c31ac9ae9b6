"""The outputs of needle and sound."""

from __future__ import annotations

from vario.app.outputs.output import Kind, Output, Value, words
from vario.flight.reading import Reading
from vario.flight.tone.cues import Cue
from vario.flight.tone.stage import Voice
from vario.settings.display import Measure

_VOICES = {voice: voice.value.replace(" ", "_") for voice in Voice}
_CUES = {cue: cue.value.replace(" ", "_") for cue in Cue}


def _voice(r: Reading) -> Value:
    return _VOICES[r.tone.voice] if r.tone.level > 0.0 else None


def _frequency(r: Reading) -> Value:
    return r.tone.pitch_hz if r.tone.level > 0.0 else None


def _beep_rate(r: Reading) -> Value:
    if r.tone.level == 0.0:
        return None
    return 0.0 if r.tone.beep_hz is None else r.tone.beep_hz


def _cue(r: Reading) -> Value:
    return None if r.tone.cue is None else _CUES[r.tone.cue.cue]


def _cue_number(r: Reading) -> int | None:
    return None if r.tone.cue is None else r.tone.cue.number


SOUND = (
    Output(
        "damped_vario_mps",
        lambda r: r.needle_mps,
        3,
        "The vario that needle and tone follow: `vario_mps` damped by `[vario] damping`.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "tone_voice",
        _voice,
        0,
        f"The voice of the tone: {words(_VOICES.values())}; empty in silence.",
        Kind.TEXT,
    ),
    Output(
        "tone_frequency_hz",
        _frequency,
        1,
        "Fundamental frequency of the tone; empty in silence.",
        shown_decimals=0,
    ),
    Output(
        "tone_beep_rate_hz",
        _beep_rate,
        2,
        "Beeps (or pairs of notes) per second; 0 is a continuous tone; empty in silence.",
    ),
    Output(
        "tone_level",
        lambda r: r.tone.level,
        3,
        "Commanded loudness of the tone, 0 (silence) to 1, before the volume of the sound device.",
        shown_decimals=2,
    ),
    Output(
        "cue",
        _cue,
        0,
        f"The cue that began since the row before, in this row only: {words(_CUES.values())}; several are "
        "joined by `+`.",
        Kind.EVENT,
        number_of=_cue_number,
    ),
)
