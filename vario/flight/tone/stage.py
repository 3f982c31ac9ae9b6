"""The tone: beeps in lift, a steady low tone in sink, silence in between, and short cues.

docs/tone.md describes all sounds with their reasons. This stage turns values into commands: the zone of the
value selects the kind of sound, curves give its pitch and beep rate, and the mode gives its volume.

Pitch and beep rate change in equal ratios between the points of their curves, because the ear judges both by
ratio: it notices 0.6 % of pitch above 1 kHz and about 3 Hz below 500 Hz (Kollmeier, Brand and Meyer,
"Perception of speech and sound", 2008, as encyclopaedias quote it), and 6 % of a single interval between
beeps (Drake and Botte, Perception & Psychophysics 54, 1993). The settings limit the beep rate to 12 beeps a
second: faster click trains lose their rhythm and, above 20 to 30 a second, fuse into a pitch.
"""

from __future__ import annotations

import math
from dataclasses import replace
from enum import Enum, StrEnum, auto

from drivers.quick import dataclass
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason
from vario.flight.tone.cues import CueCall, CueInputs, CueStage
from vario.settings.tone import Tone, ToneCurve

HYSTERESIS_MPS = 0.05
"""How far the vario must return into the quiet band before a sound stops, so that it does not stutter."""

SPEED_HYSTERESIS_MPS = 0.5
"""The same for the speed to fly: a pilot holds speed to about this."""

SPEED_REFERENCE_MPS = 25.0
"""The airspeed, of slow circling, at which the volume is the one set."""


class Voice(StrEnum):
    """The quantity that the tone represents. Each voice has its own timbre and rhythm in the sound engine."""

    LIFT = "lift"
    SINK = "sink"
    NETTO = "relative netto"
    FASTER = "fly faster"
    SLOWER = "fly slower"


@dataclass(frozen=True, slots=True)
class Speech:
    """Words to speak in their order. It stays in the following commands; a new `number` is a new speech."""

    words: tuple[str, ...]
    number: int


@dataclass(frozen=True, slots=True)
class ToneCommand:
    """The sound from now on.

    Attributes:
        pitch_hz: fundamental frequency; meaningful in silence too, so that a sound begins at the right pitch.
        beep_hz: beeps a second; None is a continuous tone.
        level: loudness, 0 (silence) to 1. The engine makes all pitches of one level equally loud.
        voice: timbre and rhythm.
        cue: the latest cue; a number not seen before starts it.
        cue_level: loudness of cues, 0 to 1.
        warning_level: loudness of warnings among them.
        speech: the latest speech; a number not seen before starts it.
        speech_level: loudness of speech, 0 to 1.
    """

    pitch_hz: float
    beep_hz: float | None
    level: float
    voice: Voice = Voice.LIFT
    cue: CueCall | None = None
    cue_level: float = 0.5
    warning_level: float = 1.0
    speech: Speech | None = None
    speech_level: float = 0.5


_Sound = tuple[float, float | None, float, Voice]
"""Pitch, beeps a second, level and voice of a `ToneCommand`."""


@dataclass(frozen=True, slots=True)
class ToneInputs:
    """The inputs of the tone at the end of a frame. None: not known."""

    cue_inputs: CueInputs
    vario_mps: float | None
    ias_mps: float | None = None
    speed_to_fly_mps: float | None = None
    relative_netto_mps: float | None = None


