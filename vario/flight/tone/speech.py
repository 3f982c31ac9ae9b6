"""When a value is spoken: on request, or once in each turn of circling.

Speech has the lowest rank of all sounds. It waits for a cue to end, and the sound engine cuts it when a cue
begins. In a turn it comes between two centring cues, when the next one is still far ahead.
"""

from __future__ import annotations

import math
from dataclasses import replace

from drivers.quick import dataclass
from vario.flight.cruise.glide import FinalGlide
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.thermal.averages import Averages
from vario.flight.thermal.stage import Shift
from vario.flight.tone import phrases
from vario.flight.tone.phrases import Words
from vario.flight.tone.stage import Speech, ToneCommand
from vario.flight.wind.stage import Wind
from vario.settings.display import DisplayUnits
from vario.settings.voice import spoken_names

AFTER_CUE_S = 1.2
"""No cue is longer."""

WAITS_S = 3.0
"""A request waits this long for cues to end; a later answer would surprise the pilot."""

WORD_S = 0.65
"""Length of a word with its pause, a bound for most words of the tables."""

CUE_LEAD_RAD = 1.2
"""The centring cue comes at most this far before the nose points towards the core: reaction and half of the
longest manoeuvre."""

AFTER_SHIFT_RAD = 0.8
"""The manoeuvre after the cue ends about this far behind the direction of the core."""


@dataclass(frozen=True, slots=True)
class SpeechInputs:
    """What can be said, and what decides when. None: not known."""

    t_s: float
    mode: Mode
    quality: Quality
    turning: Turning
    shift: Shift | None
    averages: Averages
    wind: Wind | None
    glide: FinalGlide | None
    wanted: str | None
    """What the pilot asked for since the last frame; empty: what `on_request` names."""


class SpeechStage:
    """Adds speech to the tone command."""

    def __init__(self, setup: Setup) -> None:
        self._speech: Speech | None = None
        self._cue_number: int | None = None
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take changed settings."""
        settings = setup.settings.voice
        self._is_on = settings.language is not None
        self._each_turn = spoken_names(settings.each_turn)
        self._on_request = spoken_names(settings.on_request) or ("average",)
        self._volume = setup.settings.tone.volume_voice
        self._maccready_mps = setup.maccready_mps
        self._units = DisplayUnits(setup.settings.display)

    def reset(self, reason: ResetReason) -> None:
        """Drop what waits."""
        self._quiet_until_s = 0.0
        self._wanted: tuple[str, ...] = ()
        self._wanted_until_s = 0.0
        self._spoken_at_rad: float | None = None

    def update(self, now: SpeechInputs, tone: ToneCommand) -> ToneCommand:
        """One frame; the command with the latest speech."""
        if not self._is_on:
            return tone
        cue_number = None if tone.cue is None else tone.cue.number
        if cue_number != self._cue_number:
            self._cue_number = cue_number
            self._quiet_until_s = now.t_s + AFTER_CUE_S
        if now.wanted is not None:
            self._wanted = spoken_names(now.wanted) or self._on_request
            self._wanted_until_s = now.t_s + WAITS_S
        if self._wanted and now.t_s > self._wanted_until_s:
            self._wanted = ()
        turn_due = self._turn_is_due(now)
        if now.t_s >= self._quiet_until_s:
            if self._wanted:
                self._say(self._words(self._wanted, now))
                self._wanted = ()
            elif turn_due:
                words = self._words(self._each_turn, now)
                if self._is_between_cues(now, len(words)):
                    self._say(words)
                    self._spoken_at_rad = now.turning.turn_angle_rad
        if self._speech is None:
            return tone
        return replace(tone, speech=self._speech, speech_level=min(self._volume, 1.0))

    def _turn_is_due(self, now: SpeechInputs) -> bool:
        """Whether a turn of circling has passed since the last words about one."""
        if now.mode is not Mode.CIRCLING or not self._each_turn:
            self._spoken_at_rad = None
            return False
        if self._spoken_at_rad is None:
            self._spoken_at_rad = now.turning.turn_angle_rad
        turned_rad = abs(now.turning.turn_angle_rad - self._spoken_at_rad)
        return turned_rad >= math.tau and now.averages.turn_mps is not None

    def _is_between_cues(self, now: SpeechInputs, words: int) -> bool:
        """Whether the words end before the next centring cue, and the manoeuvre of the last one is over."""
        if now.shift is None or not now.shift.sure:
            return True
        way = math.copysign(1.0, now.turning.rate_radps)
        ahead_rad = way * (now.shift.bearing_rad - now.turning.heading_rad) % math.tau
        least_rad = CUE_LEAD_RAD + WORD_S * words * abs(now.turning.rate_radps)
        return least_rad < ahead_rad < math.tau - AFTER_SHIFT_RAD

    def _say(self, words: Words) -> None:
        number = 1 if self._speech is None else self._speech.number + 1
        self._speech = Speech(words, number)

    def _words(self, names: tuple[str, ...], now: SpeechInputs) -> Words:
        said: Words = ()
        for name in names:
            if name == "average":
                said += phrases.average(now.averages, self._units)
            elif name == "maccready":
                said += phrases.maccready(self._maccready_mps, self._units)
            elif name == "wind":
                said += phrases.wind_words(now.wind, self._units)
            elif name == "goal":
                said += phrases.goal(now.glide, self._units)
            elif name == "lost":
                said += phrases.lost(now.quality)
        return said