class ToneStage:
    """Computes the `ToneCommand`.

    It keeps the zone (low, quiet, high) of the value, for the hysteresis, and the cues.
    """

    def __init__(self, setup: Setup) -> None:
        self._cues = CueStage()
        self._quality = Quality.OK
        self._no_baro = self._uncompensated = False
        self._use(setup.settings.tone)

    def configure(self, setup: Setup) -> None:
        """Take changed settings; a cue that sounds continues."""
        if setup.settings.tone != self._settings:
            self._use(setup.settings.tone)

    def _use(self, settings: Tone) -> None:
        self._settings = settings
        cruise_volume = settings.volume if settings.volume_cruise is None else settings.volume_cruise
        self._volumes = {
            Mode.CIRCLING: settings.volume,
            Mode.CRUISE: cruise_volume,
            # Never louder there than elsewhere: a pilot who turns the volume down means these too.
            Mode.LAUNCH: min(settings.volume_launch, settings.volume),
            Mode.APPROACH: min(settings.volume_approach, settings.volume),
            Mode.GROUND: min(settings.volume_ground, settings.volume),
        }
        curve = self._curve = settings.curve
        self._vario = _Zones(curve.dead_band_low_mps, curve.dead_band_high_mps, HYSTERESIS_MPS)
        cruise = settings.cruise
        self._cruise = _Zones(cruise.dead_band_low_mps, curve.dead_band_high_mps, HYSTERESIS_MPS)
        self._netto = _Zones(cruise.dead_band_low_mps, curve.dead_band_high_mps, HYSTERESIS_MPS)
        self._speed = _Zones(-cruise.speed_dead_band_mps, cruise.speed_dead_band_mps, SPEED_HYSTERESIS_MPS)

    def reset(self, reason: ResetReason) -> None:
        """Reset the cues; the tone follows its input again from the next frame on."""
        self._cues.reset(reason)

    def update(self, inputs: ToneInputs) -> ToneCommand:
        """The command for this frame."""
        quality = inputs.cue_inputs.quality
        if quality is not self._quality:
            self._quality = quality
            self._no_baro, self._uncompensated = Quality.NO_BARO in quality, Quality.UNCOMPENSATED in quality
        if self._no_baro or (self._uncompensated and not self._cues.time_is_up):
            # Without a barometer the estimate may continue for a while, but the tone must not sound it. An
            # uncompensated climb rate must not sound as total energy while the airspeed may still come.
            lost = replace(inputs.cue_inputs, vario_known=False)
            inputs = replace(inputs, cue_inputs=lost, vario_mps=None, relative_netto_mps=None)
        gain = self._gain(inputs.ias_mps)
        pitch_hz, beeps_hz, level, voice = self._tone(inputs, gain)
        return ToneCommand(
            pitch_hz,
            beeps_hz,
            level,
            voice,
            self._cues.update(inputs.cue_inputs),
            min(self._settings.volume_cues * gain, 1.0),
            min(self._settings.volume_warnings * gain, 1.0),
        )

    def _tone(self, inputs: ToneInputs, gain: float) -> _Sound:
        cruising = inputs.cue_inputs.mode is Mode.CRUISE
        level = min(self._volumes[inputs.cue_inputs.mode] * gain, 1.0)
        zones = self._cruise if cruising else self._vario
        vario = self._climb(zones, inputs.vario_mps, level, Voice.LIFT, Voice.SINK)
        climbing = vario[1] is not None
        # If the source selected for cruise is not known, the vario sounds in its own voice. A climb sounds
        # with every source.
        source = self._settings.cruise.source if cruising else "vario"
        if source == "relative netto" and inputs.relative_netto_mps is not None:
            netto = self._climb(self._netto, inputs.relative_netto_mps, level, Voice.NETTO, Voice.NETTO)
            return vario if climbing and netto[1] is None else netto
        ias_mps, command_mps = inputs.ias_mps, inputs.speed_to_fly_mps
        if source == "speed to fly" and ias_mps is not None and command_mps is not None and not climbing:
            return self._speed_command(command_mps - ias_mps, level)
        if inputs.cue_inputs.mode is Mode.APPROACH and not climbing:
            return vario[0], None, 0.0, Voice.LIFT  # sink is intended there
        return vario

    def _climb(self, zones: _Zones, value_mps: float | None, level: float, up: Voice, down: Voice) -> _Sound:
        """Beeps above the quiet band, a steady tone below it."""
        zone = zones.update(value_mps)
        if value_mps is None:
            return self._curve.frequency_zero_hz, None, 0.0, Voice.LIFT
        pitch_hz = pitch_of(value_mps, self._curve)
        if zone is _Zone.HIGH:
            return pitch_hz, beeps_of(value_mps, self._curve), level, up
        if zone is _Zone.LOW:
            return pitch_hz, None, level * self._settings.sink_volume_fraction, down
        return pitch_hz, None, 0.0, up

    def _speed_command(self, too_slow_mps: float, level: float) -> _Sound:
        """Pairs of notes, rising to fly faster, falling to fly slower; the larger the error, the faster."""
        cruise = self._settings.cruise
        zone = self._speed.update(too_slow_mps)
        voice = Voice.FASTER if too_slow_mps > 0.0 else Voice.SLOWER
        if zone is _Zone.QUIET:
            return cruise.speed_frequency_hz, None, 0.0, voice
        beyond_mps = max(abs(too_slow_mps) - cruise.speed_dead_band_mps, 0.0)
        scale = min(beyond_mps / (cruise.speed_full_mps - cruise.speed_dead_band_mps), 1.0)
        pairs_hz = _between(cruise.pair_rate_zero_hz, cruise.pair_rate_full_hz, scale)
        return cruise.speed_frequency_hz, pairs_hz, level, voice

    def _gain(self, ias_mps: float | None) -> float:
        """Factor on all volumes, for the wind noise at this airspeed."""
        if ias_mps is None or ias_mps <= SPEED_REFERENCE_MPS:
            return 1.0
        gain_db = self._settings.louder_with_speed * math.log2(ias_mps / SPEED_REFERENCE_MPS)
        return math.pow(10.0, gain_db / 20.0)


class _Zone(Enum):
    LOW = auto()
    QUIET = auto()
    HIGH = auto()


class _Zones:
    """Which side of the quiet band a value lies on; leaving a zone takes `hysteresis` more than entering."""

    def __init__(self, low: float, high: float, hysteresis: float) -> None:
        self._zone = _Zone.QUIET
        # By present zone: the value below which it becomes low, and the one above which it becomes high.
        # The max and min matter only where the quiet band is narrower than the hysteresis.
        self._thresholds = {
            _Zone.LOW: (low + hysteresis, max(low + hysteresis, high)),
            _Zone.QUIET: (low, high),
            _Zone.HIGH: (min(low, high - hysteresis), high - hysteresis),
        }
        self._now = self._thresholds[self._zone]

    def update(self, value: float | None) -> _Zone:
        if value is None:
            self._enter(_Zone.QUIET)
            return _Zone.QUIET
        low_below, high_above = self._now
        zone = _Zone.LOW if value < low_below else _Zone.HIGH if value > high_above else _Zone.QUIET
        self._enter(zone)
        return zone

    def _enter(self, zone: _Zone) -> None:
        if zone is not self._zone:
            self._zone, self._now = zone, self._thresholds[zone]


def pitch_of(value_mps: float, curve: ToneCurve) -> float:
    """Pitch of a vario value, Hz: a curve through sink, zero, weak and full lift, in equal ratios between."""
    full_mps, weak_mps = curve.full_scale_mps, curve.weak_lift_mps
    if value_mps <= 0.0:
        scale = min(-value_mps / full_mps, 1.0)
        return _between(curve.frequency_zero_hz, curve.frequency_sink_hz, scale)
    if value_mps <= weak_mps:
        return _between(curve.frequency_zero_hz, curve.frequency_weak_hz, value_mps / weak_mps)
    scale = min((value_mps - weak_mps) / (full_mps - weak_mps), 1.0)
    return _between(curve.frequency_weak_hz, curve.frequency_full_hz, scale)


def beeps_of(lift_mps: float, curve: ToneCurve) -> float:
    """Beeps a second of a lift: a curve through zero, weak and full lift, in equal ratios between."""
    full_mps, weak_mps = curve.full_scale_mps, curve.weak_lift_mps
    if lift_mps <= weak_mps:
        return _between(curve.beep_rate_zero_hz, curve.beep_rate_weak_hz, max(lift_mps / weak_mps, 0.0))
    scale = min((lift_mps - weak_mps) / (full_mps - weak_mps), 1.0)
    return _between(curve.beep_rate_weak_hz, curve.beep_rate_full_hz, scale)


def _between(start_hz: float, end_hz: float, scale: float) -> float:
    """From start (scale 0) to end (scale 1) in equal ratios."""
    return float(start_hz * (end_hz / start_hz) ** scale)
